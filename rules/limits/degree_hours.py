"""Degree-hours: (temperature - base) summed in hours while above the base, until the pH is low enough.

The row of the table follows from the highest temperature seen by any probe of the limit or of its chamber, so that a
reading of one probe may lower the limit of another: the watch says so (`hotter`), and the lot hands it on once
every reading of that instant has been taken (`LotRows`).
"""

from __future__ import annotations

from typing import Any

from rules.finding import Verdict
from rules.limits.spec import Band, DegreeHours
from rules.limits.watch import News, Watch
from rules.plan import Limit
from rules.quantity import format_span
from rules.reading import HOUR, Instant
from rules.science.degree_hours import band_or_none, edges
from rules.wording import degree_hours, temperature

CLOSE = 1e-6  # °C h: sums that differ by less are equal, so that 80 h at 15 °F above the base is 1200 °F h and no more
COLDEST, HOTTEST = float("-inf"), float("inf")


class Rows:
    """The row in force for the highest temperature so far, and from which temperature on another one is."""

    def __init__(self, bands: tuple[Band, ...]) -> None:
        self.bands = bands
        self.edges = edges(bands)
        self.highest: float = COLDEST
        self.next_edge = COLDEST  # the first reading always has its row looked up
        self.band: Band | None = None

    def rise(self, celsius: float) -> bool:
        """Take a temperature at or above `next_edge`; True if another row is in force now."""
        if celsius <= self.highest:
            return False
        before, known = self.band, self.highest > COLDEST
        self.highest = celsius
        self.band = band_or_none(self.bands, celsius)
        self.next_edge = next((edge for edge in self.edges if edge > celsius), HOTTEST)
        return self.band is not before or not known


class DegreeHoursWatch(Watch):
    """Sums each interval at its warmer end: for certain, or as possible where nothing was read for longer than `max_gap`."""

    __slots__ = (
        "base", "blank", "blank_from", "certain", "heir", "heir_at", "highest", "last_hi", "newest_at", "newest_hi", "ph_at", "possible",
        "rows", "unknown", "unknown_at",
    )  # fmt: skip
    TRANSIENT = Watch.TRANSIENT | {"base", "rows"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        rule = limit.rule
        assert isinstance(rule, DegreeHours)
        self.base = rule.base_c
        self.rows = Rows(rule.bands)
        self.certain = 0.0  # °C h
        self.possible = 0.0
        self.highest: float | None = None  # of the limit, as far as this watch has been told; its row is in force here
        self.last_hi = COLDEST  # at `last_at`
        self.newest_at: Instant | None = None  # its newest reading, also of an earlier stay
        self.newest_hi: float | None = None
        self.heir = False  # it took over the sums of others
        self.heir_at: Instant | None = None  # it opened with a sum already over; its first reading says so
        self.blank: list[list[Any]] = []  # [length, °C known before it]: time without a watch, added at its first reading
        self.blank_from = 0.0  # the largest certain and possible sum at the beginning of that time
        self.unknown = ""  # why it cannot be met any more
        self.unknown_at: Instant | None = None
        self.ph_at: Instant | None = None

    # --- the row ------------------------------------------------------------------------------------------------

    def _over(self) -> bool:
        band = self.rows.band
        return band is not None and self.certain > band.limit + CLOSE

    def _rise(self, at: Instant, celsius: float) -> bool:
        """A new highest temperature; True if it brought another row."""
        if not self.rows.rise(celsius):
            return False
        self.highest = self.rows.highest
        if self.rows.band is None and not self.unknown:
            self.unknown, self.unknown_at = f"no row of the table is for {temperature(celsius, self.unit)}", at
            self.settle(Verdict.UNPROVEN, at, self.unknown)
        return True

    def follow(self, at: Instant, highest: float | None, *, opening: bool = False) -> None:
        """The limit's highest temperature is this one since a reading at `at` (or, at its opening, since before)."""
        if highest is None or self.final:
            return
        self._rise(at, highest)
        if self._over():
            if opening and self.newest_at is None:
                self.heir_at = at
            elif self.heir_at is None:  # over from its opening on, it waits for its first reading: no row changes that
                self._lowered(at)

    def _lowered(self, at: Instant) -> None:
        limit = self._limit_text()
        text = f"{degree_hours(self.certain, self.unit)} were summed when the chamber became so hot that the limit is {limit}"
        self.settle(Verdict.DEVIATED, at, text)

    def _limit_text(self) -> str:
        band = self.rows.band
        return "none" if band is None else degree_hours(band.limit, self.unit)

    # --- readings -----------------------------------------------------------------------------------------------

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Add the interval that ends at this reading."""
        if self.final:
            return None
        if self.blank:
            self._fill(hi)
        if self.heir_at is not None:
            if self._over():
                self._deviate(self.heir_at)
            self.heir_at = None
        if hi >= self.rows.next_edge and self._rise(at, hi):
            self.news.append(News(at, "hotter", ""))
            if self._over():
                self._lowered(at)
        last = self.last_at
        warmer = hi if hi > self.last_hi else self.last_hi
        if last is None:
            self._add(self.opened, at, hi)
        elif warmer > self.base:
            self._add(last, at, warmer)
        self.last_at = self.newest_at = at
        self.last_hi = self.newest_hi = hi
        return self.news

    def _add(self, start: Instant, end: Instant, warmer: float) -> None:
        excess, length = warmer - self.base, end - start
        if excess <= 0:
            return
        if length > self.max_gap:
            self.possible += excess * length / HOUR
            return
        before = self.certain
        self.certain += excess * length / HOUR
        band = self.rows.band
        if band is not None and before <= band.limit + CLOSE < self.certain:
            self._deviate(min(end, start + round(max(0.0, band.limit - before) / excess * HOUR)))

    def _deviate(self, at: Instant) -> None:
        self.settle(
            Verdict.DEVIATED, at, f"more than {self._limit_text()} above {temperature(self.base, self.unit)} before the pH was reached"
        )

    # --- time without a watch, and stays ------------------------------------------------------------------------

    def inherit(self, certain: float, total: float, blank: list[list[Any]], blank_from: float) -> None:
        """Start from the largest sums of the limit; `blank` is the time without a watch since `blank_from` was the largest."""
        self.heir, self.certain, self.possible = True, certain, total - certain
        self.blank, self.blank_from = [list(piece) for piece in blank], blank_from
        if self._over():
            self.heir_at = self.opened

    def _fill(self, hi: float) -> None:
        """The first reading after time without a watch: a gap at the warmer of its two ends."""
        total = self.blank_from
        for length, known in self.blank:
            warmer = hi if known is None else max(hi, known)
            total += max(0.0, warmer - self.base) * length / HOUR
        self.possible = max(self.possible, total - self.certain)
        self.blank = []

    def unread(self, closing: Instant) -> None:
        """Of a stay without a reading no end is known."""
        if closing - self.opened > self.max_gap and not self.unknown:
            self.unknown, self.unknown_at = f"no good reading for {format_span(closing - self.opened)}", closing

    def reenter(self, at: Instant) -> None:
        """Sums go on; the edge is a new one."""
        super().reenter(at)
        if self.last_at is None:
            self.last_hi = COLDEST
        if self.unknown_at is not None and self.verdict is Verdict.OPEN:
            self.verdict, self.at, self.reason = Verdict.UNPROVEN, self.unknown_at, self.unknown

    def undoes_closing(self) -> bool:
        """Sums go on when the step is entered again."""
        return True

    # --- the end ------------------------------------------------------------------------------------------------

    def reach_ph(self, at: Instant, ph_at: Instant, *, met_before: bool) -> None:
        """The pH is low enough: decide for good, at `at`. `met_before`: it stood when the limit, or this late watch, began."""
        if self.final or self.closed is not None:
            return
        self.ph_at = ph_at
        if met_before:
            self.settle(Verdict.MET, self.opened, "the pH stood already")
        elif self.last_at is None and not self.read_before:
            self.settle(Verdict.UNPROVEN, at, "no good reading in this time: what was not measured was not controlled")
        else:
            self._stretch(at)
            self._decide(at)
        self.final = True

    def finish(self, at: Instant) -> None:
        """Closed before the pH was reached: never met."""
        self._stretch(at)
        if not self._is_over(at):
            until = self.limit.rule.until_ph if isinstance(self.limit.rule, DegreeHours) else 0
            self.settle(Verdict.UNPROVEN, at, f"no pH of {until:g} or less was entered: {degree_hours(self.certain, self.unit)} summed")

    def _stretch(self, at: Instant) -> None:
        if self.last_at is None:
            self.unread(at)
        else:
            self._add(self.last_at, at, self.last_hi)

    def _is_over(self, at: Instant) -> bool:
        if self.verdict is not Verdict.DEVIATED and self._over():
            self._lowered(at)
        return self.verdict is Verdict.DEVIATED

    def _decide(self, at: Instant) -> None:
        band = self.rows.band
        if self._is_over(at):
            return
        if self.unknown or band is None:
            self.settle(Verdict.UNPROVEN, at, self.unknown or "no row of the table is in force")
        elif self.certain + self.possible > band.limit + CLOSE:
            known, maybe = degree_hours(self.certain, self.unit), degree_hours(self.possible, self.unit)
            self.settle(Verdict.UNPROVEN, at, f"{known} for certain and up to {maybe} more while nothing was measured")
        else:
            self.settle(Verdict.MET, at, f"the pH was reached at {degree_hours(self.certain, self.unit)} of {self._limit_text()}")

    # --- what is told -------------------------------------------------------------------------------------------

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave, and the row that follows from it."""
        super().restore(state)
        self.rows = Rows(self.rows.bands)
        if self.highest is not None:
            self.rows.rise(self.highest)

    def margin(self) -> dict[str, float]:
        """Degree-hours (°C h) left in the row in force, for certain time alone."""
        band = self.rows.band
        return {} if band is None else {"degree_hours": round(band.limit - self.certain, 6) + 0.0}

    def evidence(self) -> dict[str, Any]:
        """The sums and the row's limit in °C h, and when the pH was reached."""
        band = self.rows.band
        facts: dict[str, Any] = {
            "certain_degree_hours": round(self.certain, 6),
            "possible_degree_hours": round(self.possible, 6),
            "limit_degree_hours": None if band is None else round(band.limit, 6),
        }
        return facts if self.ph_at is None else {**facts, "ph_at": self.ph_at}


class HottestWatch(Watch):
    """Follows a chamber probe beside a degree-hours limit: says so when it reads into another row."""

    __slots__ = ("highest", "rows")
    TRANSIENT = Watch.TRANSIENT | {"rows"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        rule = limit.rule
        assert isinstance(rule, DegreeHours)
        self.rows = Rows(rule.bands)
        self.highest: float | None = None

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Nearly every reading is below the next row."""
        if hi >= self.rows.next_edge and self.rows.rise(hi):
            self.highest = self.rows.highest
            self.news.append(News(at, "hotter", ""))
        return self.news

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave, and the row that follows from it."""
        super().restore(state)
        self.rows = Rows(self.rows.bands)
        if self.highest is not None:
            self.rows.rise(self.highest)

    def finish(self, at: Instant) -> None:
        """Nothing to decide."""
