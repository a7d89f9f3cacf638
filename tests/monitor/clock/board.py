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
from rules.quantity import fahrenheit
from rules.reading import HOUR, MINUTE, SECOND, Instant, Reading, Span
from tests.ferncliff import ODILE, SITE, START

DAY = 24 * HOUR
TAM = Hand("Tam Okafor", "reviewer")
#: One product, chilled in a cooler with one core probe; a plan here is this and some of the limits below.
CHILL = (
    SITE
    + """
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
"""
)


def core_limit(name: str, kind: str, rule: str) -> str:
    """A limit of the core in that step; `rule`: what its kind asks, as the plan writes it."""
    return f'[[product.step.limit]]\nname = "{name}"\nkind = "{kind}"\nplace = "core"\n{rule}\nsource = "invented for this test"\n'


COOLING = core_limit(
    "cooling", "cooling", 'start = "130 °F"\nwindows = [{ to = "80 °F", within = "90 min" }, { to = "40 °F", within = "5 h" }]'
)
WARM = core_limit("warm", "exposure", 'tiers = [{ above = "50 °F", within = "3 h" }]')
DOOR = core_limit("door", "ceiling", 'max = "38 °F"\nallowed = "3 h"')
NEVER = core_limit("never", "ceiling", 'max = "100 °F"')
UP = core_limit("up", "come-up", 'low = "50 °F"\nhigh = "130 °F"\nwithin = "6 h"')
PLAN = CHILL + COOLING + core_limit("hold", "dwell", 'max = "60 °F"\nfor = "20 min"\ncontiguous = true')
#: The same product with limits that ask for at most so long, all of them below their thresholds in these tests but for the gap.
AT_MOST = CHILL + WARM + DOOR


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

    def set_clock(self) -> None:
        """A time service sets the clock and keeps it; the service has not looked yet."""
        self.wrong, self.kept = 0, True

    def get_time(self) -> None:
        """A time service sets the clock and keeps it, and the service finds that."""
        self.set_clock()
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

    def open_lot(self, lot: str = "J-1") -> None:
        self.service.desk.start_lot(ODILE, "juniper-links", lot=lot)
        self.service.desk.place(ODILE, lot, "core-1")

    def end_lot(self, lot: str = "J-1") -> None:
        self.service.desk.end(ODILE, lot)
        self.move(SECOND)
        self.tick()

    def hot_lot(self) -> None:
        """An open lot that cools, half an hour in."""
        self.open_lot()
        for n in range(30):
            self.read(140 - n)
        self.tick()

    def lose_the_time(self, minutes: int, *, sealed: bool = False) -> None:
        """Without power for an hour, then on a clock three days behind, with a reading a minute; `sealed`: the ledger after each."""
        self.power_cut(HOUR, -3 * DAY)
        for n in range(minutes):
            self.read(100 - n)
            if sealed:
                self.tick()
                self.service.writer.submit(lambda conn: ledger.seal(conn, self.clock())).result(10)
        self.tick()
