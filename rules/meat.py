"""A core probe that is out of the meat, or was never in it: its readings against the air of its room (`docs/judging-choices.md`, 29, 30).

Nearly no reading is looked at. Each look says between which values, and up to when, nothing can change; half of what is left to the
next change is given to the core's own readings and half to the air, so that air which comes a little late changes nothing either.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rules.air import CELL, OLDEST, AirWatch, cell_of
from rules.quantity import format_span
from rules.reading import MINUTE, Instant, Reading, Span
from rules.track import ANY, BEFORE, NEVER, Track
from rules.wording import difference, temperature

if TYPE_CHECKING:
    from rules.engine import Engine
    from rules.lot import Lot

FAR_C, NEAR_C, MOVED_C = 10.0, 2.0, 5.0
MOVED_WITHIN: Span = MINUTE
HOTTER_C, RISEN_C = 20.0, 1.0
NOT_RISEN_FOR: Span = 20 * MINUTE
GAP: Span = 15 * MINUTE
NONE = (float("inf"), float("-inf"))
#: So many half minutes back air that comes late is compared with what was used; what is later still is judged again.
KEPT = 40


class InMeat:
    """One placement of a core probe: its newest reading far from the air, and since when it should have warmed."""

    PLAIN = ("placed_at", "out", "far", "far_at", "far_c", "start_at", "start_c", "told", "cut")

    def __init__(self, lot: Lot, placed_at: Instant) -> None:
        self.lot = lot
        self.placed_at = placed_at
        self.out = False
        self.far = False  # every good reading since the last look is far from the air
        self.far_at: Instant | None = None
        self.far_c = 0.0
        self.start_at: Instant | None = None
        self.start_c = 0.0
        self.told = False
        self.slack: list[list[Any]] = []  # [half minute, °C by which its air may change without changing anything]
        self.cut = False

    def allow(self, bound: Instant, slack: float) -> None:
        """Keep how far the air before `bound` may be wrong."""
        if self.slack and self.slack[-1][0] == bound:
            self.slack[-1][1] = min(self.slack[-1][1], slack)
            return
        self.slack.append([bound, slack])
        if len(self.slack) > KEPT:
            del self.slack[0]
            self.cut = True

    def minds(self, at: Instant, old: list[Any] | None, new: float) -> bool:
        """Whether a reading of the air at `at`, told late, may change what was decided with the one before it."""
        used = [(bound, slack) for bound, slack in self.slack if bound > at]
        if not used:
            return False
        if self.cut and self.slack[0][0] > at:
            return True
        if old is None or used[-1][0] + CELL - old[0] > OLDEST:
            return True
        return bool(abs(new - old[1]) >= min(slack for _, slack in used))


class MeatRule:
    """The placements of every core probe that is in a lot."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.placements: dict[str, InMeat] = {}

    def placed(self, probe: str, lot: Lot, at: Instant) -> None:
        """A placement begins."""
        self.placements[probe] = InMeat(lot, at)
        self._look_next(probe)

    def lot_of(self, probe: str) -> Lot | None:
        """The lot that a core probe is in."""
        it = self.placements.get(probe)
        return None if it is None else it.lot

    def taken_out(self, probe: str) -> None:
        """A placement ends."""
        if self.placements.pop(probe, None) is not None:
            track = self.engine.track(probe)
            (track.low, track.high), track.meat_at = ANY, NEVER
            track.due()

    def moved(self, lot: Lot) -> None:
        """The lot is in another room, perhaps: other air."""
        for probe in lot.placed:
            self._look_next(probe)

    def _look_next(self, probe: str) -> None:
        if probe in self.placements:
            track = self.engine.track(probe)
            track.meat_at = BEFORE
            track.due()

    def sources(self, lot: Lot, at: Instant) -> list[AirWatch]:
        """The fixed probes whose air surrounds the lot's cores."""
        rooms, plan = lot.rooms(at), lot.plan
        watches = self.engine.air.watches
        return [watches[p.id] for p in plan.probes if p.id in watches and (not plan.rooms or p.room in rooms)]

    def doubt(self, track: Track, r: Reading) -> str:
        """Why a core reading is not to be believed, or ""; sets between which values, and until when, the next ones are not looked at."""
        it = self.placements.get(track.probe.id)
        if it is None:
            return ""
        if it.out:
            return "out of the meat"
        at, c = r.at, r.celsius + r.offset_c
        bound = cell_of(at)
        sources = self.sources(it.lot, at)
        (track.low, track.high), track.meat_at = ANY, bound + CELL if sources else NEVER
        airs, good = [], track.good
        for source in sources:
            if not source.knows(at):
                self.engine.cross(at)  # the air is far ahead of this core: what was read then comes again in a replay
            seen = source.newest_before(bound)
            if seen is not None and at - seen[0] <= OLDEST:
                airs.append(seen[1])
                track.meat_at = min(track.meat_at, seen[0] + OLDEST + 1)
        if good is not None and it.far:
            it.far_at, it.far_c = good.at, good.celsius + good.offset_c
        it.far = False
        if not airs:
            it.start_at = None
            if sources:
                it.allow(bound, 0.0)
            return ""
        air = min(airs, key=lambda a: (abs(c - a), a))
        before = good.at if good is not None and good.at >= it.placed_at else None
        why, room = self._out(it, at, c, air)
        room = min(room, self._never_in(it, track, r, c, air, before))
        rivals = [abs(c - a) for a in airs if (a > c) != (air > c)]
        room = min(room, *(abs(x - abs(c - air)) / 2 for x in rivals), float("inf"))
        half = room / 2 - 0.0005
        it.allow(bound, max(0.0, half))
        if why:
            track.meat_at = BEFORE  # so is every reading from now on, also of this half minute
            return why
        low, high = (c - half, c + half) if half > 0 and (it.far or not _recent(it, at)) else NONE
        if it.start_at is not None and not it.told:
            high = min(high, it.start_c + RISEN_C - 0.001)
            track.meat_at = min(track.meat_at, it.start_at + NOT_RISEN_FOR)
        track.low, track.high = low, high
        return ""

    @staticmethod
    def _out(it: InMeat, at: Instant, c: float, air: float) -> tuple[str, float]:
        """Whether it came out just now, and how far that and being far from the air are from changing."""
        away = abs(c - air)
        room = abs(away - FAR_C)
        if round(away, 3) > FAR_C:
            it.far, it.far_at, it.far_c = True, at, c
            return "", room
        if not _recent(it, at):
            return "", room
        room = min(room, abs(away - NEAR_C))
        change = c - it.far_c
        if round(away, 3) <= NEAR_C and round(abs(change), 3) >= MOVED_C:
            room = min(room, abs(air - it.far_c))
            if change * (air - it.far_c) > 0:
                it.out = True
                return "out of the meat", room
        return "", room

    def _never_in(self, it: InMeat, track: Track, r: Reading, c: float, air: float, before: Instant | None) -> float:
        """Tell, once a placement, of a core that the air should have warmed; how far the air is from not being that hot."""
        if it.told or it.out:
            return float("inf")
        at = r.at
        if round(air - c, 3) < HOTTER_C:
            it.start_at = None
        elif it.start_at is None or before is None or at - before > GAP or round(c - it.start_c, 3) >= RISEN_C:
            it.start_at, it.start_c = at, c
        elif at - it.start_at >= NOT_RISEN_FOR:
            it.told = True
            unit = it.lot.unit
            text = (
                f"{track.probe.id} reads {temperature(c, unit)} and has risen less than {difference(RISEN_C, unit)} in "
                f"{format_span(at - it.start_at)}, while the air reads {temperature(air, unit)}: is it in the meat?"
            )
            it.lot.says.tell(at, "not-in-the-meat", it.lot.current[0] if it.lot.current else "", None, track.probe.id, text)
        return abs(air - c - HOTTER_C)

    def minds(self, source: AirWatch, at: Instant, old: list[Any] | None, new: float) -> bool:
        """Whether air told late may change what was decided of any core that it surrounds."""
        return any(
            it.slack and it.slack[-1][0] > at and it.minds(at, old, new) and any(s is source for s in self.sources(it.lot, at))
            for it in self.placements.values()
        )

    # --- snapshot -------------------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """The running state as JSON-able values."""
        return {
            probe: {"lot": it.lot.id, "slack": [list(x) for x in it.slack], **{name: getattr(it, name) for name in it.PLAIN}}
            for probe, it in self.placements.items()
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave."""
        for probe, data in state.items():
            it = self.placements[probe] = InMeat(self.engine.lots[data["lot"]], data["placed_at"])
            for name in it.PLAIN:
                setattr(it, name, data[name])
            it.slack = [list(x) for x in data["slack"]]
            self._look_next(probe)


def _recent(it: InMeat, at: Instant) -> bool:
    """Whether a reading far from the air is at most 60 s old."""
    return it.far_at is not None and at - it.far_at <= MOVED_WITHIN
