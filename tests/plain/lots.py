"""A lot over its whole history: its steps, the watches of every limit, verdicts (`judging.md` sections 2 and 4)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from typing import NamedTuple

from rules.finding import Verdict, worst
from rules.limits.spec import Ceiling, ComeUp, Cooling, Dwell, Exposure, Floor, HoldLethality, IntegratedLethality
from rules.plan import Limit, Plan, Probe, Step
from rules.reading import MINUTE, Event, Instant, LotEvent
from tests.plain import kinds
from tests.plain.carried import Carried, carry, common
from tests.plain.cooling import WAITING, Setting, clock, cooling
from tests.plain.evidence import (
    LAST,
    Evidence,
    Moment,
    Outcome,
    Seen,
    Spell,
    Stretch,
    Watch,
    evidence_of,
    evidence_of_checks,
    instants_of,
    joined,
    meet,
    settle,
)
from tests.plain.kinds import Base

CORE_GAP = 15 * MINUTE  # no limit names the gap of an advance by core temperature


class Stay(NamedTuple):
    """A lot in one step. `how` it ended: "person", "auto", "end", or "" while it lasts."""

    step: Step
    spell: Spell
    how: str


class Jump(NamedTuple):
    """A step entered by itself; `straddles` where it is in another room."""

    moment: Moment
    step: Step
    straddles: bool
    out_of: str


@dataclass(frozen=True)
class Run:
    """Where a limit is watched once: the pieces of time for which it runs, and the watches in it."""

    pieces: tuple[Spell, ...]
    watches: tuple[Watch, ...]


class Lot:
    """One lot of a plan, judged from all events up to `now`, with the advances found so far."""

    def __init__(self, plan: Plan, lot: str, events: Sequence[Event], now: Instant, jumps: Sequence[Jump] = ()) -> None:
        self.plan, self.lot, self.events, self.now, self.jumps = plan, lot, events, now, list(jumps)
        numbered = [(Moment(e.at, n), e) for n, e in enumerate(events) if isinstance(e, LotEvent) and e.lot == lot]
        self.deeds = [(moment, e) for moment, e in numbered if e.event in ("start", "step", "place", "remove", "end")]
        self.measures = [e for _, e in numbered if e.event == "measure"]
        self.product = plan.product_by_code[next(e.name for _, e in self.deeds if e.event == "start")]
        self.end = next((moment for moment, e in self.deeds if e.event == "end"), None)
        self.limits = [(step, limit) for step in self.product.steps for limit in step.limits]
        self.outcome = cache(self._outcome)
        self.runs = cache(self._runs)

    # ---- steps

    @cached_property
    def stays(self) -> list[Stay]:
        """Every stay in a step, in the order of entry; two at once while the lot straddles."""
        turns: list[tuple[Moment, LotEvent | Jump]] = sorted([*self.deeds, *((j.moment, j) for j in self.jumps)], key=lambda turn: turn[0])
        stepped = {e.at for _, e in self.deeds if e.event == "step"}
        current: list[tuple[Step, Moment]] = []
        stays: list[Stay] = []

        def leave(name: str | None, moment: Moment, how: str) -> None:
            for step, entered in [c for c in current if name is None or c[0].name == name]:
                stays.append(Stay(step, Spell(entered, moment), how))
                current.remove((step, entered))

        for moment, turn in turns:
            if isinstance(turn, Jump):
                if not turn.straddles:
                    leave(None, moment, "auto")
                current.append((turn.step, moment))
            elif turn.event == "end":
                leave(None, moment, "end")
            elif turn.event == "start" and turn.at not in stepped:
                current.append((self.product.steps[0], moment))
            elif turn.event == "step":
                named = next(s for s in self.product.steps if s.name == turn.name)
                staying = any(step.name == named.name for step, _ in current) and not (len(current) == 1 and named.repeats)
                for step, _ in list(current):
                    if not (staying and step.name == named.name):
                        leave(step.name, moment, "person")
                if not staying:
                    current.append((named, moment))
        stays += [Stay(step, Spell(entered, None), "") for step, entered in current]
        return sorted(stays, key=lambda stay: stay.spell.start)

    def names(self, step: Step, limit: Limit) -> set[str]:
        """The steps through which a limit runs."""
        return {step.name, *limit.over}

    def next_step(self, step: Step) -> Step | None:
        """The next step of the product that is not optional."""
        steps = list(self.product.steps)
        return next((s for s in steps[steps.index(step) + 1 :] if not s.optional), None)

    # ---- watches

    def placed(self, probe: str) -> list[Spell]:
        """When a core probe was in this lot."""
        spells: list[Spell] = []
        since: Moment | None = None
        for moment, e in self.deeds:
            if e.event == "place" and e.name == probe:
                since = moment
            elif since is not None and (e.event == "end" or (e.event == "remove" and e.name == probe)):
                spells.append(Spell(since, moment))
                since = None
        return spells + ([Spell(since, None)] if since is not None else [])

    @cache  # noqa: B019 - one lot is judged and thrown away
    def evidence(self, probe: str) -> Evidence:
        """What a probe gave."""
        return evidence_of(self.events, probe)

    def core_seen(self, probe: str) -> list[Seen]:
        """A core probe's good readings while it was in this lot."""
        return [s for s in self.evidence(probe).seen if any(spell.holds(s.at) for spell in self.placed(probe))]

    @property
    def cores(self) -> list[Probe]:
        """Core probes ever placed in this lot."""
        return [p for p in self.plan.probes if p.place == "core" and self.placed(p.id)]

    def uncertainty(self, limit: Limit, probe: Probe) -> float:
        """What is used against the lot."""
        return (probe.uncertainty_c or 0.0) if limit.guard else 0.0

    def pieces(self, step: Step, limit: Limit) -> list[list[Spell]]:
        """The runs of a limit, each as its pieces of time."""
        if isinstance(limit.rule, Cooling):
            opening = self.cooling_opening(step, limit)
            if opening is None:
                return []
            inside = [self.extended(step, limit, stay) for stay in self.stays if stay.step.name in self.names(step, limit)]
            first = Spell(opening, inside[0].end if inside else self.end)
            return [joined([first, *inside[1:]])]
        spells = [self.extended(step, limit, stay) for stay in self.stays if stay.step.name in self.names(step, limit)]
        if step.repeats and not limit.over:
            return [[spell] for spell in spells]
        return [joined(spells)] if spells else []

    def extended(self, step: Step, limit: Limit, stay: Stay) -> Spell:
        """A stay that an automatic advance ended, on to where a critical limit that was not final travels."""
        end, names = stay.spell.end, self.names(step, limit)
        if stay.how != "auto" or end is None or not limit.critical or isinstance(limit.rule, HoldLethality | IntegratedLethality):
            return stay.spell
        jump = next(j for j in self.jumps if j.moment == end)
        if jump.step.name in names or self._before(jump).is_final(step, limit, end.at):
            return stay.spell
        later = [moment for moment, e in self.deeds if e.event in ("step", "end") and moment > end]
        return Spell(stay.spell.start, min(later, default=None))

    @cache  # noqa: B019 - as above
    def _before(self, jump: Jump) -> Lot:
        """This lot as if an advance had not happened."""
        return Lot(self.plan, self.lot, self.events, self.now, self.jumps[: self.jumps.index(jump)])

    def is_final(self, step: Step, limit: Limit, at: Instant) -> bool:
        """Whether every watch of a limit is final at an instant (and there is one)."""
        found = [self.outcome(step, limit, r, w, at) for r, run in enumerate(self.runs(step, limit)) for w in self._open_by(run, at)]
        return bool(found) and all(outcome.final for outcome in found)

    def _runs(self, step: Step, limit: Limit) -> list[Run]:
        return [Run(tuple(pieces), tuple(self._watches(step, limit, pieces))) for pieces in self.pieces(step, limit)]

    def _watches(self, step: Step, limit: Limit, pieces: Sequence[Spell]) -> list[Watch]:
        if limit.sampled is not None:
            start = next(moment for moment, e in self.deeds if e.event == "start")
            gap = limit.sampled * 12 // 10
            given = [("check", 0.0, evidence_of_checks(self.events, self.lot, limit.place), [Spell(start, self.end)], gap)]
        else:
            probes = [p for p in self.plan.probes if p.place == limit.place]
            given = [(p.id, self.uncertainty(limit, p), self.evidence(p.id), self._served(step, limit, p), limit.max_gap) for p in probes]
        watches = []
        for probe, u, evidence, served, gap in given:
            cut = [Stretch(piece, tuple(s for s in (meet(piece, spell) for spell in served) if s is not None)) for piece in pieces]
            stretches = tuple(stretch for stretch in cut if stretch.inside)
            if stretches:
                watches.append(Watch(probe, u, gap, evidence, stretches, tuple(served)))
        return watches

    def _served(self, step: Step, limit: Limit, probe: Probe) -> list[Spell]:
        """When a probe could serve a limit of this lot: placed, or fixed in the room of one of its steps."""
        if probe.place == "core":
            return self.placed(probe.id)
        stays = [stay for stay in self.stays if stay.step.name in self.names(step, limit)]
        here = [stay for stay in stays if not self.plan.rooms or stay.step.room == probe.room]
        return joined(self.extended(step, limit, stay) for stay in here)

    # ---- outcomes

    def _open_by(self, run: Run, at: Instant) -> list[int]:
        return [w for w, watch in enumerate(run.watches) if watch.opened.at <= at]

    def _outcome(self, step: Step, limit: Limit, r: int, w: int, at: Instant) -> Outcome:
        """How a watch stands at an instant."""
        run = self.runs(step, limit)[r]
        watch, rule = run.watches[w], limit.rule
        instants = [i for i in instants_of(watch, at) if i >= watch.opened.at]
        if isinstance(rule, Ceiling | Floor):
            return settle(lambda now: kinds.ceiling(rule, watch, now), instants)
        if isinstance(rule, Dwell):
            return settle(lambda now: kinds.dwell(rule, watch, now), instants)
        if isinstance(rule, HoldLethality | IntegratedLethality):
            return kinds.lethality(rule, watch, at)
        if isinstance(rule, Exposure):
            bases = self.bases(step, limit, r, at)
            return settle(lambda now: kinds.exposure(rule, watch, bases[w], now), instants)
        if isinstance(rule, ComeUp):
            base = self.bases(step, limit, r, at)[w][0]
            lethal = self._lethal(limit, watch)
            return settle(
                lambda now: kinds.come_up(rule, watch, base, now, lethal, lambda t: self._was_low(rule, limit, t)),
                [*instants, *([lethal] if lethal is not None and lethal <= at else [])],
            )
        seen = watch.evidence.seen if limit.sampled is not None else self.core_seen(watch.probe)
        return cooling(rule, watch, seen, self._setting(step, limit, watch), at)

    def _lethal(self, come_up: Limit, watch: Watch) -> Instant | None:
        """When the probe's lethality was met, by every critical lethality limit of that place."""
        met = []
        for step, limit in sorted(self._lethalities(critical=True), key=lambda owned: owned[0].optional):
            if limit.place != come_up.place or (step.optional and not self.entered(step, limit, max(met, default=self.now))):
                continue
            outcomes = [
                self.outcome(step, limit, r, w, self.now)
                for r, run in enumerate(self.runs(step, limit))
                for w, other in enumerate(run.watches)
                if other.probe == watch.probe
            ]
            at = [o.at for o in outcomes if o.verdict is Verdict.MET and o.at is not None]
            at = [a if step.repeats else max(a, watch.opened.at) for a in at if a >= watch.opened.at or not step.repeats]
            if not at:
                return None
            met.append(min(at))
        lethal = max(met, default=None)
        inside = [spell for stretch in watch.stretches for spell in stretch.inside]
        return lethal if lethal is not None and any(spell.holds(lethal) for spell in inside) else None

    def _was_low(self, rule: ComeUp, limit: Limit, at: Instant) -> bool:
        """Whether any core reading of the lot up to an instant was at or below `low`."""
        return any(kinds.is_low(rule, s, self.uncertainty(limit, p)) for p in self.cores for s in self.core_seen(p.id) if s.at <= at)

    def _lethalities(self, critical: bool = False) -> list[tuple[Step, Limit]]:
        rules = HoldLethality | IntegratedLethality
        return [(step, limit) for step, limit in self.limits if isinstance(limit.rule, rules) and (limit.critical or not critical)]

    def bases(self, step: Step, limit: Limit, r: int, at: Instant) -> list[list[Base]]:
        """The sums each watch starts from, one per tier (`judging.md` section 2, uncovered time)."""
        return self.carried(step, limit, r, at).bases

    def carried(self, step: Step, limit: Limit, r: int, at: Instant) -> Carried:
        """The sums that a limit's watches hand on in one of its runs."""
        run = self.runs(step, limit)[r]
        tiers = len(limit.rule.tiers) if isinstance(limit.rule, Exposure) else 1
        return carry(run.pieces, run.watches, tiers, limit.max_gap, lambda watch, base, until: self._tally(limit, watch, base, until), at)

    def _tally(self, limit: Limit, watch: Watch, base: Sequence[Base], at: Instant) -> list[Base]:
        """A watch's sums at an instant."""
        if isinstance(limit.rule, Exposure):
            return [kinds.sums(b, kinds.exposure_counted(t.above_c, watch, at)) for t, b in zip(limit.rule.tiers, base, strict=True)]
        assert isinstance(limit.rule, ComeUp)
        lethal = self._lethal(limit, watch)
        return [kinds.sums(base[0], kinds.come_up_counted(limit.rule, watch, at if lethal is None else min(at, lethal)))]

    # ---- cooling

    def lethality_met(self) -> list[Instant]:
        """The instants at which the lot's lethality limits became met, all of them."""
        limits = self._lethalities()
        if not limits:
            return []
        found, met = [], False
        for at in sorted({at for step, limit in limits for at in self.turns_of(step, limit)}):
            counted = [(step, limit) for step, limit in limits if not step.optional or self.entered(step, limit, at)]
            now_met = bool(counted) and all(self.limit_verdict(step, limit, at) is Verdict.MET for step, limit in counted)
            if now_met and not met:
                found.append(at)
            met = now_met
        return found

    def turns_of(self, step: Step, limit: Limit) -> list[Instant]:
        """The instants at which a lethality or dwell limit can become met or cease to be: openings, removals, watches met."""
        turns = []
        for r, run in enumerate(self.runs(step, limit)):
            for w, watch in enumerate(run.watches):
                outcome = self.outcome(step, limit, r, w, self.now)
                turns += [outcome.at] if outcome.verdict is Verdict.MET and outcome.at is not None else []
                spells = [*watch.placed, *(spell for stretch in watch.stretches for spell in stretch.inside)]
                turns += [moment.at for spell in spells for moment in spell if moment is not None]
        return [at for at in turns if at <= self.now]

    def cooling_opening(self, step: Step, limit: Limit) -> Moment | None:
        """When a cooling limit opens: lethality met, or its step's start if earlier."""
        entered = [stay.spell.start for stay in self.stays if stay.step.name in self.names(step, limit)]
        met = [Moment(at, LAST) for at in self._met]
        return min([*entered, *met], default=None)

    @cached_property
    def _met(self) -> list[Instant]:
        return self.lethality_met()

    def _steps_met(self) -> list[Instant]:
        """The instants at which a lethality step, or a repetition of one, was first met by all of its lethality limits."""
        found = []
        for step in self.product.steps:
            limits = [limit for owner, limit in self._lethalities() if owner is step]
            for r in range(min((len(self.runs(step, limit)) for limit in limits), default=0)):
                turns = sorted({at for limit in limits for at in self.turns_of(step, limit)})
                met = [at for at in turns if all(self.run_verdict(step, limit, r, at) is Verdict.MET for limit in limits)]
                found += met[:1]
        return sorted(found)

    def _setting(self, step: Step, limit: Limit, watch: Watch) -> Setting:
        rule, opening = limit.rule, self.cooling_opening(step, limit)
        assert isinstance(rule, Cooling)
        assert opening is not None
        restarts = [at for at in self._steps_met() if at > opening.at]
        entered = {
            measure.name: min(float(e.value) for e in self.measures if e.name == measure.name and e.at <= opening.at)
            for measure in self.measures
            if measure.at <= opening.at
        }
        met = any(all(need.measure in entered and entered[need.measure] >= need.least for need in needs) for needs in rule.needs)

        def others(at: Instant) -> list[Instant]:
            clocks = []
            for probe in (p for p in self.cores if p.id != watch.probe):
                seen = [s for s in self.core_seen(probe.id) if s.at <= at]
                opened = min(
                    (w.opened.at for run in self.runs(step, limit) for w in run.watches if w.probe == probe.id), default=opening.at
                )
                start = clock(rule, seen, self.uncertainty(limit, probe), opened, [again for again in restarts if again <= at])
                gone = not any(spell.holds(at) for spell in self.placed(probe.id))
                if start == WAITING and gone:
                    start = seen[-1].at
                clocks += [start] if start is not None else []
            return clocks

        return Setting(opening.at, restarts, bool(rule.needs) and not met, others, self._left_cook(), self.end)

    def _left_cook(self) -> Instant | None:
        """When the lot left the step of the lethality limit that was met last."""
        steps = {step.name for step, _ in self._lethalities()}
        ends = [stay.spell.end.at for stay in self.stays if stay.step.name in steps and stay.spell.end is not None and stay.how != "end"]
        return max(ends) if ends and self._met else None

    # ---- verdicts

    def entered(self, step: Step, limit: Limit, at: Instant) -> bool:
        """Whether the lot was ever in one of a limit's steps."""
        return any(stay.step.name in self.names(step, limit) and stay.spell.start.at <= at for stay in self.stays)

    def ended(self, at: Instant) -> bool:
        """Whether the lot has ended."""
        return self.end is not None and self.end.at <= at

    def limit_verdict(self, step: Step, limit: Limit, at: Instant) -> Verdict:
        """The worst of a limit's runs; a step never entered leaves it unproven on an ended lot."""
        started = [r for r, run in enumerate(self.runs(step, limit)) if run.pieces[0].start.at <= at]
        verdicts = [self.run_verdict(step, limit, r, at) for r in started]
        if self.ended(at) and not self.entered(step, limit, at):
            verdicts.append(Verdict.MET if step.optional else Verdict.UNPROVEN)
        return worst(verdicts)

    def run_verdict(self, step: Step, limit: Limit, r: int, at: Instant) -> Verdict:
        """The worst of the watches in one run of a limit, and what uncovered time leaves of it."""
        run = self.runs(step, limit)[r]
        outcomes = [self.outcome(step, limit, r, w, at) for w in self._open_by(run, at)]
        met = sum(o.verdict is Verdict.MET for o in outcomes)
        left_out = [o.withdrawn and o.verdict is Verdict.UNPROVEN and limit.probes is not None and met >= limit.probes for o in outcomes]
        verdicts = [o.verdict for o, out in zip(outcomes, left_out, strict=True) if not out]
        over = run.pieces[-1].end
        ended = over is not None and over.at <= at
        if (ended and not outcomes) or (outcomes and self._bare_too_long(step, limit, r, at)):
            verdicts.append(Verdict.UNPROVEN)
        return worst(verdicts)

    def _bare_too_long(self, step: Step, limit: Limit, r: int, at: Instant) -> bool:
        """Whether time without any open watch, ended by a watch or by the limit's end, leaves it no better than unproven."""
        run = self.runs(step, limit)[r]
        over = run.pieces[-1].end
        ended = over is not None and over.at <= at
        if isinstance(limit.rule, Ceiling | Floor):
            cover = joined(
                spell for watch in run.watches for stretch in watch.stretches for spell in stretch.inside if spell.start.at <= at
            )
            edges = [run.pieces[0].start.at]
            for spell in cover:
                edges += [spell.start.at, at if spell.end is None else min(at, spell.end.at)]
            bare = [common(run.pieces, a, b) for a, b in zip(edges[::2], [*edges[1::2], *([at] if ended else [])], strict=False)]
            return max(bare) > run.watches[0].max_gap
        if isinstance(limit.rule, Exposure | ComeUp) and ended:
            carried = self.carried(step, limit, r, at)
            after = 0 if carried.bare_since is None else common(run.pieces, carried.bare_since, at)
            withins = [tier.within for tier in limit.rule.tiers] if isinstance(limit.rule, Exposure) else [limit.rule.within]
            return after > limit.max_gap and any(b.total + after > within for b, within in zip(carried.largest, withins, strict=True))
        return False

    def verdict(self) -> Verdict:
        """The worst of the critical limits; met only once the lot has ended."""
        found = [
            self.limit_verdict(step, limit, self.now)
            for step, limit in self.limits
            if limit.critical and not (step.optional and not self.entered(step, limit, self.now))
        ]
        result = worst(found)
        return Verdict.OPEN if result is Verdict.MET and not self.ended(self.now) else result
