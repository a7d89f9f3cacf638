"""Reading a TOML table key by key, noting every mistake with its file, line, place and remedy.

A getter that meets a mistake notes it and returns its default, so that one pass finds them all.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, TypeVar

from rules.errors import QuantityError
from rules.plan_lines import Path, line_of
from rules.quantity import parse_difference, parse_span, parse_temperature, parse_thickness
from rules.reading import HOUR, Span

T = TypeVar("T")

#: What to write where a key is missing or its value has the wrong form.
EXAMPLES: Mapping[str, str] = {
    "id": '"house-1"', "code": '"juniper-links"', "name": '"cook"', "kind": '"ceiling"', "place": '"core"', "when": '"lethality met"',
    "max": '"34 °F"', "min": '"135 °F"', "allowed": '"30 min"', "deadband": '"1 °F"', "for": '"4 min"', "at": '"145 °F"',
    "above": '"70 °F"', "within": '"90 min"', "low": '"50 °F"', "high": '"130 °F"', "start": '"130 °F"', "to": '"80 °F"', "by": '"6 h"',
    "rows": '[{ at = "145 °F", for = "4 min" }]', "tiers": '[{ above = "70 °F", within = "2 h" }]',
    "windows": '[{ to = "80 °F", within = "90 min" }, { to = "40 °F", within = "5 h" }]', "needs": "[{ nitrite_ppm = 100 }]",
    "reference": '"140 °F"', "d_value": '"1.846 min"', "z_value": '"10 °F"', "floor": '"140 °F"', "target_log": "6.5",
    "validated_by": '"who, when, against what"', "room": '"house-1"', "fat": '"12 %"',
    "diameter": '"30 mm"', "over": '["grind", "mix", "stuff"]',
    "span": '"-40 °C to 150 °C"', "max_rate": '"3 °C/min"', "altitude": '"180 m"', "begin_within": '"90 min"',
    "uncertainty": '"0.5 °F"', "max_gap": '"15 min"',
    "sampled": '"15 min"', "on_delay": '"30 min"', "off_delay": '"5 min"', "probes": "2", "nitrite_ppm": "100",
    "confirm_within": '"20 min"', "silent_after": '"2 min"', "stuck_after": '"30 min"', "do": '["…", "…"]',
    "stages": '[{ set = "130 °F", for = "1 h" }, { set = "170 °F", until_core = "152 °F" }]', "set": '"170 °F"', "until_core": '"152 °F"',
    "tolerance": '"10 °F"', "settle": '"15 min"', "at_least": '"60 min"', "exempt": '"casing"', "base": '"60 °F"', "until_ph": "5.3",
    "measure": '"nitrite_ppm"', "dry_bulb": '"chamber-1"', "check_every": '"14 days"',
}  # fmt: skip

_LOWEST_C, _HIGHEST_C = -200.0, 600.0
_LONGEST: Span = 366 * 24 * HOUR


class Mistakes:
    """Every mistake of one file, in the order found."""

    def __init__(self, name: str, lines: Mapping[Path, int]) -> None:
        self.name = name
        self.lines = lines
        self.found: list[tuple[int, str]] = []

    def add(self, path: Path, place: str, sentence: str) -> None:
        """Note one mistake: `place` is the dotted place in people's names, `sentence` what is wrong and what to write."""
        line = line_of(self.lines, path)
        where = f"{self.name}, line {line}" if line else self.name
        text = f"{where}, {place}: {sentence}" if place else f"{where}: {sentence}"
        if (line, text) not in self.found:
            self.found.append((line, text))

    def sentences(self) -> list[str]:
        """Every mistake, in the order of the file."""
        return [text for _, text in sorted(self.found, key=lambda m: m[0])]


class Node:
    """One table of the plan. `place` names it for people: `product.juniper-links.step.cook`."""

    def __init__(self, data: Mapping[str, Any], path: Path, place: str, mistakes: Mistakes) -> None:
        self.data = data
        self.path = path
        self.place = place
        self.mistakes = mistakes

    @property
    def line(self) -> int:
        """The line on which the table stands."""
        return line_of(self.mistakes.lines, self.path)

    def has(self, key: str) -> bool:
        """Whether the key is there."""
        return key in self.data

    def wrong(self, key: str, sentence: str) -> None:
        """Note a mistake at a key of this table; at the table itself where `key` is empty."""
        place = f"{self.place}.{key}" if key and self.place else key or self.place
        self.mistakes.add((*self.path, key) if key else self.path, place, sentence)

    def missing(self, key: str) -> None:
        """Note a key that must be there."""
        self.wrong("", f"{key} is missing; write {key} = {_example(key)}")

    def only(self, allowed: Iterable[str]) -> None:
        """Note every key that is not known here, with the nearest that is."""
        known = list(allowed)
        for key in self.data:
            if key not in known:
                near = difflib.get_close_matches(key, known, n=1, cutoff=0.6)
                remedy = f'did you mean "{near[0]}"?' if near else f"write one of {', '.join(known)}"
                self.wrong(key, f'key "{key}" is not known here; {remedy}')

    def text(self, key: str, default: str = "", *, required: bool = False) -> str:
        """A string."""
        value = self.data.get(key)
        if value is None:
            if required:
                self.missing(key)
            return default
        if not isinstance(value, str) or (required and not value.strip()):
            self.wrong(key, f"{key} is {show(value)}; write a text, such as {_example(key)}")
            return default
        return value.strip()

    def choice(self, key: str, among: Sequence[str], default: str, *, required: bool = False) -> str:
        """A string that must be one of some words."""
        if not self.has(key):
            if required:
                self.wrong("", f"{key} is missing; write {key} = {_words(among)}")
            return default
        value = self.data[key]
        if value not in among:
            near = difflib.get_close_matches(str(value), among, n=1, cutoff=0.6)
            self.wrong(key, f"{key} is {show(value)}; " + (f'did you mean "{near[0]}"?' if near else f"write {_words(among)}"))
            return default
        return str(value)

    def flag(self, key: str, default: bool = False) -> bool:
        """`true` or `false`."""
        value = self.data.get(key, default)
        if not isinstance(value, bool):
            self.wrong(key, f"{key} is {show(value)}; write true or false, without quotation marks")
            return default
        return value

    def number(self, key: str, default: T, *, least: float = 0.0, whole: bool = False) -> float | T:
        """A number above `least`; `whole`: a whole number of at least 1."""
        value = self.data.get(key)
        if value is None:
            return default
        good = isinstance(value, int) if whole else isinstance(value, int | float)
        if not good or isinstance(value, bool) or not least < value < 1e9:
            kind = "a whole number of at least 1" if whole else f"a number above {least:g}"
            self.wrong(key, f"{key} is {show(value)}; write {kind}, such as {_example(key)}, without quotation marks")
            return default
        return float(value)

    def temperature(self, key: str, default: float | None = None, *, required: bool = False) -> float | None:
        """A temperature in °C from one with its unit."""
        value: float | None = self._parsed(key, parse_temperature, "a temperature with its unit", default, required)
        if value is not None and not _LOWEST_C < value < _HIGHEST_C:
            self.wrong(key, f"{key} is {show(self.data.get(key))}, which no kitchen reaches; look at the figure and its unit")
            return default
        return value

    def difference(self, key: str, default: float | None = None, *, required: bool = False) -> float | None:
        """A temperature difference in °C, not below 0, from one with its unit."""
        value: float | None = self._parsed(key, parse_difference, "a difference with its unit", default, required)
        if value is not None and not 0 <= value < 100:
            self.wrong(key, f"{key} is {show(self.data.get(key))}; write a difference of 0 or more, such as {_example(key)}")
            return default
        return value

    def span(self, key: str, default: T, *, required: bool = False, zero: bool = True) -> Span | T:
        """A duration in microseconds; `zero`: whether 0 will do."""
        value: Span | None = self._parsed(key, parse_span, "a duration with its unit", None, required)
        if value is None:
            return default
        if value == 0 and not zero:
            self.wrong(key, f"{key} is {show(self.data[key])}; write a duration longer than 0, such as {_example(key)}")
            return default
        if value > _LONGEST:
            self.wrong(key, f"{key} is {show(self.data[key])}, longer than a year; look at the figure and its unit")
            return default
        return value

    def thickness(self, key: str) -> float | None:
        """Metres of a thickness or diameter with its unit; None where it is not there."""
        value: float | None = self._parsed(key, parse_thickness, "a diameter between 5 mm and 500 mm with its unit", None, False)
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of strings."""
        value = self.data.get(key, [])
        if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
            self.wrong(key, f"{key} is {show(value)}; write a list of texts, such as {_example(key)}")
            return ()
        return tuple(value)

    def tables(self, key: str, *, required: bool = False) -> list[Node]:
        """The tables of an array of tables, or of an array of inline ones."""
        value = self.data.get(key)
        if value is None:
            if required:
                self.missing(key)
            return []
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value) or (required and not value):
            self.wrong(key, f"{key} is {show(value)}; write a list of tables, such as {_example(key)}")
            return []
        return [self._child(key, i, v) for i, v in enumerate(value)]

    def table(self, key: str) -> Node | None:
        """The table of that key, if it is there."""
        value = self.data.get(key)
        if value is None:
            return None
        if not isinstance(value, dict):
            self.wrong(key, f"{key} is {show(value)}; write a table, such as {_example(key)}")
            return None
        return Node(value, (*self.path, key), f"{self.place}.{key}" if self.place else key, self.mistakes)

    def _child(self, key: str, index: int, data: Mapping[str, Any]) -> Node:
        name = next((str(data[k]) for k in ("code", "id", "name", "room") if isinstance(data.get(k), str)), str(index + 1))
        place = f"{key}.{name}"
        return Node(data, (*self.path, key, index), f"{self.place}.{place}" if self.place else place, self.mistakes)

    def _parsed(self, key: str, parse: Callable[[str], Any], what: str, default: Any, required: bool) -> Any:
        if not self.has(key):
            if required:
                self.missing(key)
            return default
        try:
            return parse(self.data[key])
        except QuantityError:
            self.wrong(key, f"{key} is {show(self.data[key])}; write {what}, such as {_example(key)}")
            return default


def _example(key: str) -> str:
    return EXAMPLES.get(key, "2")


def show(value: object) -> str:
    """A value as it stands in the plan, short enough for one sentence."""
    text = f'"{value}"' if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else str(value)
    return text if len(text) <= 60 else text[:57] + "…"


def _words(among: Sequence[str]) -> str:
    quoted = [f'"{w}"' for w in among]
    return quoted[0] if len(quoted) == 1 else ", ".join(quoted[:-1]) + " or " + quoted[-1]
