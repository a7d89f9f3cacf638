"""The door for readings: an outcome for each, a bounded queue, nothing lost in silence."""

import shutil
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest
from sqlalchemy import Connection

from monitor.errors import IntakeFull, StoreClosed, StoreError, StoreFull
from monitor.intake import Intake, IntakeLimits
from monitor.outcomes import LONGEST_TEXT, Outcome
from monitor.store import readings
from monitor.store.database import Store
from monitor.store.readings import Arrival
from monitor.store.writer import Writer
from rules.errors import EventError
from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Fault, Reading
from tests.waiting import until

T0 = parse_instant("2026-03-02T13:00:00Z")
WAIT_S = 20


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A migrated database with nothing in it, to be copied: migrating anew for each test would take most of the time."""
    path = tmp_path_factory.mktemp("empty") / "larderer.sqlite"
    Store(path).open().close()
    return path


@pytest.fixture
def store(tmp_path: Path, empty: Path) -> Iterator[Store]:
    with Store(shutil.copy(empty, tmp_path / "larderer.sqlite")) as opened:
        yield opened


@pytest.fixture
def writer(store: Store) -> Iterator[Writer]:
    with Writer(store) as running:
        yield running


@pytest.fixture
def seen() -> list[Arrival]:
    """What was handed on to be judged."""
    return []


@pytest.fixture
def process(seen: list[Arrival]) -> Callable[[Connection, Sequence[Arrival]], None]:
    def store_and_note(conn: Connection, arrivals: Sequence[Arrival]) -> None:
        readings.store(conn, arrivals)
        seen.extend(arrivals)

    return store_and_note


@pytest.fixture
def intake(writer: Writer, process: Callable[[Connection, Sequence[Arrival]], None]) -> Iterator[Intake]:
    door = Intake(writer, process, lambda: T0 + HOUR, IntakeLimits(probes=["core-1", "core-2"]))
    yield door
    door.close()


def kept(store: Store) -> list[Reading | Fault]:
    with store.read() as conn:
        return [stored.item for stored in readings.between(conn, -1, T0 + 10_000 * HOUR, unjudged=True)]


def what(intake: Intake, *items: Reading | Fault) -> list[str]:
    return [outcome.what for outcome in intake.readings(items).result(WAIT_S)]


def test_reading_is_stamped_with_our_clock_and_stored(intake: Intake, store: Store) -> None:
    """`received_at` is the service's clock, `at` stays the source's."""
    assert what(intake, Reading("core-1", T0, 3.5), Fault("core-2", T0, "checksum", "4F 1")) == ["stored", "stored"]
    with store.read() as conn:
        assert [s.received_at for s in readings.between(conn, 0, T0)] == [T0 + HOUR] * 2
    assert intake.counts == {"stored": 2}


def test_unknown_probe_is_refused_with_a_sentence_and_the_rest_taken(intake: Intake, store: Store) -> None:
    """One name that is not in the plan does not hold up the others; outcomes keep the order of the items."""
    outcomes = intake.readings([Reading("core-2", T0 + 1, 1), Reading("cor-1", T0, 2), Reading("core-1", T0, 3)]).result(WAIT_S)
    assert [outcome.what for outcome in outcomes] == ["stored", "unknown-probe", "stored"]
    assert outcomes[1].text == 'probe "cor-1" is not in the plan; add a [[probe]] with id = "cor-1", or correct its name'
    assert len(kept(store)) == 2
    intake.know(["cor-1"])
    assert what(intake, Reading("cor-1", T0, 2)) == ["stored"]


def test_same_reading_twice_is_stored_once(intake: Intake, store: Store) -> None:
    """In one batch, in the next, and after newer ones."""
    one = Reading("core-1", T0, 3.5)
    assert what(intake, one, one) == ["stored", "duplicate"]
    assert what(intake, one) == ["duplicate"]
    assert what(intake, Reading("core-1", T0 + 1, 3.5), one) == ["stored", "duplicate"]
    assert len(kept(store)) == 2


def test_duplicates_are_known_after_a_restart(store: Store, process: Callable[[Connection, Sequence[Arrival]], None]) -> None:
    """A sender that repeats its buffer after our restart changes nothing."""
    for expected in (["stored", "stored"], ["duplicate", "duplicate"]):
        with Writer(store) as writer:
            intake = Intake(writer, process, lambda: T0 + HOUR)
            assert what(intake, Reading("core-1", T0, 3.5), Fault("core-1", T0 + 1, "checksum")) == expected
            intake.close()
    assert len(kept(store)) == 2


def test_other_value_at_the_same_instant_is_kept_too(intake: Intake, store: Store) -> None:
    """Two values at one instant contradict each other, and both stand."""
    assert what(intake, Reading("core-1", T0, 3.5), Reading("core-1", T0, 3.6)) == ["stored", "stored"]
    assert len(kept(store)) == 2


def test_of_equal_values_the_suspect_one_stands(intake: Intake, store: Store) -> None:
    """The mark is news about a good value; the good value is no news about a marked one."""
    good, marked = Reading("core-1", T0, 85.0), Reading("core-1", T0, 85.0, 0.0, "possible error code")
    assert what(intake, good, marked, good) == ["stored", "stored", "duplicate"]
    assert len(kept(store)) == 2


def test_older_than_the_newest_of_its_probe_is_late(intake: Intake, seen: list[Arrival]) -> None:
    """Lateness is counted per probe, also behind a fault, and handed on."""
    assert what(intake, Fault("core-1", T0 + 10, "open circuit")) == ["stored"]
    assert what(intake, Reading("core-1", T0 + 9, 3.0), Reading("core-2", T0, 3.0), Reading("core-1", T0 + 10, 3.0)) == [
        "late",
        "stored",
        "stored",
    ]
    assert [arrival.outcome for arrival in seen] == ["stored", "stored", "late", "stored"]


def test_batch_in_any_order_is_not_late(intake: Intake, seen: list[Arrival]) -> None:
    """The items of one batch are taken in order of their own time."""
    assert what(intake, *(Reading("core-1", T0 + n, n) for n in (3, 1, 2))) == ["stored"] * 3
    assert [arrival.item.at - T0 for arrival in seen] == [1, 2, 3]


def test_future_stamp_is_stored_marked_and_does_not_make_others_late(intake: Intake, seen: list[Arrival], store: Store) -> None:
    """More than 2 min ahead of our clock; exactly 2 min is in time."""
    outcomes = intake.readings([Reading("core-1", T0 + HOUR + 2 * MINUTE + 1, 1.0), Reading("core-2", T0 + HOUR + 2 * MINUTE, 1.0)]).result(
        WAIT_S
    )
    assert [outcome.what for outcome in outcomes] == ["future", "stored"]
    assert "ahead of our clock, stored but not judged" in outcomes[0].text
    assert what(intake, Reading("core-1", T0 + HOUR, 2.0)) == ["stored"]
    assert {arrival.outcome for arrival in seen} == {"future", "stored"}
    assert len(kept(store)) == 3


def test_future_reading_sent_again_in_good_time_is_judged(writer: Writer, process: Callable[[Connection, Sequence[Arrival]], None]) -> None:
    """Our clock was wrong when it came first: the same reading is a duplicate until the clock is right, then news."""
    now = [T0]
    intake = Intake(writer, process, lambda: now[0])
    ahead = Reading("core-1", T0 + HOUR, 3.0)
    assert what(intake, ahead) == ["future"]
    assert what(intake, ahead) == ["duplicate"]
    now[0] = T0 + HOUR
    assert what(intake, ahead) == ["stored"]
    assert what(intake, ahead) == ["duplicate"]
    intake.close()


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_what_is_no_number_becomes_a_fault(intake: Intake, store: Store, value: float) -> None:
    """A value that no thermometer reads is recorded as what it is: no evidence."""
    assert what(intake, Reading("core-1", T0, value)) == ["stored"]
    assert kept(store) == [Fault("core-1", T0, "not a number", f"{value!r} offset 0.0")]


@pytest.mark.parametrize("at", [-1, 253_402_300_800_000_000, 2**70])
def test_stamp_outside_any_calendar_is_refused(intake: Intake, store: Store, at: int) -> None:
    """A stamp that cannot be written as a date is refused with its sentence."""
    (outcome,) = intake.readings([Reading("core-1", at, 3.0)]).result(WAIT_S)
    assert outcome.what == "refused"
    assert outcome.text.startswith(f'probe "core-1": time {at} µs is outside the years 1970 to 9999')
    assert kept(store) == []


def test_text_that_cannot_be_stored_is_escaped_and_cut(intake: Intake, store: Store) -> None:
    """Broken bytes and floods in a fault's raw text do not stop the batch."""
    assert what(intake, Fault("core-1", T0, "checksum", "\udcff\x00" + "x" * 10_000)) == ["stored"]
    (fault,) = kept(store)
    assert isinstance(fault, Fault)
    assert fault.raw.startswith("\\udcff\\x00xxx")
    assert len(fault.raw) <= LONGEST_TEXT + 20


def test_known_offset_is_applied_and_one_sent_along_is_kept(
    writer: Writer, process: Callable[[Connection, Sequence[Arrival]], None], store: Store
) -> None:
    """The raw value stays; the offset in force at the reading's own time stands beside it."""
    intake = Intake(writer, process, lambda: T0 + HOUR, offsets=lambda _: lambda probe, at: -0.3 if probe == "core-1" and at >= T0 else 0.0)
    what(intake, Reading("core-1", T0 - 1, 3.0), Reading("core-1", T0, 3.0), Reading("core-1", T0 + 1, 3.0, 0.5))
    intake.close()
    assert [item.offset_c for item in kept(store) if isinstance(item, Reading)] == [0.0, -0.3, 0.5]


def test_full_queue_holds_the_driver_until_there_is_room(store: Store, process: Callable[[Connection, Sequence[Arrival]], None]) -> None:
    """Back-pressure: the driver waits, and everything is stored in the end."""
    go, lost = threading.Event(), []

    def slowly(conn: Connection, arrivals: Sequence[Arrival]) -> None:
        go.wait(WAIT_S)
        process(conn, arrivals)

    with Writer(store) as writer:
        intake = Intake(writer, slowly, lambda: T0 + HOUR, IntakeLimits(queued=10), on_loss=lambda *args: lost.append(args))
        first = intake.readings([Reading("core-1", T0 + n, n) for n in range(10)])
        second: list[object] = []
        driver = threading.Thread(target=lambda: second.append(what(intake, Reading("core-1", T0 + 10, 10.0))))
        driver.start()
        until(lambda: not driver.is_alive() or intake.queued == 10)
        assert not second
        go.set()
        driver.join(WAIT_S)
        assert second == [["stored"]]
        assert first.done()
        intake.close()
    assert lost == []
    assert len(kept(store)) == 11


def test_what_finds_no_room_is_counted_as_lost_aloud(store: Store, process: Callable[[Connection, Sequence[Arrival]], None]) -> None:
    """After its patience the driver is told; so is the service, where the driver's sender hears nothing and will not send again."""
    go, lost = threading.Event(), []

    def slowly(conn: Connection, arrivals: Sequence[Arrival]) -> None:
        go.wait(WAIT_S)
        process(conn, arrivals)

    with Writer(store) as writer:
        limits = IntakeLimits(queued=10, patience_s=0)
        intake = Intake(writer, slowly, lambda: T0 + HOUR, limits, on_loss=lambda items, text: lost.append((items, text)))
        first = intake.readings([Reading("core-1", T0 + n, n) for n in range(10)])
        for waiting in (False, True):
            with pytest.raises(IntakeFull, match="2 readings found no room: 10 already wait"):
                intake.readings([Reading("core-1", T0 + 10, 1.0), Reading("core-1", T0 + 11, 1.0)], waiting=waiting).result(WAIT_S)
        go.set()
        first.result(WAIT_S)
        assert [items for items, _ in lost] == [2]
        assert (intake.counts["lost"], intake.counts["turned-away"]) == (2, 2)
        intake.close()


def test_source_that_floods_leaves_room_for_the_others(
    store: Store, process: Callable[[Connection, Sequence[Arrival]], None], seen: list[Arrival]
) -> None:
    """One source may fill half of the queue and then waits; each reading of another one finds room at once and none is lost."""
    over, lost = threading.Event(), []

    with Writer(store) as writer:
        limits = IntakeLimits(queued=100, patience_s=WAIT_S)
        intake = Intake(writer, process, lambda: T0 + HOUR, limits, on_loss=lambda items, text: lost.append(text))
        flood, calm = intake.sink(waiting=False), intake.sink(waiting=True)

        def pour() -> None:
            n = 0
            while not over.is_set():
                flood.readings([Reading("core-1", T0 + n + k, float(k)) for k in range(10)])
                n += 10

        busy = threading.Event()
        writer.submit(lambda conn: busy.wait(WAIT_S))
        thread = threading.Thread(target=pour)
        thread.start()
        until(lambda: intake.queued == 50)
        futures = [calm.readings([Reading("core-2", T0 + n, float(n))]) for n in range(40)]
        assert intake.queued == 90
        busy.set()
        for n in range(40, 80):
            futures.append(calm.readings([Reading("core-2", T0 + n, float(n))]))
            futures[-1].result(WAIT_S)
        over.set()
        thread.join(WAIT_S)
        assert all(future.exception(WAIT_S) is None for future in futures)
        intake.close()
    assert not lost
    assert sum(arrival.item.probe == "core-2" for arrival in seen) == 80


def test_batch_larger_than_the_queue_is_let_in(store: Store, process: Callable[[Connection, Sequence[Arrival]], None]) -> None:
    """A long file is not refused for its length."""
    with Writer(store) as writer:
        intake = Intake(writer, process, lambda: T0 + HOUR, IntakeLimits(queued=10))
        assert what(intake, *(Reading("core-1", T0 + n, n) for n in range(30))) == ["stored"] * 30
        intake.close()


@pytest.mark.parametrize("error", [ValueError("a mistake"), EventError("not allowed")])
def test_batch_that_cannot_be_processed_is_told_and_the_others_are_stored(
    store: Store, process: Callable[[Connection, Sequence[Arrival]], None], error: Exception
) -> None:
    """One batch at fault, among others in the same transaction, is given up alone and aloud."""
    held, go, lost = threading.Event(), threading.Event(), []

    def picky(conn: Connection, arrivals: Sequence[Arrival]) -> None:
        held.set()
        go.wait(WAIT_S)
        process(conn, arrivals)
        if any(arrival.item.at == T0 + 3 for arrival in arrivals):
            raise error

    with Writer(store) as writer:
        intake = Intake(writer, picky, lambda: T0 + HOUR, on_loss=lambda items, text: lost.append((items, text)))
        futures = [intake.readings([Reading("core-1", T0, 0.0)])]
        assert held.wait(WAIT_S)
        futures += [intake.readings([Reading("core-1", T0 + n, float(n))]) for n in range(1, 8)]
        go.set()
        for n, future in enumerate(futures):
            if n == 3:
                assert future.exception(WAIT_S) is error
            else:
                assert [outcome.what for outcome in future.result(WAIT_S)] == ["stored"]
        intake.close()
    assert [item.at - T0 for item in kept(store)] == [0, 1, 2, 4, 5, 6, 7]
    assert [items for items, _ in lost] == [1]
    assert "could not be processed" in lost[0][1]


def test_readings_wait_out_a_store_that_cannot_be_written_in_their_order(store: Store, seen: list[Arrival]) -> None:
    """Nothing is lost, doubled or made late by the trouble; it is told when it begins and when it ends."""
    full, told = [True], []

    def process(conn: Connection, arrivals: Sequence[Arrival]) -> None:
        if full[0]:
            raise StoreFull("the disk is full")
        readings.store(conn, arrivals)
        seen.extend(arrivals)

    def trouble(error: StoreError | None) -> None:
        told.append(error)

    with Writer(store) as writer:
        intake = Intake(writer, process, lambda: T0 + HOUR, IntakeLimits(retry_s=(0.01, 0.02)), on_trouble=trouble)
        futures = [intake.readings([Reading("core-1", T0 + n, float(n)), Reading("core-2", T0 + n, 1.0)]) for n in range(50)]
        until(lambda: bool(told))
        assert not any(future.done() for future in futures)
        full[0] = False
        assert {outcome.what for future in futures for outcome in future.result(WAIT_S)} == {"stored"}
        until(lambda: len(told) == 2)
        assert isinstance(told[0], StoreFull)
        assert told[1] is None
        assert what(intake, Reading("core-1", T0 + 50, 1.0)) == ["stored"]
        intake.close()
    assert [arrival.item.at - T0 for arrival in seen] == [n // 2 for n in range(100)] + [50]


def test_closing_stores_what_waits_and_takes_no_more(store: Store, process: Callable[[Connection, Sequence[Arrival]], None]) -> None:
    """Patient readings are written at the end; after it the door is shut."""
    with Writer(store, idle_s=60) as writer:
        intake = Intake(writer, process, lambda: T0 + HOUR)
        sink = intake.sink(waiting=False)
        futures = [sink.readings([Reading("core-1", T0 + SECOND * n, float(n))]) for n in range(5)]
        intake.close()
        assert [future.result(0) for future in futures] == [(Outcome("stored"),)] * 5
        with pytest.raises(StoreClosed, match="no longer taken in"):
            intake.readings([Reading("core-1", T0, 1.0)]).result(WAIT_S)


def test_closing_over_a_store_that_cannot_be_written_tells_the_loss(store: Store) -> None:
    """What could not be stored until the end is counted, and its future fails."""

    def process(_conn: Connection, _arrivals: Sequence[Arrival]) -> None:
        raise StoreFull("the disk is full")

    lost: list[int] = []
    with Writer(store) as writer:
        intake = Intake(writer, process, lambda: T0 + HOUR, on_loss=lambda items, _text: lost.append(items))
        future = intake.readings([Reading("core-1", T0, 1.0), Reading("core-1", T0 + 1, 1.0)], waiting=False)
        intake.close()
        assert isinstance(future.exception(0), StoreClosed)
    assert lost == [2]


def test_probe_that_is_turned_away_is_told_once(writer: Writer, process: Callable[[Connection, Sequence[Arrival]], None]) -> None:
    """A wire has nobody to answer: a misspelt name stands in the journal, and not once for every reading."""
    notices: list[str] = []
    intake = Intake(writer, process, lambda: T0 + HOUR, IntakeLimits(probes=["core-1"]), on_notice=notices.append)
    for n in range(3):
        what(intake, Reading("core-9", T0 + n, 1.0), Reading("core-1", T0 + n, 1.0))
    what(intake, Reading("core-1", -SECOND, 1.0))
    intake.close()
    assert len(notices) == 2
    assert 'probe "core-9" is not in the plan' in notices[0]
    assert "outside the years 1970 to 9999" in notices[1]


def test_clock_that_goes_back_is_held_or_told(
    writer: Writer, process: Callable[[Connection, Sequence[Arrival]], None], store: Store
) -> None:
    """A step back of seconds is not written down; one of hours is, and is told."""
    clock, notices = iter([T0, T0 - SECOND, T0 - 2 * HOUR]), []
    intake = Intake(writer, process, lambda: next(clock), on_notice=notices.append)
    for n in range(3):
        what(intake, Reading("core-1", T0 - 3 * HOUR + n, 1.0))
    intake.close()
    with store.read() as conn:
        assert [s.received_at - T0 for s in readings.between(conn, 0, T0)] == [0, 0, -2 * HOUR]
    assert len(notices) == 1
    assert "the clock went back by 2.00 h" in notices[0]


def test_what_comes_now_goes_before_a_backlog_and_ticks_behind_neither(intake: Intake, writer: Writer, seen: list[Arrival]) -> None:
    """While the writer is busy a backlog piles up: a live reading is judged before it, and a job without anybody waiting soon after."""
    intake.readings([Reading("core-1", T0 + 50 * MINUTE, 4.0)]).result(10)
    busy = threading.Event()
    order: list[str] = []
    writer.submit(lambda conn: busy.wait(10))
    old = [intake.readings([Reading("core-1", T0 + n, float(n % 50)) for n in range(m * 600, m * 600 + 600)]) for m in range(20)]
    live = intake.readings([Reading("core-2", T0 + HOUR, 5.0)])
    tick = writer.submit(lambda conn: len(seen), waiting=False)
    live.add_done_callback(lambda _: order.append("live"))
    old[-1].add_done_callback(lambda _: order.append("old"))
    busy.set()
    for future in old:
        future.result(30)
    assert tick.result(10) < 3 * 600, "it waited for a batch or two of the backlog, not for twenty"
    assert seen[1].item == Reading("core-2", T0 + HOUR, 5.0)
    assert order == ["live", "old"]


def test_backlog_in_order_is_not_overtaken_by_its_own_newest(intake: Intake, writer: Writer) -> None:
    """A gateway that sends what it kept before what it reads now is not late for having waited in the queue."""
    busy = threading.Event()
    writer.submit(lambda conn: busy.wait(10))
    futures = [intake.readings([Reading("core-1", T0 + n * MINUTE, 4.0)]) for n in range(0, 61, 5)]
    busy.set()
    assert [outcome.what for future in futures for outcome in future.result(10)] == ["stored"] * len(futures)
