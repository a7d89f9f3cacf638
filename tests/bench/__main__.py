"""The benches, a command of their own: `python -m tests.bench NAME…`, or all of them without a name.

Prints one row for each figure, as DEVELOPERS.md keeps them. Nothing is asserted about time: a figure is met or not met.
"""

from __future__ import annotations

import sys
from collections.abc import Callable

from tests.bench import bell, broker, disk, drivers, engine, engines, export, idle, ingest, late, memory, night, page, start
from tests.bench.figures import HEAD, Figure, machine

BENCHES: dict[str, Callable[[Callable[[str], None]], list[Figure]]] = {
    "engine": engine.run,
    "ingest": ingest.run,
    "broker": broker.run,
    "bell": bell.run,
    "memory": memory.run,
    "late": late.run,
    "page": page.run,
    "export": export.run,
    "night": night.run,
    "engines": engines.run,
    "disk": disk.run,
    "drivers": drivers.run,
    "idle": idle.run,
    "start": start.run,
}


def main(names: list[str]) -> int:
    """Run those benches (all, without names); 2 for a name that there is not."""
    for name in names:
        if name not in BENCHES:
            print(f"there is no bench {name!r}; write any of {', '.join(BENCHES)}", file=sys.stderr)
            return 2
    about = machine()

    def say(text: str) -> None:
        print(text, file=sys.stderr, flush=True)

    figures = [figure for name in names or BENCHES for figure in BENCHES[name](say)]
    print(f"{about}\n\n{HEAD}")
    for figure in figures:
        print(figure.row())
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
