"""When a lot enters its next step by itself (`judging.md` section 3)."""

from __future__ import annotations

from collections.abc import Sequence

from rules.finding import Verdict
from rules.limits.spec import Dwell, HoldLethality, IntegratedLethality
from rules.plan import Advance, Step
from rules.reading import MINUTE, Instant, LotEvent
from tests.plain.chill import turns_of
from tests.plain.evidence import LAST, Moment, Seen, milli
from tests.plain.lots import Jump, Lot, Stay

CORE_GAP = 15 * MINUTE  # no limit names the gap of an advance by core temperature


def next_jump(lot: Lot) -> Jump | None:
    """The earliest advance that the events so far bring about and that is not yet among the jumps."""
    found = [jump for stay in lot.stays for jump in [_jump_out_of(lot, stay)] if jump is not None]
    return min(found, key=lambda jump: jump.moment, default=None)


def _jump_out_of(lot: Lot, stay: Stay) -> Jump | None:
    advance, into = stay.step.advance, lot.next_step(stay.step)
    if advance is None or advance.how != "auto" or into is None or any(jump.out_of == stay.step.name for jump in lot.jumps):
        return None
    at = _fulfilled(lot, stay, advance)
    if at is None or at > lot.now or (stay.spell.end is not None and at >= stay.spell.end.at):
        return None
    moment = Moment(at, LAST)
    if any(
        other is not stay and other.spell.start <= moment and (other.spell.end is None or moment < other.spell.end) for other in lot.stays
    ):
        return None
    straddles = bool(lot.plan.rooms) and into.room != stay.step.room
    if advance.when == "after" and (straddles or _leaves_open(lot, stay.step, into, at)):
        return None
    return Jump(Moment(at, LAST + len(lot.jumps)), into, straddles, stay.step.name)


def _leaves_open(lot: Lot, step: Step, into: Step, at: Instant) -> bool:
    for owner, limit in lot.limits:
        names = lot.names(owner, limit)
        if limit.critical and step.name in names and into.name not in names and lot.limit_verdict(owner, limit, at) is Verdict.OPEN:
            return True
    return False


def _fulfilled(lot: Lot, stay: Stay, advance: Advance) -> Instant | None:
    """The instant at which a stay's condition was fulfilled."""
    since = stay.spell.start.at
    if advance.when == "after":
        return since + advance.length
    instants = {since} | {s.at for p in lot.plan.probes for s in lot.evidence(p.id).seen}
    instants |= {e.at for _, e in lot.deeds} | {e.at for e in lot.events if isinstance(e, LotEvent) and e.lot == lot.lot}
    instants = {at for at in instants if at >= since and (stay.spell.end is None or at < stay.spell.end.at)}
    if advance.when == "core":  # asked at the readings of the core probes
        read = {s.at for p in lot.cores for s in lot.core_seen(p.id)}
        return next((at for at in sorted(instants & read) if _core_held(lot, stay, advance, at)), None)
    kind = Dwell if advance.when == "dwell met" else HoldLethality | IntegratedLethality
    limits = [(s, limit) for s, limit in lot.limits if stay.step.name in lot.names(s, limit) and isinstance(limit.rule, kind)]
    turns = {since} | {at for s, limit in limits for at in turns_of(lot, s, limit)}
    for at in sorted(turn for turn in turns if turn >= since):
        now, before = ([lot.limit_verdict(s, limit, t) is Verdict.MET for s, limit in limits] for t in (at, at - 1))
        if limits and all(now) and not all(before):  # fulfilled now, and not before the step was entered
            return at
    return None


def _core_held(lot: Lot, stay: Stay, advance: Advance, at: Instant) -> bool:
    """Whether every core probe now in the lot has held the temperature for long enough, within the step."""
    placed = [
        (p, spell) for p in lot.cores for spell in lot.placed(p.id) if spell.start.at <= at and (spell.end is None or at < spell.end.at)
    ]
    for probe, spell in placed:
        seen = [s for s in lot.evidence(probe.id).seen if s.at <= at and s.at >= stay.spell.start.at and spell.holds(s.at)]
        if not _run_back(seen, advance, probe.uncertainty_c or 0.0) or at - seen[-1].at > CORE_GAP:
            return False
    return bool(placed)


def _run_back(seen: Sequence[Seen], advance: Advance, u: float) -> bool:
    """Whether the newest readings form an unbroken run that holds for the advance's length."""
    run: list[Seen] = []
    for s in reversed(seen):
        cold = advance.at_most_c is not None and milli(s.high + u) <= milli(advance.at_most_c)
        hot = advance.at_least_c is not None and milli(s.low - u) >= milli(advance.at_least_c)
        if not (cold or hot) or (run and run[-1].at - s.at > CORE_GAP):
            break
        run.append(s)
    return bool(run) and run[0].at - run[-1].at >= advance.length
