"""Commands about what is stored: export, verify, import, people, backup, bells."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from monitor.commands.app import app, said

ConfigOption = Annotated[Path, typer.Option(help="the service's configuration")]
CONFIG = Path("larderer.toml")

user_app = typer.Typer(
    no_args_is_help=True,
    help='People and devices who may use the page and the API.\n\nExample: larderer user add "Odile Marsh" --role operator',
    rich_markup_mode=None,
)
bells_app = typer.Typer(no_args_is_help=True, help="Ways to reach a person.\n\nExample: larderer bells test", rich_markup_mode=None)
app.add_typer(user_app, name="user")
app.add_typer(bells_app, name="bells")


@app.command()
def export(
    day: Annotated[str, typer.Argument(help="the local day, YYYY-MM-DD")],
    to: Annotated[Path | None, typer.Option(help="copy it to this folder too, such as one on a USB disk, and check the copy")] = None,
    config: ConfigOption = CONFIG,
) -> None:
    """Write the day's export folder and print where it is.

    Example: larderer export 2026-03-02

    Example: larderer export 2026-03-02 --to /media/usb
    """
    from monitor.commands.offline import export_one

    said(export_one(config, day, to))


@app.command()
def verify(
    path: Annotated[Path | None, typer.Argument(help="an export folder or a database file; left out: the live store")] = None,
    key: Annotated[Path | None, typer.Option(help="the site's public key, from elsewhere")] = None,
    head: Annotated[str | None, typer.Option(help="a ledger head hash, or its first 16 digits, from elsewhere")] = None,
    reading: Annotated[str | None, typer.Option(help="prove this one reading: probe@time")] = None,
    out: Annotated[Path | None, typer.Option(help="with --reading: a file for the proof")] = None,
    config: ConfigOption = CONFIG,
) -> None:
    """Verify an export folder, a copy, the proof of one reading, or the live ledger; nothing is written to it.

    Exit code 0: holds. 1: does not, and the first bad entry is named. 2: bad input.

    Example: larderer verify exports/ferncliff/2026-03-02 --key site.pub

    Example: larderer verify --reading core-1@2026-03-02T19:04:10Z --out proof.json
    """
    from monitor.commands.offline import prove_reading, verify_live, verify_path

    if reading is not None:
        said(prove_reading(config, path, reading, out))
        return
    code, text = verify_live(config, key, head) if path is None else verify_path(path, key, head)
    said(text)
    raise typer.Exit(code)


@app.command("import")
def import_(file: Annotated[Path, typer.Argument(help="a Readings CSV of a logger")], config: ConfigOption = CONFIG) -> None:
    """Put a logger's readings into the store; the service must not be running.

    Example: larderer import logger.csv
    """
    from monitor.commands.offline import import_file

    said(import_file(config, file))


@app.command()
def rejudge(
    since: Annotated[str, typer.Option(help="from this time on, with its offset")],
    reason: Annotated[str, typer.Option(help="why these readings are to be judged")],
    name: Annotated[str, typer.Option(help="who asks: an operator or reviewer; the PIN is asked for, or taken from LARDERER_SECRET")],
    url: Annotated[str, typer.Option(help="where the service answers; as configured if left out")] = "",
    config: ConfigOption = CONFIG,
) -> None:
    """Have the running service judge readings that came more than 48 h late.

    Example: larderer rejudge --since 2026-03-01T06:00-06:00 --reason "the gateway was found unplugged" --name "Tam Okafor"
    """
    from monitor.commands.rejudge import rejudge as ask

    said(ask(config, since, reason, name, url))


@app.command()
def backup(
    target: Annotated[Path | None, typer.Argument(help="the file to write; left out: a new one in the folder of [backup]")] = None,
    timer: Annotated[bool, typer.Option("--timer", help="as the timer does: no folder in [backup] is no mistake")] = False,
    config: ConfigOption = CONFIG,
) -> None:
    """Copy the live database to a file, whole, while the service runs; a SQLite file, also where PostgreSQL keeps the records.

    The copy is read back and checked before it counts, and noted in the ledger.

    Example: larderer backup /media/usb/larderer-backup.sqlite

    Example: larderer backup
    """
    from monitor.commands import timed_copies
    from monitor.commands.copying import backup_to

    if target is not None:
        said(backup_to(config, target))
    elif timer and not timed_copies.wanted(config):
        said(timed_copies.NOTHING)
    else:
        said(timed_copies.copy_now(config))


@app.command()
def restore(
    source: Annotated[Path | None, typer.Argument(help="a backup; with --rehearse left out: the newest in the folder of [backup]")] = None,
    rehearse: Annotated[bool, typer.Option("--rehearse", help="only try it out: nothing is changed, the service may run")] = False,
    timer: Annotated[bool, typer.Option("--timer", help="as the timer does: no folder in [backup] is no mistake")] = False,
    config: ConfigOption = CONFIG,
) -> None:
    """Put a verified backup in place of the database; the service must not be running. The old file is kept beside it.

    Where PostgreSQL keeps the records, the database has to be empty: make another, and name it in [store] url.

    With --rehearse it is read whole, brought up to date, judged from, and its last whole day is judged again. The outcome is noted in
    the ledger; where the newest copy of [backup] fails, that rings.

    Example: larderer restore /media/usb/larderer-backup.sqlite --rehearse
    """
    from monitor.commands import timed_copies
    from monitor.commands.copying import rehearse as try_out
    from monitor.commands.copying import restore_from
    from monitor.errors import InputError

    if source is not None:
        said(try_out(config, source) if rehearse else restore_from(config, source))
    elif not rehearse:
        raise InputError("name the backup to be put in place; --rehearse alone tries out the newest one in the folder of [backup]")
    elif timer and not timed_copies.wanted(config):
        said(timed_copies.NOTHING)
    else:
        code, text = timed_copies.try_newest(config)
        said(text)
        raise typer.Exit(code)


@app.command()
def report(
    target: Annotated[Path | None, typer.Argument(help="the file to write (default: larderer-report-TIME.zip in this folder)")] = None,
    config: ConfigOption = CONFIG,
) -> None:
    """Write a file for whoever helps when something is wrong: versions, configuration, plan, health, counts, log; no secret is in it.

    Example: larderer report --config /etc/larderer/larderer.toml
    """
    from monitor.commands.report import write_report

    said(write_report(config, target))


@user_app.command("add")
def user_add(
    name: Annotated[str, typer.Argument(help="the person's name, or the device's")],
    role: Annotated[str, typer.Option(help="operator, reviewer, inspector; probe or metrics for a machine")] = "operator",
    config: ConfigOption = CONFIG,
) -> None:
    """Add a person (prints a code for the first sign-in) or a device (prints its token, once).

    Example: larderer user add "Odile Marsh" --role operator
    """
    from monitor.commands.offline import add_user

    said(add_user(config, name, role))


@user_app.command("list")
def user_list(config: ConfigOption = CONFIG) -> None:
    """List people and their roles.

    Example: larderer user list
    """
    from monitor.commands.offline import list_users

    said(list_users(config))


@bells_app.command("drill")
def bells_drill(
    wait: Annotated[bool, typer.Option(help="wait until everybody has answered, or the time for it is over")] = True,
    config: ConfigOption = CONFIG,
) -> None:
    """Have the running service ring every bell of everybody once, ask each person to answer, and put what came of it on record.

    Exit code 0: everybody was reached and answered. 1: somebody was not, or did not.

    Example: larderer bells drill --config /etc/larderer/larderer.toml
    """
    from monitor.commands.bell_drill import hold_drill

    raise typer.Exit(hold_drill(config, wait=wait, say=said))


@bells_app.command("test")
def bells_test(only: Annotated[str | None, typer.Option(help="ring one bell only")] = None, config: ConfigOption = CONFIG) -> None:
    """Ring every bell once with a test message and say what each answered; exit code 1 where one did not ring.

    Example: larderer bells test --only odile-phone
    """
    from monitor.commands.offline import test_bells

    code, text = test_bells(config, only)
    said(text)
    raise typer.Exit(code)
