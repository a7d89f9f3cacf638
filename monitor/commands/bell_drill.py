"""What `larderer bells drill` does: asks the running service for a drill, waits for its record, and says what came of it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from monitor.commands.offline import alone, store_of
from monitor.config import Config, load_config
from monitor.errors import RefusedError
from monitor.judge import read_plan
from monitor.store.looking import looking
from rules.plan import Site
from rules.quantity import format_span, local, parse_instant
from rules.reading import MINUTE, SECOND

#: The service begins within a tick and ends within one; a minute more is patience.
_SPARE_S = MINUTE / SECOND


def hold_drill(config_path: Path, *, wait: bool, say: Callable[[str], None]) -> int:
    """Exit code 0: everybody was reached and answered (or not waited for); 1: somebody was not, or did not."""
    from monitor import ledger
    from monitor.alarms import drill

    config = load_config(config_path, check_bells=False)
    site = read_plan(config.plan).site
    _running(config)
    with _reading(config) as conn:
        before = ledger.head(conn).seq
    drill.want(config.data)
    say(f"The drill begins: every bell rings now, and everybody has {format_span(config.alarms.drill_answer)} to answer.")
    if not wait:
        return 0
    until = time.monotonic() + config.alarms.drill_answer / SECOND + _SPARE_S
    while time.monotonic() < until:
        with _reading(config) as conn:
            entry = ledger.newest(conn, drill.KIND)
        if entry is not None and entry.seq > before:
            say(drill_text(entry.body, site))
            return 1 if entry.body["not_answered"] or entry.body["not_delivered"] else 0
        time.sleep(0.5)
    raise RefusedError("the service has not ended the drill in its time; see its journal (journalctl -u larderer)")


@contextmanager
def _reading(config: Config) -> Iterator[Connection]:
    """The records as they stand, without writing: the service holds the writing side."""
    store = store_of(config)
    if store.on_file:
        with looking(store.path) as conn:
            yield conn
    else:
        with store, store.read() as conn:
            yield conn


def drill_text(body: Mapping[str, Any], site: Site) -> str:
    """The record of a drill in lines: each person, each bell, the answer."""
    lines = []
    for one in body["persons"]:
        ways = ", ".join(_bell_text(bell) for bell in one["bells"])
        if not one["person"]:
            lines.append(f"sirens, lamps and other bells: {ways}")
            continue
        answered = "did NOT answer"
        if one["answered"]:
            at, begun = parse_instant(one["answered"]), parse_instant(body["begun"])
            after = format_span((at - begun) // SECOND * SECOND)
            answered = f"answered at {local(at, site.zone):%H:%M:%S}, after {after} {one['how']}".rstrip()
        lines.append(f"{one['person']}: {ways}; {answered}")
    return "\n".join(lines) or "There is nobody to be told; add [[person]] and [[bell]] to the configuration."


def _bell_text(bell: Mapping[str, Any]) -> str:
    why = f" ({bell['why']})" if bell["outcome"] == "refused" and bell["why"] else ""
    return f"{bell['bell']} {bell['outcome']}{why}"


def _running(config: Config) -> None:
    try:
        with alone(config):
            pass
    except RefusedError:
        return
    raise RefusedError("the service is not running, and a drill goes the way that alarms go; start it first (systemctl start larderer)")
