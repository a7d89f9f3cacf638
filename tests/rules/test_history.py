"""Events of any order, arranged as the engine takes them."""

from hypothesis import given
from hypothesis import strategies as st

from rules.history import arrange, in_order
from rules.reading import Fault, Reading, Tick

_ROW = st.one_of(
    st.builds(Reading, st.sampled_from(["a", "b", "c"]), st.integers(0, 8), st.sampled_from([1.0, 2.0])),
    st.builds(Fault, st.sampled_from(["a", "b", "c"]), st.integers(0, 8), st.just("open circuit")),
)


@given(st.lists(_ROW, max_size=8))
def test_rows_alone_are_arranged_as_beside_anything_else(rows: list[Reading | Fault]) -> None:
    """Whether no two share an instant, as most that come live, or some do: the same as one by one, and as before a tick."""
    found = arrange(rows)
    assert found == list(in_order([], sorted(rows, key=lambda row: row.at)))
    assert [*found, Tick(9)] == arrange([*rows, Tick(9)])
    assert arrange(reversed(rows)) == found or len({row.at for row in rows}) < len(rows)
