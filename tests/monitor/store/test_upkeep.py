"""Lot events, snapshots, plans and settings."""

import itertools

import pytest
from sqlalchemy import text

from monitor.errors import StoreDamaged
from monitor.store import events, plans, readings, snapshots
from monitor.store.database import Store
from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE, LotEvent, Reading

T0 = parse_instant("2026-03-02T13:00:00Z")
EVENTS = [
    LotEvent(T0, "start", "J-0412", "juniper-links", by="Odile Marsh"),
    LotEvent(T0 + 9, "place", "J-0412", "core-1"),
    LotEvent(T0 + 5, "measure", "S-0413", "pH", "5.2", entered=T0 + 9),
]


def test_lot_events_come_back_as_written(store: Store) -> None:
    """Every field, in order of arrival, of event time, and by lot."""
    with store.write() as conn:
        assert [events.add(conn, event, T0 + 10) for event in EVENTS] == [1, 2, 3]
    with store.read() as conn:
        assert [stored.event for stored in events.since(conn)] == EVENTS
        assert [stored.seq for stored in events.since(conn, 2)] == [3]
        assert [stored.event.at for stored in events.between(conn, T0, T0 + 9)] == [T0 + 5, T0 + 9]
        assert [stored.event.event for stored in events.of_lot(conn, "J-0412")] == ["start", "place"]
        assert events.last_seq(conn) == 3


def test_snapshot_says_what_is_in_it(store: Store) -> None:
    """It carries the place of the next arrival and of the last event beside the state."""
    with store.write() as conn:
        readings.store(conn, [readings.Arrival(Reading("core-1", T0, 3.0), T0)])
        events.add(conn, EVENTS[0], T0)
        snapshots.keep(conn, {"lots": {"J-0412": [1.25, None, "°"]}}, T0, "abc", T0 + 1)
    with store.read() as conn:
        found = snapshots.newest(conn)
        assert found == snapshots.Snapshot(T0, "abc", 2, 1, {"lots": {"J-0412": [1.25, None, "°"]}})
        assert snapshots.newest(conn, "other plan") is None


def test_a_lot_that_is_over_stays_packed_and_comes_back_in_its_place(store: Store) -> None:
    """A state that ends too soon is told as damage, not taken for one with fewer lots."""
    state = {"lots": [{"id": "J-0409"}, b"J-0410, packed", {"id": "J-0411"}, b"J-0412"], "now": T0}
    with store.write() as conn:
        snapshots.keep(conn, state, T0, "abc", T0)
        found = snapshots.newest(conn)
        assert found is not None
        assert found.state == state
        snapshots.keep_packed(conn, T0 + 1, "abc", 1, 0, T0, snapshots.pack(state)[:-1])
        with pytest.raises(StoreDamaged, match="it ends too soon"):
            snapshots.newest(conn)


def test_replay_begins_strictly_before_what_came_late(store: Store) -> None:
    """A snapshot at the very instant of a late reading may hold its neighbours; the one before is taken."""
    with store.write() as conn:
        for n in range(5):
            snapshots.keep(conn, {"n": n}, T0 + n * MINUTE, "abc", T0)
        found = snapshots.before(conn, T0 + 3 * MINUTE)
        assert found is not None
        assert found.state == {"n": 2}
        assert snapshots.before(conn, T0) is None
        assert snapshots.forget_from(conn, T0 + 3 * MINUTE) == 2
        newest = snapshots.newest(conn)
        assert newest is not None
        assert newest.state == {"n": 2}


def test_snapshots_are_thinned_but_reach_back(store: Store) -> None:
    """After twenty days of one every ten minutes: the last hours whole, one an hour beyond 48 h, one a day for two weeks, one older."""
    with store.write() as conn:
        for n in range(20 * 144):
            snapshots.keep_packed(conn, T0 + n * 10 * MINUTE, "abc", 1, 0, T0, b"")
            if n % 50 == 0:  # thinned again and again, as it grows
                snapshots.prune(conn)
        snapshots.prune(conn)
        top = T0 + (20 * 144 - 1) * 10 * MINUTE
        kept = [row.at for row in conn.execute(text("SELECT at FROM snapshot ORDER BY at DESC"))]
        assert kept[:37] == [top - n * 10 * MINUTE for n in range(37)]
        assert len(kept) <= 37 + 45 + 14 + 2
        steps = [(top - right, left - right) for left, right in itertools.pairwise(kept)]
        assert max(step for age, step in steps if age <= 49 * HOUR) <= 2 * HOUR, "a reading 48 h late replays little more than 48 h"
        assert max(step for age, step in steps if age <= 15 * 24 * HOUR) <= 48 * HOUR
        assert kept[-1] <= top - 15 * 24 * HOUR


def test_snapshot_that_cannot_be_read_is_told(store: Store) -> None:
    """A damaged snapshot is named, not skipped."""
    with store.write() as conn:
        snapshots.keep(conn, {}, T0, "abc", T0)
        conn.execute(text("UPDATE snapshot SET data = :data"), {"data": b"\x01\x02"})
    with pytest.raises(StoreDamaged, match="snapshot 1 cannot be read"), store.read() as conn:
        snapshots.newest(conn)


def test_plan_in_force_is_found_for_every_instant(store: Store) -> None:
    """A plan counts from its start until the next; the same one again is not noted twice, unless another came between."""
    with store.write() as conn:
        assert plans.put(conn, "a", "plan a", T0)
        assert not plans.put(conn, "a", "plan a", T0 + 1)
        assert plans.put(conn, "b", "plan b", T0 + 10)
        assert plans.put(conn, "a", "plan a", T0 + 20)
    with store.read() as conn:
        at = {n: plans.in_force(conn, T0 + n) for n in (-1, 0, 9, 10, 19, 20, 99)}
        assert [None if found is None else found.text[-1] for found in at.values()] == [None, "a", "a", "b", "b", "a", "a"]
        assert [found.sha256 for found in plans.between(conn, T0 + 5, T0 + 15)] == ["a", "b"]
        assert [found.sha256 for found in plans.between(conn, T0 + 9, T0 + 30)] == ["b", "a"]
        assert plans.between(conn, T0 - 9, T0 - 1) == []


def test_setting_keeps_any_json(store: Store) -> None:
    """Written over, read back, defaulted."""
    with store.write() as conn:
        plans.set_setting(conn, "a", 1)
        plans.set_setting(conn, "a", {"b": [None, "°"]})
        assert plans.get_setting(conn, "a") == {"b": [None, "°"]}
        assert plans.get_setting(conn, "c", 7) == 7
