"""A machine whose clock is wrong after a power cut, with the service on it: what the tests of this folder stand on."""

import json
import shutil
import warnings
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from typing import Any

from monitor import ledger
from monitor.alarms.listing import open_alarms
from monitor.clock_board import BoardClock
from monitor.clock_watch import ClockWatch
from monitor.config import AlarmsConfig, Config, Person, Secret, Server, StoreConfig
from monitor.desk import Hand
from monitor.service import Service
from monitor.store import readings
from rules.quantity import fahrenheit, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Instant, Reading, Span

START = parse_instant("2026-03-02T08:00:00-06:00")
DAY = 24 * HOUR
ODILE = Hand("Odile Marsh", "operator")
TAM = Hand("Tam Okafor", "reviewer")
PLAN = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"
[[room]]
id = "cooler-1"
kind = "cooler"
[[probe]]
id = "core-1"
place = "core"
uncertainty = "0 °F"
[[product]]
code = "juniper-links"
name = "Juniper venison-and-pork links"
[[product.step]]
name = "chill"
room = "cooler-1"
[[product.step.limit]]
name = "cooling"
kind = "cooling"
place = "core"
start = "130 °F"
windows = [{ to = "80 °F", within = "90 min" }, { to = "40 °F", within = "5 h" }]
source = "invented for this test"
[[product.step.limit]]
name = "hold"
kind = "dwell"
place = "core"
max = "60 °F"
for = "20 min"
contiguous = true
source = "invented for this test"
"""


#: The same product with limits that ask for at most so long, all of them below their thresholds in these tests but for the gap.
AT_MOST = (
    PLAN[: PLAN.index("[[product.step.limit]]")]
    + """
[[product.step.limit]]
name = "warm"
kind = "exposure"
place = "core"
tiers = [{ above = "50 °F", within = "3 h" }]
source = "invented for this test"
[[product.step.limit]]
name = "door"
kind = "ceiling"
place = "core"
max = "38 °F"
allowed = "3 h"
source = "invented for this test"
"""
)


class Board:
    """A machine with a clock that is wrong after a power cut, and the service on it."""

    def __init__(self, folder: Path, plan: str = PLAN, url: str = "", wrong: Span = 0) -> None:
        """`wrong`: by how much the clock is off at its very first start, when nothing keeps it; 0: it is right."""
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "plan.toml").write_text(plan, encoding="utf-8")
        self.config = Config(
            folder / "larderer.toml", folder / "plan.toml", folder / "data", Server(port=0), persons=(Person("Odile Marsh", "operator"),),
            alarms=AlarmsConfig(all_well=None), store=StoreConfig(spare_mb=0, copy_every=0), store_url=Secret(url),
        )  # fmt: skip
        #: The right time, the system's time less that, the time since the boot, what the kernel says.
        self.true, self.wrong, self.up, self.kept, self.boot = START, wrong, 10 * SECOND, not wrong, "a"
        self.taken: list[Future[Any]] = []
        self.open()

    def open(self) -> None:
        self.clock = BoardClock(self.wall, lambda: self.up, lambda: self.kept, lambda: self.boot, lambda: False)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            watch = ClockWatch(self.wall, lambda: self.up)
            self.service = Service(self.config, clock=self.clock, clock_watch=watch, drivers=(), tick_s=3600.0, exports=False)
        self.service.start()

    def wall(self) -> Instant:
        return self.true + self.wrong

    def power_cut(self, away: Span, wrong: Span, *, kept: bool = False) -> None:
        """Gone for `away`; then the system's time is off by `wrong`, and nothing keeps it."""
        self.tick()
        self.service.close()
        self.true += away
        self.wrong, self.up, self.kept, self.boot = wrong, 10 * SECOND, kept, self.boot + "+"
        self.open()

    def restart(self) -> None:
        self.tick()
        self.service.close()
        self.open()

    def killed(self) -> None:
        """Killed where it stands: what goes on is what lay on the disk at that moment, the log of the store and all."""
        data = self.config.data
        shutil.copytree(data, data.with_name("killed"))
        self.service.close()
        self.config = replace(self.config, data=data.with_name("killed"))
        self.open()

    def move(self, span: Span) -> None:
        self.true += span
        self.up += span

    def read(self, degrees: float, minutes: float = 1) -> None:
        """A driver that has no time of its own reads, and stamps with the system's clock."""
        self.move(round(minutes * MINUTE))
        self.taken.append(self.service.intake.readings([Reading("core-1", self.wall(), fahrenheit(degrees))]))

    def tick(self) -> None:
        while self.taken:
            self.taken.pop().result(10)
        now = self.clock()
        self.service.writer.submit(lambda conn: self.service.pipeline.tick(conn, now)).result(10)
        self.service._look_after(now)
        self.service.writer.submit(lambda _: None).result(10)
        while self.service.judging.late is not None:
            self.service.writer.submit(self.service.pipeline.catch_up).result(10)

    def get_time(self, wrong: Span = 0) -> None:
        """A time service sets the clock and keeps it."""
        self.wrong, self.kept = wrong, True
        for _ in range(3):
            self.tick()

    def judged(self) -> list[Reading]:
        with self.service.store.read() as conn:
            return [s.item for s in readings.between(conn, 0, START + 99 * DAY) if isinstance(s.item, Reading)]

    def lots(self) -> list[dict[str, Any]]:
        return json.loads(json.dumps(self.service.pipeline.report()["lots"]))

    def verdict(self, limit: str) -> str:
        (lot,) = self.lots()
        return next(str(one["verdict"]) for one in lot["limits"] if one["limit"] == limit)

    def entries(self, what: str) -> list[dict[str, Any]]:
        with self.service.store.read() as conn:
            assert ledger.verify(conn) == []
            return [e.body for e in ledger.entries(conn, kind="clock") if e.body.get("what") == what]

    def ringing(self) -> set[str]:
        with self.service.store.read() as conn:
            return {row["key"] for row in open_alarms(conn, self.clock()) if row["active"]}

    def hot_lot(self) -> None:
        """An open lot that cools, half an hour in."""
        self.service.desk.start_lot(ODILE, "juniper-links", lot="J-1")
        self.service.desk.place(ODILE, "J-1", "core-1")
        for n in range(30):
            self.read(140 - n)
        self.tick()
