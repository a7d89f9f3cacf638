"""Commands about probes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from monitor.commands.app import app, said

probes_app = typer.Typer(rich_markup_mode=None)
app.add_typer(probes_app, name="probes")


@probes_app.callback(invoke_without_command=True)
def list_probes(
    context: typer.Context, config: Annotated[Path, typer.Option(help="the service's configuration")] = Path("larderer.toml")
) -> None:
    """List configured and discovered sources with newest value, age and health.

    Example: larderer probes
    """
    if context.invoked_subcommand is None:
        from monitor.commands.probe_list import probes_text

        said(probes_text(config))


@probes_app.command("watch")
def watch(
    config: Annotated[Path, typer.Option(help="the service's configuration")] = Path("larderer.toml"),
    seconds: Annotated[float, typer.Option(help="stop after so many seconds (0: until Ctrl-C)")] = 0.0,
) -> None:
    """Read the configured sources and print every reading as it comes, storing nothing; the service must not be running.

    Example: larderer probes watch
    """
    from monitor.commands.probe_list import watch_probes

    watch_probes(config, seconds, said)
