"""What follows once a lethality or dwell has been shown: the come-up ends, the cooling opens, the step advances."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rules.finding import Verdict
from rules.limits.come_up import ComeUpWatch
from rules.limits.hold_for_step import FallWatch
from rules.limits.watch import Watch
from rules.reading import Instant
from rules.run import Run

if TYPE_CHECKING:
    from rules.lot import Lot


class LotShown:
    """What one lot does when a watch, and with it perhaps the whole limit, is met."""

    def __init__(self, lot: Lot) -> None:
        self.lot = lot

    def watch_met(self, run: Run, watch: Watch, at: Instant) -> None:
        """A lethality or dwell watch is met."""
        if run.limit.kind == "lethality":
            self.lot.hub.detach(watch)
            for mover in [m for m in self.lot.movers if isinstance(m, FallWatch) and m.probe == watch.probe]:
                self.lot.drop_mover(mover)
        if run.limit.kind == "lethality" and run.limit.critical:
            self._end_come_up(watch.probe, run.limit.place, at)
        self.limit_met(run, at)

    def limit_met(self, run: Run, at: Instant) -> None:
        """What follows if the watches together now show the whole limit."""
        if run.verdict_alone()[0] is not Verdict.MET:
            return
        self.lot.hub.cross(at)
        if run.limit.kind == "lethality":
            self.lot.cooling.lethality_met(run, at)  # of this entry of its step, whatever became of an earlier one
        if run.verdict()[0] is Verdict.MET:
            self.lot.advance.shown(run.limit.kind, at)

    def _end_come_up(self, probe: str, place: str, at: Instant) -> None:
        """A come-up runs until every critical lethality of its place is met on its probe."""
        lethal = [r for r in self.lot.runs.values() if r.limit.kind == "lethality" and r.limit.critical and r.limit.place == place]
        for run in lethal:
            watch = run.live.get(probe)
            asked = run.opened is not None or not self.lot.step_of(run).optional
            if asked and (watch is None or watch.verdict is not Verdict.MET):
                return
        for run in self.lot.runs.values():
            come_up = run.live.get(probe)
            if run.limit.place == place and isinstance(come_up, ComeUpWatch) and come_up.closed is None and not come_up.final:
                self.lot.hub.closing(at, self.lot, run, come_up, "lethality")
