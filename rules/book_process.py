"""Rules from the tables of a book that judge a process: profile, humidity, degree-hours, composition; and exemptions.

Rows, by the plan's key names: a humidity table has one `{ min_rh, share, at_least }` (no `min_rh`: judged on what is entered), a
degree-hours table one row a band, a composition table one `{ measure, min, max }`, a profile table one row a stage.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from rules.limits.spec import Band, Composition, DegreeHours, Humidity, Profile, Rule, Stage
from rules.quantity import parse_span, parse_temperature
from rules.science.degree_hours import bands

if TYPE_CHECKING:
    from rules.book import Table

#: The table, of the kind "reference", that lists a book's exemptions from humidity: rows `{ code, situation, limits }`.
EXEMPTIONS = "humidity-exemptions"
#: Whose exemptions are claimed where the limit names no book.
DEFAULT_BOOK = "us-inspected-2021"
_PERCENT = re.compile(r"\s*(\d+(?:\.\d+)?)\s*%\s*(?:RH)?\s*", re.IGNORECASE)


def percent(value: object) -> float | None:
    """Per cent of a text such as "90 %"; None where it is none."""
    match = _PERCENT.fullmatch(value) if isinstance(value, str) else None
    return float(match[1]) if match else None


def _percent(value: str) -> float:
    number = percent(value)
    if number is None:
        raise KeyError(f'per cent "{value}"')
    return number


def exemption(table: Table, code: str) -> str:
    """What the exemption of that code says, with its conditions, section and mark."""
    row = next(r for r in table.rows if r.values["code"] == code)
    conditions = str(row.values.get("limits", ""))
    c = row.citation
    return f"{row.values['situation']}{f'; {conditions}' if conditions else ''} ({c.document}, {c.section}, {c.date}, mark {c.mark})"


def _humidity(table: Table, _fat: float | None) -> Rule:
    v = table.rows[0].values
    return Humidity(
        _percent(v["min_rh"]) if "min_rh" in v else None,
        _percent(v["share"]) / 100 if "share" in v else None,
        parse_span(v["at_least"]) if "at_least" in v else None,
    )


def _degree_hours(table: Table, _fat: float | None) -> Rule:
    first = table.rows[0].values
    if any((r.values["base"], r.values["until_ph"]) != (first["base"], first["until_ph"]) for r in table.rows):
        raise KeyError(f"one base and one until_ph in table {table.name}")
    rows = tuple(Band(b.from_c, b.to_c, b.limit) for b in bands(r.values for r in table.rows))
    return DegreeHours(parse_temperature(first["base"]), rows, float(first["until_ph"]))


def _composition(table: Table, _fat: float | None) -> Rule:
    v = table.rows[0].values
    least, most = (float(v[k]) if k in v else None for k in ("min", "max"))
    return Composition(v["measure"], least, most)


def _profile(table: Table, _fat: float | None) -> Rule:
    def stage(v: Mapping[str, Any]) -> Stage:
        length = parse_span(v["for"]) if "for" in v else None
        return Stage(parse_temperature(v["set"]), length, None if length is not None else parse_temperature(v["until_core"]))

    return Profile(tuple(stage(r.values) for r in table.rows))


PROCESS_MAKERS = {
    "humidity": _humidity,
    "degree-hours": _degree_hours,
    "composition": _composition,
    "profile": _profile,
}
