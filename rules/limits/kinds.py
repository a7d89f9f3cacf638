"""The watch that judges each spec.

To add a kind of limit:

1. `spec.py`: a frozen spec in °C and microseconds, its name in `KIND_OF`, its default in `default_max_gap`.
2. A module with a `Watch`: `__slots__` for its running state and `TRANSIENT` for what follows from the limit
   alone; `read`, which gives None at once where a reading changes nothing; `finish`, which decides at the closing;
   `margin` and `evidence`. No history: what a snapshot holds is all that it may know. Then, as the kind needs
   them: `suspect`, `tick`, `unread`, `undoes_closing` (sums that go on when a step is entered again), and `resumes`
   with `resume` (credit that starts again when a probe is placed again).
3. Its line in `WATCH_OF` below; `run.py` lists the kinds whose sums or cover go on between watches. What a watch needs of
   other probes or of what is entered for the lot comes to it through the lot (`lot_process.py`, `lot_rows.py`), and what
   arrives behind what was judged is to raise LateEvent through `hub.cross`.
4. `plan_limit.py`: its keys in `KIND_KEYS` and its reader; `strictness.py`: when it is laxer than its book.
5. Transcripts for each sentence of its definition, and the same computed plainly in `tests/plain/kinds.py`.
"""

from __future__ import annotations

from rules.limits.ceiling import CeilingWatch
from rules.limits.come_up import ComeUpWatch
from rules.limits.composition import CompositionWatch
from rules.limits.cooling import CoolingWatch
from rules.limits.degree_hours import DegreeHoursWatch
from rules.limits.dwell import DwellWatch
from rules.limits.exposure import ExposureWatch
from rules.limits.humidity import HumidityWatch, PairWatch, RecordWatch
from rules.limits.lethality import HoldWatch, IntegratedWatch
from rules.limits.profile import ProfileWatch
from rules.limits.spec import (
    Ceiling,
    ComeUp,
    Composition,
    Cooling,
    DegreeHours,
    Dwell,
    Exposure,
    Floor,
    HoldLethality,
    Humidity,
    IntegratedLethality,
    Profile,
)
from rules.limits.watch import Watch
from rules.plan import Limit
from rules.reading import Instant

#: Humidity is measured by a probe, by a pair of bulbs, or written down.
HUMIDITY_OF: dict[str, type[Watch]] = {"humidity": HumidityWatch, "wet-bulb": PairWatch}
WATCH_OF: dict[type, type[Watch]] = {
    Ceiling: CeilingWatch,
    Floor: CeilingWatch,
    Exposure: ExposureWatch,
    Dwell: DwellWatch,
    ComeUp: ComeUpWatch,
    HoldLethality: HoldWatch,
    IntegratedLethality: IntegratedWatch,
    Cooling: CoolingWatch,
    DegreeHours: DegreeHoursWatch,
    Profile: ProfileWatch,
    Humidity: HumidityWatch,
    Composition: CompositionWatch,
}


def new_watch(limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> Watch:
    """A watch of the limit's kind."""
    kind = WATCH_OF[type(limit.rule)]
    if isinstance(limit.rule, Humidity):
        kind = RecordWatch if limit.rule.min_rh is None else HUMIDITY_OF[limit.place]
    return kind(limit, probe, u, unit, opened)
