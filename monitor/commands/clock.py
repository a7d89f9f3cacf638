"""The commands `larderer clock set` and `larderer clock show`: what time it is, said to the running service by a person who signs in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from monitor.commands.app import app, said

ConfigOption = Annotated[Path, typer.Option(help="the service's configuration")]
NameOption = Annotated[str, typer.Option(help="who says it: an operator or reviewer; the PIN is asked for, or taken from LARDERER_SECRET")]
UrlOption = Annotated[str, typer.Option(help="where the service answers; as configured if left out")]
CONFIG = Path("larderer.toml")

clock_app = typer.Typer(
    no_args_is_help=True,
    help='The board\'s time.\n\nExample: larderer clock set 2026-12-01T09:30 --name "Tam Okafor"',
    rich_markup_mode=None,
)
app.add_typer(clock_app, name="clock")


@clock_app.command("set")
def clock_set(
    at: Annotated[str, typer.Argument(help="date and time now by a watch, in the site's local time, or with its offset")],
    name: NameOption,
    url: UrlOption = "",
    config: ConfigOption = CONFIG,
) -> None:
    """Tell the running service what time it is, where the board started without the time and no network tells it.

    What was read since the board started is put right by it and judged again. The system's own clock is not touched; once something
    keeps it right, it is followed.

    Example: larderer clock set 2026-12-01T09:30 --name "Tam Okafor"
    """
    from monitor.commands.rejudge import signed_in

    made = signed_in(config, name, url).post("/api/v1/clock", {"at": at})
    said(f"It is {made['at']}, by {made['by']}; the board had {made['was']}. What was read since its start is put right and judged again.")


@clock_app.command("show")
def clock_show(name: NameOption, url: UrlOption = "", config: ConfigOption = CONFIG) -> None:
    """Say what time the running service has, and whether it is known.

    Example: larderer clock show --name "Tam Okafor"
    """
    from monitor.commands.rejudge import signed_in

    now = signed_in(config, name, url).get("/api/v1/clock")
    how = {"time": "provisional: the board started without the time", "verdicts": "known; what was read before is being judged again"}
    text = how.get(now["provisional"], f"by the word of {now['by']}" if now["by"] else "known")
    said(f"{now['now']}, {text}.")
