"""What becomes of each reading that comes in: stored, duplicate, late, future, unknown-probe or refused.

Decided in the writer's transaction against what is stored, so that the same readings sent twice, in another
order or in other batches are told apart in the same way.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

from sqlalchemy import Connection

from monitor.store import readings
from monitor.store.evidence import FUTURE_AHEAD, LATE_AT_MOST, is_future, is_too_late
from monitor.store.readings import Arrival
from probes.value import ABSOLUTE_ZERO_C, HIGHEST_C, check_celsius
from rules.quantity import format_instant
from rules.reading import MINUTE, Fault, Instant, Reading

STORED, DUPLICATE, LATE, FUTURE, UNKNOWN, REFUSED = "stored", "duplicate", "late", "future", "unknown-probe", "refused"

#: Stamps outside these years are no stamps at all (a clock of 1904, milliseconds taken for seconds).
FIRST_INSTANT: Instant = 0
LAST_INSTANT: Instant = 253_402_300_799_999_999  # the end of the year 9999, the last that ISO 8601 writes with four digits
#: A fault keeps this much of what came over the wire, a suspect mark this much of its reason.
LONGEST_TEXT = 500


class Outcome(NamedTuple):
    """What became of one item: "stored", "duplicate", "late", "future", "unknown-probe" or "refused".

    Stored, late and future ones are in the store. `text` is one sentence for people, empty for "stored".
    """

    what: str
    text: str = ""


#: What nearly every item is told.
TAKEN = Outcome(STORED)
#: `Arrival(*three)` without the call that a named tuple makes of it.
_arrival = tuple.__new__


def no_offset(_probe: str, _at: Instant) -> float:
    """The calibration offset, in °C, where none is known: 0."""
    return 0.0


def no_offsets(_conn: Connection) -> Callable[[str, Instant], float]:
    """No calibration offset of any probe."""
    return no_offset


class Sorting:
    """What becomes of each item of one pull; collects those to be processed."""

    def __init__(self, newest: dict[str, Instant], known: frozenset[str] | None, offset: Callable[[str, Instant], float]) -> None:
        self.arrivals: list[Arrival] = []
        self._newest, self._known, self._offset = newest, known, offset
        self._seen: dict[tuple[str, Instant], list[tuple[Reading | Fault, bool]]] = {}
        self._plainly: list[Reading] = []  # taken by `_all_new`, and not yet among the seen

    def look(self, conn: Connection, items: Sequence[Reading | Fault], received_at: Instant) -> tuple[Outcome, ...]:
        """The outcomes of one batch. Its items count in order of their own time, so that a file in any order is not late."""
        if self._all_new(items, received_at):
            return (TAKEN,) * len(items)
        for new in self._plainly:
            self._seen.setdefault((new.probe, new.at), []).append((new, False))
        self._plainly = []
        outcomes: list[Outcome] = [Outcome(STORED)] * len(items)
        good: list[tuple[int, Reading | Fault]] = []
        for index, item in enumerate(items):
            refusal = self._refusal(item)
            if refusal is None:
                good.append((index, _clean(item)))
            else:
                outcomes[index] = refusal
        good.sort(key=lambda pair: pair[1].at)
        self._recall(conn, [item for _, item in good], received_at)
        for index, item in good:
            outcomes[index] = self._one(item, received_at)
        return tuple(outcomes)

    def _all_new(self, items: Sequence[Reading | Fault], received_at: Instant) -> bool:
        """Take a batch of good readings in order, each newer than all of its probe, as nearly all are. False: nothing was done.

        `_one` would say the same of each; it is asked about each question here at once, since it is asked of every reading.
        """
        newest, known, offset = self._newest, self._known, None if self._offset is no_offset else self._offset
        fresh: dict[str, Instant] = {}
        before, latest = max(FIRST_INSTANT, received_at - LATE_AT_MOST), received_at + FUTURE_AHEAD
        for item in items:
            if type(item) is not Reading:
                return False
            probe, at, celsius, offset_c, suspect, _ = item
            if probe not in fresh:
                if known is not None and probe not in known:
                    return False
                fresh[probe] = newest.get(probe, -1)
            if (
                not before <= at <= latest
                or at <= fresh[probe]
                or not ABSOLUTE_ZERO_C <= celsius <= HIGHEST_C
                or suspect
                or offset_c != 0.0
                or (offset is not None and offset(probe, at))
            ):
                return False
            before = fresh[probe] = at
        newest.update(fresh)
        self._plainly += items  # type: ignore[arg-type]  # each is a Reading
        self.arrivals += [_arrival(Arrival, (item, received_at, STORED)) for item in items]
        return True

    def _refusal(self, item: Reading | Fault) -> Outcome | None:
        if self._known is not None and item.probe not in self._known:
            return Outcome(
                UNKNOWN,
                f'probe "{_text(item.probe)}" is not in the plan; add a [[probe]] with id = "{_text(item.probe)}", or correct its name',
            )
        if not FIRST_INSTANT <= item.at <= LAST_INSTANT:
            return Outcome(
                REFUSED,
                f'probe "{_text(item.probe)}": time {item.at} µs is outside the years 1970 to 9999; check the sender\'s clock and its unit',
            )
        return None

    def _recall(self, conn: Connection, items: Sequence[Reading | Fault], received_at: Instant) -> None:
        """Read what is stored at the instants that may not be new."""
        keys = {
            (item.probe, item.at)
            for item in items
            if (item.probe, item.at) not in self._seen and (item.at <= self._newest.get(item.probe, -1) or is_future(item.at, received_at))
        }
        if not keys:
            return
        for key, found in readings.at_instants(conn, keys).items():
            self._seen[key] = [(stored.item, stored.future) for stored in found]

    def _one(self, item: Reading | Fault, received_at: Instant) -> Outcome:
        ahead = is_future(item.at, received_at)
        seen = self._seen.setdefault((item.probe, item.at), [])
        # One that was stored as of the future was never judged; the same, sent again in good time, is new.
        if any(_same(item, earlier) for earlier, was_ahead in seen if ahead or not was_ahead):
            return Outcome(DUPLICATE, f'probe "{item.probe}" at {format_instant(item.at)}: the same is stored already')
        seen.append((item, ahead))
        newest = self._newest.get(item.probe)
        if ahead:
            minutes = (item.at - received_at) / MINUTE
            outcome = Outcome(
                FUTURE, f'probe "{item.probe}" at {format_instant(item.at)}: {minutes:.0f} min ahead of our clock, stored but not judged'
            )
        elif is_too_late(item.at, received_at):
            outcome = Outcome(
                LATE, f'probe "{item.probe}" at {format_instant(item.at)}: more than 48 h old, stored; judged once a person asks for it'
            )
            self._newest[item.probe] = max(item.at, item.at if newest is None else newest)
        elif newest is not None and item.at < newest:
            outcome = Outcome(LATE, f'probe "{item.probe}" at {format_instant(item.at)}: older than its newest of {format_instant(newest)}')
        else:
            outcome = Outcome(STORED)
            self._newest[item.probe] = item.at
        if isinstance(item, Reading) and item.offset_c == 0.0:
            offset = self._offset(item.probe, item.at)
            if offset:
                item = _clean(item._replace(offset_c=offset))
        self.arrivals.append(Arrival(item, received_at, outcome.what))
        return outcome


def _same(item: Reading | Fault, earlier: Reading | Fault) -> bool:
    """Whether `item` says nothing beyond `earlier`: of equal values the suspect one stands (`judging.md` section 1)."""
    if isinstance(item, Reading):
        return isinstance(earlier, Reading) and item.celsius == earlier.celsius and (bool(earlier.suspect) or not item.suspect)
    return isinstance(earlier, Fault) and (item.reason, item.raw) == (earlier.reason, earlier.raw)


def _clean(item: Reading | Fault) -> Reading | Fault:
    """The item as it can be stored: text that UTF-8 holds, and a fault in place of what is no number."""
    if isinstance(item, Fault):
        return item._replace(reason=_text(item.reason), raw=_text(item.raw))
    if not (math.isfinite(item.celsius) and math.isfinite(item.offset_c)):
        return Fault(item.probe, item.at, "not a number", f"{item.celsius!r} offset {item.offset_c!r}")
    if isinstance(reason := check_celsius(item.celsius), str) or isinstance(reason := check_celsius(item.celsius + item.offset_c), str):
        # Whatever door it came through: an export must be readable again, and its reader refuses such a row.
        return Fault(item.probe, item.at, reason, f"{item.celsius!r} offset {item.offset_c!r}")
    return item._replace(suspect=_text(item.suspect)) if item.suspect else item


def _text(text: str) -> str:
    return text[:LONGEST_TEXT].encode("utf-8", "backslashreplace").decode("utf-8").replace("\x00", "\\x00")
