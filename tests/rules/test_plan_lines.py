"""Where a key stands in a plan file."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.plan_lines import key_lines, line_of

TEXT = '''# a plan
[site]
id = "x"          # not [here]
"quoted key" = 1
a.b = 2

[[product]]
code = "one"
[[product.step]]
name = "grind"
[[product.step.limit]]
rows = [
  { at = "145 °F", for = "4 min" },   # } ]
  { at = "150 °F", for = "67 s" },
]
note = """
[[product]]
code = "no"
"""
[[product.step]]
name = 'cook ] ['

[[product]]
code = "two"
[[product.step]]
name = "only"
last = { x = 1, y = { z = 2 } }
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("site",), 2),
        (("site", "id"), 3),
        (("site", "quoted key"), 4),
        (("site", "a", "b"), 5),
        (("product", 0), 7),
        (("product", 0, "code"), 8),
        (("product", 0, "step", 0), 9),
        (("product", 0, "step", 0, "limit", 0), 11),
        (("product", 0, "step", 0, "limit", 0, "rows", 0), 13),
        (("product", 0, "step", 0, "limit", 0, "rows", 1, "for"), 14),
        (("product", 0, "step", 0, "limit", 0, "note"), 16),
        (("product", 0, "step", 1, "name"), 21),
        (("product", 1), 23),
        (("product", 1, "code"), 24),
        (("product", 1, "step", 0, "last", "y", "z"), 27),
    ],
)
def test_key_is_found_on_its_line(path: tuple[str | int, ...], line: int) -> None:
    """Headers, dotted and quoted keys, inline tables and arrays over several lines are all found."""
    assert key_lines(TEXT)[path] == line


def test_missing_key_takes_the_line_of_its_table() -> None:
    """A key that is not there is reported where its table stands."""
    assert line_of(key_lines(TEXT), ("product", 1, "step", 0, "room")) == 25
    assert line_of(key_lines(TEXT), ("nothing",)) == 0


def test_braces_and_hashes_in_strings_are_no_structure() -> None:
    """Quotes, escapes and comment signs inside strings do not derail the count."""
    text = 'a = "\\"]#{"\nb = \'#[\'\nc = """x"" """""\nd = 1\n'
    lines = key_lines(text)
    assert [lines[(k,)] for k in "abcd"] == [1, 2, 3, 4]


def test_empty_file_has_no_lines() -> None:
    """Nothing in, nothing out."""
    assert key_lines("") == {}
    assert key_lines("# only a comment") == {}


_scalars = st.one_of(
    st.integers(0, 99).map(str), st.sampled_from(['"a # b"', "'[x]'", '"""m\nn"""', "true", "1.5", "2026-01-02T03:04:05Z"])
)
_values = st.recursive(
    _scalars,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda v: "[\n" + ",\n".join(v) + " ]"),
        st.lists(inner, max_size=3).map(lambda v: "{ " + ", ".join(f"k{i} = {x}" for i, x in enumerate(v)) + " }"),
    ),
    max_leaves=6,
)


def _paths(data: Any, prefix: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    found: set[tuple[str | int, ...]] = set()
    for key, value in items:
        found |= {(*prefix, key)} | _paths(value, (*prefix, key))
    return found


@given(st.lists(st.tuples(st.sampled_from(["[t]", "[[a]]", "[[a.b]]", "[a.c]", ""]), _values), max_size=6))
def test_every_key_that_tomllib_reads_has_a_line(parts: list[tuple[str, str]]) -> None:
    """Whatever valid text comes, no key is missed and no key is invented."""
    text = "".join(f"{header}\nkey{i} = {value}\n" for i, (header, value) in enumerate(parts))
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    lines = key_lines(text)
    assert set(lines) == _paths(data)
    assert all(1 <= n <= text.count("\n") + 1 for n in lines.values())
