"""A lot over its whole history: its steps, the watches of every limit, verdicts (`judging.md` sections 2 and 4)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property, partial
from typing import NamedTuple

from rules.finding import Verdict, worst
from rules.limits.spec import (
    Ceiling,
    ComeUp,
    Composition,
    Cooling,
    DegreeHours,
    Dwell,
    Exposure,
    Floor,
    HoldLethality,
    Humidity,
    IntegratedLethality,
    Profile,
)
from rules.plan import Limit, Plan, Probe, Step
from rules.reading import Event, Instant, LotEvent, Span
from tests.plain import chill, kinds, surroundings
from tests.plain.carried import Carried, carry, common
from tests.plain.cooling import cooling
from tests.plain.degrees import bare_amount, degree_sums, has_read
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
from tests.plain.measured import composition, humidity_on_record
from tests.plain.process import humidity, profile


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


def cut_off(watches: Sequence[Watch], at: Moment, kept: Sequence[str]) -> tuple[Watch, ...]:
    """The watches less what begins from a moment on, but for some probes."""
    shorter = [
        watch if watch.probe in kept else replace(watch, stretches=tuple(s for s in watch.stretches if s.run.start < at))
        for watch in watches
    ]
    return tuple(watch for watch in shorter if watch.stretches)


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
        self.evidence = cache(self._evidence)
        self.placed = cache(self._placed)
        self.before = cache(self._before)
        self.stages = cache(partial(surroundings.stages, self))

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

    def _placed(self, probe: str) -> list[Spell]:
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

    def _evidence(self, probe: str) -> Evidence:
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
            return chill.pieces(self, step, limit)
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
        if jump.step.name in names or self.before(jump).is_final(step, limit, end.at):
            return stay.spell
        later = [moment for moment, e in self.deeds if e.event in ("step", "end") and moment > end]
        return Spell(stay.spell.start, min(later, default=None))

    def _before(self, jump: Jump) -> Lot:
        """This lot as if an advance had not happened."""
        return Lot(self.plan, self.lot, self.events, self.now, self.jumps[: self.jumps.index(jump)])

    def is_final(self, step: Step, limit: Limit, at: Instant) -> bool:
        """Whether every watch of a limit is final at an instant (and there is one)."""
        found = [self.outcome(step, limit, r, w, at) for r, run in enumerate(self.runs(step, limit)) for w in self._open_by(run, at)]
        return bool(found) and all(outcome.final for outcome in found)

    def _runs(self, step: Step, limit: Limit) -> list[Run]:
        found = self.pieces(step, limit)
        if not isinstance(limit.rule, Cooling):
            return [Run(tuple(pieces), tuple(self._watches(step, limit, pieces))) for pieces in found]
        runs = [Run(tuple(pieces), tuple(self._watches(step, limit, pieces))) for pieces in found]
        return chill.cooked_again(self, step, limit, runs)

    def anew(self, step: Step, limit: Limit, runs: Sequence[Run], pieces: Sequence[Spell], kept: Sequence[str]) -> list[Run]:
        """The runs, and one that a further cook opens beside them for every probe but those whose old watch goes on."""
        watches = tuple(watch for watch in self._watches(step, limit, pieces) if watch.probe not in kept)
        return [*(Run(run.pieces, cut_off(run.watches, pieces[0].start, kept)) for run in runs), Run(tuple(pieces), watches)]

    def _watches(self, step: Step, limit: Limit, pieces: Sequence[Spell]) -> list[Watch]:
        rule = limit.rule
        start = next(moment for moment, e in self.deeds if e.event == "start")
        whole = [Spell(start, self.end)]
        if isinstance(rule, Humidity) and rule.exempt:
            return []
        if isinstance(rule, Composition) or (isinstance(rule, Humidity) and rule.min_rh is None):
            given = [("measure", 0.0, Evidence(), whole, limit.max_gap)]
        elif limit.sampled is not None:
            gap = limit.sampled * 12 // 10
            given = [("check", 0.0, evidence_of_checks(self.events, self.lot, limit.place), whole, gap)]
        else:
            probes = [p for p in self.plan.probes if p.place == limit.place]
            given = [(p.id, *surroundings.given(self, limit, p), self.served(step, limit, p), limit.max_gap) for p in probes]
        watches = []
        for probe, u, evidence, served, gap in given:
            cut = [Stretch(piece, tuple(s for s in (meet(piece, spell) for spell in served) if s is not None)) for piece in pieces]
            stretches = tuple(stretch for stretch in cut if stretch.inside)
            if stretches:
                watches.append(Watch(probe, u, gap, evidence, stretches, tuple(served), limit.place != "core"))
        return watches

    def served(self, step: Step, limit: Limit, probe: Probe) -> list[Spell]:
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
                lambda now: kinds.come_up(rule, watch, base, now, lethal, lambda t: self._was_low(rule, limit, watch, t)),
                [*instants, *([lethal] if lethal is not None and lethal <= at else [])],
            )
        if isinstance(rule, Cooling):
            return self.cooling_outcome(step, limit, self.runs(step, limit), r, w, at)
        if isinstance(rule, Profile):
            return settle(lambda now: profile(rule, watch, self.stages(step, limit, r), now), instants)
        if isinstance(rule, DegreeHours):
            return surroundings.degree_outcome(self, step, limit, r, w, at)
        measured = [*instants, *(e.at for e in self.measures if watch.opened.at <= e.at <= at)]
        if isinstance(rule, Composition):
            return settle(lambda now: composition(rule, watch, self.measures, now), measured)
        if rule.min_rh is None:
            return settle(lambda now: humidity_on_record(rule, watch, self.measures, now), measured)
        return settle(lambda now: humidity(rule, watch, now), instants)

    def cooling_outcome(self, step: Step, limit: Limit, runs: Sequence[Run], r: int, w: int, at: Instant) -> Outcome:
        """How a cooling watch stands at an instant."""
        watch = runs[r].watches[w]
        assert isinstance(limit.rule, Cooling)
        seen = watch.evidence.seen if limit.sampled is not None else self.core_seen(watch.probe)
        return cooling(limit.rule, watch, seen, chill.setting(self, step, limit, runs, runs[r], watch), at)

    def _lethal(self, come_up: Limit, watch: Watch) -> Instant | None:
        """When the probe's lethality was met, by every critical lethality limit of that place, in the newest entry of its step."""
        asked = [(step, limit) for step, limit in self.lethalities(critical=True) if limit.place == come_up.place]
        met: dict[
            int, list[tuple[Instant, Instant | None]]
        ] = {}  # of each limit, its runs: their beginning, and when the probe's watch was met
        for n, (step, limit) in enumerate(asked):
            met[n] = []
            for r, run in enumerate(self.runs(step, limit)):
                found = [self.outcome(step, limit, r, w, self.now) for w, other in enumerate(run.watches) if other.probe == watch.probe]
                at = [o.at for o in found if o.verdict is Verdict.MET and o.at is not None]
                met[n].append((run.pieces[0].start.at, min(at, default=None)))

        def shown(n: int, at: Instant) -> bool:
            step, limit = asked[n]
            begun = [when for start, when in met[n] if start <= at]
            if not begun:
                return step.optional and not self.entered(step, limit, at)
            return begun[-1] is not None and begun[-1] <= at

        inside = [spell for stretch in watch.stretches for spell in stretch.inside]
        for at in sorted({when for runs in met.values() for _, when in runs if when is not None}):
            begun_before = Moment(at, LAST - 1) >= watch.opened  # else it was met before this come-up began
            if begun_before and any(spell.holds(at) for spell in inside) and all(shown(n, at) for n in met):
                return at
        return None

    def _was_low(self, rule: ComeUp, limit: Limit, watch: Watch, at: Instant) -> bool:
        """Whether any core reading of the lot up to an instant was at or below `low`; on hand checks, any check."""
        if limit.sampled is not None:
            return any(kinds.is_low(rule, s, 0.0) for s in watch.evidence.seen if s.at <= at)
        return any(kinds.is_low(rule, s, self.uncertainty(limit, p)) for p in self.cores for s in self.core_seen(p.id) if s.at <= at)

    def lethalities(self, critical: bool = False) -> list[tuple[Step, Limit]]:
        rules = HoldLethality | IntegratedLethality
        return [(step, limit) for step, limit in self.limits if isinstance(limit.rule, rules) and (limit.critical or not critical)]

    def bases(self, step: Step, limit: Limit, r: int, at: Instant) -> list[list[Base]]:
        """The sums each watch starts from, one per tier (`judging.md` section 2, uncovered time)."""
        return self.carried(step, limit, r, at).bases

    def carried(self, step: Step, limit: Limit, r: int, at: Instant) -> Carried:
        """The sums that a limit's watches hand on in one of its runs."""
        run = self.runs(step, limit)[r]
        rule = limit.rule
        tiers = len(rule.tiers) if isinstance(rule, Exposure) else 1
        gap = run.watches[0].max_gap if run.watches else limit.max_gap

        def worth(watch: Watch, start: Instant, end: Instant, length: Span) -> float:
            return bare_amount(rule, run.watches, watch, start, end, at) if isinstance(rule, DegreeHours) else length

        def waits(watch: Watch, before: Moment) -> bool:
            return isinstance(rule, DegreeHours) and not has_read(watch, before)

        def tally(watch: Watch, base: Sequence[Base], until: Instant) -> list[Base]:
            return self._tally(limit, watch, base, until)

        return carry(run.pieces, run.watches, tiers, gap, tally, at, worth, waits)

    def _tally(self, limit: Limit, watch: Watch, base: Sequence[Base], at: Instant) -> list[Base]:
        """A watch's sums at an instant."""
        if isinstance(limit.rule, Exposure):
            return [kinds.sums(b, kinds.exposure_counted(t.above_c, watch, at)) for t, b in zip(limit.rule.tiers, base, strict=True)]
        if isinstance(limit.rule, DegreeHours):
            ph = surroundings.ph_reached(self, limit.rule)  # nothing is summed after it
            return [degree_sums(limit.rule, watch, base[0], at if ph is None else min(at, max(ph, watch.opened.at)))]
        assert isinstance(limit.rule, ComeUp)
        lethal = self._lethal(limit, watch)
        return [kinds.sums(base[0], kinds.come_up_counted(limit.rule, watch, at if lethal is None else min(at, lethal)))]

    # ---- verdicts

    @cached_property
    def met(self) -> list[Instant]:
        """The instants at which the lot's lethality limits became met."""
        return chill.lethality_met(self)

    @cached_property
    def steps_met(self) -> list[tuple[Instant, Step, int]]:
        """The instants at which each lethality step was first met."""
        return chill.steps_met(self)

    def entered(self, step: Step, limit: Limit, at: Instant) -> bool:
        """Whether the lot was ever in one of a limit's steps."""
        return any(stay.step.name in self.names(step, limit) and stay.spell.start.at <= at for stay in self.stays)

    def ended(self, at: Instant) -> bool:
        """Whether the lot has ended."""
        return self.end is not None and self.end.at <= at

    def limit_verdict(self, step: Step, limit: Limit, at: Instant) -> Verdict:
        """The worst of a limit's runs; a step never entered leaves it unproven on an ended lot."""
        if isinstance(limit.rule, Humidity) and limit.rule.exempt and self.entered(step, limit, at):
            return Verdict.MET
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
