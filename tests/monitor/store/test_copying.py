"""A backup of a server's database is a file like any other, and the way from one engine to the other."""

from collections.abc import Callable
from pathlib import Path

import pytest

from monitor import ledger
from monitor.errors import RefusedError
from monitor.store import events, plans, readings, snapshots
from monitor.store.copying import copy_rows
from monitor.store.database import Store
from rules.reading import SECOND, Fault, LotEvent, Reading

T0 = 1_772_456_400 * SECOND


def fill(store: Store) -> None:
    """Readings with every bit in use, a fault, an event, records, a snapshot, a plan."""
    with store.write() as conn:
        plans.put(conn, "a", "plan — “text”", T0)
        items = [Reading(f"core-{n % 2}", T0 + n * SECOND, 20 + n / 7, -0.1, "stuck" if n % 5 == 0 else "") for n in range(50)]
        readings.store(conn, [readings.Arrival(item, item.at + 5) for item in [*items, Fault("core-1", T0, "checksum", "4F\x00 1")]])
        ledger.seal(conn, T0 + 60 * SECOND)
        events.add(conn, LotEvent(T0, "start", "J-1", "juniper-links", "", None, "Odile Marsh"), T0)
        ledger.append(conn, "note", {"text": "ümlaut ☂", "margin": 1 / 3}, T0 + 61 * SECOND, by="Tam Okafor")
        snapshots.keep(conn, {"state": [1, 2.5]}, T0, "a", T0)


def contents(store: Store) -> tuple[object, ...]:
    with store.read() as conn:
        assert ledger.verify(conn) == []
        newest = snapshots.newest(conn)
        return (
            ledger.head(conn),
            list(readings.between(conn, 0, 2**62, unjudged=True)),
            list(events.since(conn)),
            newest and newest.state,
            plans.in_force(conn, T0),
        )


def test_copy_verifies_and_is_the_same_to_the_last_bit(store: Store, tmp_path: Path) -> None:
    """A backup, of either engine, opens as a file, holds the same and verifies."""
    fill(store)
    with Store(store.backup(tmp_path / "copy.sqlite"), create=False) as copy:
        assert contents(copy) == contents(store)


def test_copy_into_another_engine_goes_on_where_it_was(store: Store, tmp_path: Path, new_database: Callable[[], str]) -> None:
    """What a backup is copied into verifies, has the same head, and takes new entries behind it."""
    fill(store)
    copy = store.backup(tmp_path / "copy.sqlite")
    with Store(copy, create=False) as source, Store(new_database()) as target:
        with source.read() as old, target.write(alone=True) as conn:
            assert copy_rows(old, conn) > 50
        assert contents(target) == contents(source)
        with target.write() as conn:
            events.add(conn, LotEvent(T0 + 1, "end", "J-1", "", "", None, ""), T0)
            readings.store(conn, [readings.Arrival(Reading("core-9", T0 + 99 * SECOND, 4.0), T0 + 99 * SECOND)])
            ledger.append(conn, "note", {"text": "after"}, T0 + 99 * SECOND)
        with target.read() as conn:
            assert ledger.verify(conn) == []


def test_nothing_is_copied_over_what_is_there(store: Store, tmp_path: Path, new_database: Callable[[], str]) -> None:
    """A database that holds something is left as it is."""
    fill(store)
    copy = store.backup(tmp_path / "copy.sqlite")
    with Store(copy, create=False) as source, Store(new_database()) as target:
        fill(target)
        before = contents(target)
        with pytest.raises(RefusedError, match="holds rows; make an empty database"), source.read() as old, target.write() as conn:
            copy_rows(old, conn)
        assert contents(target) == before
