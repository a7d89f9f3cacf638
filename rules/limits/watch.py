"""One limit being judged on one probe of one lot: what every kind's watch shares.

A watch is fed good readings as `(at, lo, hi)`: `lo` is the measured value less the probe's uncertainty,
`hi` the value plus it, and each kind asks the one that is worse for the lot (`judging.md` section 1).
Where two values stand at one instant, `lo` comes from the lower and `hi` from the higher.
"""

from __future__ import annotations

import copy
from typing import Any, ClassVar, NamedTuple

from rules.finding import Verdict, WatchReport
from rules.plan import Limit
from rules.quantity import format_span
from rules.reading import SECOND, Instant, Span
from rules.remedy import Remedy


class News(NamedTuple):
    """Something a watch has to say; the lot turns it into a Finding."""

    at: Instant
    what: str
    text: str


class Calm(NamedTuple):
    """Where a reading changes nothing in a watch but `last_at`: low <= lo, hi < high, at < before, at most `gap` after the last one."""

    low: float
    high: float
    before: Instant
    gap: Span


class Watch:
    """The running state of one limit on one probe. Never holds history; one reading costs the same on day 30."""

    TRANSIENT: ClassVar[frozenset[str]] = frozenset({"limit", "unit", "max_gap", "news"})
    SLOW: ClassVar[bool] = False  # a reading now and then is enough for it
    LOOKS_ON: ClassVar[bool] = False  # what it has to say changes no watch

    __slots__ = (
        "at", "before_closing", "before_removal", "closed", "final", "last_at", "limit", "max_gap", "news",
        "opened", "probe", "read_before", "reason", "u", "unit", "verdict", "withdrawn",
    )  # fmt: skip

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        self.limit, self.probe, self.unit = limit, probe, unit
        self.u = u if limit.guard else 0.0
        self.max_gap = limit.max_gap
        self.opened = opened
        self.closed: Instant | None = None
        self.final = False
        self.withdrawn = False
        self.last_at: Instant | None = None
        self.read_before = False  # an earlier stay in the step gave a good reading
        self.before_closing: list[Any] | None = None
        self.before_removal: dict[str, Any] | None = None
        self.verdict = Verdict.OPEN
        self.at: Instant | None = None
        self.reason = ""
        self.news: list[News] = []

    # --- what a kind answers -------------------------------------------------------------------------------

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Take one good reading, later than every reading before it; what it has to say, if anything."""
        raise AssertionError("every kind reads in its own way")

    def calm(self) -> Calm | None:
        """Where the next readings would only move `last_at`, as the watch stands now; None where each has to be read."""
        return None

    def suspect(self, at: Instant, celsius: float) -> None:
        """Take note of a reading that is judged as if absent; only ceilings and floors mind."""

    def tick(self, now: Instant) -> None:
        """Time has come to `now` with nothing read; only what is certain in silence is decided."""

    def finish(self, at: Instant) -> None:
        """Decide at the closing instant; every good reading up to and at it has been taken."""
        raise AssertionError("every kind closes in its own way")

    def shown(self) -> WatchReport:
        """The watch as it stands."""
        return WatchReport(self.probe, self.verdict, self.at, self.reason, self.margin(), self.evidence())

    def margin(self) -> dict[str, float]:
        """Time and temperature to spare (negative: short)."""
        return {}

    def evidence(self) -> dict[str, Any]:
        """What the verdict rests on."""
        return {}

    def remedy(self) -> Remedy | None:
        """What would still meet it, reckoned from the newest reading; None where nothing would, or nothing is short."""
        return None

    # --- shared ---------------------------------------------------------------------------------------------

    def close(self, at: Instant, *, withdrawn: bool = False) -> None:
        """Close at `at`: by a removal (`withdrawn`), the end of the limit, or the end of the lot."""
        if self.closed is not None:
            return
        if withdrawn:
            self.before_removal = self.state()
        self.closed = at
        if self.final:
            return
        unread = self.last_at is None and not self.read_before
        before = [self.verdict.value, self.at, self.reason]
        self.before_closing = before if self.undoes_closing() or (unread and not self.gap_stays(at)) else None
        self.withdrawn = withdrawn
        if unread:
            self.unread(at)
            self.settle(Verdict.UNPROVEN, self.unread_at(at), "no good reading in this time: what was not measured was not controlled")
        else:
            self.finish(at)

    def undoes_closing(self) -> bool:
        """Whether what the closing decides is open again when the step is entered again (sums and clocks that go on)."""
        return False

    def gap_stays(self, closing: Instant) -> bool:
        """Whether a stay without a reading, closed at `closing`, counts for good when the step is entered again."""
        return False

    def unread(self, closing: Instant) -> None:
        """A stay without a reading closes: sums take it as possible."""

    def unread_at(self, closing: Instant) -> Instant:
        """How a watch without any good reading is dated."""
        return closing

    def reopen(self) -> None:
        """The probe is back in the same lot: the watch goes on from where it was, with the absence as an interval."""
        if self.before_removal is not None:
            verdict, at, reason = self.verdict, self.at, self.reason
            self.restore(self.before_removal)
            self.before_removal = None
            if verdict is Verdict.DEVIATED:  # measured before the removal: final
                self.verdict, self.at, self.reason = verdict, at, reason
            if not self.final:
                self.resume()

    def reenter(self, at: Instant) -> None:
        """The step was entered again: the old watch goes on, with a new edge from `at`."""
        if self.closed is None:
            return
        self.closed = None
        if not self.final:
            self.read_before = self.read_before or self.last_at is not None
            self.opened, self.last_at, self.withdrawn = at, None, False
            before, self.before_closing = self.before_closing, None
            if before is not None and self.verdict is not Verdict.DEVIATED:
                self.verdict, self.at, self.reason = Verdict(before[0]), before[1], before[2]
            elif self.verdict is Verdict.MET:
                self.verdict, self.at, self.reason = Verdict.OPEN, None, ""

    def resumes(self) -> bool:
        """Whether the kind gives credit that starts again with a new placement."""
        return False

    def resume(self) -> None:
        """What a kind does when its probe is placed again: credit starts again, clocks and sums go on."""

    def settle(self, verdict: Verdict, at: Instant, reason: str) -> None:
        """Take a verdict, unless it is the one that stands; a deviation stands for good."""
        if self.verdict is Verdict.DEVIATED or verdict is self.verdict:
            return
        self.verdict, self.at, self.reason = verdict, at, reason
        if verdict is not Verdict.OPEN:
            self.news.append(News(at, verdict.value, reason))

    # --- snapshot --------------------------------------------------------------------------------------------

    @classmethod
    def slots(cls) -> list[str]:
        """Every state-bearing slot, in a fixed order."""
        names = {s for c in cls.__mro__ for s in getattr(c, "__slots__", ())}
        return sorted(names - cls.TRANSIENT)

    def state(self) -> dict[str, Any]:
        """The running state as JSON-able values."""
        return {name: copy.deepcopy(getattr(self, name)) for name in self.slots()}

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave."""
        for name in self.slots():
            setattr(self, name, copy.deepcopy(state[name]))
        self.verdict = Verdict(self.verdict)
        self.news = []


def seconds(span: float) -> float:
    """Microseconds as seconds, whole where they are whole."""
    value = span / SECOND
    return int(value) if value == int(value) else value


def gap_words(span: int) -> str:
    """How a gap is told."""
    return f"no good reading for {format_span(span)}"
