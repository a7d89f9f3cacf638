"""Readings that the plain judge takes as suspect by comparing them with others (`judging.md` section 1, choices 28 to 30).

One pass over all readings in order of time. What is marked at an instant depends on what was read before it and on where
the lots and their probes were, lot events of that instant included.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from rules.plan import Plan, Probe
from rules.reading import MINUTE, SECOND, Event, Fault, Instant, Reading
from tests.plain.evidence import LAST, Moment, milli
from tests.plain.lots import Lot

AIR = ("chamber", "cooler", "room")
OLDEST_AIR = 15 * MINUTE
HALF_MINUTE = 30 * SECOND


class Told(NamedTuple):
    """Something said of a probe in a lot that is no verdict."""

    what: str
    probe: str
    at: Instant


class Sample(NamedTuple):
    """What a probe gave at one instant: its lowest value and the middle of all, corrected; whether it is good; the raw values."""

    at: Instant
    celsius: float
    good: bool
    raw: frozenset[float]
    middle: float


@dataclass
class Past:
    """What is remembered of one probe."""

    samples: list[Sample] = field(default_factory=list)
    same: frozenset[float] = frozenset()
    same_since: Instant = 0
    good: list[Sample] = field(default_factory=list)


@dataclass
class Placement:
    """What is remembered of a core probe in one placement."""

    since: Moment
    far: Sample | None = None
    out: bool = False
    stretch: Sample | None = None
    newest: Instant = 0
    told: bool = False


class Where:
    """Where lots and probes were, lot events of an instant included, advances of that instant not."""

    def __init__(self, plan: Plan, lots: Sequence[Lot]) -> None:
        self.plan, self.lots = plan, lots

    def rooms(self, lot: Lot, at: Instant) -> set[str | None]:
        """The rooms of a lot's current steps; one room where the plan names none."""
        moment = Moment(at, LAST - 1)
        now = [s for s in lot.stays if s.spell.start <= moment and (s.spell.end is None or moment < s.spell.end)]
        return {stay.step.room if self.plan.rooms else "" for stay in now}

    def lot_of(self, core: str, at: Instant) -> tuple[Lot, Moment] | None:
        """The lot in which a core probe is placed, and since when."""
        moment = Moment(at, LAST - 1)
        for lot in self.lots:
            for spell in lot.placed(core):
                if spell.start <= moment and (spell.end is None or moment < spell.end):
                    return lot, spell.start
        return None

    def rooms_of(self, probe: Probe, at: Instant) -> set[str | None]:
        """The rooms a probe is in."""
        if probe.place == "core":
            placed = self.lot_of(probe.id, at)
            return self.rooms(placed[0], at) if placed else set()
        return ({probe.room} if probe.room is not None else set()) if self.plan.rooms else {""}


class Doubts:
    """The pass: `rows` are all events with the suspect readings marked, `told` what it says of each lot."""

    def __init__(self, plan: Plan, rows: Sequence[Event], lots: Sequence[Lot]) -> None:
        self.plan, self.where = plan, Where(plan, lots)
        self.past: dict[str, Past] = defaultdict(Past)
        self.placements: dict[str, Placement] = {}
        self.told: dict[str, list[Told]] = defaultdict(list)
        self.rows: list[Event] = []
        start = 0
        while start < len(rows):
            end = start
            while end < len(rows) and rows[end].at == rows[start].at:
                end += 1
            self._instant(rows[start].at, rows[start:end])
            start = end

    def _instant(self, at: Instant, rows: Sequence[Event]) -> None:
        """Marks the readings of one instant; nothing read at it counts for the others."""
        groups: dict[str, list[Reading]] = defaultdict(list)
        kept: list[Event] = []
        for e in rows:
            if isinstance(e, Reading):
                span = self.plan.probe_by_id[e.probe].span_c
                if span is not None and not span[0] <= e.celsius <= span[1]:
                    kept.append(Fault(e.probe, at, "out of span"))
                    continue
                groups[e.probe].append(e)
            kept.append(e)
        suspect: dict[str, str] = {}
        new: dict[str, Sample] = {}
        for name, group in groups.items():
            doubted = {r.celsius for r in group if r.suspect}
            good = [r for r in group if not r.suspect and r.celsius not in doubted]
            of = good or group
            values = [r.celsius + r.offset_c for r in of]
            middle = (min(values) + max(values)) / 2
            sample = Sample(at, min(values), bool(good), frozenset(r.celsius for r in of), middle)
            probe = self.plan.probe_by_id[name]
            why = self._doubt(probe, sample)
            if why:
                suspect[name] = why
                sample = sample._replace(good=False)
            new[name] = sample
        for name, sample in new.items():
            past = self.past[name]
            past.samples.append(sample)
            if sample.good:
                past.good.append(sample)
        for e in kept:
            marked = isinstance(e, Reading) and not e.suspect and e.probe in suspect
            self.rows.append(e._replace(suspect=suspect[e.probe]) if marked and isinstance(e, Reading) else e)

    def _doubt(self, probe: Probe, sample: Sample) -> str:
        """Why a sample is suspect; also notes what the next ones will be compared with."""
        if not sample.good or self._fast(probe, sample):
            return "fast" if sample.good else ""
        past = self.past[probe.id]
        same_since = past.same_since if past.same == sample.raw and len(sample.raw) == 1 else sample.at
        stuck = self._stuck(probe, sample, same_since)
        out = "" if stuck else self._out(probe, sample)
        if not out:
            past.same, past.same_since = sample.raw, same_since
        return stuck or out

    def _fast(self, probe: Probe, sample: Sample) -> bool:
        """A change from the newest good reading, faster than the probe's `max_rate`."""
        good = self.past[probe.id].good
        if probe.max_rate_c_s is None or not good:
            return False
        seconds = (sample.at - good[-1].at) / SECOND
        return abs(sample.celsius - good[-1].celsius) / seconds > probe.max_rate_c_s

    def _stuck(self, probe: Probe, sample: Sample, since: Instant) -> str:
        """The same raw value for `stuck_after` while another probe there moved by 1 °C."""
        if probe.stuck_after is None or sample.at - since < probe.stuck_after:
            return ""
        rooms = self.where.rooms_of(probe, sample.at)
        beside = [p for p in self.plan.probes if p is not probe and p.place != "humidity" and self.where.rooms_of(p, sample.at) & rooms]
        return "stuck" if any(self._moved(other, since) for other in beside) else ""

    def _moved(self, other: Probe, since: Instant) -> bool:
        """Whether another probe had good readings 1 °C apart since an instant; its newest before that counts."""
        good = self.past[other.id].good
        first = max(0, bisect_left([s.at for s in good], since) - 1)
        raw = [value for s in good[first:] for value in s.raw]
        return bool(raw) and milli(max(raw)) - milli(min(raw)) >= 1000

    def _out(self, probe: Probe, sample: Sample) -> str:
        """A core probe that went to the temperature of the air: suspect until it is placed again."""
        placed = self.where.lot_of(probe.id, sample.at) if probe.place == "core" else None
        if placed is None:
            self.placements.pop(probe.id, None)
            return ""
        lot, since = placed
        here = self.placements.get(probe.id)
        if here is None or here.since != since:
            here = self.placements[probe.id] = Placement(since)
        if here.out:
            return "out of the meat"
        air, gap = self._air(lot, sample), sample.at - here.newest > OLDEST_AIR
        here.newest = sample.at
        if air is None:
            here.stretch = None
            return ""
        if milli(abs(sample.celsius - air)) > 10_000:
            here.far = sample
        elif milli(abs(sample.celsius - air)) <= 2_000 and here.far is not None and sample.at - here.far.at <= MINUTE:
            moved = sample.celsius - here.far.celsius
            if milli(abs(moved)) >= 5_000 and moved * (air - here.far.celsius) > 0:
                here.out = True
                return "out of the meat"
        self._not_in(lot, probe, here, sample, air, gap)
        return ""

    def _not_in(self, lot: Lot, probe: Probe, here: Placement, sample: Sample, air: float, gap: bool) -> None:
        """Air 20 °C above a core that does not rise, for 20 min: said once a placement."""
        if milli(air - sample.celsius) < 20_000:
            here.stretch = None
        elif here.stretch is None or gap or milli(sample.celsius - here.stretch.celsius) >= 1000:
            here.stretch = sample
        elif sample.at - here.stretch.at >= 20 * MINUTE and not here.told:
            here.told = True
            self.told[lot.lot].append(Told("not-in-the-meat", probe.id, sample.at))

    def _air(self, lot: Lot, sample: Sample) -> float | None:
        """The newest temperature of the room before the last whole half minute, the nearest to the core of several."""
        before = sample.at // HALF_MINUTE * HALF_MINUTE
        rooms = self.where.rooms(lot, sample.at)
        airs = []
        for probe in self.plan.probes:
            if probe.place in AIR and (not self.plan.rooms or probe.room in rooms):
                good = [s for s in self.past[probe.id].good if s.at < before]
                if good and sample.at - good[-1].at <= OLDEST_AIR:
                    airs.append(good[-1].middle)
        return min(airs, key=lambda air: (abs(air - sample.celsius), air), default=None)
