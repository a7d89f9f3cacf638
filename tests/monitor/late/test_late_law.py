"""The law of late delivery through the real store: whatever comes when, the verdicts are those of the right order."""

import random
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor import judging as judging_module
from monitor.replay import Replay
from rules.reading import HOUR, MINUTE, SECOND, Fault, LotEvent, Reading
from tests.monitor.late.rig import ENTRIES, HOURS, START, Rig, cook

DRAWN = {
    "seed": st.integers(0, 10_000),
    "at_once": st.sampled_from((-1, 60, 500, 20_000)),
    "share": st.sampled_from((0.0, 0.01, 0.3)),
    "most_late": st.sampled_from((5 * SECOND, 10 * MINUTE, 10 * HOUR)),
}
QUIET = {"deadline": None, "suppress_health_check": list(HealthCheck)}


def deliver(rig: Rig, seed: int, at_once: int, share: float, most_late: int) -> None:
    """A random part of everything comes up to `most_late` late, in random batches, while entries come in time."""
    chance = random.Random(seed)
    rows = cook(seed, 2 * MINUTE)
    outage = sorted(chance.randrange(HOURS * 60) for _ in range(2))

    def received(row: Reading | Fault) -> int:
        minute = (row.at - START) // MINUTE
        if outage[0] <= minute < outage[1] and row.probe == "core-1":  # a gateway that kept what it could not send
            return START + outage[1] * MINUTE + chance.randrange(0, 20) * MINUTE
        late_by = chance.randrange(0, most_late) if chance.random() < share else 0
        return row.at + late_by

    come: list[tuple[int, int, Any]] = [(received(row), 1, row) for row in rows] + [(e.at, 0, e) for e in ENTRIES]
    come.sort(key=lambda one: one[:2])
    batch: list[Reading | Fault] = []
    judging_module.AT_ONCE = at_once
    for when, _, what in come:
        rig.now = max(rig.now, when)
        if isinstance(what, LotEvent):
            if batch:
                rig.send(batch)
                batch = []
            rig.enter(what)
            continue
        batch.append(what)
        if chance.random() < 0.02:
            if chance.random() < 0.5:
                chance.shuffle(batch)
            rig.send(batch)
            batch = []
            for _ in range(chance.choice((0, 0, 1, 3))):
                rig.slice()
            if chance.random() < 0.3:
                rig.tick()
            if chance.random() < 0.01:
                rig.restart()
    if batch:
        rig.send(batch)


def law(tmp_path_factory: pytest.TempPathFactory, seed: int, at_once: int, share: float, most_late: int) -> None:
    rig = Rig(tmp_path_factory.mktemp("law"))
    before, slice_ = judging_module.AT_ONCE, Replay.step.__defaults__
    Replay.step.__defaults__ = (40,)  # slices so small that much comes between them
    try:
        deliver(rig, seed, at_once, share, most_late)
        rig.catch_up()
        rig.agrees()
        assert rig.service.pipeline.report()["lots"][0]["verdict"] != "open"
        rig.restart()
        rig.agrees()
    finally:
        judging_module.AT_ONCE, Replay.step.__defaults__ = before, slice_
        rig.service.close()


@settings(max_examples=5, **QUIET)  # type: ignore[arg-type]  # a mapping of settings
@given(**DRAWN)
def test_late_delivery_ends_in_the_verdicts_of_the_right_order(
    tmp_path_factory: pytest.TempPathFactory, seed: int, at_once: int, share: float, most_late: int
) -> None:
    """Any subset, however late, in any batches, with restarts between: the same report as a clean judge, and the ledger says so."""
    law(tmp_path_factory, seed, at_once, share, most_late)


@pytest.mark.full
@pytest.mark.timeout(3600)
@settings(max_examples=300, **QUIET)  # type: ignore[arg-type]  # a mapping of settings
@given(**DRAWN)
def test_late_delivery_ends_in_the_verdicts_of_the_right_order_many_times(
    tmp_path_factory: pytest.TempPathFactory, seed: int, at_once: int, share: float, most_late: int
) -> None:
    """The same law, often."""
    law(tmp_path_factory, seed, at_once, share, most_late)
