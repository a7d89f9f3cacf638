"""Two days of sixteen probes come at once, while a cooler is being watched: the service with all its threads."""

import threading
import time
import warnings
from pathlib import Path
from typing import Any

import pytest

from monitor import ledger
from monitor.config import AlarmsConfig, Config, Person, Server
from monitor.desk import Hand
from monitor.service import Service
from monitor.store import events, readings
from rules.engine import Engine
from rules.history import arrange
from rules.quantity import fahrenheit
from rules.reading import HOUR, SECOND, Reading, Tick
from tests.ferncliff import COOLER, SITE, START

PROBES = 16
WAIT_S = 3000.0
LINKS = """
[[product]]
code = "juniper-links"
name = "Juniper venison-and-pork links"
[[product.step]]
name = "cook"
[[product.step.limit]]
name = "lethality"
kind = "lethality"
place = "core"
max_gap = "10 min"
rows = [{ at = "145 °F", for = "4 min" }]
source = "invented for this test"
[[product.step.limit]]
name = "stabilization"
kind = "cooling"
place = "core"
start = "130 °F"
max_gap = "10 min"
windows = [{ to = "80 °F", within = "3 h" }, { to = "45 °F", within = "10 h" }]
source = "invented for this test"
"""
PLAN = SITE + COOLER + LINKS + "".join(f'[[probe]]\nid = "core-{n}"\nplace = "core"\n' for n in range(PROBES))


def backlog(period: int) -> list[Reading]:
    """Two days less some minutes of every core, oldest first: held at 150 °F after four hours, then cooled, some too slowly."""
    rows = []
    for at in range(START + SECOND, START + 48 * HOUR - 600 * SECOND, period):
        hours = (at - START) / HOUR
        for n in range(PROBES):
            value = 60 + 22.5 * min(hours, 4.0) if hours < 5 else 36 + 114 * 0.5 ** ((hours - 5) / (1.2 + n / 12))
            rows.append(Reading(f"core-{n}", at, fahrenheit(round(value, 1))))
    return rows


class Clock:
    """Stands where it is put, and goes on from there."""

    def __init__(self) -> None:
        self.put(START)

    def put(self, at: int) -> None:
        """It is `at` now."""
        self._at, self._mono = at, time.monotonic()

    def __call__(self) -> int:
        return self._at + int((time.monotonic() - self._mono) * SECOND)


def absorb(folder: Path, period: int) -> None:
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    clock = Clock()
    config = Config(
        folder / "larderer.toml", folder / "plan.toml", folder, Server(port=0),
        persons=(Person("Odile Marsh", "operator"),), alarms=AlarmsConfig(all_well=None),
    )  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # sdnotify drops its socket unclosed where no service manager listens
        service = Service(config, clock=clock, drivers=(), exports=False)
    service.start()
    stop = threading.Event()
    # What is seen while the backlog is being taken in and judged: live commits, and findings of the cooler that were told by then.
    seen = {"commits": 0, "told": 0}

    def told() -> int:
        with service.store.read() as conn:
            return sum(e.body["step"] == "cooler-1" and e.body["what"] == "deviated" for e in ledger.entries(conn, kind="finding"))

    def live() -> None:
        while not stop.wait(0.05):
            warm = seen["commits"] >= 3
            service.intake.readings([Reading("cooler-air", clock(), fahrenheit(50.0 if warm else 37.0))]).result(60)
            if service.judging.late is not None:
                seen["commits"] += 1
                if warm and not seen["told"]:
                    seen["told"] = told()

    thread = threading.Thread(target=live)
    try:
        hand = Hand("Odile Marsh", "operator")
        service.desk.start_lot(hand, "juniper-links", lot="J-1")
        for n in range(PROBES):
            service.desk.place(hand, "J-1", f"core-{n}")
        clock.put(START + 48 * HOUR - 500 * SECOND)
        now = clock()
        service.intake.readings([Reading(f"core-{n}", now, fahrenheit(38.0)) for n in range(PROBES)]).result(60)
        thread.start()
        rows = backlog(period)
        for n in range(0, len(rows), 800):
            service.intake.readings(rows[n : n + 800]).result(60)
        deadline = time.monotonic() + WAIT_S
        while service.judging.late is not None:
            assert time.monotonic() < deadline, "the backlog was never judged"
            time.sleep(0.05)
    finally:
        stop.set()
        if thread.ident is not None:
            thread.join()
    try:
        assert seen["commits"] > 10, "live readings were committed while the backlog was judged"
        assert seen["told"] == 1, "and what they found was told before it was"
        at = clock() + SECOND
        service.writer.submit(lambda conn: service.pipeline.tick(conn, at)).result(60)
        check(service, at)
    finally:
        service.close()


def check(service: Service, at: int) -> None:
    """All ends equal to a clean judge over everything, the corrections say why, and it was not one replay a batch."""
    with service.store.read() as conn:
        everything: list[Any] = [e.event for e in events.since(conn)]
        everything += [s.item for s in readings.between(conn, -1, 1 << 60)]
        rejudged = [e.body for e in ledger.entries(conn, kind="rejudged")]
        corrections = [e.body for e in ledger.entries(conn, kind="correction")]
        found = [tuple(e.body[k] for k in ("at", "what", "lot", "step", "limit", "probe")) for e in ledger.entries(conn, kind="finding")]
    engine = Engine(service.plan)
    for item in arrange(everything):
        engine.feed(item)
    engine.feed(Tick(at))
    report, again = service.pipeline.report(), engine.report(settle=False)
    assert report["lots"] == again["lots"]
    assert report["standing"] == again["standing"]
    verdicts = {w["verdict"] for limit in report["lots"][0]["limits"] for w in limit["watches"]}
    assert verdicts == {"met", "deviated"}
    assert len(rejudged) < 20
    assert all("late readings of core-0 from" in one["why"] for one in corrections)
    assert len(found) == len(set(found))


def test_two_days_of_backlog_are_judged_while_live_judging_goes_on(tmp_path: Path) -> None:
    """A reading each four minutes from each probe."""
    absorb(tmp_path, 240 * SECOND)


@pytest.mark.full
@pytest.mark.timeout(1200)
def test_two_days_of_backlog_at_a_tenth_of_the_full_rate(tmp_path: Path) -> None:
    """A reading each ten seconds from each probe: 276,000."""
    absorb(tmp_path, 10 * SECOND)


@pytest.mark.full
@pytest.mark.timeout(3600)
def test_two_days_of_backlog_at_the_full_rate(tmp_path: Path) -> None:
    """A reading a second from each probe: 2.8 million."""
    absorb(tmp_path, SECOND)
