"""What becomes of each item, by the short way that nearly every batch takes and by the long one."""

from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.outcomes import DUPLICATE, STORED, Sorting
from monitor.store.database import Store
from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Fault, Instant, Reading

T0 = parse_instant("2026-03-02T13:00:00Z")


class LongWay(Sorting):
    """Asks each question of each item."""

    def _all_new(self, items: Sequence[Reading | Fault], received_at: Instant) -> bool:
        return False


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    path: Path = tmp_path_factory.mktemp("store") / "larderer.sqlite"
    return Store(str(path)).open()


AT = st.sampled_from([T0 - 49 * HOUR, T0, T0 + 1, T0 + SECOND, T0 + 2 * SECOND, T0 + 2 * MINUTE, T0 + 3 * MINUTE, -1])
CELSIUS = st.sampled_from([4.0, 4.5, 0.0, -0.0, -274.0, 9999.0, float("nan")])
READINGS = st.builds(
    Reading, st.sampled_from(["a", "b", "nobody"]), AT, CELSIUS, st.sampled_from([0.0, 0.0, 0.1]), st.sampled_from(["", "", "x"])
)
PLAIN = st.builds(Reading, st.sampled_from(["a", "b"]), AT, st.sampled_from([4.0, 4.5]))
FAULTS = st.builds(Fault, st.sampled_from(["a", "b"]), AT, st.just("open circuit"))
BATCH = st.one_of(
    st.lists(st.one_of(PLAIN, READINGS, FAULTS), max_size=5), st.lists(PLAIN, max_size=4).map(lambda rows: sorted(rows, key=lambda r: r.at))
)


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(BATCH, max_size=6), st.booleans())
def test_the_short_way_says_what_the_long_one_says(store: Store, batches: list[list[Reading | Fault]], offsets: bool) -> None:
    """Outcomes, what is handed on, and what is the newest of each probe, over several batches of one pull."""

    def offset(probe: str, at: Instant) -> float:
        return 0.25 if offsets and probe == "b" and at > T0 else 0.0

    found = []
    with store.read() as conn:
        for way in (Sorting, LongWay):
            newest = {"a": T0}
            one = way(newest, frozenset({"a", "b"}), offset)
            outcomes = [one.look(conn, batch, T0 + SECOND) for batch in batches]
            found.append(repr((outcomes, one.arrivals, newest)))
    assert found[0] == found[1]


def test_the_same_in_a_later_batch_of_one_pull_is_a_duplicate(store: Store) -> None:
    """The first batch took the short way, and is remembered all the same."""
    batch = [Reading("a", T0 + n * SECOND, 4.0) for n in range(3)]
    one = Sorting({}, None, lambda _probe, _at: 0.0)
    with store.read() as conn:
        told = [[outcome.what for outcome in one.look(conn, batch, T0 + MINUTE)] for _ in range(2)]
    assert told == [[STORED] * 3, [DUPLICATE] * 3]
    assert [arrival.item for arrival in one.arrivals] == batch
