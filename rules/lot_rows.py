"""The degree-hours limits of one lot: the hottest chamber that every watch of them is judged by, and the pH that ends them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rules.limits.degree_hours import DegreeHoursWatch, HottestWatch, Rows
from rules.limits.spec import DegreeHours
from rules.limits.watch import Watch
from rules.reading import Instant
from rules.run import Run
from rules.science.degree_hours import band_or_none

if TYPE_CHECKING:
    from rules.lot import Lot


class LotRows:
    """Holds nothing: the highest temperature is the run's (`Run.highest`), the pH stands in the lot's measures."""

    def __init__(self, lot: Lot) -> None:
        self.lot = lot
        self.keys = [key for key, run in lot.runs.items() if isinstance(run.limit.rule, DegreeHours)]

    # --- the highest temperature ----------------------------------------------------------------------------------

    def chambers(self, at: Instant) -> None:
        """Follow the chamber probes beside the limits that run now and have none for watches (in the core, by hand), and no others."""
        lot = self.lot
        for key in self.keys:
            run = lot.runs[key]
            if run.limit.place != "core" and not run.limit.sampled:
                continue
            wanted = lot.fixed("chamber", run) if lot.ended is None and (run.current or run.travelling) else set()
            for mover in [m for m in lot.movers if isinstance(m, HottestWatch) and m.limit is run.limit]:
                if mover.probe not in wanted:
                    lot.hub.closing(at, lot, run, mover, "mover")  # a reading at this very instant still belongs to it
                else:
                    lot.hub.keep(mover)
                    if run.opened == at:
                        mover.rows, mover.highest = Rows(mover.rows.bands), None
                wanted = wanted - {mover.probe}
            for probe in sorted(wanted):
                lot.follow(HottestWatch(run.limit, probe, lot.plan.probe_by_id[probe].uncertainty_c or 0.0, lot.unit, at))

    def hotter(self, run: Run, watch: Watch, at: Instant) -> None:
        """A reading brought another row for its own watch: for the others too, once every reading of its instant has been taken."""
        assert isinstance(watch, DegreeHoursWatch | HottestWatch)
        if run.highest is not None and band_or_none(watch.rows.bands, run.highest) is watch.rows.band:
            return
        others = [w for w in run.live.values() if w is not watch and w.closed is None and not w.final]
        if any(w.last_at is not None and w.last_at > at for w in others):
            self.lot.hub.cross(at)  # what they have read since was judged by the row before
        self.lot.hub.closing(at, self.lot, run, watch, "row")

    def change(self, run: Run, at: Instant) -> None:
        """Every reading of the instant has been taken: the row of the highest one is in force for all."""
        movers = [m for m in self.lot.movers if isinstance(m, HottestWatch) and m.limit is run.limit]
        live = [w for w in run.live.values() if isinstance(w, DegreeHoursWatch)]
        known = [run.highest, *(w.highest for w in live), *(m.highest for m in movers)]
        run.highest = max((h for h in known if h is not None), default=None)
        for watch in live:
            if watch.closed is None:
                watch.follow(at, run.highest)
                if watch.news:
                    self.lot.hear(watch)

    # --- the pH -----------------------------------------------------------------------------------------------------

    def opened(self, run: Run, watch: Watch, at: Instant) -> None:
        """A watch opens, or opens again: by the row in force, and only for an instant where the pH stands already."""
        if isinstance(watch, DegreeHoursWatch):
            watch.follow(at, run.highest, opening=True)
            if self._ph_at(run) is not None:
                self.lot.hub.closing(at, self.lot, run, watch, "pH")

    def measured(self, name: str, at: Instant) -> None:
        """A measure was entered: a pH low enough ends every watch after the readings of its instant."""
        if name != "pH":
            return
        for key in self.keys:
            run = self.lot.runs[key]
            if self._ph_at(run) is not None:
                for watch in run.live.values():
                    if watch.closed is None and not watch.final:
                        self.lot.hub.closing(at, self.lot, run, watch, "pH")

    def end_by_ph(self, run: Run, watch: Watch, at: Instant) -> None:
        """Decide a watch: the readings of the pH's instant, or of the opening after it, have been taken."""
        assert isinstance(watch, DegreeHoursWatch)
        ph_at = self._ph_at(run)
        if ph_at is None or run.opened is None:
            return
        beside = any(w is not watch and w.closed is None and not self._later(run, w, watch) for w in run.live.values())
        fresh = not watch.read_before and ph_at <= watch.opened
        watch.reach_ph(at, ph_at, met_before=fresh and (ph_at <= run.opened or beside))

    def _later(self, run: Run, other: Watch, watch: Watch) -> bool:
        """Whether the other's probe was placed at the very instant of the watch's opening, after it: it has covered nothing before."""
        at_once = other.opened == watch.opened == self.lot.placed.get(other.probe)
        order = [w is watch for w in run.watches if w is watch or w is other]
        return at_once and order[0]

    def _ph_at(self, run: Run) -> Instant | None:
        rule = run.limit.rule
        assert isinstance(rule, DegreeHours)
        return next((at for at, name, value in self.lot.measures if name == "pH" and value <= rule.until_ph), None)
