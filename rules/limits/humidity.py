"""Humidity: a relative humidity that must be shown for a part of the cook, from a humidity probe, or from wet and dry bulb."""

from __future__ import annotations

from typing import Any

from rules.finding import Verdict
from rules.limits.spec import Humidity
from rules.limits.watch import News, Watch, seconds
from rules.plan import Limit
from rules.quantity import at_or_above, format_span
from rules.reading import MINUTE, SECOND, Instant, Span
from rules.science.errors import ScienceError
from rules.science.humidity import ALTITUDE_M, humid_time_needed, pressure_at_altitude, relative_humidity
from rules.wording import percent

#: How much older than the wet bulb's reading the dry bulb's may be for a pair.
PAIR_WITHIN = 60 * SECOND


class HumidityWatch(Watch):
    """Credits an interval only if both its ends are humid enough and it is no gap; decides at the closing of the cook."""

    __slots__ = ("at_least", "bound", "cook", "credit", "edges", "min_rh", "needed", "prev_good", "share", "unknown")
    TRANSIENT = Watch.TRANSIENT | {"at_least", "bound", "min_rh", "share"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        rule = limit.rule
        assert isinstance(rule, Humidity)
        self.min_rh = rule.min_rh if rule.min_rh is not None else 100.0
        self.bound = at_or_above(self.min_rh)
        self.share, self.at_least = rule.share, rule.at_least
        self.credit: Span = 0
        self.unknown: Span = 0
        self.edges: Span = 0  # edge stretches no longer than `max_gap`, which nobody could show
        self.cook: Span = 0  # the stays that have closed
        self.needed: Span | None = None
        self.prev_good = False

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Credit the interval that ends at this reading, if it counts; `lo` is per cent of relative humidity, less U."""
        self.take(at, lo)
        return self.news

    def take(self, at: Instant, humidity: float) -> None:
        """One value of the humidity, in per cent, at `at`."""
        good = humidity >= self.bound
        last = self.last_at
        if last is None:
            self._edge(at - self.opened)
        elif at - last > self.max_gap:
            self.unknown += at - last
        elif good and self.prev_good:
            self.credit += at - last
            if self.share is None and not self.final and self.credit >= (self.at_least or 0):
                self.settle(Verdict.MET, at, self._told(self.at_least or 0))
                self.final = True
        self.prev_good = good
        self.last_at = at

    def _edge(self, stretch: Span) -> None:
        if stretch > self.max_gap:
            self.unknown += stretch
        else:
            self.edges += stretch

    def _told(self, wanted: Span) -> str:
        return f"{percent(self.min_rh)} or more shown for {format_span(self.credit)}, {format_span(wanted)} needed"

    def undoes_closing(self) -> bool:
        """The cook goes on when its step is entered again."""
        return True

    def unread(self, closing: Instant) -> None:
        """A stay without a reading is an edge as a whole."""
        self._stay(closing)

    def _stay(self, closing: Instant) -> None:
        self._edge(closing - (self.opened if self.last_at is None else self.last_at))
        self.cook += closing - self.opened

    def finish(self, at: Instant) -> None:
        """Hold what was shown against the part of the cook that is asked."""
        self._stay(at)
        wanted = self.at_least or 0
        if self.share is not None:
            part = humid_time_needed(self.cook, self.share, 0)
            wanted = max(wanted, min(part, self.cook - self.edges))
        self.needed = wanted
        told = f"{self._told(wanted)} of a cook of {format_span(self.cook)}"
        if self.credit >= wanted:
            self.settle(Verdict.MET, at, told)
        elif self.credit + self.unknown >= wanted:
            self.settle(Verdict.UNPROVEN, at, f"{told}; no good reading for {format_span(self.unknown)}")
        else:
            self.settle(Verdict.DEVIATED, at, told)

    def margin(self) -> dict[str, float]:
        """Time humid beyond what is asked (negative: short), where that is known."""
        needed = self.at_least if self.share is None else self.needed
        return {} if needed is None else {"seconds": seconds(self.credit - needed)}

    def evidence(self) -> dict[str, Any]:
        """The sums."""
        shown: dict[str, Any] = {"min_rh": self.min_rh, "humid_s": seconds(self.credit), "unknown_s": seconds(self.unknown)}
        if self.needed is not None:
            shown |= {"cook_s": seconds(self.cook), "needed_s": seconds(self.needed)}
        return shown


class PairWatch(HumidityWatch):
    """A wet bulb, with what the dry bulb beside it has said.

    A wet-bulb reading waits until the dry bulb has passed it, or is 60 s old, so that readings of the two that cross a little are
    judged alike in any order.
    """

    __slots__ = ("dropped", "dry", "dry_u", "pressure", "through", "waiting")
    TRANSIENT = HumidityWatch.TRANSIENT | {"dry_u", "pressure"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        self.dry_u = 0.0
        self.pressure = pressure_at_altitude(0.0)
        self.waiting: list[list[float]] = []  # [at, wet - U]
        self.dry: list[list[float]] = []  # [at, dry + U], rising: from the newest that a wet-bulb reading may still want
        self.dropped = False  # an older dry-bulb reading has been let go
        self.through: Instant | None = None  # the newest wet-bulb reading that has been judged

    def beside(self, dry_u: float, altitude_m: float | None) -> None:
        """What the pair stands beside: the dry bulb's uncertainty and the site's altitude."""
        low, high = ALTITUDE_M
        self.dry_u = dry_u if self.limit.guard else 0.0
        self.pressure = pressure_at_altitude(min(max(altitude_m or 0.0, low), high))

    def prime(self, at: Instant, hi: float) -> None:
        """What the dry bulb read last, before the watch opened."""
        if not self.dry or self.dry[-1][0] < at:
            self.dry.append([at, hi])

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """A wet-bulb reading: judged once its dry-bulb reading is certain."""
        self.waiting.append([at, lo])
        self.pass_(at - PAIR_WITHIN)
        return self.news

    def dry_read(self, at: Instant, hi: float) -> None:
        """A dry-bulb reading; says `crossed` where a wet-bulb reading that wanted it has been judged without it."""
        if self.through is not None and at <= self.through:
            self.news.append(News(at, "crossed", ""))
            return
        self.dry.append([at, hi])
        self.pass_(at)

    def pass_(self, passed: Instant) -> None:
        """No dry-bulb reading before or at `passed` is still to come, but for what has stood there all along."""
        dry, waiting = self.dry, self.waiting
        newest = dry[-1][0] if dry else passed
        while waiting and waiting[0][0] <= max(passed, newest):
            at, wet = waiting.pop(0)
            self._pair(int(at), wet)
        # A wet-bulb reading still to come is no older than the oldest that waits, or than the newest judged.
        oldest = waiting[0][0] if waiting else max(self.through or newest, newest - PAIR_WITHIN)
        while len(dry) > 1 and dry[1][0] <= oldest:
            dry.pop(0)
            self.dropped = True

    def _pair(self, at: Instant, wet: float) -> None:
        self.through = at
        found = None
        for one in self.dry:
            if one[0] > at:
                break
            found = one
        if found is None and self.dropped:
            self.news.append(News(at, "crossed", ""))  # what it wanted has been let go: judge again, in order
        if found is None or found[0] < at - PAIR_WITHIN:
            return
        dry = found[1]
        if round(wet + self.u, 3) >= round(dry - self.dry_u, 3):
            self.news.append(News(at, "wick", "the wet bulb is not below the dry one: check that its wick is wet, and which is which"))
            return
        try:
            humidity = relative_humidity(dry, wet, self.pressure)
        except ScienceError:
            humidity = 0.0
        self.take(at, humidity)

    def tick(self, now: Instant) -> None:
        """Time alone lets a wet-bulb reading go without a dry one."""
        self.pass_(now - PAIR_WITHIN)

    def settle_up(self, now: Instant) -> None:
        """Every reading up to `now` has been taken."""
        self.pass_(now)

    def close(self, at: Instant, *, withdrawn: bool = False) -> None:
        """Everything up to the closing has been read."""
        if self.closed is None:
            self.pass_(at)
        super().close(at, withdrawn=withdrawn)


class DryBulb(Watch):
    """The dry bulb beside the wet-bulb watches of one limit: it is their other half, and decides nothing itself."""

    __slots__ = ("pairs",)
    TRANSIENT = Watch.TRANSIENT | {"pairs"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        self.pairs: list[PairWatch] = []

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Hand the reading on; says `pair` where a wet bulb has something to say."""
        for pair in self.pairs:
            if pair.closed is None:
                pair.dry_read(at, hi)
                if pair.news and not self.news:
                    self.news.append(News(at, "pair", ""))
        return self.news

    def finish(self, at: Instant) -> None:
        """Nothing to decide."""


class RecordWatch(HumidityWatch):
    """Steam or a sealed oven, which no probe measures: the minutes entered for the lot."""

    __slots__ = ("entries", "seen")

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        self.entries = 0
        self.seen = 0  # how many of the lot's measures have been looked at

    @property
    def measure(self) -> str:
        """What a person enters."""
        return "humid_min"

    def enter(self, at: Instant, began: Instant, value: float) -> None:
        """Minutes of it, as a person wrote them down at `at`; those of before the limit ran do not count."""
        if at < self.opened:
            return
        self.entries += 1
        self.last_at = at
        self.credit += round(value * MINUTE)
        if self.share is None and not self.final and self.credit >= (self.at_least or 0):
            self.settle(Verdict.MET, at, self._told(self.at_least or 0))
            self.final = True

    def _told(self, wanted: Span) -> str:
        return f"{format_span(self.credit)} of steam or sealed oven entered, {format_span(wanted)} needed"

    def _stay(self, closing: Instant) -> None:
        self.cook += closing - self.opened

    def close(self, at: Instant, *, withdrawn: bool = False) -> None:
        """With nothing entered nothing is known."""
        if self.closed is not None:
            return
        self.closed = at
        if self.final:
            return
        self.before_closing = [self.verdict.value, self.at, self.reason]
        if self.entries:
            self.finish(at)
        else:
            self._stay(at)
            self.settle(Verdict.UNPROVEN, at, "nothing was entered: write the minutes of steam or sealed oven as the measure humid_min")

    def evidence(self) -> dict[str, Any]:
        """The sums."""
        shown: dict[str, Any] = {"humid_s": seconds(self.credit), "entries": self.entries}
        if self.needed is not None:
            shown |= {"cook_s": seconds(self.cook), "needed_s": seconds(self.needed)}
        return shown
