"""The system's clock watched against a steady one: steps ring and are noted, slews are noted once they add up."""

from concurrent.futures import Future
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from sqlalchemy import Connection

from monitor import ledger
from monitor.clock import kernel_slew, steady_clock, wall_clock
from monitor.clock_watch import ClockWatch
from monitor.config import AlarmsConfig, Config, Server, StoreConfig
from monitor.errors import RefusedError
from monitor.service import Service
from rules.reading import HOUR, MINUTE, SECOND
from tests.ferncliff import START
from tests.monitor.clock.board import DAY, PLAN


@pytest.fixture
def at() -> SimpleNamespace:
    return SimpleNamespace(wall=START, steady=0, slew=0)


@pytest.fixture
def watch(at: SimpleNamespace) -> ClockWatch:
    return ClockWatch(lambda: at.wall, lambda: at.steady, lambda: at.slew)


def later(at: SimpleNamespace, span: int, wall: int = 0, slew: int = 0) -> None:
    """Time goes on; the system's clock is set by `wall`, the kernel slews its clocks by `slew`."""
    at.steady += span
    at.wall += span + wall
    at.slew += slew


def test_slew_is_noted_once_it_adds_up_to_five_seconds(at: SimpleNamespace, watch: ClockWatch) -> None:
    """The kernel slews both clocks alike, so the oscillator tells; each five seconds once, and over how long."""
    found = []
    for _ in range(25):
        later(at, HOUR, slew=SECOND // 2)
        found.append(watch.look())
    assert [one.step for one in found] == [0] * 25
    assert [(n, one.slewed, one.over) for n, one in enumerate(found, 1) if one.slewed] == [
        (10, 5 * SECOND, 10 * HOUR),
        (20, 5 * SECOND, 10 * HOUR),
    ]


def test_small_steps_that_add_up_are_noted_as_a_slew(at: SimpleNamespace, watch: ClockWatch) -> None:
    """A time service that sets the clock by a second now and then; forward and back again is nothing."""
    found = []
    for wall in (SECOND, -SECOND, *([-SECOND] * 5)):
        later(at, MINUTE, wall)
        found.append(watch.look())
    assert [(one.step, one.slewed) for one in found] == [(0, 0)] * 6 + [(0, -5 * SECOND)]


def test_step_is_no_slew(at: SimpleNamespace, watch: ClockWatch) -> None:
    """A day at once is told as a step, and is not told again as what had been slewed."""
    later(at, MINUTE, DAY)
    assert watch.look()[:3] == (DAY, START + DAY + MINUTE, 0)
    later(at, MINUTE)
    assert watch.look()[0:3:2] == (0, 0)


def test_what_could_not_be_noted_is_told_at_the_next_look(at: SimpleNamespace, watch: ClockWatch) -> None:
    """Of a step and of a slew alike, and then once."""
    later(at, MINUTE, DAY)
    watch.again(watch.look())
    assert watch.look().step == DAY
    later(at, HOUR, slew=6 * SECOND)
    watch.again(watch.look())
    later(at, HOUR)
    told = watch.look()
    assert (told.slewed, told.over) == (6 * SECOND, 2 * HOUR + MINUTE)
    assert watch.look().slewed == 0


def test_slew_stands_in_the_ledger_and_rings_nobody(at: SimpleNamespace, watch: ClockWatch, tmp_path: Path) -> None:
    """Over a service whose upkeep is refused at first: the entry is made at the next look, once."""
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    config = Config(
        tmp_path / "larderer.toml", tmp_path / "plan.toml", tmp_path / "data", Server(port=0), alarms=AlarmsConfig(all_well=None),
        store=StoreConfig(spare_mb=0, copy_every=0),
    )  # fmt: skip
    service = Service(config, clock=lambda: int(at.wall), clock_watch=watch, drivers=(), tick_s=3600.0, exports=False)
    service.start()

    def look() -> None:
        service._look_after(at.wall)
        service.writer.submit(lambda _: None).result(10)

    def slewed() -> list[dict[str, Any]]:
        with service.store.read() as conn:
            return [e.body for e in ledger.entries(conn, kind="clock") if e.body.get("what") == "slewed"]

    try:
        later(at, 4 * HOUR, slew=7 * SECOND)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(ledger, "append", refused)
            look()
        assert slewed() == []
        later(at, HOUR)
        look()
        look()
        assert slewed() == [{"what": "slewed", "by_s": 7.0, "over_s": 5 * 3600.0}]
        with service.store.read() as conn:
            assert [e.body for e in ledger.entries(conn, kind="alarm") if "clock" in str(e.body)] == []
    finally:
        service.close()


def refused(_conn: Connection, *_: object, **__: object) -> Future[None]:
    raise RefusedError("the ledger takes nothing now")


def test_this_machine_s_clocks_can_be_watched() -> None:
    """The real ones: two looks one after the other find no step and no slew."""
    watch = ClockWatch(wall_clock, steady_clock, kernel_slew)
    assert [(one.step, one.slewed) for one in (watch.look(), watch.look())] == [(0, 0)] * 2
