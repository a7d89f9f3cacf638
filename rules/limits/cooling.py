"""Cooling: from the last reading at or above `start`, each window's mark in time.

The watch runs on every core probe from its first reading in the lot, long before the limit opens: the clock
starts at a reading of an earlier step, and what the probe showed before the opening counts. Until it is
opened it keeps its verdict to itself.
"""

from __future__ import annotations

from typing import Any

from rules.finding import Verdict
from rules.limits.cooling_trail import grow
from rules.limits.spec import Cooling
from rules.limits.watch import News, Watch, gap_words, seconds
from rules.plan import Limit
from rules.quantity import at_or_above, at_or_below, format_span
from rules.reading import MINUTE, Instant, Span
from rules.wording import difference, temperature

SEAL_C = 2.0  # once this far below start, a rise above it does not restart the clock (judging.md section 5)
KEPT: Span = 30 * MINUTE  # readings that have kept the last mark this long make it final
NEVER: Instant = 1 << 62
WARMS_C = 1.0  # warming by more than this while a mark is outstanding rings


class CoolingWatch(Watch):
    """The clock, the marks and the deadlines of one core probe.

    `marks[i]` is the mark of window i as far as is known; `decided[i]` says that window i's deadline has
    been judged. `hot_at` is the last reading at or above `start`, `clock` the clock's start.
    """

    __slots__ = (
        "band_high", "band_low", "begin_by", "borrowed", "due", "ruin", "seal_b",
        "clock", "coldest", "decided", "doubt", "gap_end", "hot_at", "kept_from", "marks",
        "need_sure", "need_text", "opening", "own_hot", "reached", "sealed", "sealed_b", "start_b", "to_b", "trail", "unsettled", "warned", "windows",
    )  # fmt: skip
    TRANSIENT = Watch.TRANSIENT | {"band_high", "band_low", "due", "seal_b", "sealed_b", "start_b", "to_b", "unsettled", "windows"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        rule = limit.rule
        assert isinstance(rule, Cooling)
        self.windows = rule.windows
        self.start_b = at_or_above(rule.start_c)
        self.sealed_b = at_or_below(rule.start_c - SEAL_C)
        self.to_b = [at_or_below(w.to_c) for w in rule.windows]
        self.opening: Instant | None = None
        self.own_hot = False
        self.need_text = ""  # why the option's conditions are not met, or ""
        self.need_sure = True  # False at the very instant of the opening, while a measure may still be entered
        self.begin_by: Instant | None = None
        self.reached = 0  # how many of the marks' temperatures the newest reading was at or below
        self.trail: list[list[int]] = []  # of a probe that was never hot: see cooling_trail
        self.unsettled: tuple[CoolingWatch, ...] = ()  # the lot's other probes whose clocks may still change
        self._forget()

    def _forget(self) -> None:
        """Back to waiting: the core is (again) at or above start."""
        self.hot_at: Instant | None = None
        self.clock: Instant | None = None
        self.borrowed = False
        self.sealed = False
        self.marks: list[Instant | None] = [None] * len(self.windows)
        self.decided: list[bool] = [False] * len(self.windows)
        self.gap_end: Instant | None = None
        self.kept_from: Instant | None = None
        self.coldest: float | None = None
        self.warned = False
        self.doubt: list[Any] | None = None  # [at, sentence] of what keeps the watch from being met
        self.ruin: list[Any] | None = None  # [at, sentence] of a deviation found before the opening
        self.due: Instant = -NEVER  # nothing is known to be idle until `_bracket` says so
        self.band_low = self.band_high = self.seal_b = 0.0  # an empty band: the next reading is looked at whole

    # --- readings --------------------------------------------------------------------------------------------

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Move the clock, then the deadlines, then the marks. A reading that changes none of them costs a few comparisons."""
        if self.final:
            return None
        last = self.last_at
        if lo >= self.start_b and not self.sealed:
            if self.hot_at is not None and self.clock is None and self.begin_by is None:
                self.hot_at = self.last_at = at
                return None
            self._hot(at, lo, hi)
        elif self.clock is not None and last is not None and self.coldest is not None:
            if (
                self.band_low <= hi < self.band_high
                and at <= self.due
                and at - last <= self.max_gap
                and hi - self.coldest <= WARMS_C
                and lo >= self.seal_b
            ):
                if hi <= self.coldest:
                    self.coldest, self.warned = hi, False
                self.last_at = at
                return None
            self._cool(at, lo, hi)
        elif self.clock is not None or self.hot_at is not None:
            self._cool(at, lo, hi)
        elif (
            self.begin_by is None
            and not self.unsettled
            and self.band_low <= hi < self.band_high
            and last is not None
            and at - last <= self.max_gap
        ):
            self.last_at = at
            return None
        else:
            self._never_hot(at, lo, hi)
        return self.news

    def _hot(self, at: Instant, lo: float, hi: float) -> None:
        """At or above start: the clock waits (again), unless a deadline has passed in the open before."""
        if self.clock is not None and self.opening is not None:
            if self.last_at is not None and at - self.last_at <= self.max_gap:
                self._pass(self.last_at, at, gap=False)
            if self.ruin is not None:
                self._speak(at)
                return
        if self.clock is not None or self.hot_at is None:
            self._tell_clock(at, self.clock is not None or not self.own_hot)
            self._forget()
            self._unsay()
        self._begin(at, lo)
        self.own_hot = True
        self.hot_at = self.last_at = at
        self.reached, self.trail, self.unsettled = 0, [], ()
        self._speak(at)

    def _never_hot(self, at: Instant, lo: float, hi: float) -> None:
        """Below start without a clock: only how long it has been at or below each mark matters, for a clock lent later."""
        self._begin(at, lo)
        self._note(at, hi)
        self.last_at = at
        self._band(self.reached)

    def _cool(self, at: Instant, lo: float, hi: float) -> None:
        """The clock runs: judge what this reading changes, and work out when the next one can matter."""
        self._begin(at, lo)
        if self.clock is None:
            self.clock = self.hot_at
            self._tell_clock(at, True)
        if self.ruin is not None:  # found before the opening, when it will be said
            self._note(at, hi)
            self.last_at = at
            return
        self._interval(self.last_at, at, hi)
        self._note(at, hi)
        self._marks(at, hi)
        if self.marks[-1] is None:
            self._warming(at, hi)
        if self.opening is not None and not self.sealed and lo < self.sealed_b:
            self.sealed = True
            self.news.append(News(at, "sealed", ""))
        self._speak(at)
        self.last_at = at
        self._keep()
        self._bracket()

    def _keep(self) -> None:
        """Readings without a gap have kept the last mark long enough: what stands is final."""
        if self.kept_from is not None and self.opening is not None and self.last_at is not None and self.last_at - self.kept_from >= KEPT:
            self.final = True

    def _bracket(self) -> None:
        """Between which values, and until when, a reading changes nothing."""
        marked = sum(m is not None for m in self.marks)
        self._band(marked if self.clock is not None else self.reached)
        plain = all(m is not None for m in self.marks[:marked])
        self.seal_b = float("-inf") if self.sealed or self.opening is None else self.sealed_b
        deadlines = [
            d for i in range(len(self.windows)) if not self.decided[i] and self.marks[i] is None and (d := self._deadline(i)) is not None
        ]
        self.due = min(deadlines, default=NEVER)
        if self.kept_from is not None:
            self.due = min(self.due, self.kept_from + KEPT - 1) if self.opening is not None else self.due
        if not plain or self.clock is None or self.begin_by is not None or self.unsettled:
            self.due = -NEVER

    def _band(self, k: int) -> None:
        """The values between which no mark is reached or lost, the k warmest being reached."""
        self.band_high = self.to_b[k - 1] if k else float("inf")
        self.band_low = self.to_b[k] if k < len(self.to_b) else float("-inf")

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave, and what follows from it."""
        super().restore(state)
        self._bracket()

    def relink(self, unsettled: tuple[CoolingWatch, ...]) -> None:
        """After a restore: the others whose clocks may still change."""
        self.unsettled = unsettled
        self._bracket()

    def _tell_clock(self, at: Instant, changed: bool) -> None:
        """Let the lot know, for probes that borrow this one's clock."""
        if changed:
            self.news.append(News(at, "clock", ""))

    def _begin(self, at: Instant, lo: float) -> None:
        """Judge `begin_within` at the first reading past it."""
        if self.begin_by is None or at <= self.begin_by:
            return
        by, self.begin_by = self.begin_by, None
        if self.clock is not None:
            return
        gap = self.last_at is not None and at - self.last_at > self.max_gap
        text = f"cooling had not begun in time: still at or above {self._start()}"
        if not gap:
            self._ruin(by, text)
        elif lo >= self.start_b:
            self._ruin(at, text)
        else:
            self._doubt(by, "the time by which cooling had to begin passed while nothing was measured")

    def _note(self, at: Instant, hi: float) -> None:
        """Remember how cold a probe was that takes its clock from others which may still change."""
        self.reached = sum(hi < bound for bound in self.to_b)
        if self.unsettled:
            joined = self.last_at is not None and at - self.last_at <= self.max_gap
            grow(self.trail, at, self.reached, joined, self._starts())

    def _starts(self) -> list[Instant]:
        """When the clock that this probe takes over may turn out to have started."""
        starts = [t.clock if t.clock is not None else t.hot_at for t in self.unsettled]
        return [s for s in (*starts, self.clock) if s is not None]

    def _interval(self, reading: Instant | None, at: Instant, hi: float, *, joined: bool = False) -> None:
        """Judge the deadlines passed between the last reading (or else the clock's start) and this one, then note a gap."""
        if self.clock is None:
            return
        last = reading if reading is not None else min(self.clock, self.opening if self.opening is not None else self.clock)
        gap = at - last > self.max_gap and not joined
        self._pass(last, at, gap=gap, read=reading is not None)
        if gap:
            if self.marks[-1] is None:
                self._doubt(at, f"{gap_words(at - last)} between the clock's start and the last mark")
            if self.gap_end is None:
                self.gap_end = at
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
                    if self.gap_end is not None:
                        self._doubt(self.gap_end, "a gap lies between the clock's start and the last mark")

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
            if self.opening is not None:
                rise = difference(hi - self.coldest, self.unit)
                self.news.append(News(at, "warming", f"the core has warmed by {rise} while it should cool; {self.remedy()}"))

    def _deadline(self, i: int) -> Instant | None:
        """The instant after which window i is late; None while the mark it counts from is outstanding."""
        window = self.windows[i]
        if self.clock is None:
            return None
        if window.by is not None:
            return self.clock + window.by
        base = self.clock if i == 0 else self.marks[i - 1]
        return None if base is None else base + (window.within or 0)

    def _target(self, i: int) -> str:
        return temperature(self.windows[i].to_c, self.unit)

    # --- what the lot tells ----------------------------------------------------------------------------------

    def open(self, at: Instant, need_text: str) -> None:
        """The limit opens: what was kept back is said. `need_text`: why the option's conditions are not met, or ""."""
        self.opening = at
        self.need_text = need_text
        self.need_sure = not need_text
        self._speak(at)
        self._keep()
        self._bracket()

    def confirm_need(self, text: str) -> None:
        """The instant of the opening has passed; `text` says why the option's conditions are not met, or is ""."""
        self.need_text, self.need_sure = text, True
        if self.opening is not None:
            self._unsay()
            self._speak(self.opening)

    def lend(self, clock: Instant | None, opening: Instant | None, unsettled: tuple[CoolingWatch, ...] = ()) -> None:
        """For a probe never at or above start: the earliest start of the lot's others; with `opening`, none of them ever was.

        `unsettled` are those others whose clocks may still change.
        """
        if self.own_hot or self.final:
            return
        self.unsettled = unsettled
        if not self.trail and self.last_at is not None:
            self.trail = [[self.last_at, self.reached, 0]]
        start = clock if clock is not None else opening
        if self.clock != start:
            self._forget()
            self._unsay()
            if start is not None:
                self._take_over(start, known=clock is not None)
        if not unsettled:
            self.trail = []
        self._bracket()

    def _take_over(self, start: Instant, *, known: bool) -> None:
        self.clock, self.borrowed = start, True
        if not known:
            text = f"this probe was never at or above {self._start()} in this lot: the clock's start is not known"
            self._doubt(self.opening if self.opening is not None else start, text)
        self._retrace(start)
        self._speak(start)
        self._keep()

    def _retrace(self, start: Instant) -> None:
        """Judge again what was read since a start that became known only now, or has changed."""
        last: Instant | None = None
        for at, reached, joined in self.trail:
            if at >= start and self.ruin is None:
                hi = self.to_b[reached] if reached < len(self.to_b) else self.to_b[-1] - 1.0
                self._interval(last, at, hi, joined=last is not None and bool(joined))
                self._marks(at, hi)
            last = at

    def begin(self, by: Instant) -> None:
        """Cooling has to begin by this instant."""
        self.begin_by = by
        self._bracket()

    def restart(self) -> None:
        """A further lethality step was met: a reading at or above start from now on starts the clock again."""
        if not self.final and self.verdict is not Verdict.DEVIATED:
            self.sealed = False
            self._bracket()

    def _start(self) -> str:
        rule = self.limit.rule
        assert isinstance(rule, Cooling)
        return temperature(rule.start_c, self.unit)

    # --- verdict ---------------------------------------------------------------------------------------------

    def _ruin(self, at: Instant, text: str) -> None:
        if self.ruin is None or at < self.ruin[0]:
            self.ruin = [at, text]

    def _doubt(self, at: Instant, text: str) -> None:
        if self.doubt is None or at < self.doubt[0]:
            self.doubt = [at, text]

    def _cause(self) -> list[Any] | None:
        """The earliest of what keeps the watch from being met: [at, sentence]."""
        if self.need_text and self.need_sure and self.opening is not None and (self.doubt is None or self.opening <= self.doubt[0]):
            return [self.opening, self.need_text]
        return self.doubt

    def _unsay(self) -> None:
        if self.verdict is Verdict.DEVIATED:
            return
        cause = self._cause() if self.need_text and self.need_sure else None
        if cause is not None:
            self.verdict, self.at, self.reason = Verdict.UNPROVEN, cause[0], cause[1]
        else:
            self.verdict, self.at, self.reason = Verdict.OPEN, None, ""

    def _speak(self, at: Instant) -> None:
        if self.opening is None:
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

    def tick(self, now: Instant) -> None:
        """Silence beyond `max_gap` decides the deadlines it covers, as the next reading would."""
        last = self.last_at  # a watch without a reading waits for its closing
        if self.final or self.clock is None or last is None or self.closed is not None or now - last <= self.max_gap:
            return
        self._pass(last, now, gap=True)
        self._speak(now)

    def close(self, at: Instant, *, withdrawn: bool = False) -> None:
        """Close; before the opening there is nothing to say."""
        if self.opening is not None:
            super().close(at, withdrawn=withdrawn)
        elif self.closed is None:
            self.before_removal = self.state() if withdrawn else None
            self.closed = at

    def finish(self, at: Instant) -> None:
        """Closed with a mark outstanding is never met."""
        last = self.last_at
        assert last is not None
        if self.clock is None and self.hot_at is not None and self.own_hot:
            self.settle(
                Verdict.UNPROVEN, at, f"{'withdrawn' if self.withdrawn else 'ended'} at or above {self._start()}: cooling was not shown"
            )
            return
        self._pass(last, at, gap=at - last > self.max_gap)
        self._speak(at)
        if self.verdict in (Verdict.OPEN, Verdict.UNPROVEN) and self.marks[-1] is None:
            word = "withdrawn" if self.withdrawn else "ended"
            self.settle(Verdict.UNPROVEN, at, f"{word} before {self._target(-1)} was reached; {self.remedy()}")
        elif self.marks[-1] is not None:
            self.withdrawn = False

    def remedy(self) -> str:
        """The next mark and the time left for it."""
        for i in range(len(self.windows)):
            if self.marks[i] is None:
                deadline = self._deadline(i)
                if deadline is None or self.last_at is None:
                    return f"{self._target(i)} is the next mark"
                left = deadline - self.last_at
                return (
                    f"{self._target(i)} is due in {format_span(left)}"
                    if left >= 0
                    else f"{self._target(i)} was due {format_span(-left)} ago"
                )
        return "every mark is reached"

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
