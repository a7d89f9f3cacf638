"""Power loss, as far as a process can show it: `kill -9` at random moments while readings and records are written."""

import os
import random
import subprocess
import sys
import time
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


def run_and_kill(path: Path, first: int, acknowledgements: int, delay_s: float) -> list[int]:
    """Let a process write until it has acknowledged so many batches, kill it a moment later; the numbers acknowledged."""
    command = [sys.executable, str(HERE / "store_load.py"), str(path), str(first)]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT)}, text=True)
    assert child.stdout is not None
    try:
        lines = [line for line, _ in zip(child.stdout, range(acknowledgements), strict=False)]
        time.sleep(delay_s)  # where in its work the blow falls is left to chance
    finally:
        child.kill()
    lines += child.stdout.readlines()
    child.stdout.close()
    assert child.wait(20) < 0, "the process ended by itself"
    return [int(line) for line in lines if line.endswith("\n")]


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
    for _ in range(rounds):
        wanted = chance.choice([0, 1, 5, 40, 150])
        # Without a single acknowledgement to wait for, the blow falls while the database is made or opened.
        got = run_and_kill(path, following, wanted, chance.uniform(0.3, 2.0) if wanted == 0 else chance.uniform(0, 0.05))
        assert len(got) >= wanted
        acknowledged.update(got)
        with Store(path) as store:
            following = check(store, acknowledged)
    assert acknowledged


def test_every_acknowledged_reading_and_record_survives_kill_9(tmp_path: Path) -> None:
    """A few blows, one after the other on the same database."""
    crash(tmp_path / "larderer.sqlite", rounds=5, seed=3)


@pytest.mark.full
@pytest.mark.timeout(900)
def test_every_acknowledged_reading_and_record_survives_kill_9_fifty_times(tmp_path: Path) -> None:
    """Fifty blows."""
    crash(tmp_path / "larderer.sqlite", rounds=50, seed=11)
