"""Readings and faults: kept exactly, read back in order, small."""

import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Connection

from monitor import chain
from monitor.errors import InputError
from monitor.store import blocks, readings
from monitor.store.database import Store
from monitor.store.readings import Arrival, Newest
from monitor.store.writer import Writer
from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Fault, Reading

T0 = parse_instant("2026-03-02T13:00:00Z")


def keep(store: Store, *items: Reading | Fault, received_at: int = T0 + HOUR) -> None:
    with store.write() as conn:
        readings.store(conn, [Arrival(item, received_at) for item in items])


def test_raw_value_is_kept_to_the_last_bit(store: Store) -> None:
    """Value, offset, mark and both instants come back as they went in."""
    item = Reading("core-1", T0 + 1, 62.799999999999997, -0.1 - 0.2, "stuck")
    keep(store, item)
    with store.read() as conn:
        (found,) = readings.between(conn, T0, T0 + 1)
    assert found == readings.Stored(item, T0 + HOUR, 1)


def test_stretch_is_left_open_and_right_closed(store: Store) -> None:
    """A reading at the start of a stretch belongs to the one before."""
    keep(store, *(Reading("core-1", T0 + n, n) for n in range(4)))
    with store.read() as conn:
        assert [s.item.at - T0 for s in readings.between(conn, T0, T0 + 2)] == [1, 2]


def test_readings_and_faults_of_several_probes_come_merged_in_order(store: Store) -> None:
    """Whatever the order of arrival, what is read is in order of event time, then of arrival."""
    items: list[Reading | Fault] = [Reading(f"core-{n % 3}", T0 + n // 4 * SECOND, n) for n in range(40)]
    items += [Fault("core-1", T0 + n * SECOND, "checksum", f"{n}") for n in range(10)]
    random.Random(4).shuffle(items)
    keep(store, *items)
    with store.read() as conn:
        found = list(readings.between(conn, 0, T0 + HOUR))
        some = list(readings.between(conn, 0, T0 + HOUR, ["core-1", "nobody"]))
    assert [(s.item.at, s.seq) for s in found] == sorted((s.item.at, s.seq) for s in found)
    assert sorted((s.item for s in found), key=repr) == sorted(items, key=repr)
    assert [s for s in found if s.item.probe == "core-1"] == some


def test_conflicting_readings_at_one_instant_are_both_kept(store: Store) -> None:
    """Same probe, same instant, other value: both stand."""
    keep(store, Reading("core-1", T0, 60.0), Reading("core-1", T0, 61.0))
    with store.read() as conn:
        assert [s.item for s in readings.between(conn, T0 - 1, T0)] == [Reading("core-1", T0, 60.0), Reading("core-1", T0, 61.0)]


def test_newest_of_each_probe_ignores_late_and_future_ones(store: Store) -> None:
    """The newest reading and fault by event time, without looking through the table."""
    keep(store, Reading("core-1", T0 + 5, 3.0), Fault("core-1", T0 + 9, "open circuit", "raw"), Fault("core-2", T0, "checksum"))
    keep(store, Reading("core-1", T0 + 4, 4.0), Reading("core-1", T0 + 2 * HOUR, 5.0), Fault("core-1", T0 + 8, "checksum"))
    with store.read() as conn:
        found = readings.newest_by_probe(conn)
    assert found == {
        "core-1": Newest(Reading("core-1", T0 + 5, 3.0), T0 + HOUR, Fault("core-1", T0 + 9, "open circuit")),
        "core-2": Newest(None, None, Fault("core-2", T0, "checksum")),
    }
    assert found["core-1"].at == T0 + 9


def test_stamps_of_the_future_are_stored_and_left_out_unless_asked_for(store: Store) -> None:
    """More than two minutes ahead of the receiving clock: kept, not judged; exactly two minutes is in time."""
    keep(store, Reading("core-1", T0 + 2 * MINUTE, 1.0), Reading("core-1", T0 + 2 * MINUTE + 1, 2.0), received_at=T0)
    with store.read() as conn:
        assert [s.item.celsius for s in readings.between(conn, T0, T0 + HOUR)] == [1.0]
        assert [s.item.celsius for s in readings.between(conn, T0, T0 + HOUR, unjudged=True)] == [1.0, 2.0]


@pytest.mark.parametrize("engine", ["sqlite"], indirect=True)  # the figure is that of its file
def test_a_reading_takes_well_below_80_bytes(store: Store) -> None:
    """Growth of the file per reading, its index included, stored one second of ten probes at a time."""
    value = random.Random(7)

    def grow(first: int, seconds: int) -> int:
        for second in range(first, first + seconds):
            at = T0 + second * SECOND
            keep(store, *(Reading(f"core-{n}", at + n * 1000, round(value.uniform(-5, 90), 2)) for n in range(10)), received_at=at + 50_000)
        with store.write_engine.connect() as conn:
            return int(conn.exec_driver_sql("PRAGMA page_count").scalar_one()) * int(conn.exec_driver_sql("PRAGMA page_size").scalar_one())

    before = grow(0, 20)
    assert (grow(20, 100) - before) / 1000 < 60


@given(st.lists(st.integers(0, 400 * 24), max_size=150))
def test_spans_cover_every_instant_stay_sorted_and_few(hours: list[int]) -> None:
    """The spans of a block cover what they were widened by, in order, without overlap, and never grow in number."""
    spans: blocks.Spans = []
    for hour in hours:
        blocks.widen(spans, hour * HOUR)
    assert all(any(low <= hour * HOUR <= high for low, high in spans) for hour in hours)
    assert all(low <= high for low, high in spans)
    assert all(left[1] < right[0] for left, right in itertools.pairwise(spans))
    assert len(spans) <= blocks.MOST_SPANS
    assert blocks.merged([spans, spans]) == spans


@given(
    st.floats(-50, 400).filter(lambda c: c != 0.0),
    st.integers(0, 2**53),
    st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), min_size=1, max_size=12),
)
def test_leaf_written_out_equals_its_canonical_json(celsius: float, at: int, probe: str) -> None:
    """The quick way to a leaf's bytes and the plain one give the same bytes, so that a seal is checked by anybody's JSON."""
    item = Reading(probe, at, celsius)
    assert readings.leaf_bytes(item, at + 1, 7) == chain.canonical(readings.leaf(item, at + 1, 7))


def test_rows_of_any_number_are_all_kept(store: Store) -> None:
    """However many come in one transaction, none is left out and each keeps its place."""
    with store.write() as conn:
        for count in (1, 3, 4, 99, 100, 101, 257):
            first = blocks.read(conn).next_seq
            items = [Reading(f"core-{n % 3}", T0 + first * SECOND + n, n / 7) for n in range(count)]
            put = readings.store(conn, [Arrival(item, T0 + HOUR) for item in items])
            assert [one.item for one in put] == items
            assert list(readings.between(conn, T0 + first * SECOND - 1, T0 + (first + 1) * SECOND - 1)) == put


def test_probe_named_in_a_job_that_was_refused_is_named_anew(store: Store) -> None:
    """The numbers that the writer remembers are those that the store keeps, whatever part of a transaction was undone."""

    def refused(conn: Connection) -> None:
        for _ in range(2):
            readings.store(conn, [Arrival(Reading("core-1", T0, 1.0), T0)])
        raise InputError("refused")

    with Writer(store) as writer:
        first = [writer.submit(refused), writer.submit(refused)]
        for n, probe in enumerate(("core-2", "core-1", "core-3", "core-1", "core-2")):
            arrival = Arrival(Reading(probe, T0 + n, 2.0), T0 + n)
            writer.submit(lambda conn, arrival=arrival: readings.store(conn, [arrival]))  # type: ignore[misc]
        writer.submit(lambda conn: None).result()
        assert all(isinstance(one.exception(), InputError) for one in first)
    with store.read() as conn:
        assert [s.item.probe for s in readings.between(conn, 0, T0 + HOUR)] == ["core-2", "core-1", "core-3", "core-1", "core-2"]
        assert len(readings.newest_by_probe(conn)) == 3
