"""Closings that wait: a watch is closed at an instant only once every reading of that instant has been taken.

What is closed is a watch, a run (a limit without a probe), or what moves a lot; `how` says for what reason, and so in which way.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from rules.limits.come_up import ComeUpWatch
from rules.limits.lethality import LethalityWatch
from rules.limits.watch import Watch
from rules.lot import Lot
from rules.reading import Instant
from rules.run import Run
from rules.track import NEVER

if TYPE_CHECKING:
    from rules.engine import Engine

_FIRST = {"lethality": 0, "row": 1, "pH": 2}  # what is carried out before the closings of the same instant
_STAYS = ("leave", "lethality", "needs", "rejoin", "row", "pH")  # what a watch that goes on is asked all the same


class Closing(NamedTuple):
    """One that waits: `owner` is the lot or room, `watch` None where the run itself ends."""

    at: Instant
    owner: Any
    run: Run
    watch: Watch | None
    how: str


class Closings:
    """Those that wait, and `at`, the earliest of their instants."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self.waiting: list[Closing] = []
        self.at: Instant = NEVER

    def ask(self, closing: Closing) -> None:
        """Let one wait."""
        self.waiting.append(closing)
        self.at = min(self.at, closing.at)

    def taken(self, before: Instant) -> list[Closing]:
        """Those asked for before that instant, in the order in which they are carried out; they wait no more."""
        # A come-up that its lethality ends at this instant is final, also where its step ends with it; likewise what a pH ends.
        due = sorted((c for c in self.waiting if c.at < before), key=lambda c: (c.at, _FIRST.get(c.how, len(_FIRST))))
        self._set([c for c in self.waiting if c.at >= before])
        return due

    def ends(self, watch: Watch) -> bool:
        """Whether its lethality, met at this very instant, makes the watch final."""
        return any(c.watch is watch and c.how == "lethality" for c in self.waiting)

    def keep(self, watch: Watch) -> None:
        """Take back what was asked for at this very instant: the watch goes on."""
        kept = []
        for closing in self.waiting:
            if closing.watch is not watch or closing.how in _STAYS:
                kept.append(closing)
            elif closing.how == "withdrawn":  # taken out and put in again at one instant: no absence, but credit starts again
                kept.append(closing._replace(how="rejoin"))
        self._set(kept)

    def _set(self, waiting: list[Closing]) -> None:
        self.waiting = waiting
        self.at = min((c.at for c in waiting), default=NEVER)

    def carry_out(self, closing: Closing) -> None:
        """Close it, and let its owner hear what that has decided."""
        at, owner, run, watch, how = closing
        if watch is None:
            run.end(at)
            owner.tell_run(run, at)
        elif how == "needs":
            owner.cooling.check_needs(run, watch)
        elif how == "mover":
            if watch in owner.movers:  # asked for twice at one instant
                owner.drop_mover(watch)
        elif how == "row":
            owner.rows.change(run, at)
        elif watch.closed is None:
            self._close(at, owner, run, watch, how)
            if watch.news:
                owner.hear(watch)

    def _close(self, at: Instant, owner: Any, run: Run, watch: Watch, how: str) -> None:
        if how == "pH":
            owner.rows.end_by_ph(run, watch, at)
            self._engine.detach(watch)
        elif how == "rejoin":
            self._rejoin(at, watch)
        elif how == "leave" and isinstance(watch, LethalityWatch):
            watch.leave(at)
        elif how == "lethality" and isinstance(watch, ComeUpWatch):
            watch.lethality_met(at)
            self._engine.detach(watch)
        else:
            watch.close(at, withdrawn=how == "withdrawn")
            self._engine.detach(watch)
            if run.live.get(watch.probe) is watch or watch in run.watches:
                run.closed_watch(at)
            if how == "withdrawn":
                owner.withdrew(run, at)
            elif how == "limit" and isinstance(owner, Lot):
                owner.cooling.left(run, watch)

    def _rejoin(self, at: Instant, watch: Watch) -> None:
        """Every reading of the instant has counted for the placement that ended; the last one is also the first of the new one."""
        good = self._engine.track(watch.probe).good
        if not watch.final and watch.resumes():
            watch.resume()
            if good is not None and good.at == at:
                high = good.celsius if good.high_c is None else good.high_c
                watch.read(at, good.celsius + good.offset_c - watch.u, high + good.offset_c + watch.u)
