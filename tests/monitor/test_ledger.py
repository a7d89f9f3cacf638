"""The ledger shows every change, removal, insertion and other order, and seals show it of readings."""

from collections.abc import Iterator

import pytest
from sqlalchemy import Connection, text

from monitor import chain, ledger
from monitor.errors import LedgerError
from monitor.store import readings
from monitor.store.database import Store
from monitor.store.schema import APPEND_ONLY
from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Fault, Reading

T0 = parse_instant("2026-03-02T13:00:00Z")


@pytest.fixture(params=["sqlite", "postgresql"])
def engine(request: pytest.FixtureRequest) -> str:
    """The ledger's tests run on both engines in the default tier."""
    return str(request.param)


@pytest.fixture
def store(database: str) -> Iterator[Store]:
    with Store(database) as opened:
        yield opened


def arrive(conn: Connection, first: int, count: int) -> None:
    """`count` readings by two probes and a fault now and then, one a second."""
    items = []
    for n in range(first, first + count):
        at = T0 + n * SECOND
        probe = f"core-{n % 2 + 1}"
        item = (
            Fault(probe, at, "checksum", "4F 1")
            if n % 9 == 8
            else Reading(probe, at, 20 + n / 7, -0.2, "out of the meat" if n % 11 == 5 else "")
        )
        items.append(readings.Arrival(item, at + 40_000))
    readings.store(conn, items)


@pytest.fixture
def filled(store: Store) -> Store:
    """Nine entries, two of them seals over 40 arrivals, and 10 arrivals not yet sealed."""
    with store.write() as conn:
        for n in range(3):
            ledger.append(conn, "note", {"text": f"entry {n}"}, T0 + n, by="Odile Marsh")
        arrive(conn, 0, 20)
        ledger.seal(conn, T0 + 20 * SECOND)
        ledger.append(conn, "finding", {"what": "met", "margin": 1.25}, T0 + 4)
        arrive(conn, 20, 20)
        ledger.seal(conn, T0 + 40 * SECOND)
        arrive(conn, 40, 10)
        for n in range(3):
            ledger.append(conn, "note", {"text": f"late entry {n}"}, T0 + n, by="Tam Okafor")
    return store


def tamper(store: Store, *statements: str) -> list[str]:
    """Do to the database what somebody with the file in hand can do, then verify."""
    with store.write() as conn:
        for table in APPEND_ONLY:
            for verb in ("update", "delete"):
                on = f" ON {table}" if conn.dialect.name == "postgresql" else ""
                conn.execute(text(f"DROP TRIGGER IF EXISTS {table}_no_{verb}{on}"))
        for statement in statements:
            assert conn.execute(text(statement)).rowcount != 0
    with store.read() as conn:
        return ledger.verify(conn)


def test_untouched_ledger_is_sound(filled: Store) -> None:
    """Nine entries, two seals, one open block: nothing to say."""
    with filled.read() as conn:
        assert ledger.verify(conn) == []
        assert ledger.verify(conn, ledger.head(conn)) == []
        assert [entry.seq for entry in ledger.entries(conn)] == list(range(1, 10))


def test_empty_store_is_sound(store: Store) -> None:
    """Nothing written is nothing wrong."""
    with store.read() as conn:
        assert ledger.verify(conn) == []
        assert ledger.head(conn) == ledger.Head(0, chain.GENESIS)


def test_entry_keeps_when_it_happened_and_when_it_was_written(store: Store) -> None:
    """A note written down late carries both instants."""
    with store.write() as conn:
        ledger.append(conn, "note", {"a": 1}, T0, by="Odile Marsh", entered_at=T0 + HOUR)
    with store.read() as conn:
        (entry,) = ledger.entries(conn)
    body = {"a": 1, "meaning": "made this entry", "late_s": 3600}
    assert (entry.seq, entry.at, entry.entered_at, entry.kind, entry.by, entry.body) == (1, T0, T0 + HOUR, "note", "Odile Marsh", body)
    assert entry.hash == chain.entry_hash(chain.GENESIS, entry._asdict())


@pytest.mark.parametrize(("minutes", "late"), [(0, None), (5, None), (5.1, 306), (-3, None)])
def test_entry_of_a_person_written_down_late_is_marked(store: Store, minutes: float, late: int | None) -> None:
    """More than five minutes after it happened; the program's own entries need no such word."""
    with store.write() as conn:
        mine = ledger.append(conn, "lot-event", {}, T0, "Odile Marsh", entered_at=T0 + round(minutes * MINUTE))
        own = ledger.append(conn, "finding", {}, T0, entered_at=T0 + HOUR)
    assert (mine.body.get("late_s"), own.body) == (late, {})


@pytest.mark.parametrize("body", [{"a": float("nan")}, {"a": object()}, {"a": "\ud800"}])
def test_body_that_json_cannot_hold_is_refused(store: Store, body: dict[str, object]) -> None:
    """A body with no canonical form is not written."""
    with pytest.raises(LedgerError, match="cannot be written"), store.write() as conn:
        ledger.append(conn, "note", body, T0)
    with store.read() as conn:
        assert ledger.head(conn).seq == 0


def test_body_of_tuples_and_number_keys_verifies(store: Store) -> None:
    """An entry is hashed as it will be read back."""
    with store.write() as conn:
        entry = ledger.append(conn, "note", {"rows": (1, 2), "by": {3: "x"}}, T0)
    assert entry.body == {"rows": [1, 2], "by": {"3": "x"}}
    with store.read() as conn:
        assert ledger.verify(conn) == []


@pytest.mark.parametrize(
    "change",
    [
        "at = at + 1",
        "entered_at = entered_at - 1",
        "kind = 'other'",
        "by = 'Somebody Else'",
        'body = \'{"text":"nothing happened"}\'',
        "body = body || ' '",
        "body = 'not JSON'",
        "hash = '" + "a" * 64 + "'",
        "hash = 'no hash'",
    ],
)
@pytest.mark.parametrize("seq", [1, 3, 9])
def test_changed_entry_is_found_first(filled: Store, seq: int, change: str) -> None:
    """Any field of any entry: the first fault named is that entry."""
    column, value = change.split(" = ", 1)
    faults = tamper(filled, f'UPDATE ledger SET "{column}" = {value} WHERE seq = {seq}')
    assert f"entry {seq} " in faults[0]


@pytest.mark.parametrize("seq", [1, 2, 4, 8])
def test_removed_entry_is_found(filled: Store, seq: int) -> None:
    """A gap is named by the missing entry."""
    assert f"entry {seq} is missing" in tamper(filled, f"DELETE FROM ledger WHERE seq = {seq}")[0]


def test_removed_entry_is_found_where_the_rest_was_counted_anew(filled: Store) -> None:
    """Closing the gap by new numbers does not help: each hash covers its number."""
    faults = tamper(filled, "DELETE FROM ledger WHERE seq = 2", "UPDATE ledger SET seq = seq - 1 WHERE seq > 2")
    assert "entry 2 " in faults[0]


def test_inserted_entry_is_found(filled: Store) -> None:
    """An entry put between two others does not fit."""
    faults = tamper(
        filled,
        "UPDATE ledger SET seq = -seq - 1 WHERE seq >= 5",
        "UPDATE ledger SET seq = -seq WHERE seq < 0",
        'INSERT INTO ledger SELECT 5, at, entered_at, kind, "by", body, hash FROM ledger WHERE seq = 3',
    )
    assert "entry 5 " in faults[0]


def test_two_entries_exchanged_are_found(filled: Store) -> None:
    """Another order is another chain."""
    faults = tamper(
        filled,
        "UPDATE ledger SET seq = 100 WHERE seq = 2",
        "UPDATE ledger SET seq = 2 WHERE seq = 3",
        "UPDATE ledger SET seq = 3 WHERE seq = 100",
    )
    assert "entry 2 " in faults[0]


@pytest.mark.parametrize("kept", [0, 1, 6, 8])
def test_cut_tail_is_found(filled: Store, kept: int) -> None:
    """The store itself remembers how far it had come."""
    assert "its end was cut off or added to" in tamper(filled, f"DELETE FROM ledger WHERE seq > {kept}")[0]


def rewrite(store: Store) -> None:
    """Change entry 2 and hash everything after it anew, as the program would have."""
    with store.write() as conn:
        conn.execute(text("DROP TRIGGER ledger_no_update" + (" ON ledger" if conn.dialect.name == "postgresql" else "")))
        conn.execute(text('UPDATE ledger SET body = \'{"text":"nothing"}\' WHERE seq = 2'))
        previous = chain.GENESIS
        for entry in list(ledger.entries(conn)):
            previous = chain.entry_hash(previous, entry._asdict())
            conn.execute(text("UPDATE ledger SET hash = :hash WHERE seq = :seq"), {"hash": previous, "seq": entry.seq})
        conn.execute(text("UPDATE tip SET ledger_hash = :hash"), {"hash": previous})


def test_ledger_written_anew_is_found_by_a_head_known_from_elsewhere(filled: Store) -> None:
    """A chain rewritten as a whole looks sound by itself, and only a head noted down elsewhere shows it."""
    with filled.read() as conn:
        known = ledger.head(conn)
    rewrite(filled)
    with filled.read() as conn:
        assert ledger.verify(conn) == []
        assert "known from elsewhere, has another hash" in ledger.verify(conn, known)[0]


def test_tail_cut_with_every_trace_is_found_by_a_head_known_from_elsewhere(filled: Store) -> None:
    """Notes after the last seal, cut off and the tip set back: only the known head shows it."""
    with filled.read() as conn:
        known = ledger.head(conn)
        last = next(entry for entry in ledger.entries(conn) if entry.seq == 7)
    assert tamper(filled, "DELETE FROM ledger WHERE seq > 7", f"UPDATE tip SET ledger_seq = 7, ledger_hash = '{last.hash}'") == []
    with filled.read() as conn:
        assert "entry 9, known from elsewhere, is missing" in ledger.verify(conn, known)[0]


def test_seal_cut_off_with_the_tip_set_back_is_found(filled: Store) -> None:
    """A tail that holds a seal leaves readings that no seal covers."""
    with filled.read() as conn:
        entry = next(entry for entry in ledger.entries(conn) if entry.seq == 5)
    faults = tamper(filled, "DELETE FROM ledger WHERE seq > 5", f"UPDATE tip SET ledger_seq = 5, ledger_hash = '{entry.hash}'")
    assert "a seal is missing" in faults[0]


@pytest.mark.parametrize(
    ("table", "change"),
    [
        ("reading", "celsius = celsius + 0.001"),
        ("reading", "offset_c = 0.1"),
        ("reading", "suspect = 'x'"),
        ("reading", "received_at = received_at + 1"),
        ("reading", "probe = 3 - probe"),
        ("reading", "at = at + 1000"),
        ("fault", "reason = 'open circuit'"),
        ("fault", "raw = ''"),
    ],
)
@pytest.mark.parametrize(("seq", "where"), [(9, "seal 4"), (27, "seal 6"), (45, "open block")])
def test_changed_reading_is_found(filled: Store, table: str, change: str, seq: int, where: str) -> None:
    """Any field of a reading or fault, sealed or not yet: its block does not give its root."""
    faults = tamper(filled, f"UPDATE {table} SET {change} WHERE seq = {seq if table == 'fault' else seq - 1}")
    assert faults[0].startswith(where)


@pytest.mark.parametrize(("seq", "where"), [(1, "seal 4"), (30, "seal 6"), (50, "open block")])
def test_removed_reading_is_found(filled: Store, seq: int, where: str) -> None:
    """The first fault names the block and the arrival."""
    fault = tamper(filled, f"DELETE FROM reading WHERE seq = {seq}")[0]
    assert fault.startswith(where)
    assert f"arrival {seq} is missing" in fault


def test_added_reading_is_found(filled: Store) -> None:
    """One put in under a used number, or under a number nobody gave, or far from every block."""
    twice = tamper(filled, "INSERT INTO reading SELECT at + 1, probe, seq, celsius, 0.0, NULL, received_at FROM reading WHERE seq = 4")
    assert twice[0].startswith("seal 4: arrival 4 is there twice")


@pytest.mark.parametrize("at", [1, T0, T0 + 900 * HOUR])
def test_added_reading_with_a_new_number_is_found(filled: Store, at: int) -> None:
    """More are stored than arrived."""
    faults = tamper(filled, f"INSERT INTO reading VALUES ({at}, 1, 51, 3.0, 0.0, NULL, {at})")
    assert faults == ["readings: 51 are stored, but 50 arrived; some were put in or taken out."]


EXCHANGED = (
    "UPDATE reading SET seq = 1000 WHERE seq = {a}",
    "UPDATE reading SET seq = {a} WHERE seq = {b}",
    "UPDATE reading SET seq = {b} WHERE seq = 1000",
)


@pytest.mark.parametrize(
    ("a", "b", "where"), [(1, 2, "seal 4"), (3, 20, "seal 4"), (19, 21, "seal 4"), (30, 31, "seal 6"), (41, 42, "open block")]
)
def test_two_readings_exchanged_in_their_order_of_arrival_are_found(filled: Store, a: int, b: int, where: str) -> None:
    """Both are there, with all that they say: only who came first is another. The first block that is not as it was is named."""
    faults = tamper(filled, *(statement.format(a=a, b=b) for statement in EXCHANGED))
    assert faults[0].startswith(where)


def test_values_of_two_readings_exchanged_are_found(filled: Store) -> None:
    """The same numbers, each under the other's time."""
    values = "CASE seq WHEN 22 THEN (SELECT celsius FROM reading WHERE seq = 24) ELSE (SELECT celsius FROM reading WHERE seq = 22) END"
    faults = tamper(filled, f"UPDATE reading SET celsius = {values} WHERE seq IN (22, 24)")
    assert faults[0].startswith("seal 6")


@pytest.mark.parametrize(("kept", "where"), [(47, "open block"), (40, "open block"), (30, "seal 6"), (0, "seal 4")])
def test_readings_cut_off_at_their_end_are_found(filled: Store, kept: int, where: str) -> None:
    """Readings and faults from one arrival on are gone: the first that is missing is named."""
    faults = tamper(filled, f"DELETE FROM reading WHERE seq > {kept}", *([f"DELETE FROM fault WHERE seq > {kept}"] if kept < 45 else []))
    assert faults[0].startswith(where)
    assert f"arrival {kept + 1} is missing" in faults[0]


@pytest.mark.parametrize("seq", [1, 9, 20, 21, 40])
def test_one_reading_is_proven_by_its_path_alone(filled: Store, seq: int) -> None:
    """The path leads from the reading to the root in its seal, and from no other reading."""
    with filled.read() as conn:
        proof = ledger.prove(conn, seq)
        seal = next(entry for entry in ledger.entries(conn) if entry.seq == proof.seal)
    assert proof.leaf["seq"] == seq
    assert proof.root == seal.body["root"]
    assert chain.proof_holds(proof)
    assert len(proof.path) <= 5
    assert not chain.proof_holds(proof._replace(leaf={**proof.leaf, "at": proof.leaf["at"] + 1}))


@pytest.mark.parametrize("seq", [0, 41, 50, 51])
def test_reading_that_is_not_sealed_cannot_be_proven(filled: Store, seq: int) -> None:
    """An arrival of the open block, or none at all, has no proof yet."""
    with pytest.raises(LedgerError, match="is in no sealed block"), filled.read() as conn:
        ledger.prove(conn, seq)


def test_changed_reading_cannot_be_proven(filled: Store) -> None:
    """No path is given out of a block that no longer is what was sealed."""
    tamper(filled, "UPDATE reading SET celsius = 62.8 WHERE seq = 7")
    with pytest.raises(LedgerError, match="cannot be proven"), filled.read() as conn:
        ledger.prove(conn, 3)


def test_nothing_new_makes_no_seal(filled: Store) -> None:
    """Sealing twice writes once."""
    with filled.write() as conn:
        assert ledger.seal(conn, T0 + HOUR) is not None
        assert ledger.seal(conn, T0 + 2 * HOUR) is None


def test_sealed_readings_with_wrong_clocks_are_still_found(store: Store) -> None:
    """A block whose stamps lie decades apart verifies, and its readings can be proven."""
    with store.write() as conn:
        stamps = [T0, 0, T0 + SECOND, T0 - 30 * HOUR, T0 + 900_000 * HOUR, T0 + 2 * SECOND, 5]
        stamps += [n * 10 * HOUR for n in range(1, 40)]  # more separate stretches than a seal keeps
        readings.store(conn, [readings.Arrival(Reading("core-1", at, n), T0) for n, at in enumerate(stamps)])
        ledger.seal(conn, T0)
    with store.read() as conn:
        assert ledger.verify(conn) == []
        assert [ledger.prove(conn, n + 1).leaf["at"] for n in range(len(stamps))] == stamps


def test_day_of_the_ledger_is_left_open_right_closed(filled: Store) -> None:
    """Entries of a stretch by when things happened; one at its start belongs to the day before."""
    with filled.read() as conn:
        assert [entry.seq for entry in ledger.between(conn, T0, T0 + 2)] == [2, 3, 8, 9]


def test_restart_gets_exactly_what_arrived_after_its_snapshot(filled: Store) -> None:
    """Arrivals from a place on, over sealed blocks and the open one, in order of event time, wherever they lie."""
    with filled.write() as conn:
        readings.store(conn, [readings.Arrival(Reading("core-1", T0 - 47 * HOUR, 3.0), T0 + HOUR)])
    with filled.read() as conn:
        for first in (1, 20, 21, 38, 41, 51, 52):
            got = [stored.seq for stored in ledger.arrived_since(conn, first)]
            assert sorted(got) == list(range(first, 52))
            assert got[:1] == ([51] if first < 52 else [])
