"""Commands about checks of probes: record one, and recall a probe that was found to read wrong."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from monitor.commands.app import app, said

_BY = "who did it: a person of this site"


@app.command()
def calibrate(
    probe: Annotated[str, typer.Argument(help="the probe's id")],
    method: Annotated[str, typer.Argument(help="ice-point, boiling-point or comparison")],
    reads: Annotated[str, typer.Option(help="what it read as found, with the unit")],
    by: Annotated[str, typer.Option(help=_BY)],
    reference: Annotated[str | None, typer.Option(help="what the reference thermometer read, with the unit")] = None,
    reference_name: Annotated[str, typer.Option(help="which reference thermometer, and its certificate")] = "",
    pressure: Annotated[str | None, typer.Option(help="station pressure for the boiling point, such as 97.7 kPa")] = None,
    altitude: Annotated[str | None, typer.Option(help="height above the sea, such as 180 m (default: the plan's)")] = None,
    correct: Annotated[bool, typer.Option("--correct", help="take the error off from now on")] = False,
    as_left: Annotated[str | None, typer.Option(help="what it reads after the probe itself was adjusted, with the unit")] = None,
    at: Annotated[str | None, typer.Option(help="when it was checked (default: now)")] = None,
    note: Annotated[str, typer.Option(help="a note")] = "",
    config: Annotated[Path, typer.Option(help="the service's configuration")] = Path("larderer.toml"),
) -> None:
    """Record a check of a probe against ice, boiling water or a reference; the service may be running. Exit code 1: beyond its tolerance.

    Example: larderer calibrate core-1 ice-point --reads "32.4 F" --by "Odile Marsh"
    """
    from monitor.calibrations import parse_height, parse_pressure
    from monitor.check_desk import ProbeCheck
    from monitor.commands.checking import calibrate_probe
    from rules.quantity import parse_instant, parse_temperature

    check = ProbeCheck(
        probe,
        method,
        parse_temperature(reads),
        None if reference is None else parse_temperature(reference),
        reference_name,
        None if pressure is None else parse_pressure(pressure),
        None if altitude is None else parse_height(altitude),
        None if as_left is None else parse_temperature(as_left),
        correct=correct,
        at=None if at is None else parse_instant(at),
        comment=note,
    )
    code, text = calibrate_probe(config, check, by)
    said(text)
    raise typer.Exit(code)


@app.command()
def recall(
    probe: Annotated[str, typer.Argument(help="the probe's id")],
    by: Annotated[str, typer.Option(help=_BY)] = "",
    check: Annotated[int | None, typer.Option(help="the check that found it wrong (default: its newest one beyond tolerance)")] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="only say what it would change")] = False,
    config: Annotated[Path, typer.Option(help="the service's configuration")] = Path("larderer.toml"),
) -> None:
    """Judge again every lot that a probe served since its last good check, with the error found taken off.

    With --dry-run nothing is changed and the service may be running; carried out, it must not be (the page can do it while it runs).
    Exit code 1: a verdict changes.

    Example: larderer recall core-1 --dry-run
    """
    from monitor.commands.checking import recall_probe

    code, text = recall_probe(config, probe, check, by, dry_run=dry_run)
    said(text)
    raise typer.Exit(code)
