"""The part of the desk that checks probes: a check is recorded; what it puts in doubt is looked at, then recalled.

See `desk.py` for how an entry is made.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from monitor import calibrations, recalling, recalls
from monitor.alarms import causes
from monitor.errors import InputError, RefusedError
from monitor.moments import moment
from monitor.recall_effect import Effect, effect_of
from rules.plan import Plan
from rules.quantity import format_instant
from rules.reading import HOUR, Instant, Span

if TYPE_CHECKING:
    from monitor.desk import Hand
    from monitor.store.database import Store

#: A check may be written down this long afterwards: paper records of a year are worth having, since a recall begins at the last good one.
_BACK: Span = 400 * 24 * HOUR


@dataclass(frozen=True, slots=True)
class ProbeCheck:
    """A check as a person tells it; °C, kPa, m. What is None is worked out or left alone.

    `correct`: from the check on, take off the error found. `offset_c` states the whole offset instead.
    """

    probe: str
    method: str
    indicated_c: float
    reference_c: float | None = None
    reference: str = ""
    pressure_kpa: float | None = None
    altitude_m: float | None = None
    as_left_c: float | None = None
    offset_c: float | None = None
    since: Instant | None = None
    correct: bool = False
    at: Instant | None = None
    comment: str = ""


class CheckDesk:
    """Checks and recalls; `Desk` has the rest."""

    store: Store
    plan: Plan
    clock: Callable[[], Instant]
    pipeline: Any
    alarm_board: Any
    _do: Callable[[Hand, Callable[[Connection, Instant], dict[str, Any]]], dict[str, Any]]

    def calibrate(self, hand: Hand, check: ProbeCheck) -> dict[str, Any]:
        """Record a check of a probe, as `monitor.calibrations.newest` gives it; a probe beyond its tolerance rings.

        It changes no verdict by itself: what was judged since the last good check is looked into by `recall_preview`.
        """
        return self._do(hand, lambda conn, now: record(conn, self.plan, self.alarm_board, check, now, hand.by))

    def recall_preview(self, probe: str, check: int | None = None) -> dict[str, Any]:
        """What recalling a probe would change, as `monitor.recalling.shown` gives it; changes nothing."""
        return recalling.shown(*self._effect(probe, check), plan=self.plan)

    def recall(self, hand: Hand, probe: str, check: int | None = None) -> dict[str, Any]:
        """Recall a probe: judge again what it measured since its last good check, as the preview says."""
        try:
            effect, found = self._effect(probe, check)
        except RefusedError as error:
            return self._do(hand, _refusing(error))  # the same request sent twice gets the answer given before

        def job(conn: Connection, now: Instant) -> dict[str, Any]:
            number = recalling.carry_out(conn, self.pipeline, effect, found, now, hand.by)
            return recalling.shown(effect, found, plan=self.plan) | {"recall": number, "by": hand.by, "at": format_instant(now)}

        return self._do(hand, job)

    def recalls(self, probe: str = "") -> list[dict[str, Any]]:
        """The recalls carried out, newest first, instants as text."""
        with self.store.read() as conn:
            return [recalling.plain(one) for one in recalls.listed(conn, probe)]

    def _effect(self, probe: str, check: int | None) -> tuple[Effect, dict[str, Any]]:
        known(self.plan, probe)
        with self.store.read() as conn:
            found = recalls.newest_failed(conn, probe) if check is None else calibrations.get(conn, check)
            if found["probe"] != probe:
                raise RefusedError(f"check {check} is of {found['probe']}, not of {probe}; name a check of that probe")
            return effect_of(conn, recalls.stretch_of(conn, found), self.plan, self.clock()), found


def _refusing(error: RefusedError) -> Callable[[Connection, Instant], dict[str, Any]]:
    def job(_conn: Connection, _now: Instant) -> dict[str, Any]:
        raise error

    return job


def record(conn: Connection, plan: Plan, alarms: Any, check: ProbeCheck, now: Instant, by: str) -> dict[str, Any]:
    """Record one check and ring, or end, what follows from it."""
    probe = known(plan, check.probe)
    at, entered = moment(check.at, now, _BACK)
    reference_c, basis = calibrations.right_value(
        check.method, plan.site, reference_c=check.reference_c, pressure_kpa=check.pressure_kpa, altitude_m=check.altitude_m
    )
    offset = check.offset_c
    if check.correct:
        if offset is not None:
            raise InputError("offset is given, and the error found is to be taken off too; choose one of the two")
        offset = round(calibrations.Offsets.read(conn).at(check.probe, at) - (check.indicated_c - reference_c), 3)
    found = calibrations.Found(
        check.probe, check.method, reference_c, check.indicated_c, check.reference.strip() or basis, check.as_left_c, offset,
        check.since, check.comment,
    )  # fmt: skip
    allowed = calibrations.allowed_c(probe)
    made = calibrations.add(conn, found, tolerance_c=allowed, at=at, entered=entered, now=now, by=by)
    newest = calibrations.last_of_each(conn, [probe.id])[probe.id]
    if newest["id"] == made["id"]:  # an older one, written down afterwards, says nothing of how the probe is now
        ring(conn, alarms, made, plan, now)
    return made


def ring(conn: Connection, alarms: Any, check: dict[str, Any], plan: Plan, now: Instant) -> None:
    """Ring for a probe that reads wrong and for the lots it puts in doubt; end what a good check ends."""
    off, doubt = causes.probe_off(check, plan.site.unit, now), causes.recall_wanted(check, plan.site.unit, now)
    if check["good"]:
        alarms.clear(conn, off.key, now)
        alarms.clear(conn, causes.calibration_due(check["probe"], now, "").key, now)
    else:
        alarms.raise_(conn, off, now)
    if not check["within"]:
        alarms.raise_(conn, doubt, now)


def known(plan: Plan, probe: str) -> Any:
    """The plan's probe of that name; raises InputError where there is none, or it is no thermometer."""
    found = plan.probe_by_id.get(probe)
    if found is None:
        raise InputError(f'probe is "{probe[:60]}"; this plan has {", ".join(plan.probe_by_id) or "none"}')
    if found.place == "humidity":
        raise InputError(f'probe "{probe}" measures humidity; ice and boiling water check thermometers only')
    return found
