"""Export one local day in a process of its own: `python -m monitor.export --config larderer.toml 2026-03-02`.

Prints the folder's path as the last line of its output. Exit code 0: exported, or nothing had changed; 3: exported, but
judging the files does not repeat what was found live; 2: not exported. Progress is shown on a terminal only.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from monitor.config import Config, load_config
from monitor.errors import ExportMismatch, InputError, MonitorError
from monitor.export.day import Exported, export_day, quiet
from monitor.keys import site_key
from monitor.store.database import Store
from probes.clock import now as clock_now
from probes.errors import ProbeError
from rules.errors import RulesError
from rules.reading import Instant

Told = Callable[[str, int], None]
#: What `export_day` tells of, in this order.
STAGES = ("readings", "judging", "day.pdf")


def export_with(config: Config, day: str, now: Instant, live: Path | None = None, progress: Told = quiet) -> Exported:
    """Export a day of the site that `config` describes; its errors are those of `export_day`."""
    report = None
    if live is not None:
        try:
            report = json.loads(live.read_bytes())
        except (OSError, ValueError) as error:
            raise InputError(f"the live report {live} cannot be read ({error}); write the path of a Judge JSON file") from error
    url = config.store_url.reveal() or config.data / "larderer.sqlite"
    with Store(url, create=False) as store:
        key = site_key(config.data / "keys")
        return export_day(store, day, config.data / "exports", key, now=now, live=report, program=program(), progress=progress)


def program() -> str:
    """The program's name and version, as a manifest states it."""
    try:
        return f"larderer {version('larderer')}"
    except PackageNotFoundError:
        return "larderer, not installed"


@contextmanager
def shown(day: str) -> Iterator[Told]:
    """Progress on a terminal; nothing in a pipe."""
    if not sys.stderr.isatty():
        yield quiet
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("step {task.completed:.0f} of {task.total:.0f}"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(f"Exporting {day}: readings", total=len(STAGES), completed=1)

        def at(what: str, count: int) -> None:
            rows = f", {count:,} rows" if count else ""
            # drawn at once: a step shorter than the bar's own beat would never be seen
            bar.update(task, description=f"Exporting {day}: {what}{rows}", completed=STAGES.index(what) + 1, refresh=True)

        yield at


def main(arguments: Sequence[str] | None = None) -> int:
    """Run from the command line; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m monitor.export", description=(__doc__ or "").split(":")[0])
    parser.add_argument("day", help="the local day, YYYY-MM-DD")
    parser.add_argument("--config", type=Path, default=Path("larderer.toml"), help="the service's configuration")
    parser.add_argument("--now", type=int, help="microseconds since 1970 UTC; the system's clock if left out")
    parser.add_argument("--live", type=Path, help="a file with the running service's report, to hold against the files")
    options = parser.parse_args(arguments)
    try:
        config = load_config(options.config, check_bells=False)  # no telephone is rung here, so none may keep a day from its export
        with shown(options.day) as progress:
            exported = export_with(config, options.day, options.now if options.now is not None else clock_now(), options.live, progress)
    except ExportMismatch as error:
        print(error, file=sys.stderr)
        return 3
    except (MonitorError, ProbeError, RulesError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    print(exported.path)
    return 0


if __name__ == "__main__":
    sys.exit(main())
