"""The watch that judges each spec. A new kind adds its spec, its module and its line here."""

from __future__ import annotations

from rules.limits.ceiling import CeilingWatch
from rules.limits.come_up import ComeUpWatch
from rules.limits.cooling import CoolingWatch
from rules.limits.dwell import DwellWatch
from rules.limits.exposure import ExposureWatch
from rules.limits.lethality import HoldWatch, IntegratedWatch
from rules.limits.spec import Ceiling, ComeUp, Cooling, Dwell, Exposure, Floor, HoldLethality, IntegratedLethality
from rules.limits.watch import Watch
from rules.plan import Limit
from rules.reading import Instant

WATCH_OF: dict[type, type[Watch]] = {
    Ceiling: CeilingWatch,
    Floor: CeilingWatch,
    Exposure: ExposureWatch,
    Dwell: DwellWatch,
    ComeUp: ComeUpWatch,
    HoldLethality: HoldWatch,
    IntegratedLethality: IntegratedWatch,
    Cooling: CoolingWatch,
}


def new_watch(limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> Watch:
    """A watch of the limit's kind."""
    return WATCH_OF[type(limit.rule)](limit, probe, u, unit, opened)
