"""What a scenario really contains: kinds with their verdicts, and the conditions under which they were judged.

A generator that never draws a thing proves nothing of it; `test_agreement.py` asks for each of these.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

from rules.limits.spec import (
    Composition,
    Cooling,
    DegreeHours,
    Dwell,
    Exposure,
    Floor,
    HoldLethality,
    Humidity,
    IntegratedLethality,
)
from rules.plan import Limit, Step
from rules.reading import Fault, LotEvent, Reading
from tests.plain.evidence import Watch, arranged, parts
from tests.plain.judge import judge, judged
from tests.plain.lots import Lot
from tests.plain.making import Scenario

VERDICTS = ("met", "deviated", "unproven", "open")


def kinds_and_verdicts(scenario: Scenario) -> Counter[tuple[str, str]]:
    """How many watches of each kind ended with each verdict; standing ones as `standing`, humidity also by its way."""
    found: Counter[tuple[str, str]] = Counter()
    report = judge(*scenario)
    for lot in report["lots"]:
        for limit in lot["limits"]:
            found.update((limit["kind"], watch["verdict"]) for watch in limit["watches"])
    for day in report["standing"]:
        found.update(("standing", watch["verdict"]) for watch in day["watches"])
    return found


def conditions(scenario: Scenario) -> set[str]:
    """The conditions that a scenario has, each a few words."""
    rows = arranged(scenario.events, scenario.at)
    now = scenario.at if scenario.at is not None else rows[-1].at
    doubts, lots = judged(scenario.plan, rows, now)
    found = set(_of_readings(scenario)) | set(_of_events(scenario))
    found |= {f"suspect: {e.suspect}" for e in doubts.rows if isinstance(e, Reading) and e.suspect}
    found |= {"suspect: span" for e in doubts.rows if isinstance(e, Fault) and e.reason == "out of span"}
    found |= {told.what for told_of in doubts.told.values() for told in told_of}
    found |= {"several lots"} if len(lots) > 1 else set()
    found |= {"rooms"} if scenario.plan.rooms else {"one room"}
    found |= {"standing limit"} if scenario.plan.standing else set()
    for lot in lots:
        found |= set(_of_lot(lot))
    return found


def _of_readings(scenario: Scenario) -> Iterator[str]:
    readings: dict[str, list[Reading]] = {}
    for e in scenario.events:
        if isinstance(e, Fault):
            yield "fault"
        elif isinstance(e, Reading):
            readings.setdefault(e.probe, []).append(e)
            if e.offset_c:
                yield "calibration offset"
    for of in readings.values():
        for a, b in pairwise(of):
            if a.at == b.at and a.celsius + a.offset_c == b.celsius + b.offset_c:
                yield "duplicate"
            elif a.at == b.at and not a.suspect and not b.suspect:
                yield "conflict"
        if len({b.at - a.at for a, b in pairwise(of)}) > 2:
            yield "irregular sampling"


def _of_events(scenario: Scenario) -> Iterator[str]:
    events = [e for e in scenario.events if isinstance(e, LotEvent)]
    for e in events:
        if e.event == "undo":
            yield "undone event"
        if e.entered is not None:
            yield "back-dated event"
        if e.event in ("check", "measure"):
            yield f"{e.event} by hand"
        if e.event == "measure":
            yield f"measure: {e.name}"
        if e.event == "remove":
            yield f"removed: {e.value}"
    by_instant: Counter[tuple[str, int]] = Counter((e.lot, e.at) for e in events if e.event not in ("start", "end", "undo"))
    if any(count > 1 for count in by_instant.values()):
        yield "two events at one instant"
    if scenario.at is not None:
        yield "judged before the end"


def _of_lot(lot: Lot) -> Iterator[str]:
    yield from ("straddling" if jump.straddles else "automatic advance" for jump in lot.jumps)
    yield from (f"advance: {s.advance.when}" for s in lot.product.steps if s.advance and any(j.out_of == s.name for j in lot.jumps))
    if len(lot.cores) > 1:
        yield "several probes"
    if any(len(lot.placed(p.id)) > 1 for p in lot.cores):
        yield "placed again"
    if lot.end is None or lot.end.at > lot.now:
        yield "lot not ended"
    if len(lot.steps_met) > 1:
        yield "second lethality step"
    for step, limit in lot.limits:
        rule, runs = limit.rule, lot.runs(step, limit)
        for r, run in enumerate(runs):
            for w, watch in enumerate(run.watches):
                yield from _of_watch(watch, lot, limit.kind)
                if lot.outcome(step, limit, r, w, lot.now).withdrawn:
                    yield "withdrawn probe"
        if any(run.watches for run in runs):
            yield from _of_limit(limit, len([run for run in runs if run.watches]))
        if limit.over and len({stay.step.name for stay in lot.stays} & set(limit.over)) > 1:
            yield "limit over several steps"
        if isinstance(rule, Humidity) and rule.exempt and lot.entered(step, limit, lot.now):
            yield "humidity exempt"
        if isinstance(rule, Exposure | DegreeHours) and any(_inherits_doubt(lot, step, limit, r) for r in range(len(runs))):
            yield f"{limit.kind} with uncovered time"


def _inherits_doubt(lot: Lot, step: Step, limit: Limit, r: int) -> bool:
    """Whether a watch started from a sum that is in part possible only."""
    return any(base.total > base.sure for bases in lot.carried(step, limit, r, lot.now).bases for base in bases)


def _of_limit(limit: Limit, runs: int) -> Iterator[str]:
    rule = limit.rule
    if limit.sampled is not None:
        yield f"hand checks: {limit.kind}"
        if isinstance(rule, Floor | HoldLethality | IntegratedLethality) or (isinstance(rule, Dwell) and rule.min_c is not None):
            yield "hot is good on hand checks"
    if not limit.guard:
        yield "guard off"
    if limit.probes is not None:
        yield "probes = N"
    if runs > 1:
        yield f"new watches of a {limit.kind}"
    if isinstance(rule, Cooling) and rule.needs:
        yield "needs"
    if isinstance(rule, Cooling) and rule.begin_within is not None:
        yield "begin_within"
    if isinstance(rule, Humidity):
        yield "humidity on the record" if rule.min_rh is None else f"humidity from {limit.place}"
    if isinstance(rule, DegreeHours):
        yield "degree-hours by several rows" if len(rule.bands) > 1 else "degree-hours by one row"
    if isinstance(rule, Composition):
        yield f"composition of {rule.measure}"


def _of_watch(watch: Watch, lot: Lot, kind: str) -> Iterator[str]:
    if watch.opened.at > lot.now:
        return
    if watch.u:
        yield "uncertainty"
    known = parts(watch, lot.now)
    if any(i.gap for part in known for i in part.intervals):
        yield "gap"
    if len(known) > 1:
        yield "step entered again"
    if not any(part.seen for part in known) and kind not in ("composition",):
        yield "watch without a reading"


KINDS = (
    "ceiling", "floor", "exposure", "dwell", "come-up", "lethality", "cooling",
    "profile", "humidity", "degree-hours", "composition", "standing",
)  # fmt: skip

#: What the seeded scenarios must have, each at least once; those of RARE only in the full tier's thousands.
WANTED = (
    "several lots", "several probes", "rooms", "one room", "standing limit", "judged before the end", "lot not ended",
    "gap", "fault", "irregular sampling", "duplicate", "conflict", "calibration offset", "uncertainty", "guard off", "probes = N",
    "suspect: source", "suspect: fast", "suspect: span", "suspect: stuck", "suspect: out of the meat", "not-in-the-meat",
    "placed again", "withdrawn probe", "removed: moved", "removed: slipped", "removed: failed", "removed: done", "watch without a reading",
    "step entered again", "limit over several steps", "two events at one instant", "back-dated event", "undone event",
    "automatic advance", "straddling", "advance: lethality met", "advance: after", "advance: core", "advance: dwell met",
    "check by hand", "hot is good on hand checks", "hand checks: ceiling", "hand checks: floor", "hand checks: exposure",
    "hand checks: dwell", "hand checks: come-up", "hand checks: lethality", "hand checks: cooling", "hand checks: degree-hours",
    "measure by hand", "measure: pH", "measure: nitrite_ppm", "measure: cure_g", "measure: salt_pct", "measure: moisture_pct",
    "measure: water_activity", "measure: humid_min", "composition of nitrite_ppm", "composition of brine_pct",
    "composition of water_activity", "composition of salt_pct", "needs", "begin_within", "second lethality step",
    "new watches of a cooling", "new watches of a ceiling", "degree-hours by several rows", "degree-hours by one row",
    "degree-hours with uncovered time", "humidity from humidity", "humidity from wet-bulb", "humidity on the record", "humidity exempt",
)  # fmt: skip
RARE = ("exposure with uncovered time", "new watches of a lethality", "new watches of a come-up", "new watches of a dwell",
        "new watches of a floor", "new watches of a exposure", "new watches of a composition", "new watches of a profile",
        "new watches of a humidity")  # fmt: skip
