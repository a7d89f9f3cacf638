"""Old readings go, block by block, once nothing needs them; their seals and the deletion stay on record."""

from contextlib import suppress

import pytest
from sqlalchemy import text

from monitor import chain, ledger, retention
from monitor.deviations import deviation
from monitor.errors import ExportError, LedgerError, RecordRefused
from monitor.export import extract
from monitor.store import events, plans, readings
from monitor.store.database import Store
from rules.quantity import parse_instant
from rules.reading import HOUR, SECOND, Fault, LotEvent, Reading

T0 = parse_instant("2026-03-02T13:00:00Z")
DAY = 24 * HOUR
KEEP = 30 * DAY
BLOCK = 40


def fill(store: Store, days: int) -> None:
    """A block of 40 arrivals a day, each tenth a fault, sealed at the day's end; one stamp of the first day is years ahead."""
    with store.write() as conn:
        for n in range(days):
            items: list[Reading | Fault] = [
                Fault("core-1", T0 + n * DAY + k * SECOND, "checksum")
                if k % 10 == 9
                else Reading("core-1", T0 + n * DAY + k * SECOND, k / 7)
                for k in range(BLOCK)
            ]
            if n == 0:
                items[3] = Reading("core-1", T0 + 4000 * DAY, 3.0)
            readings.store(conn, [readings.Arrival(item, T0 + n * DAY + k * SECOND) for k, item in enumerate(items)])
            ledger.seal(conn, T0 + n * DAY + HOUR, entered_at=T0 + n * DAY + HOUR)


def sweep(store: Store, now: int, rows: int = 10_000) -> retention.Swept:
    with store.write() as conn:
        return retention.sweep(conn, now, KEEP, rows=rows)


def left(store: Store) -> int:
    with store.read() as conn:
        assert ledger.verify(conn) == []
        return readings.count(conn)


def test_old_readings_go_and_their_seals_stay(store: Store) -> None:
    """What was sealed more than 30 days ago is gone, the ledger says so and still verifies, and what is younger can be proven."""
    fill(store, 10)
    assert sweep(store, T0 + 34 * DAY) == (4 * BLOCK, False)
    assert left(store) == 6 * BLOCK
    with store.read() as conn:
        entry = ledger.newest(conn, "retention")
        assert entry is not None
        assert (entry.body["first_seq"], entry.body["last_seq"], entry.body["count"], entry.body["deleted"]) == (1, 160, 160, 160)
        assert ledger.prove(conn, 161).leaf["seq"] == 161
        with pytest.raises(LedgerError, match="arrival 7 was deleted under retention; entry 1 still holds the root over its block"):
            ledger.prove(conn, 7)
    assert sweep(store, T0 + 34 * DAY) == (0, False)


def test_reading_deleted_under_retention_is_still_shown_by_its_root(store: Store) -> None:
    """Whoever kept a reading with its path can show it against the root that stays in the ledger."""
    fill(store, 2)
    with store.read() as conn:
        proof = ledger.prove(conn, 21)
    sweep(store, T0 + 90 * DAY)
    with store.read() as conn:
        root = next(e.body["root"] for e in ledger.entries(conn) if e.seq == proof.seal)
    assert chain.proof_holds(proof)
    assert proof.root == root


def test_work_of_one_sweep_is_bounded(store: Store) -> None:
    """So many rows in one transaction, the oldest first, until nothing is left to do; one block at least."""
    fill(store, 7)
    found = []
    while (swept := sweep(store, T0 + 90 * DAY, rows=2 * BLOCK + 1)).rows:
        found.append(swept)
    assert found == [(2 * BLOCK, True)] * 3 + [(BLOCK, False)]
    assert left(store) == 0
    fill_one = retention.Swept(0, False)
    assert sweep(store, T0 + 90 * DAY, rows=1) == fill_one


def test_open_lot_keeps_its_readings_however_old(store: Store) -> None:
    """A lot started on the fifth day and never ended: what came before it goes, its own stays until it has ended."""
    fill(store, 10)
    with store.write() as conn:
        events.add(conn, LotEvent(T0 + 5 * DAY, "start", "J-0412", "juniper-links", by="Odile Marsh"), T0)
    sweep(store, T0 + 400 * DAY)
    assert left(store) == 7 * BLOCK, "two days before its start are kept, whatever the clocks were"
    with store.write() as conn:
        events.add(conn, LotEvent(T0 + 6 * DAY, "end", "J-0412"), T0)
    sweep(store, T0 + 400 * DAY)
    assert left(store) == 0


def test_end_that_was_taken_back_keeps_the_lot_open(store: Store) -> None:
    """An undone end is no end."""
    fill(store, 4)
    with store.write() as conn:
        for event in (
            LotEvent(T0, "start", "J-0412", "juniper-links"),
            LotEvent(T0 + HOUR, "end", "J-0412"),
            LotEvent(T0 + 2 * HOUR, "undo", "J-0412", "", "2026-03-02T14:00:00Z"),
        ):
            events.add(conn, event, T0)
    assert sweep(store, T0 + 400 * DAY).rows == 0


def test_open_deviation_keeps_the_readings_of_its_whole_lot(store: Store) -> None:
    """The lot has ended, its deviation is not closed: everything from the lot's start on stays."""
    fill(store, 10)
    with store.write() as conn:
        for event in (LotEvent(T0 + 4 * DAY, "start", "J-0412", "juniper-links"), LotEvent(T0 + 5 * DAY, "end", "J-0412")):
            events.add(conn, event, T0)
        row = {"key": "k", "state": "open", "at": T0 + 5 * DAY, "opened_at": T0, "lot": "J-0412", "step": "", "limit": ""}
        conn.execute(deviation.insert().values(**row, verdict="deviated", unforeseen=0, facts="{}"))
    sweep(store, T0 + 400 * DAY)
    assert left(store) == 8 * BLOCK
    with store.write() as conn:
        conn.execute(deviation.update().values(closed_at=T0 + 9 * DAY))
    sweep(store, T0 + 400 * DAY)
    assert left(store) == 0


def test_nothing_but_retention_can_delete(store: Store) -> None:
    """After a sweep the database refuses to delete a reading as before."""
    fill(store, 2)
    sweep(store, T0 + 31 * DAY)
    for table in ("reading", "fault"):
        with pytest.raises(RecordRefused, match="append-only"), store.write() as conn:
            conn.execute(text(f"DELETE FROM {table}"))
    assert left(store) == BLOCK


def test_sweep_cut_off_by_a_rollback_deletes_nothing(store: Store) -> None:
    """Deletion, its entry and the triggers' absence are one transaction."""
    fill(store, 2)
    with suppress(ZeroDivisionError), store.write() as conn:
        assert retention.sweep(conn, T0 + 90 * DAY, KEEP).rows == 2 * BLOCK
        raise ZeroDivisionError
    assert left(store) == 2 * BLOCK
    with pytest.raises(RecordRefused, match="append-only"), store.write() as conn:
        conn.execute(text("DELETE FROM reading"))


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("DELETE FROM reading WHERE seq = 42", "seal 2: arrival 42 is missing"),
        ("INSERT INTO reading VALUES (1, 1, 3, 3.0, 0.0, NULL, 1)", "readings: 41 are stored, but 80 arrived and 40 of them were deleted"),
        ("DELETE FROM ledger WHERE kind = 'retention'", "ledger: it ends with entry 2, but entry 3 was the last written"),
        (
            "UPDATE ledger SET body = replace(body, '\"last_seq\":40', '\"last_seq\":80') WHERE kind = 'retention'",
            "ledger: entry 3 (retention)",
        ),
    ],
)
def test_deletion_beyond_what_the_ledger_says_is_found(store: Store, statement: str, told: str) -> None:
    """A row more or less than the entry tells, an entry taken away or widened: each is named."""
    fill(store, 2)
    sweep(store, T0 + 31 * DAY)
    with store.write() as conn:
        for table in ("reading", "ledger"):
            for verb in ("update", "delete"):
                on = f" ON {table}" if conn.dialect.name == "postgresql" else ""
                conn.execute(text(f"DROP TRIGGER IF EXISTS {table}_no_{verb}{on}"))
        assert conn.execute(text(statement.replace(":", r"\:"))).rowcount == 1
    with store.read() as conn:
        assert ledger.verify(conn)[0].startswith(told)


def test_day_whose_readings_were_deleted_is_not_exported_anew(store: Store) -> None:
    """An export made without its readings would tell another story; it is refused with what to do."""
    fill(store, 10)
    with store.write() as conn:
        plans.put(conn, "a", "plan", T0 - DAY)
    sweep(store, T0 + 34 * DAY)
    with store.read() as conn:
        with pytest.raises(ExportError, match=r"readings of 2026-03-04, .* were deleted under .* look at the export made then"):
            extract.window(conn, "2026-03-04", T0 + DAY, T0 + 2 * DAY)
        assert extract.window(conn, "2026-03-09", T0 + 7 * DAY, T0 + 8 * DAY).lots == []
