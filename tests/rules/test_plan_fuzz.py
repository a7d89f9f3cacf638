"""Whatever stands in a plan, it loads or every mistake is told: nothing else comes out."""

from __future__ import annotations

import re
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from rules.errors import PlanError
from rules.plan_check import check_plan
from rules.plan_load import load_plan

OWN = Path(__file__).parent / "plans"
PLANS = [*(OWN / "good").glob("*.toml"), *(OWN / "rehearsal").glob("*.toml"), Path(__file__).parents[2] / "monitor" / "demo" / "plan.toml"]
TEXTS = [p.read_text(encoding="utf-8") for p in sorted(PLANS)]
JUNK = st.sampled_from(
    """
    "" | "x" | 0 | -1 | 1.5 | nan | true | [] | {} | [[]] | [{}] | ["a"] | { a = 1 } | 1979-05-27 | "-300 °C" | "0 s" | "145 °F" | "5 min"
    | "us-inspected-2021/come-up" | "us-inspected-2021/meat-6.5-log" | "a/b/c" | "lethality met" | "core" | "12 %" | "after 0 h"
    | [{ set = "130 °F", for = "9 h" }] | [{ set = "90 °C" }] | "casing" | "5 mm" | "20 °F in 1 min" | "1200 °F h" | "90 %" | "50 %"
    | [{ at = "145 °F", for = 3 }] | [{ to = "40 °F" }] | "core <= 40 for 10 min" | "9999999999999 h" | 99999999999999999999
    """.strip().split(" | ")
)
_VALUE = re.compile(r"(\w+) = ")


_SWAPS = st.lists(st.tuples(st.integers(0, 500), JUNK), min_size=1, max_size=3)
_DROPS = st.lists(st.integers(0, 500), max_size=2)


def said_of(text: str) -> tuple[str, ...]:
    """What loading or checking says of a plan."""
    try:
        plan = load_plan(text)
    except PlanError as error:
        return error.problems or ("",)
    return tuple(r.sentence for r in check_plan(plan))


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(TEXTS), _SWAPS, _DROPS)
def test_plan_with_junk_in_it_loads_or_says_what_is_wrong(text: str, swaps: list[tuple[int, str]], drops: list[int]) -> None:
    """Values of the wrong type, of another key or out of range, and lines left out, never end in anything but PlanError."""
    lines = text.splitlines()
    for index, junk in swaps:
        i = index % len(lines)
        key = _VALUE.match(lines[i])
        lines[i] = f"{key[1]} = {junk}" if key else lines[i]
    for index in drops:
        del lines[index % len(lines)]
    assert all(said_of("\n".join(lines)))
