"""Power loss, as far as a process can show it: `kill -9` at random moments while readings and records are written."""

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterable
from itertools import cycle, islice
from pathlib import Path

import pytest
from sqlalchemy import func, select

from monitor import ledger
from monitor.store import readings, snapshots
from monitor.store.database import Store
from monitor.store.schema import snapshot

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
T0 = 1_772_456_400_000_000
PER_BATCH = 3


def start(path: Path, first: int, moment: int = 0) -> subprocess.Popen[str]:
    command = [sys.executable, str(HERE / "store_load.py"), str(path), str(first), str(moment)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT)}, text=True)


def numbers(lines: list[str]) -> list[int]:
    """The numbers acknowledged; a line cut by the blow is none."""
    return [int(line) for line in lines if line.endswith("\n")]


def run_and_kill(path: Path, first: int, acknowledgements: int, delay_s: float) -> list[int]:
    """Let a process write until it has acknowledged so many batches, kill it a moment later; the numbers acknowledged."""
    child = start(path, first)
    assert child.stdout is not None
    try:
        lines = [line for line, _ in zip(child.stdout, range(acknowledgements), strict=False)]
        time.sleep(delay_s)  # where in its work the blow falls is left to chance
    finally:
        child.kill()
    lines += child.stdout.readlines()
    child.stdout.close()
    assert child.wait(20) < 0, "the process ended by itself"
    return numbers(lines)


def run_until_its_moment(path: Path, first: int, moment: int) -> list[int]:
    """Let a process write until it kills itself at that moment of its work; the numbers acknowledged."""
    child = start(path, first, moment)
    lines = child.communicate(timeout=60)[0].splitlines(keepends=True)
    assert child.returncode == -signal.SIGKILL
    return numbers(lines)


def check(store: Store, acknowledged: set[int]) -> int:
    """Everything acknowledged is there, everything there is whole, the chain is sound; the next free number."""
    with store.read() as conn:
        assert ledger.verify(conn) == []
        records = [entry.body["number"] for entry in ledger.entries(conn, kind="finding")]
        stored: dict[int, int] = {}
        for found in readings.between(conn, 0, 2**62):
            number = (found.item.at - T0) // 1_000_000
            stored[number] = stored.get(number, 0) + 1
        assert acknowledged <= set(records)
        assert sorted(records) == sorted(stored)
        assert len(records) == len(set(records))
        assert set(stored.values()) <= {PER_BATCH}
        newest = snapshots.newest(conn)
        assert newest is None or newest.state["number"] in stored
        assert conn.execute(select(func.count()).select_from(snapshot)).scalar_one() == 0 or newest is not None
    return max(records, default=0) + 1


def crash(path: Path, rounds: int, seed: int) -> None:
    chance = random.Random(seed)
    acknowledged: set[int] = set()
    following = 1
    for wanted in islice(cycle((120, 0, 250, 40, 400, 1, 170)), rounds):
        # Without a single acknowledgement to wait for, the blow falls while the database is made or opened.
        got = run_and_kill(path, following, wanted, chance.uniform(0.3, 2.0) if wanted == 0 else chance.uniform(0, 0.15))
        assert len(got) >= wanted
        acknowledged.update(got)
        with Store(path) as store:
            following = check(store, acknowledged)
    assert acknowledged


def die_at(path: Path, moments: Iterable[int]) -> None:
    acknowledged: set[int] = set()
    following = 1
    for moment in moments:
        acknowledged.update(run_until_its_moment(path, following, moment))
        with Store(path) as store:
            following = check(store, acknowledged)


def test_nothing_is_acknowledged_that_a_blow_can_still_take(tmp_path: Path) -> None:
    """Killed after a job, before a commit and right after it, and later in the run."""
    die_at(tmp_path / "larderer.sqlite", (1, 2, 3, 13))


@pytest.mark.full
@pytest.mark.timeout(900)
def test_nothing_is_acknowledged_that_a_blow_can_still_take_at_any_moment(tmp_path: Path) -> None:
    """Killed at the first moment of its work, the second, and so on to the fiftieth."""
    die_at(tmp_path / "larderer.sqlite", range(1, 51))


def test_every_acknowledged_reading_and_record_survives_kill_9(tmp_path: Path) -> None:
    """A few blows, one after the other on the same database."""
    crash(tmp_path / "larderer.sqlite", rounds=3, seed=3)


@pytest.mark.full
@pytest.mark.timeout(900)
def test_every_acknowledged_reading_and_record_survives_kill_9_fifty_times(tmp_path: Path) -> None:
    """Fifty blows."""
    crash(tmp_path / "larderer.sqlite", rounds=40, seed=11)
