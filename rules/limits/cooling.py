"""Cooling: from the last reading at or above `start`, each window's mark in time.

The watch runs on every core probe from its first reading in the lot, long before the limit opens: the clock
starts at a reading of an earlier step, and what the probe showed before the opening counts. Until it is
opened it keeps its verdict to itself.
"""

from __future__ import annotations

from typing import Any

from rules.finding import Verdict
from rules.limits.cooling_marks import KEPT, WARMS_C, CoolingMarks
from rules.limits.cooling_trail import grow
from rules.limits.spec import Cooling
from rules.limits.watch import Calm, News, gap_words
from rules.plan import Limit
from rules.quantity import at_or_above, at_or_below
from rules.reading import Instant
from rules.wording import temperature

SEAL_C = 2.0  # once this far below start, a rise above it does not restart the clock (judging.md section 5)
NEVER: Instant = 1 << 62
_NONE = (float("inf"), float("-inf"))


class CoolingWatch(CoolingMarks):
    """The clock of one core probe: `hot_at` is the last reading at or above `start`, `clock` the clock's start."""

    __slots__ = (
        "asked_from", "begin_by", "due", "hot_at", "later", "own_hot", "quiet_high", "quiet_low", "reached", "seal_b", "sealed", "sealed_b",
        "start_b", "trail", "unsettled", "warm_at",
    )  # fmt: skip
    TRANSIENT = CoolingMarks.TRANSIENT | {
        "due", "quiet_high", "quiet_low", "seal_b", "sealed_b", "start_b", "unsettled",
    }  # fmt: skip

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        rule = limit.rule
        assert isinstance(rule, Cooling)
        self.start_b = at_or_above(rule.start_c)
        self.sealed_b = at_or_below(rule.start_c - SEAL_C)
        self.own_hot = False
        self.asked_from: Instant | None = None  # the opening from which on a gap may hide that the core was hot; a repeated entry keeps it
        self.warm_at: Instant | None = None  # the newest reading at or above start that did not restart the clock
        self.sealed = False  # so far below start that a rise above it does not restart the clock
        self.later: list[Instant | None] | None = None  # [hot_at, clock] for the others, once this watch's own verdict is final
        self.begin_by: Instant | None = None
        self.reached = 0  # how many of the marks' temperatures the newest reading was at or below
        self.trail: list[list[int]] = []  # of a probe that was never hot: see cooling_trail
        self.unsettled: tuple[CoolingWatch, ...] = ()  # the lot's other probes whose clocks may still change
        self._forget()

    def _forget(self) -> None:
        """Back to waiting: the core is (again) at or above start."""
        self._no_marks()
        self.hot_at: Instant | None = None
        # Between these values, not below `seal_b` and up to `due`, a reading changes nothing but `last_at` and `coldest`; an empty
        # band until `_bracket` says so.
        self.quiet_low, self.quiet_high = _NONE
        self.seal_b = float("-inf")
        self.due: Instant = NEVER

    # --- readings --------------------------------------------------------------------------------------------

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Move the clock, then the deadlines, then the marks. A reading that changes none of them costs a few comparisons."""
        last = self.last_at
        if self.quiet_low <= hi < self.quiet_high and lo >= self.seal_b and at <= self.due and at - last <= self.max_gap:  # type: ignore[operator]
            coldest = self.coldest
            if coldest is None or hi - coldest <= WARMS_C:
                if coldest is not None and hi <= coldest:
                    self.coldest, self.warned = hi, False
                self.last_at = at
                return None
        self.quiet_low, self.quiet_high = _NONE
        if self.final:
            if lo >= self.start_b:
                self.warm_at = at
            self._follow(at, lo)
            self.last_at = at
            return self.news
        if lo >= self.start_b and self.sealed and (self.clock is not None or self.hot_at is not None):
            self.warm_at = at
            self._cool(at, lo, hi)
        elif lo >= self.start_b:
            if self.hot_at is not None and self.clock is None and self.begin_by is None and at - self.hot_at <= self.max_gap:
                self.hot_at = self.last_at = at
                return None
            self._hot(at, lo, hi)
        elif self.clock is not None or self.hot_at is not None:
            self._cool(at, lo, hi)
        else:
            self._never_hot(at, lo, hi)
        return self.news

    def calm(self) -> Calm | None:
        """While it waits for the core to become hot; below `start`, once it is final and no other probe takes its clock over."""
        if self.final:
            return Calm(float("-inf"), self.start_b, NEVER, NEVER) if self.sealed and not self.news else None
        if self.clock is not None or self.quiet_low >= self.quiet_high:
            return None
        # The band holds `hi`, which lies twice the guard band above `lo`.
        return Calm(max(self.quiet_low - 2.0 * self.u, self.seal_b), self.quiet_high, NEVER, self.max_gap)

    def _hot(self, at: Instant, lo: float, hi: float) -> None:
        """At or above start: the clock waits (again), unless a deadline has passed in the open before."""
        self._look_for_blind(at, lo)
        if self.clock is not None and self.told:
            if self.last_at is not None and at - self.last_at <= self.max_gap:
                self._pass(self.last_at, at, gap=False)
            if self.ruin is not None:
                self._speak(at)
                self._follow(at, lo)
                self.last_at = at
                return
        if self.clock is not None or self.hot_at is None:
            self._tell_clock(at, self.clock is not None or not self.own_hot)
            self._forget()
            self._unsay()
        self._begin(at, lo)
        self.own_hot, self.sealed = True, False
        self.hot_at = self.last_at = at
        self.reached, self.trail, self.unsettled = 0, [], ()
        self._speak(at)

    def _never_hot(self, at: Instant, lo: float, hi: float) -> None:
        """Below start without a clock: only how long it has been at or below each mark matters, for a clock lent later."""
        self._look_for_blind(at, lo)
        self._begin(at, lo)
        if self.last_at is None and self.opening is not None:
            self.news.append(News(at, "borrow", ""))  # only now is it known that this probe did not come hot
        self._note(at, hi)
        self._seal(at, lo)
        self.last_at = at
        self._speak(at)
        self._bracket()

    def _cool(self, at: Instant, lo: float, hi: float) -> None:
        """The clock runs: judge what this reading changes, and work out when the next one can matter."""
        self._look_for_blind(at, lo)
        self._begin(at, lo)
        if self.clock is None:
            self.clock = self.hot_at
            self._tell_clock(at, True)
        if self.ruin is not None:  # found before the opening, it will be said then
            self._note(at, hi)
            self.last_at = at
            self._speak(at)
            return
        self._interval(self.last_at, at, hi)
        self._note(at, hi)
        self._marks(at, hi)
        if self.marks[-1] is None:
            self._warming(at, hi)
        self._seal(at, lo)
        self._speak(at)
        self.last_at = at
        self._keep()
        self._bracket()

    def _seal(self, at: Instant, lo: float) -> None:
        if self.opening is not None and not self.sealed and lo < self.sealed_b:
            self.sealed = True
            self.news.append(News(at, "borrow", ""))  # others need not remember any more what may come before its clock

    def shared(self) -> tuple[Instant | None, Instant | None]:
        """Newest reading at or above start, and clock's start, for the probes that take this one's clock over."""
        return (self.later[0], self.later[1]) if self.later is not None else (self.hot_at, self.clock)

    def _follow(self, at: Instant, lo: float) -> None:
        """The verdict is final, but other probes may still wait for this one's clock."""
        if self.sealed:
            return
        hot_at, clock = self.shared()
        if lo >= self.start_b:
            self._tell_clock(at, clock is not None or not self.own_hot)
            self.later, self.own_hot = [at, None], True
        elif clock is None and hot_at is not None:
            self.later = [hot_at, hot_at]
            self._tell_clock(at, True)
        self._seal(at, lo)

    def _keep(self) -> None:
        """Readings without a gap have kept the last mark long enough: what stands is final."""
        if self.final or self.kept_from is None or not self.told or self.last_at is None or self.last_at - self.kept_from < KEPT:
            return
        self.final = True
        self.news.append(News(self.last_at, "kept", ""))

    def _bracket(self) -> None:
        """Between which values, and until when, a reading changes nothing but `coldest`."""
        self.quiet_low, self.quiet_high = _NONE
        if self.final or self.last_at is None or self.begin_by is not None or self.unsettled:
            return
        if self.clock is None:
            if self.hot_at is not None:
                return
            marked, self.due = self.reached, NEVER
        else:
            marked = sum(m is not None for m in self.marks)
            if self.coldest is None or not all(m is not None for m in self.marks[:marked]):
                return
            deadlines = [
                d
                for i in range(len(self.windows))
                if not self.decided[i] and self.marks[i] is None and (d := self._deadline(i)) is not None
            ]
            self.due = min(deadlines, default=NEVER)
            if self.kept_from is not None and self.told:
                self.due = min(self.due, self.kept_from + KEPT - 1)
        self.quiet_low = self.to_b[marked] if marked < len(self.to_b) else float("-inf")
        self.quiet_high = min(self.to_b[marked - 1], self.start_b) if marked else self.start_b
        self.seal_b = float("-inf") if self.sealed or self.opening is None else self.sealed_b

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

    def _look_for_blind(self, at: Instant, lo: float) -> None:
        """A gap after the opening that ends at or above start may hide that the core had cooled and was heated again."""
        last = self.last_at
        opened = self.asked_from is not None and at > self.asked_from
        if self.blind is None and opened and last is not None and at - last > self.max_gap and lo >= self.start_b:
            self.blind = [at, f"{gap_words(at - last)} after cooling had opened, and then at or above {self._start()}"]

    def _begin(self, at: Instant, lo: float) -> None:
        """Judge `begin_within`: by the first reading below `start`, or the first one past the deadline."""
        if self.begin_by is None:
            return
        by = self.begin_by
        if at <= by:
            self.begin_by = None if lo < self.start_b else by
            return
        self.begin_by = None
        text = f"cooling had not begun in time: still at or above {self._start()}"
        if self.last_at is not None and at - self.last_at <= self.max_gap:
            self._ruin(by, text)
        elif lo >= self.start_b:
            self._ruin(at, text)
        elif self.blind is None or by < self.blind[0]:
            self.blind = [by, "the time by which cooling had to begin passed while nothing was measured"]

    def _note(self, at: Instant, hi: float) -> None:
        """Remember how cold a probe was that takes its clock from others which may still change."""
        self.reached = sum(hi < bound for bound in self.to_b)
        if self.unsettled:
            joined = self.last_at is not None and at - self.last_at <= self.max_gap
            grow(self.trail, at, self.reached, joined, self._starts())

    def _starts(self) -> list[Instant]:
        """When the clock that this probe takes over may turn out to have started."""
        starts = [clock if clock is not None else hot_at for hot_at, clock in (t.shared() for t in self.unsettled)]
        return [s for s in (*starts, self.clock) if s is not None]

    # --- what the lot tells ----------------------------------------------------------------------------------

    def open(self, at: Instant, need_text: str) -> None:
        """The limit opens: what was kept back is said. `need_text`: why the option's conditions are not met, or ""."""
        self.opening = at
        self.asked_from = at if self.asked_from is None else self.asked_from
        self.need_text = need_text
        # Kept long enough before it opened, the mark is final only once the readings of this very instant, which belong to it, were taken.
        waits = self.kept_from is not None and self.last_at is not None and self.last_at < at
        self.need_sure = not need_text and not waits
        self._speak(at)
        if not waits:
            self._keep()
        self._bracket()

    def hush(self) -> None:
        """The limit's steps were left: go on in silence, as before the opening, from what is known of the core."""
        self.silent, self.final, self.closed, self.before_removal = True, False, None, None
        self.later = None
        self.verdict, self.at, self.reason, self.withdrawn = Verdict.OPEN, None, "", False
        self._bracket()

    def cooked_again(self) -> None:
        """A new watch after a further cook: what a gap before it hid is no longer asked."""
        self.blind = self.asked_from = None
        self.restart()

    def speak_again(self, at: Instant, need_text: str | None) -> None:
        """The limit's steps are entered again; `need_text` is given where that is a fresh opening."""
        self.silent = False
        if need_text is not None:
            self.opened = at
            self._unsay()
            self.open(at, need_text)
            return
        self._unsay()
        self._speak(at)
        self._keep()
        self._bracket()

    def confirm_need(self, text: str) -> None:
        """The instant of the opening has passed; `text` says why the option's conditions are not met, or is ""."""
        self.need_text, self.need_sure = text, True
        if text and self.opening is not None:
            self._speak(self.opening)
        if not self.silent and self.closed is None:
            self._keep()
            self._bracket()

    def lend(self, clock: Instant | None, opening: Instant | None, unsettled: tuple[CoolingWatch, ...] = ()) -> None:
        """For a probe never at or above start: the earliest start of the lot's others; with `opening`, none of them ever was.

        `unsettled` are those others whose clocks may still change.
        """
        if self.own_hot or self.final:
            return
        self.unsettled = unsettled
        if not self.trail and self.last_at is not None:
            self.trail = [[self.last_at, self.reached, 0]]
        start = clock if clock is not None or self.last_at is None else opening
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

    def begin(self, by: Instant | None, at: Instant) -> None:
        """From `at` on: cooling has to begin by this instant, unless it has begun; None: the lot is being cooked again."""
        if self.begin_by is not None and self.begin_by < at:
            return  # one that has passed in silence is decided first, by the next reading
        warm = self.last_at in (self.hot_at, self.warm_at)  # also before the first reading
        self.begin_by = by if warm else None
        if self.before_removal is not None:
            self.before_removal["begin_by"] = self.begin_by  # placed again, it is asked although it was out when the lot left the cook
        self._bracket()

    def restart(self) -> None:
        """A further lethality step was met: a reading at or above start from now on starts the clock again."""
        if not self.final and self.verdict is not Verdict.DEVIATED:
            self.sealed = False
            if self.warm_at is not None and self.warm_at == self.last_at:
                self._forget()
                self._unsay()
                self.own_hot, self.hot_at = True, self.last_at
                self.reached, self.trail, self.unsettled = 0, [], ()
            self._bracket()

    def _start(self) -> str:
        rule = self.limit.rule
        assert isinstance(rule, Cooling)
        return temperature(rule.start_c, self.unit)

    # --- silence and closing ---------------------------------------------------------------------------------

    def tick(self, now: Instant) -> None:
        """Silence beyond `max_gap` decides the deadlines it covers, as the next reading would."""
        last = self.last_at  # a watch without a reading waits for its closing
        if self.final or self.silent or self.clock is None or last is None or self.closed is not None or now - last <= self.max_gap:
            return
        self._pass(last, now, gap=True)
        self._speak(now)

    def close(self, at: Instant, *, withdrawn: bool = False) -> None:
        """Close; before the opening there is nothing to say."""
        if self.told and self.closed is None:
            before = self.state()
            super().close(at, withdrawn=withdrawn)
            self.before_removal = before  # it may go on: placed again, or its limit's steps entered again
        elif self.closed is None:
            self.before_removal = self.state() if withdrawn else None
            self.closed = at

    def _never_begun(self, at: Instant, last: Instant) -> None:
        """Closed while hot, past the time by which cooling had to begin."""
        if self.begin_by is not None and at > self.begin_by and at - last <= self.max_gap:
            self._ruin(self.begin_by, f"cooling had not begun in time: still at or above {self._start()}")

    def finish(self, at: Instant) -> None:
        """Closed with a mark outstanding is never met."""
        last = self.last_at
        assert last is not None
        self._never_begun(at, last)
        if self.clock is None and self.hot_at is not None and self.own_hot and self.ruin is None:
            self.settle(
                Verdict.UNPROVEN, at, f"{'withdrawn' if self.withdrawn else 'ended'} at or above {self._start()}: cooling was not shown"
            )
            return
        self._pass(last, at, gap=at - last > self.max_gap)
        self._speak(at)
        if self.verdict in (Verdict.OPEN, Verdict.UNPROVEN) and self.marks[-1] is None:
            word = "withdrawn" if self.withdrawn else "ended"
            self.settle(Verdict.UNPROVEN, at, f"{word} before {self._target(-1)} was reached")
        elif self.marks[-1] is not None:
            self.final = self.final or not self.withdrawn  # the limit is over with every mark reached
            self.withdrawn = False
