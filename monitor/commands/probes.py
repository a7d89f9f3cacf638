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
    context: typer.Context,
    config: Annotated[Path, typer.Option(help="the service's configuration")] = Path("larderer.toml"),
    seconds: Annotated[float, typer.Option(help="how long to listen for topics on the broker", min=0.0, max=60.0)] = 2.0,
) -> None:
    """List the plan's probes with newest value, age and faults, the configured sources, and what was found and is not used.

    Example: larderer probes
    """
    if context.invoked_subcommand is None:
        from monitor.commands.probe_list import probes_text

        said(probes_text(config, seconds))


@probes_app.command("watch")
def watch(
    config: Annotated[Path, typer.Option(help="the service's configuration")] = Path("larderer.toml"),
    seconds: Annotated[float, typer.Option(help="stop after so many seconds (0: until Ctrl-C)")] = 0.0,
) -> None:
    """Read the configured sources and show every reading as it comes, storing nothing: a table on a terminal, lines in a pipe.

    A serial line or an instrument is one program's at a time: stop the service first. A broker can be watched beside it.

    Example: larderer probes watch
    """
    from monitor.commands.probe_watch import watch_probes

    watch_probes(config, seconds, said)


@probes_app.command("add")
def add(
    config: Annotated[Path, typer.Option(help="the service's configuration")] = Path("larderer.toml"),
    source: Annotated[str, typer.Option(help="what was found, as larderer probes names it")] = "",
    probe: Annotated[str, typer.Option(help="the probe's name in the plan")] = "",
    place: Annotated[str, typer.Option(help="core, chamber, cooler, room, wet-bulb or humidity")] = "",
    room: Annotated[str | None, typer.Option(help="the room it stays in; blank: it moves")] = None,
    uncertainty: Annotated[str, typer.Option(help='what its certificate says, such as "0.5 °F"')] = "",
    unit: Annotated[str, typer.Option(help="C, F or K, of a serial line's or a topic's values")] = "",
    baud: Annotated[int, typer.Option(help="of a serial line", min=0)] = 0,
    value: Annotated[str, typer.Option(help="where the number stands in a topic's JSON")] = "",
    seconds: Annotated[float, typer.Option(help="how long to wait for a value", min=0.1, max=600.0)] = 5.0,
    yes: Annotated[bool, typer.Option("--yes", help="write it without asking")] = False,
) -> None:
    """Add a probe: choose what was found, see its live value, say what it is; the plan and the configuration are then written.

    What is missing is asked for on a terminal. Nothing is changed on any mistake, and the old files are kept beside the new.

    Example: larderer probes add --source onewire:28-00000abcdef0 --probe core-2 --place core --uncertainty "0.5 °F" --yes
    """
    from monitor.commands.probe_add import Wanted, add_probe

    add_probe(config, Wanted(source, probe, place, room, uncertainty, unit, baud, value, seconds, yes), said)
