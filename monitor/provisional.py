"""What people are told while time is provisional: that it is, and no verdict that a longer power cut could take back.

How long nobody measured before this boot is not known then. It is judged as a gap somewhat longer than any that a limit bridges, so
nothing is earned over it; but of what may last at most so long, too little may have been counted. What such a limit is told to have met
over that gap waits: its watch is shown as open until time is known and what was read before is judged again.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any, Final

from sqlalchemy import Connection

from monitor import clock_restamp, late
from monitor.clock_board import BoardClock, remembered
from rules.limits.spec import Ceiling, Cooling, Floor
from rules.plan import Limit
from rules.quantity import format_instant, parse_instant
from rules.reading import Instant

#: Kinds that more time can only harm, whatever was measured; of ceiling, floor and cooling some limits (`leans`).
_AT_MOST: Final = ("exposure", "come-up", "degree-hours", "humidity", "profile")
_WAITS: Final = "waits until the time is known: the power may have been away for longer than it is taken for"


def leans(limit: Limit) -> bool:
    """Whether a limit that was met over a gap of unknown length might not have been had the gap been longer."""
    rule = limit.rule
    if isinstance(rule, Ceiling | Floor):
        return bool(rule.allowed)
    if isinstance(rule, Cooling):
        return rule.begin_within is not None
    return limit.kind in _AT_MOST


def doubt(clock: Callable[[], Instant]) -> str:
    """What is provisional just now: "time", "verdicts" (time is known, and what was stored before it was is being put right) or ""."""
    if not isinstance(clock, BoardClock) or not clock.unsettled:
        return ""
    return "time" if clock.provisional else "verdicts"


def remark(clock: Callable[[], Instant]) -> str:
    """A sentence for whatever goes out; blank where all is known."""
    return {
        "": "",
        "time": "Time is provisional: the board started without the right time. Every time here, and every verdict, may change.",
        "verdicts": "Verdicts are provisional: the time is known now, and what was read before it was is being judged again.",
    }[doubt(clock)]


def held(report: dict[str, Any], clock: BoardClock, limit_of: Callable[[str, str, str], Limit | None]) -> dict[str, Any]:
    """The Judge JSON with what waits shown as open; the same where nothing does. `limit_of(lot or room, step, limit)`."""
    if not clock.unsettled:
        return report
    report = copy.deepcopy(report)
    for lot in report["lots"]:
        since = parse_instant(lot["started"])
        waits = [_hold(one, since, clock) for one in lot["limits"] if _leans(limit_of(lot["lot"], one["step"], one["limit"]))]
        if any(waits) and lot["verdict"] == "met":
            lot["verdict"] = "open"
    for day in report["standing"]:
        if _leans(limit_of(day["room"], "", day["limit"])):
            _hold(day, 0, clock)
    return report


def _leans(limit: Limit | None) -> bool:
    return limit is None or leans(limit)


def _hold(limit: dict[str, Any], since: Instant, clock: BoardClock) -> bool:
    """Show as open what of one limit waits; whether its own verdict does."""
    waits = False
    for watch in limit["watches"]:
        at = None if watch["at"] is None else parse_instant(watch["at"])
        if watch["verdict"] == "met" and clock.doubtful(since, at):
            waits = True
            watch |= {"verdict": "open", "at": None, "reason": f"{watch['reason']}; {_WAITS}" if watch["reason"] else _WAITS}
    if not waits or limit["verdict"] != "met":
        return False
    limit |= {"verdict": "open", "reason": _WAITS}
    return limit.get("class") == "critical"


def unsettled(conn: Connection) -> str:
    """What is not judged for good yet, as a clause; blank where all is. Of what is stored, so that an export can say so."""
    waiting = late.waiting(conn)
    if waiting is not None:
        return waiting.why()
    for again in clock_restamp.owed(conn):
        return again.why()
    boot = remembered(conn)
    if boot is not None and boot.provisional:
        return f"the board started without the right time, and what it read from {format_instant(boot.since)} on is dated provisionally"
    return ""
