"""What came too late is counted outside the writer, in slices, and no row is lost or released twice by what happens meanwhile."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from sqlalchemy import Connection, event

from monitor import late
from monitor.errors import RefusedError
from monitor.late_count import Counted
from monitor.store import evidence, readings
from monitor.store.database import Store
from monitor.store.readings import Arrival
from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE, Fault, Instant, Reading

START = parse_instant("2026-03-02T08:00:00-06:00")
GOT = START + 100 * HOUR


@pytest.fixture
def store(database: str) -> Iterator[Store]:
    one = Store(database).open()
    yield one
    one.close()


def put(store: Store, probe: str, minutes: range, got: Instant = GOT, fault: bool = False) -> None:
    """Store and list a row a minute of a probe, all received at one instant."""
    items = [Fault(probe, START + m * MINUTE, "open circuit") if fault else Reading(probe, START + m * MINUTE, 4.0) for m in minutes]
    with store.write() as conn:
        late.add_too_late(conn, [one for one in readings.store(conn, [Arrival(item, got) for item in items]) if one.too_late])


def fence(store: Store) -> late.Fence:
    with store.write() as conn:
        return late.fence(conn)


def release(store: Store, since: Instant, held: late.Fence, found: Counted) -> late.Released:
    with store.write() as conn:
        return late.release(conn, since, held, found)


def listed(store: Store) -> dict[str, tuple[int, int, int]]:
    """By probe: how many wait, the first and the last minute."""
    with store.read() as conn:
        return {one.probe: (one.count, (one.first - START) // MINUTE, (one.last - START) // MINUTE) for one in late.too_late(conn)}


def judged(store: Store) -> int:
    with store.read() as conn:
        return sum(1 for _ in readings.between(conn, -1, 1 << 60))


def test_slices_of_any_size_count_alike(store: Store) -> None:
    """Readings and faults of three probes, one in good time among them; the instant named may lie inside a slice."""
    put(store, "air-1", range(60))
    put(store, "air-2", range(30, 90))
    put(store, "air-2", range(90, 95), fault=True)
    put(store, "air-3", range(40, 50), got=START + HOUR)  # in good time: judged already
    held = fence(store)
    since = START + 45 * MINUTE
    counts = [late.counted(store.read, held, since, rows) for rows in (1, 7, 1000)]
    assert counts[0] == counts[1] == counts[2]
    assert {probe: one.count for probe, one in counts[0].since.items()} == {"air-1": 15, "air-2": 50}
    assert {probe: one.count for probe, one in counts[0].before.items()} == {"air-1": 45, "air-2": 15}
    assert release(store, since, held, counts[0]) == late.Released(65, since)
    assert listed(store) == {"air-1": (45, 0, 44), "air-2": (15, 30, 44)}
    assert judged(store) == 65 + 10


def test_writer_reads_no_reading_to_release(store: Store) -> None:
    """However many they are: only the numbers come to it."""
    put(store, "air-1", range(60))
    held = fence(store)
    found = late.counted(store.read, held, START)
    said: list[str] = []
    with store.write() as conn:

        def hear(_conn: Connection, _cursor: object, statement: str, *_: object) -> None:
            said.append(statement)

        event.listen(conn, "before_cursor_execute", hear)
        late.release(conn, START, held, found)
    assert said
    assert [statement for statement in said if "FROM reading" in statement or "FROM fault" in statement] == []


def test_what_comes_while_it_is_counted_waits_and_is_listed_exactly(store: Store) -> None:
    """Of the same probe inside the same stretch, and of another: neither judged nor lost, and released when asked for again."""
    put(store, "air-1", range(60))
    held = fence(store)
    put(store, "air-1", range(100, 110))
    found = late.counted(store.read, held, START)
    put(store, "air-2", range(5))
    assert listed(store) == {"air-1": (70, 0, 109), "air-2": (5, 0, 4)}
    assert release(store, START, held, found).count == 60
    assert listed(store) == {"air-1": (10, 100, 109), "air-2": (5, 0, 4)}
    assert judged(store) == 60
    again = fence(store)
    assert release(store, START, again, late.counted(store.read, again, START)).count == 15
    assert listed(store) == {}
    assert judged(store) == 75


def test_two_who_ask_at_once_release_once(store: Store) -> None:
    """The second is told, and nothing is counted twice."""
    put(store, "air-1", range(60))
    first = fence(store)
    found = late.counted(store.read, first, START)
    second = fence(store)
    release(store, START, second, late.counted(store.read, second, START))
    with pytest.raises(RefusedError, match="somebody else has just asked"):
        release(store, START, first, found)
    with store.read() as conn:
        assert len(evidence.rule(conn).releases) == 1


def test_fence_that_a_crash_left_standing_loses_nothing(store: Store) -> None:
    """What was held and what came after it are one list for whoever asks next."""
    put(store, "air-1", range(60))
    fence(store)
    put(store, "air-1", range(60, 70))
    held = fence(store)
    assert release(store, START, held, late.counted(store.read, held, START)).count == 70
    assert listed(store) == {}


def test_nothing_from_the_instant_on_releases_nothing(store: Store) -> None:
    """And leaves the list as it was."""
    put(store, "air-1", range(60))
    held = fence(store)
    assert release(store, START + 2 * HOUR, held, late.counted(store.read, held, START + 2 * HOUR)) == late.Released(0, None)
    assert listed(store) == {"air-1": (60, 0, 59)}
    assert judged(store) == 0
