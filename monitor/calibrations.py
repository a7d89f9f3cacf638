"""Checks of thermometers as records: as found, what was right, as left, and the offset put in force from when.

A check is recorded here and in the ledger, and never changed. It changes no reading and no verdict by itself: an offset holds for
readings that arrive afterwards, and what was judged before is looked into by a recall (`recalls.py`). As found is what the probe
showed with the offset then in force, as the page shows it.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_right
from collections.abc import Callable, Collection, Mapping
from typing import Any, NamedTuple

from sqlalchemy import Connection, func, insert, select

from monitor import ledger
from monitor.errors import InputError
from monitor.outcomes import no_offset
from monitor.store.schema import calibration
from rules.plan import Plan, Probe, Site
from rules.quantity import at_or_below, format_instant, format_span, parse_instant
from rules.reading import HOUR, Instant, Span
from rules.science.boiling import ICE_POINT_C, boiling_point, tolerance

METHODS = ("ice-point", "boiling-point", "comparison")
#: A probe this far off is broken, and is replaced rather than corrected (common practice, no source).
LARGEST_OFFSET_C = 5.0
#: Where the plan states no `check_every`. Seen in use: each day, two weeks, a month, a year; two weeks in a Missouri school programme.
CHECK_EVERY: Span = 14 * 24 * HOUR
CHECK_EVERY_SOURCE = "every 2 weeks (as a Missouri school programme asks; the law leaves it to the plan)"
#: FDA Food Code 4-203.12, devices that measure air or water, ±1.5 °C: from memory, unverified (M).
AIR_TOLERANCE_C = 1.5


_PRESSURE = re.compile(r"\s*([0-9]+(?:[.,][0-9]+)?)\s*(kpa|hpa|mbar|inhg|mmhg)\s*", re.IGNORECASE)
#: kPa; inches and millimetres of mercury are the conventional ones at 0 °C.
_KPA = {"kpa": 1.0, "hpa": 0.1, "mbar": 0.1, "inhg": 3.386389, "mmhg": 0.133322387}
_HEIGHT = re.compile(r"\s*(-?[0-9]+(?:[.,][0-9]+)?)\s*(m|ft)\s*", re.IGNORECASE)
_FOOT_M = 0.3048


def parse_pressure(text: str) -> float:
    """kPa of a pressure with its unit: "97.7 kPa", "977 hPa", "28.85 inHg"; raises InputError."""
    match = _PRESSURE.fullmatch(text)
    if match is None:
        raise InputError(f'pressure is "{text[:40]}"; write the station pressure with its unit, such as 97.7 kPa, 977 hPa or 28.85 inHg')
    return float(match[1].replace(",", ".")) * _KPA[match[2].lower()]


def parse_height(text: str) -> float:
    """Metres of an altitude with its unit: "180 m", "590 ft"; raises InputError."""
    match = _HEIGHT.fullmatch(text)
    if match is None:
        raise InputError(f'altitude is "{text[:40]}"; write metres or feet, such as 180 m or 590 ft')
    return float(match[1].replace(",", ".")) * (_FOOT_M if match[2].lower() == "ft" else 1.0)


class Found(NamedTuple):
    """One check as it is to be recorded; °C throughout. `offset_c` is the whole offset in force from `since` on, None where unchanged."""

    probe: str
    method: str
    reference_c: float
    indicated_c: float
    reference: str = ""
    as_left_c: float | None = None
    offset_c: float | None = None
    since: Instant | None = None
    comment: str = ""


def allowed_c(probe: Probe | None) -> float:
    """The error that is allowed of a probe, in °C: the plan's `tolerance`, or the Food Code's where that is narrower or none is stated."""
    stated = None if probe is None else probe.tolerance_c
    if probe is not None and probe.place != "core":
        return AIR_TOLERANCE_C if stated is None else min(stated, AIR_TOLERANCE_C)
    # A site that states 2 °F has thermometers scaled in °F only; without a word the narrower of the two holds.
    return tolerance("C") if stated is None else tolerance("F", stated)


def allowed_source(probe: Probe | None) -> str:
    """Where the allowed error comes from, in words."""
    air = probe is not None and probe.place != "core"
    book = "Food Code 4-203.12, from memory, not verified" if air else "Food Code 4-203.11"
    return f"the plan, within {book}" if probe is not None and probe.tolerance_c is not None else book


def interval(probe: Probe | None) -> Span:
    """How often a probe is to be checked."""
    return CHECK_EVERY if probe is None or probe.check_every is None else probe.check_every


def interval_words(probe: Probe | None) -> str:
    """How often a probe is to be checked, in words, and who says so."""
    if probe is None or probe.check_every is None:
        return f"{CHECK_EVERY_SOURCE}; the plan states none"
    days, rest = divmod(probe.check_every, 24 * HOUR)
    return f"every {f'{days} days' if days and not rest else format_span(probe.check_every)}, as the plan says"


def right_value(
    method: str, site: Site, *, reference_c: float | None = None, pressure_kpa: float | None = None, altitude_m: float | None = None
) -> tuple[float, str]:
    """What the probe ought to show, in °C, and what that rests on, in words.

    A boiling point is worked out from the station pressure, else from the altitude (of the site where none is given); a sea-level
    pressure is refused by `rules.science`. Raises InputError or ScienceError.
    """
    if method not in METHODS:
        raise InputError(f"method is {method!r}; write one of {', '.join(METHODS)}")
    if method == "comparison":
        if reference_c is None:
            raise InputError('reference is blank; write what the reference thermometer read, with its unit, such as "145.0 °F"')
        return reference_c, "reference thermometer"
    if method == "ice-point":
        computed, basis = ICE_POINT_C, "melting ice"
    elif reference_c is not None and pressure_kpa is None and altitude_m is None and site.altitude_m is None:
        raise InputError("a boiling point needs the pressure or the altitude; write the station pressure, such as 97.7 kPa")
    else:
        height = site.altitude_m if altitude_m is None else altitude_m
        computed = boiling_point(pressure_kpa=pressure_kpa, altitude_m=height)
        basis = f"water boiling at {pressure_kpa:g} kPa" if pressure_kpa is not None else f"water boiling at {height:g} m"
    if reference_c is not None and abs(reference_c - computed) > 0.3:
        raise InputError(
            f"reference is {reference_c:.2f} °C, but {basis} is {computed:.2f} °C; leave the reference out, or write method comparison"
        )
    return (computed if reference_c is None else reference_c), basis


def add(
    conn: Connection, found: Found, *, tolerance_c: float, at: Instant, entered: Instant | None, now: Instant, by: str
) -> dict[str, Any]:
    """Record one check and give it back as `newest` does; raises InputError for a method or value that cannot be."""
    if found.method not in METHODS:
        raise InputError(f"method is {found.method!r}; write one of {', '.join(METHODS)}")
    values = (("reference", found.reference_c), ("reading as found", found.indicated_c), ("reading as left", found.as_left_c))
    for name, value in values:
        if value is not None and not (math.isfinite(value) and -100.0 <= value <= 500.0):
            raise InputError(f"{name} is {value:g} °C, which no thermometer here reads; write -100 to 500 °C")
    since = found.since if found.since is not None or found.offset_c is None else at
    if found.offset_c is not None and not abs(found.offset_c) <= LARGEST_OFFSET_C:
        raise InputError(
            f"offset is {found.offset_c:.2f} °C, more than {LARGEST_OFFSET_C:g} °C: a probe that far off is broken; take it out of use"
        )
    if found.offset_c is None and found.since is not None:
        raise InputError("since is given without an offset; write the offset too, or leave since out")
    if since is not None and not at <= since <= now:
        raise InputError(
            f"the offset is to hold since {format_instant(since)}; write an instant from the check ({format_instant(at)}) to now: "
            "what was read before is corrected by a recall"
        )
    result = conn.execute(
        insert(calibration).values(
            **{**found._asdict(), "since": since},
            tolerance_c=tolerance_c,
            offset_was_c=Offsets.read(conn).at(found.probe, at),
            at=at,
            entered=entered,
            by=by,
        )
    )
    assert result.inserted_primary_key is not None
    made = get(conn, int(result.inserted_primary_key[0]))
    ledger.append(conn, "calibration", made, at, by, entered_at=now)
    return made


def newest(conn: Connection, probe: str = "", most: int = 100, until: Instant | None = None) -> list[dict[str, Any]]:
    """The newest checks up to `until`, of one probe or of all, newest first.

    `id, probe, at, entered, method, reference, reference_c, indicated_c, error_c, tolerance_c, within, as_left_c, left_error_c` (as left,
    or as found with the change of the offset), `good` (left within tolerance), `offset_was_c, offset_c, since, by, comment`.
    """
    asked = select(calibration).order_by(calibration.c.at.desc(), calibration.c.id.desc()).limit(most)
    if probe:
        asked = asked.where(calibration.c.probe == probe)
    if until is not None:
        asked = asked.where(calibration.c.at <= until)
    return [_plain(row) for row in conn.execute(asked)]


def get(conn: Connection, number: int) -> dict[str, Any]:
    """One check; raises InputError where there is none of that number."""
    row = conn.execute(select(calibration).where(calibration.c.id == number)).one_or_none()
    if row is None:
        raise InputError(f"check is {number}; there is none of that number, GET /api/v1/calibrations lists them")
    return _plain(row)


def last_of_each(conn: Connection, probes: Collection[str], until: Instant | None = None) -> dict[str, dict[str, Any]]:
    """Each probe's newest check up to `until`, and under `last_good` the instant of its newest good one (None: none)."""
    found: dict[str, dict[str, Any]] = {}
    for probe in probes:
        checks = newest(conn, probe, until=until)
        if checks:
            good = next((c["at"] for c in checks if c["good"]), None)
            found[probe] = {**checks[0], "last_good": good}
    return found


def due_after(check: Mapping[str, Any], probe: Probe | None) -> Instant | None:
    """When the next check of a probe is due after its last good one; None where it has none."""
    return parse_instant(check["last_good"]) + interval(probe) if check["last_good"] else None


def due_of(plan: Plan, check: Mapping[str, Any] | None, probe: str, known_since: Instant) -> Instant:
    """When a probe's next check is due: its interval after its last good check, or after it came into the plan where it has none."""
    planned = plan.probe_by_id.get(probe)
    due = due_after(check, planned) if check else None
    return known_since + interval(planned) if due is None else due


class InForce:
    """The offsets in force, for the intake: read anew only where a check has come since. For the writer's thread."""

    def __init__(self) -> None:
        self._known: Offsets | None = None

    def __call__(self, conn: Connection) -> Callable[[str, Instant], float]:
        """The offset of a probe at an instant, as of this transaction."""
        number = conn.exec_driver_sql(_NEWEST).scalar() or 0  # asked before every group of readings
        if self._known is None or self._known.newest != number:
            self._known = Offsets.read(conn)
        return self._known.at if self._known else no_offset

    def forget(self) -> None:
        """A transaction was undone: what is known may be ahead of the store."""
        self._known = None


_NEWEST = f"SELECT max(id) FROM {calibration.name}"


class Offsets:
    """The calibration offset in force for each probe at each instant."""

    __slots__ = ("_by_probe", "newest")

    def __init__(self, by_probe: Mapping[str, list[tuple[Instant, float]]], newest: int) -> None:
        self._by_probe, self.newest = by_probe, newest

    @classmethod
    def read(cls, conn: Connection) -> Offsets:
        """The offsets as they stand now; of two in force since one instant the one written later holds."""
        by_probe: dict[str, list[tuple[Instant, float]]] = {}
        columns = select(calibration.c.probe, calibration.c.since, calibration.c.offset_c).where(calibration.c.offset_c.is_not(None))
        for row in conn.execute(columns.order_by(calibration.c.since, calibration.c.id)):
            by_probe.setdefault(row.probe, []).append((row.since, row.offset_c))
        return cls(by_probe, conn.execute(select(func.max(calibration.c.id))).scalar() or 0)

    def __bool__(self) -> bool:
        """Whether any was ever put in force."""
        return bool(self._by_probe)

    def at(self, probe: str, at: Instant) -> float:
        """The offset in °C to be added to a raw value of this probe at this instant; 0 where none was put in force."""
        steps = self._by_probe.get(probe)
        if not steps:
            return 0.0
        place = bisect_right(steps, (at, math.inf))
        return steps[place - 1][1] if place else 0.0


def _plain(row: Any) -> dict[str, Any]:
    error = round(row.indicated_c - row.reference_c, 6)
    allowed = tolerance("C") if row.tolerance_c is None else row.tolerance_c
    was = row.offset_was_c or 0.0
    change = 0.0 if row.offset_c is None else row.offset_c - was
    left = round((row.indicated_c + change if row.as_left_c is None else row.as_left_c) - row.reference_c, 6)
    return {
        "id": row.id,
        "probe": row.probe,
        "at": format_instant(row.at),
        "entered": None if row.entered is None else format_instant(row.entered),
        "method": row.method,
        "reference": row.reference,
        "reference_c": row.reference_c,
        "indicated_c": row.indicated_c,
        "error_c": error,
        "tolerance_c": allowed,
        "within": abs(error) < at_or_below(allowed),
        "as_left_c": row.as_left_c,
        "left_error_c": left,
        "good": abs(left) < at_or_below(allowed),
        "offset_was_c": was,
        "offset_c": row.offset_c,
        "since": None if row.since is None else format_instant(row.since),
        "by": row.by,
        "comment": row.comment,
    }
