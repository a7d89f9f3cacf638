"""When cooling opens, opens anew, and what its watches need to know of the lot (`judging.md` section 5, choices 6 and 19 to 23)."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from rules.finding import Verdict
from rules.limits.spec import Cooling
from rules.plan import Limit, Step
from rules.reading import Instant
from tests.plain.cooling import WAITING, Leave, Setting, clock
from tests.plain.evidence import LAST, Moment, Spell, Watch, joined
from tests.plain.measured import entries

if TYPE_CHECKING:
    from tests.plain.lots import Lot, Run


def lethality_met(lot: Lot) -> list[Instant]:
    """The instants at which the lot's lethality limits became met, all of them."""
    limits = lot.lethalities()
    if not limits:
        return []
    found, met = [], False
    for at in sorted({at for step, limit in limits for at in turns_of(lot, step, limit)}):
        counted = [(step, limit) for step, limit in limits if not step.optional or lot.entered(step, limit, at)]
        now_met = bool(counted) and all(lot.limit_verdict(step, limit, at) is Verdict.MET for step, limit in counted)
        if now_met and not met:
            found.append(at)
        met = now_met
    return found


def turns_of(lot: Lot, step: Step, limit: Limit) -> list[Instant]:
    """The instants at which a lethality or dwell limit can become met or cease to be: openings, removals, watches met."""
    turns = []
    for r, run in enumerate(lot.runs(step, limit)):
        for w, watch in enumerate(run.watches):
            outcome = lot.outcome(step, limit, r, w, lot.now)
            turns += [outcome.at] if outcome.verdict is Verdict.MET and outcome.at is not None else []
            spells = [*watch.placed, *(spell for stretch in watch.stretches for spell in stretch.inside)]
            turns += [moment.at for spell in spells for moment in spell if moment is not None]
    return [at for at in turns if at <= lot.now]


def steps_met(lot: Lot) -> list[tuple[Instant, Step, int]]:
    """When a lethality step, or a repetition of one, was first met by all of its lethality limits; the step, and which repetition."""
    found = []
    for step in lot.product.steps:
        limits = [limit for owner, limit in lot.lethalities() if owner is step]
        for r in range(min((len(lot.runs(step, limit)) for limit in limits), default=0)):
            turns = sorted({at for limit in limits for at in turns_of(lot, step, limit)})
            met = [at for at in turns if all(lot.run_verdict(step, limit, r, at) is Verdict.MET for limit in limits)]
            found += [(at, step, r) for at in met[:1]]
    return sorted(found, key=lambda one: one[0])


def further_cooks(lot: Lot, opened: Moment) -> list[Instant]:
    """When lethality steps were met that had not begun yet when cooling opened."""
    found = []
    for at, step, r in lot.steps_met:
        begun = min(lot.runs(owner, limit)[r].pieces[0].start for owner, limit in lot.lethalities() if owner is step)
        found += [at] if begun > opened else []
    return found


def opening(lot: Lot, step: Step, limit: Limit) -> Moment | None:
    """When a cooling limit opens: lethality met, or its step's start if earlier."""
    entered = [stay.spell.start for stay in lot.stays if stay.step.name in lot.names(step, limit)]
    met = [Moment(at, LAST) for at in lot.met]
    return min([*entered, *met], default=None)


def pieces(lot: Lot, step: Step, limit: Limit) -> list[list[Spell]]:
    """The runs of a cooling limit, each as its pieces of time, without those that a later cook opens beside them."""
    opened = opening(lot, step, limit)
    if opened is None:
        return []
    inside = [lot.extended(step, limit, stay) for stay in lot.stays if stay.step.name in lot.names(step, limit)]
    first = Spell(opened, inside[0].end if inside else lot.end)
    if not step.repeats or limit.over:
        return [joined([first, *inside[1:]])]
    runs = [[first]]
    for before, spell in pairwise(inside):
        cooked = [at for at in further_cooks(lot, opened) if before.end is not None and before.end.at <= at <= spell.start.at]
        runs.append([Spell(min([spell.start, *(Moment(at, LAST) for at in cooked)]), spell.end)])
    return runs


def cooked_again(lot: Lot, step: Step, limit: Limit, runs: Sequence[Run]) -> list[Run]:
    """The runs, with those that a further cook opens beside them; an old watch that is open with nothing decided goes on instead."""
    opened = opening(lot, step, limit)
    every = list(runs)
    for at in sorted(set(further_cooks(lot, opened))) if opened is not None else []:
        moment = Moment(at, LAST)
        if any(run.pieces[0].start == moment for run in every):
            continue
        placed = [p.id for p in lot.cores if any(s.start <= moment and (s.end is None or moment < s.end) for s in lot.placed(p.id))]
        going_on, over = [], False
        for probe in ["check"] if limit.sampled is not None else placed:
            mine = [(r, w) for r, run in enumerate(every) for w, watch in enumerate(run.watches) if watch.probe == probe]
            mine = [(r, w) for r, w in mine if every[r].watches[w].opened.at < at]
            if not mine:
                continue
            r, w = mine[-1]
            outcome = lot.cooling_outcome(step, limit, every, r, w, at)
            spells = [spell for stretch in every[r].watches[w].stretches for spell in stretch.inside if spell.start < moment]
            closed = all(spell.end is not None and spell.end < moment for spell in spells)
            decided = outcome.final or outcome.verdict is Verdict.DEVIATED
            over = over or decided
            if not decided and not closed:
                going_on.append(probe)
        stays = [stay for stay in lot.stays if stay.step.name in lot.names(step, limit)]
        ahead = [stay for stay in stays if stay.spell.end is None or stay.spell.end > moment]
        if over:
            inside = [lot.extended(step, limit, stay) for stay in ahead]
            first = Spell(moment, inside[0].end if inside else lot.end)
            # Entered again, or its next step entered at once, it goes on; a step that repeats opens new watches instead.
            pieces = [first] if step.repeats and not limit.over else joined([first, *inside[1:]])
            every = lot.anew(step, limit, every, pieces, going_on)
    return every


def setting(lot: Lot, step: Step, limit: Limit, runs: Sequence[Run], run: Run, watch: Watch) -> Setting:
    """What a cooling watch needs to know beyond its own readings; a later run goes on with the clocks of the earlier ones."""
    rule = limit.rule
    assert isinstance(rule, Cooling)
    opened, first = run.pieces[0].start, runs[0].pieces[0].start
    restarts = further_cooks(lot, first)
    met = any(all(_least(lot, need.measure, opened.at) >= need.least for need in needs) for needs in rule.needs)

    cooked = opened.at in restarts
    fresh = opened.at if cooked else None
    leaves = [leave for leave in _leaves(lot) if not cooked or leave.at >= opened.at]
    placed = min((spell.start.at for spell in watch.placed), default=opened.at)
    leaves = [leave for leave in leaves if leave.cooked_again is None or leave.cooked_again > placed]

    def clock_opening(probe: str) -> Instant:
        return min((w.opened.at for each in runs for w in each.watches if w.probe == probe), default=opened.at)

    def others(at: Instant) -> list[Instant]:
        clocks = []
        for probe in (p for p in lot.cores if p.id != watch.probe and limit.sampled is None):
            seen = [s for s in lot.core_seen(probe.id) if s.at <= at]
            start = clock(rule, seen, lot.uncertainty(limit, probe), clock_opening(probe.id), [once for once in restarts if once <= at])
            gone = not any(spell.holds(at) for spell in lot.placed(probe.id))
            if start == WAITING and gone:
                start = seen[-1].at
            clocks += [start] if start is not None else []
        return clocks

    fresh = fresh if fresh is not None else clock_opening(watch.probe)
    return Setting(first.at, restarts, bool(rule.needs) and not met, others, leaves, lot.end, clock_opening(watch.probe), fresh)


def _least(lot: Lot, measure: str, at: Instant) -> float:
    """The lower of the values entered up to an instant; below every need where there is none."""
    return min((entry.value for entry in entries(lot.measures, measure, at)), default=float("-inf"))


def _leaves(lot: Lot) -> list[Leave]:
    """When the lot left each of its cooks, and when it entered the next."""
    cooks = {step.name for step, _ in lot.lethalities()}
    stays = [stay for stay in lot.stays if stay.step.name in cooks]
    found = []
    for stay in stays:
        end = stay.spell.end
        if end is None or stay.how == "end" or any(s is not stay and s.spell.holds(end.at) and s.spell.end != end for s in stays):
            continue
        found.append(Leave(end.at, min((s.spell.start.at for s in stays if s.spell.start >= end), default=None)))
    return found
