"""The soak itself, for a few hours of its story: what `python -m tests.soak` does for thirty days."""

import json
import sqlite3
from pathlib import Path

from tests.soak.__main__ import run
from tests.soak.again import differences
from tests.soak.reads import whole
from tests.soak.seen import LEVEL_AFTER_DAYS, Seen, grew
from tests.soak.site import REPORT
from tests.soak.story import DAY_MIN, FAULTS, START, Story


def test_every_verdict_of_some_hours_of_faults_is_repeated_from_the_store(tmp_path: Path) -> None:
    """A process is killed among them, a lot is started, rows come late and twice: a clean replay says the same of each watch."""
    said: list[str] = []
    lines, wrong = run(tmp_path, 0.25, 60, said.append)
    assert wrong == [], lines
    verdicts = next(line for line in lines if line.startswith("verdicts: "))
    assert int(verdicts.split()[1]) >= 15, lines
    for what in ("readings", "findings", "messages", "written to the device"):
        assert any(line.startswith(f"{what}: ") for line in lines), lines
    report = json.loads((tmp_path / REPORT).read_text(encoding="utf-8"))
    report["lots"][0]["verdict"] = "another"
    _, found = differences(tmp_path / "data" / "larderer.sqlite", report, START)
    assert found == ["lot J-01: the live report of it is not the replayed one"]


def test_what_grows_in_the_longest_life_is_told_and_what_only_breathes_is_not() -> None:
    """Memory is judged in a story that is long enough to be level; descriptors in a life that is."""
    seen = Seen(2 * LEVEL_AFTER_DAYS * DAY_MIN, 10, long=(0, 48))
    for hour in range(48):
        seen.samples.append({"hour": hour, "mb": 90.0 + hour % 3, "descriptors": 20, "threads": 9, "wal_kb": 4100.0})
    assert grew(seen) == []
    for one in seen.samples:
        one["mb"] += one["hour"] / 4
        one["descriptors"] += one["hour"] // 8
    assert grew(seen) == ["resident memory, MB grew from 92.8 to 100.8", "descriptors grew from 20.0 to 24.0"]
    seen.minutes -= 1
    assert grew(seen) == ["descriptors grew from 20.0 to 24.0"]
    seen.long = (0, 47)
    assert grew(seen) == []


def test_a_statement_that_reads_a_whole_table_that_grows_is_told_and_one_by_an_index_is_not() -> None:
    """Nor one by an index that holds only what waits."""
    conn = sqlite3.connect(":memory:")
    conn.execute("CREATE TABLE outbox (id INTEGER PRIMARY KEY, state TEXT, try_at INTEGER)")
    conn.execute("CREATE INDEX ix_outbox_waiting ON outbox (try_at) WHERE state = 'waiting'")
    assert "the whole of outbox" in whole(conn, "SELECT outbox.id FROM outbox WHERE outbox.state = ?", ("sent",))
    assert whole(conn, "SELECT outbox.id FROM outbox WHERE outbox.id = ?", (1,)) == ""
    assert whole(conn, "SELECT outbox.try_at FROM outbox WHERE outbox.state = 'waiting' ORDER BY outbox.try_at", ()) == ""
    conn.close()


def test_every_fault_comes_within_two_days_and_no_process_ends_where_none_may() -> None:
    """The faults are drawn anew each day, each at least once in two."""
    one = Story(48 * 60, 10, range(48 * 60))
    assert {one.fault(hour) for hour in range(48)} == set(FAULTS)
    calm = Story(48 * 60, 10, range(0))
    assert {calm.fault(hour) for hour in range(48)} == set(FAULTS) - {"killed", "restarted"}


def test_a_minute_of_the_story_is_the_same_when_it_is_lived_again() -> None:
    """A process that died goes on where it was: nothing depends on what was told before."""
    once, again = Story(600, 10, range(600)), Story(600, 10, range(600))
    told = [once.minute(n) for n in range(600)]
    assert [again.minute(n) for n in reversed(range(600))] == told[::-1]
    sent = {(item.probe, item.at) for minute in told for batch in minute.batches for item in batch}
    assert len(sent) > 0.95 * 16 * 6 * 600
    assert min(at for _, at in sent if at >= 0) >= START
