"""The marks and deadlines of a cooling, from the clock's start on; the clock itself is `cooling.py`."""

from __future__ import annotations

from typing import Any

from rules.finding import Verdict
from rules.limits.spec import Cooling
from rules.limits.watch import News, Watch, gap_words, seconds
from rules.plan import Limit
from rules.quantity import at_or_below, format_span
from rules.reading import MINUTE, Instant, Span
from rules.remedy import Ask, Remedy
from rules.wording import difference, temperature

KEPT: Span = 30 * MINUTE  # readings that have kept the last mark this long make it final
WARMS_C = 1.0  # warming by more than this while a mark is outstanding rings


class CoolingMarks(Watch):
    """`marks[i]` is the mark of window i as far as is known; `decided[i]` says that window i's deadline has been judged.

    `clock` is the clock's start, `opening` the watch's opening; before it, and while `silent`, nothing is said.
    """

    __slots__ = (
        "blind", "borrowed", "clock", "coldest", "decided", "doubt", "kept_from", "marks", "need_sure", "need_text", "opening", "ruin",
        "silent", "to_b", "warned", "windows",
    )  # fmt: skip
    TRANSIENT = Watch.TRANSIENT | {"to_b", "windows"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        rule = limit.rule
        assert isinstance(rule, Cooling)
        self.windows = rule.windows
        self.to_b = [at_or_below(w.to_c) for w in rule.windows]
        self.opening: Instant | None = None
        self.silent = False  # the limit's steps were left; they may be entered again
        self.blind: list[Any] | None = None  # [at, sentence] of the first gap that hides whether the core was hot
        self.need_text = ""  # why the option's conditions are not met, or ""
        self.need_sure = True  # False at the very instant of the opening, while a measure or a reading of it may still come
        self._no_marks()

    def _no_marks(self) -> None:
        """As before the clock's start."""
        self.clock: Instant | None = None
        self.borrowed = False  # the clock is that of another probe, or starts at the opening
        self.marks: list[Instant | None] = [None] * len(self.windows)
        self.decided: list[bool] = [False] * len(self.windows)
        self.kept_from: Instant | None = None
        self.coldest: float | None = None
        self.warned = False
        self.doubt: list[Any] | None = None  # [at, sentence] of what keeps the watch from being met
        self.ruin: list[Any] | None = None  # [at, sentence] of a deviation found before the opening

    @property
    def told(self) -> bool:
        """Whether the limit has opened and runs, or ran until the watch closed."""
        return self.opening is not None and not self.silent

    # --- readings --------------------------------------------------------------------------------------------

    def _interval(self, reading: Instant | None, at: Instant, hi: float, *, joined: bool = False) -> None:
        """Judge the deadlines passed between the last reading (or else the clock's start) and this one, then note a gap."""
        if self.clock is None:
            return
        last = reading if reading is not None else min(self.clock, self.opening if self.opening is not None else self.clock)
        gap = at - last > self.max_gap and not joined
        self._pass(last, at, gap=gap, read=reading is not None)
        if gap:
            self._speak(at)  # as a Tick in the silence would have said it
            # After the last mark too: what a gap hides may have been warm past a deadline.
            self._doubt(at, f"{gap_words(at - last)} between the clock's start and the last mark kept for {format_span(KEPT)}")
            if self.kept_from is not None:
                self.kept_from = at
            for i in range(len(self.windows)):
                deadline = self._deadline(i)
                if deadline is not None and self.decided[i] and self.marks[i] is None and last <= deadline < at and hi >= self.to_b[i]:
                    self._ruin(at, f"{self._target(i)} not reached in time: still above it after the gap")

    def _pass(self, last: Instant, at: Instant, *, gap: bool, read: bool = True) -> None:
        """Deadlines before `at` whose mark is outstanding: deviated, or unproven where a gap covers them."""
        for i in range(len(self.windows)):
            deadline = self._deadline(i)
            if deadline is None or self.decided[i] or self.marks[i] is not None or at <= deadline:
                continue
            self.decided[i] = True
            if gap and not (deadline < last or (read and deadline == last)):
                self._doubt(deadline, f"the deadline for {self._target(i)} passed while nothing was measured")
            else:
                self._ruin(deadline, f"{self._target(i)} not reached by its deadline")

    def _marks(self, at: Instant, hi: float) -> None:
        for i in range(len(self.windows) - 1, -1, -1):  # a withdrawn mark's own deadline counts from the mark before it
            if hi < self.to_b[i]:
                if self.marks[i] is None:
                    self.marks[i] = at
                    if i == len(self.windows) - 1:
                        self.kept_from = at
            elif self.marks[i] is not None:
                self._withdraw(i, at)
                self.marks[i] = None
                if i == len(self.windows) - 1:
                    self.kept_from = None

    def _withdraw(self, i: int, at: Instant) -> None:
        """A reading above a mark's temperature takes the mark back: too late once its deadline has passed."""
        deadline = self._deadline(i)
        if self.marks[i] is not None and deadline is not None and at > deadline:
            self._ruin(at, f"warmed above {self._target(i)} again after its deadline")

    def _warming(self, at: Instant, hi: float) -> None:
        if self.coldest is None or hi <= self.coldest:
            self.coldest, self.warned = hi, False
        elif hi - self.coldest > WARMS_C and not self.warned:
            self.warned = True
            if self.told:
                rise = difference(hi - self.coldest, self.unit)
                self.news.append(News(at, "warming", f"the core has warmed by {rise} while it should cool"))

    def _deadline(self, i: int) -> Instant | None:
        """The instant after which window i is late; None while the mark it counts from is outstanding."""
        window = self.windows[i]
        if self.clock is None:
            return None
        if window.by is not None:
            return self.clock + window.by
        base = self.clock if i == 0 else self.marks[i - 1]
        return None if base is None else base + (window.within or 0)

    def deadline(self, i: int) -> Instant | None:
        """The instant after which window i is late, as far as is known."""
        return self._deadline(i)

    def _target(self, i: int) -> str:
        return temperature(self.windows[i].to_c, self.unit)

    # --- verdict ---------------------------------------------------------------------------------------------

    def _ruin(self, at: Instant, text: str) -> None:
        if self.ruin is None or at < self.ruin[0]:
            self.ruin = [at, text]

    def _doubt(self, at: Instant, text: str) -> None:
        if self.doubt is None or at < self.doubt[0]:
            self.doubt = [at, text]

    def _cause(self) -> list[Any] | None:
        """The earliest of what keeps the watch from being met: [at, sentence]."""
        need: list[Any] | None = [self.opening, self.need_text] if self.need_text and self.need_sure and self.opening is not None else None
        return min((cause for cause in (need, self.doubt, self.blind) if cause is not None), key=lambda cause: cause[0], default=None)

    def _unsay(self) -> None:
        """Nothing is known of marks and deadlines any more."""
        if self.verdict is not Verdict.DEVIATED:
            cause = self._cause()
            self.verdict, self.at, self.reason = (Verdict.OPEN, None, "") if cause is None else (Verdict.UNPROVEN, cause[0], cause[1])

    def _speak(self, at: Instant) -> None:
        if not self.told:
            return
        if self.ruin is not None:
            self.settle(Verdict.DEVIATED, self.ruin[0], self.ruin[1])
            self.final = True
        elif (cause := self._cause()) is not None:
            if self.verdict is Verdict.UNPROVEN:
                self.at, self.reason = cause
            self.settle(Verdict.UNPROVEN, cause[0], cause[1])
        elif self.marks[-1] is not None:
            if self.verdict is Verdict.MET:
                self.at = self.marks[-1]
            self.settle(Verdict.MET, self.marks[-1], f"every mark in time; {self._target(-1)} reached")
        elif self.verdict is Verdict.MET:
            self._unsay()

    def remedy(self) -> Remedy | None:
        """Every outstanding mark with its deadline; once all are there, how long the last has to be kept."""
        over = self.final or (self.closed is not None and not self.withdrawn) or self.ruin is not None
        if over or not self.told or self.clock is None or self.last_at is None:
            return None
        stands = self.verdict is Verdict.UNPROVEN and not self.withdrawn
        if self.kept_from is not None and self.marks[-1] is not None:
            left = self.kept_from + KEPT - self.last_at
            return (
                None if stands or left <= 0 else Remedy((Ask("keep", self.windows[-1].to_c, True, left, u=self.u),), again=self.withdrawn)
            )
        asks = []
        for i, window in enumerate(self.windows):
            if self.marks[i] is None:
                by = self._deadline(i)
                if by is None:
                    asks.append(Ask("reach", window.to_c, True, window.within or 0, u=self.u))
                elif by >= self.last_at:
                    asks.append(Ask("reach", window.to_c, True, by - self.last_at, by, self.u))
        return Remedy(tuple(asks), True, stands, self.withdrawn) if asks else None

    def margin(self) -> dict[str, float]:
        """Seconds between the tightest mark and its deadline; while one is outstanding, the time left at the newest reading."""
        spare = []
        for i, mark in enumerate(self.marks):
            deadline = self._deadline(i)
            if deadline is not None and (mark is not None or self.last_at is not None):
                spare.append(deadline - (mark if mark is not None else self.last_at or 0))
                if mark is None:
                    break
        return {"seconds": seconds(min(spare))} if spare else {}

    def evidence(self) -> dict[str, Any]:
        """The clock's start, each window's mark and deadline."""
        rows = [{"to_c": round(w.to_c, 3), "mark_at": self.marks[i], "deadline_at": self._deadline(i)} for i, w in enumerate(self.windows)]
        return {"clock_at": self.clock, "borrowed_clock": self.borrowed, "windows": rows}
