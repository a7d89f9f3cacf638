"""The command `larderer`: each command reads its arguments, calls the room that does the work, and tells the result.

Mistakes end with one plain sentence on standard error and exit code 2; never with a traceback.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from monitor.commands import checks, clock, lot, plans, probes, store
from monitor.commands.app import app, refuse, said
from monitor.errors import MonitorError
from probes.errors import ProbeError
from rules.errors import PlanError, RulesError
from rules.quantity import parse_instant

__all__ = ["app", "checks", "clock", "lot", "main", "plans", "probes", "store"]


@app.command()
def judge(
    plan: Annotated[Path, typer.Argument(help="the plan, a TOML file")],
    readings: Annotated[Path, typer.Argument(help="Readings CSV: time,probe,value and optionally unit,quality,offset_c,received")],
    events: Annotated[Path | None, typer.Option(help="Events CSV: time,event,lot,name,value and optionally entered")] = None,
    json: Annotated[bool, typer.Option("--json", help="print the Judge JSON instead of sentences")] = False,
    at: Annotated[str | None, typer.Option(help="judge as of this instant (default: the last reading or event)")] = None,
) -> None:
    """Judge recorded readings offline.

    Exit code 0: all met. 1: something deviated or unproven. 2: bad input. 3: something still open.

    Example: larderer judge plan.toml readings.csv --events events.csv --at 2026-03-02T19:00:00Z
    """
    from monitor.commands.judge_text import report_text
    from monitor.judge import canonical, exit_code, judge_files, read_plan

    report = judge_files(plan, readings, events, None if at is None else parse_instant(at))
    said(canonical(report) if json else report_text(report, read_plan(plan)))
    raise typer.Exit(exit_code(report))


@app.command()
def prove(paths: Annotated[list[Path], typer.Argument(help="transcripts (TOML), or folders of them")]) -> None:
    """Run judging transcripts: given readings, these findings.

    Example: larderer prove tests/transcripts
    """
    from monitor.commands.prove import prove_paths

    raise typer.Exit(prove_paths(paths, said))


@app.command()
def run(
    config: Annotated[Path, typer.Option(help="the service's configuration")] = Path("larderer.toml"),
) -> None:
    """Run the service until it is stopped (Ctrl-C or SIGTERM).

    Example: larderer run --config /etc/larderer/larderer.toml
    """
    from monitor.commands.run import run_service

    raise typer.Exit(run_service(config))


@app.command()
def demo(
    speed: Annotated[float, typer.Option(help="how many times faster than life; 0 chooses one that ends within minutes")] = 0.0,
    port: Annotated[int, typer.Option(help="port of the page (0: any free one)")] = 8080,
    stay: Annotated[bool, typer.Option(help="keep the page up after the day has ended, until Ctrl-C")] = False,
) -> None:
    """A whole simulated day at Ferncliff Yard, in a data folder of its own: two lots, faults, alarms, the page, the export.

    Example: larderer demo --speed 600 --port 8080
    """
    from monitor.demo.day import run_demo

    raise typer.Exit(run_demo(speed=speed, port=port, stay=stay))


def main() -> None:
    """Run a command; turn every mistake of the input into one sentence and exit code 2."""
    try:
        sys.exit(app(standalone_mode=False, prog_name="larderer") or 0)
    except typer.TyperException as error:
        refuse(_usage(error))
    except typer.Abort:
        sys.exit(1)
    except PlanError as error:
        for problem in error.problems:
            print(problem, file=sys.stderr)
        sys.exit(2)
    except (RulesError, ProbeError, MonitorError) as error:
        refuse(str(error))
    except BrokenPipeError:
        sys.exit(1)
    except OSError as error:
        what = f"{error.filename}: " if error.filename else ""
        refuse(f"{what}{error.strerror or error}; look to that file or disk, its room and who may write there, and try again")


def _usage(error: Exception) -> str:
    """One sentence for a command line that cannot be read; the whole help where a command was given nothing."""
    text = str(error.format_message() if hasattr(error, "format_message") else error)
    if "\n" in text:
        return text
    context = getattr(error, "ctx", None)
    command = context.command_path if context is not None else "larderer"
    # A guess at what was meant is a question of its own.
    return f"{text if text.endswith('?') else text.rstrip('.') + ';'} {command} --help shows what to write, with an example"


if __name__ == "__main__":
    main()
