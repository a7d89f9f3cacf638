"""Probe recalls as records: the stretches in which a probe was found to have read wrong, and what their readings are judged with.

Raw readings are never altered. Whoever judges, exports or draws what is stored passes it through `Recalled.applied`, which adds to the
offset of each reading in such a stretch; so every replay and every export from then on repeats the same verdicts. What a recall changes
is found in `recall_effect.py` and carried out in `recalling.py`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, NamedTuple, TypeVar

from sqlalchemy import Connection, insert, select

from monitor import calibrations
from monitor.errors import InputError, RefusedError
from monitor.store.readings import Stored
from monitor.store.schema import recall
from rules.quantity import format_instant, parse_instant
from rules.reading import Fault, Instant, Reading

#: What is told with every verdict that a recall would better, and with every correction that it makes.
NOBODY_KNOWS = "Nobody knows since when the probe was off, so a deviation that is open stays open for a person to decide"

Row = TypeVar("Row", Reading, Fault, Reading | Fault)


class Stretch(NamedTuple):
    """When a probe read wrong, `after < at <= until` (`after` None: from its first reading), and what is added to its offsets, in °C."""

    probe: str
    after: Instant | None
    until: Instant
    added_c: float

    def covers(self, probe: str, at: Instant) -> bool:
        """Whether a reading of that probe at that instant is one of them."""
        return probe == self.probe and at <= self.until and (self.after is None or at > self.after)


class Recalled:
    """What is to be added to the offsets of stored readings."""

    __slots__ = ("_by_probe",)

    def __init__(self, stretches: Iterable[Stretch]) -> None:
        self._by_probe: dict[str, list[Stretch]] = {}
        for one in stretches:
            if one.added_c != 0.0:
                self._by_probe.setdefault(one.probe, []).append(one)

    @classmethod
    def read(cls, conn: Connection, after: Instant | None = None, until: Instant | None = None) -> Recalled:
        """Every recall that was carried out; those that touch `after < at <= until` where these are given."""
        # Asked with every group of readings, and mostly there is none: so first without what it costs to put a statement together.
        if conn.exec_driver_sql(f"SELECT 1 FROM {recall.name} LIMIT 1").first() is None:
            return cls(())
        query = select(recall.c.probe, recall.c.after, recall.c.until, recall.c.added_c).order_by(recall.c.id)
        if after is not None:
            query = query.where(recall.c.until > after)
        if until is not None:
            query = query.where(recall.c.after.is_(None) | (recall.c.after < until))
        return cls(Stretch(*row) for row in conn.execute(query))

    def __bool__(self) -> bool:
        """Whether there is anything to add."""
        return bool(self._by_probe)

    def item(self, item: Row) -> Row:
        """One reading with the offset that it is judged with; a fault as it is."""
        if isinstance(item, Reading):
            for one in self._by_probe.get(item.probe, ()):
                if one.covers(item.probe, item.at):
                    # Sums of decimals written by people: nine places keep them as they were meant.
                    item = item._replace(offset_c=round(item.offset_c + one.added_c, 9))
        return item

    def applied(self, stored: Iterable[Stored]) -> Iterator[Stored]:
        """What is stored, each with the offset that it is judged with."""
        if not self._by_probe:
            return iter(stored)
        return (one._replace(item=self.item(one.item)) if one.item.probe in self._by_probe else one for one in stored)


def stretch_of(conn: Connection, check: Mapping[str, Any]) -> Stretch:
    """The stretch that a check beyond tolerance puts in doubt: from the last good check, or the end of the recall before it, to this one.

    Raises RefusedError where the check was within tolerance, or where its stretch was recalled already.
    """
    probe, until = str(check["probe"]), parse_instant(check["at"])
    if check["within"]:
        raise RefusedError(
            f"check {check['id']} found {probe} within {check['tolerance_c']:.2f} °C, so nothing is to be recalled; "
            "name a check that found it beyond its tolerance"
        )
    earlier = calibrations.newest(conn, probe, most=1000, until=until)
    good = next((parse_instant(c["at"]) for c in earlier if c["good"] and c["id"] != check["id"] and parse_instant(c["at"]) < until), None)
    ends = [good] if good is not None else []
    for one in listed(conn, probe):
        if one["calibration"] == check["id"] or (one["until"] >= until and (one["after"] is None or one["after"] < until)):
            raise RefusedError(
                f"{probe} was recalled up to {format_instant(one['until'])} already (recall {one['id']}, by {one['by']}); "
                "nothing was changed, a recall is carried out once"
            )
        if one["until"] < until:
            ends.append(one["until"])
    return Stretch(probe, max(ends) if ends else None, until, round(-float(check["error_c"]), 9))


def newest_failed(conn: Connection, probe: str) -> dict[str, Any]:
    """The newest check that found the probe beyond its tolerance; raises RefusedError where none did."""
    failed = next((c for c in calibrations.newest(conn, probe, most=1000) if not c["within"]), None)
    if failed is None:
        raise RefusedError(f"no check on record found {probe} beyond its tolerance, so nothing is to be recalled; record the check first")
    return failed


def add(conn: Connection, stretch: Stretch, check: int, at: Instant, by: str) -> int:
    """Record a recall; its number. From then on `Recalled` holds it."""
    if not by.strip():
        raise InputError("it is not said who recalls the probe; write the person's name")
    values = stretch._asdict() | {"calibration": check, "at": at, "by": by}
    return int(conn.execute(insert(recall).values(**values).returning(recall.c.id)).scalar_one())


def listed(conn: Connection, probe: str = "") -> list[dict[str, Any]]:
    """Recalls, newest first: `id, probe, after, until, added_c, calibration, at, by`, instants in microseconds (`after` may be None)."""
    query = select(recall).order_by(recall.c.id.desc())
    return [dict(row._mapping) for row in conn.execute(query.where(recall.c.probe == probe) if probe else query)]


def words(stretch: Stretch, check: Mapping[str, Any], number: int) -> str:
    """The clause that corrections carry: which recall, by which check."""
    error = float(check["error_c"])
    since = "its first reading" if stretch.after is None else format_instant(stretch.after)
    return (
        f"recall {number} of {stretch.probe}: check {check['id']} at {check['at']} found that it read {abs(error):.2f} °C too "
        f"{'high' if error > 0 else 'low'}; judged again with that error taken off since {since}. {NOBODY_KNOWS}"
    )
