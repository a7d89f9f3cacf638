"""What profile, humidity and degree-hours need to know of the lot and its rooms (choices 24 to 26)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rules.limits.spec import DegreeHours, Humidity, Profile
from rules.plan import Limit, Probe, Step
from rules.reading import Instant
from rules.science.humidity import pressure_at_altitude
from tests.plain.degrees import Warmth, degree_hours
from tests.plain.evidence import Evidence, Outcome, instants_of, meet, settle
from tests.plain.kinds import Base
from tests.plain.process import Reached, StageTime, bulbs, profile_told, stage_times

if TYPE_CHECKING:
    from tests.plain.lots import Lot


def given(lot: Lot, limit: Limit, probe: Probe) -> tuple[float, Evidence]:
    """What is used against the lot, and the evidence; of a wet bulb, the humidity that it shows with its dry bulb."""
    u = lot.uncertainty(limit, probe)
    if not isinstance(limit.rule, Humidity) or probe.place != "wet-bulb":
        return u, lot.evidence(probe.id)
    beside = [p for p in lot.plan.probes if p.place == "chamber" and p.room == probe.room]
    dry = lot.plan.probe_by_id[probe.dry_bulb] if probe.dry_bulb else beside[0] if len(beside) == 1 else None
    if dry is None:
        return 0.0, Evidence()
    pressure = pressure_at_altitude(lot.plan.site.altitude_m or 0.0)
    return 0.0, bulbs(lot.evidence(probe.id), lot.evidence(dry.id), u, lot.uncertainty(limit, dry), pressure)


def stages(lot: Lot, step: Step, limit: Limit, r: int) -> list[StageTime]:
    """The stages of a profile in one of its runs."""
    assert isinstance(limit.rule, Profile)
    pieces = lot.runs(step, limit)[r].pieces
    cores = [
        Reached(
            p.id,
            lot.placed(p.id),
            [s for s in lot.core_seen(p.id) if any(piece.holds(s.at) for piece in pieces)],
            lot.uncertainty(limit, p),
        )
        for p in lot.cores
    ]
    return stage_times(limit.rule, pieces[0].start.at, cores)


def _suppressed(lot: Lot, step: Step, at: Instant) -> bool:
    """Whether the lot straddles out of a step: its operating alarms are suppressed until somebody confirms."""
    for jump in (j for j in lot.jumps if j.straddles and j.out_of == step.name and j.moment.at <= at):
        for stay in (s for s in lot.stays if s.step.name == step.name and s.spell.start < jump.moment):
            if stay.spell.end is None or (jump.moment < stay.spell.end and at <= stay.spell.end.at):
                return True
    return False


def told_of_profiles(lot: Lot) -> list[tuple[str, str, Instant]]:
    """What is said of the lot's profiles beside their verdicts."""
    found = []
    for step, limit in lot.limits:
        if isinstance(limit.rule, Profile):
            for r, run in enumerate(lot.runs(step, limit)):
                for watch in (watch for watch in run.watches if watch.opened.at <= lot.now):
                    told = profile_told(limit.rule, watch, lot.stages(step, limit, r), lot.now)
                    found += [one for one in told if not _suppressed(lot, step, one[2])]
    return found


def degree_outcome(lot: Lot, step: Step, limit: Limit, r: int, w: int, at: Instant) -> Outcome:
    """How a watch of degree-hours stands at an instant."""
    rule, run = limit.rule, lot.runs(step, limit)[r]
    assert isinstance(rule, DegreeHours)
    watch, warmths, ph = run.watches[w], _warmths(lot, step, limit, r), ph_reached(lot, rule)
    beside = any(
        other is not watch and spell.start <= watch.opened and (spell.end is None or watch.opened < spell.end)
        for other in run.watches
        for stretch in other.stretches
        for spell in stretch.inside
    )
    early = ph is not None and ph <= watch.opened.at and (ph <= run.pieces[0].start.at or beside)
    base = Base() if early else lot.bases(step, limit, r, at)[w][0]
    turns = [*instants_of(watch, at), *(x.at for x in warmths), *([ph] if ph is not None else [])]
    return settle(lambda now: degree_hours(rule, watch, base, warmths, ph, early, now), [t for t in turns if watch.opened.at <= t <= at])


def _warmths(lot: Lot, step: Step, limit: Limit, r: int) -> list[Warmth]:
    """The readings that choose the row of a degree-hour table: the limit's own, and those of its chambers."""
    run, found = lot.runs(step, limit)[r], []
    for watch in run.watches:
        inside = [spell for stretch in watch.stretches for spell in stretch.inside]
        found += [Warmth(s.at, s.high + watch.u, watch.probe) for s in watch.evidence.seen if any(spell.holds(s.at) for spell in inside)]
    for probe in (p for p in lot.plan.probes if p.place == "chamber"):
        served = [meet(piece, spell) for piece in run.pieces for spell in lot.served(step, limit, probe)]
        u = lot.uncertainty(limit, probe)
        seen = [s for s in lot.evidence(probe.id).seen if any(spell is not None and spell.holds(s.at) for spell in served)]
        found += [Warmth(s.at, s.high + u, probe.id) for s in seen]
    return found


def ph_reached(lot: Lot, rule: DegreeHours) -> Instant | None:
    """When a pH low enough was first entered."""
    return min((e.at for e in lot.measures if e.name == "pH" and float(e.value) <= rule.until_ph), default=None)
