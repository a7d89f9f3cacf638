"""What would still meet a limit, in numbers: what a probe must read, for how long, by when.

Definition: `docs/judging-choices.md`, 32. A watch answers `remedy()` from its newest reading, so that Ticks change nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import tzinfo
from typing import Any, NamedTuple

from rules.quantity import fahrenheit, format_span, parse_instant, to_fahrenheit
from rules.reading import SECOND, Instant, Span
from rules.wording import clock, temperature

#: Between a finding's own words and its remedy; whoever rings takes what follows it for what to do now.
LEAD = "; what would still meet it: "


class Ask(NamedTuple):
    """One thing to do. `do` is one of

    hold (be at or beyond `at_c` for `span` more; 0: two readings in a row), keep (stay there for `span`), reach (be there by `by`, `span`
    after the newest reading, or `span` after the mark before it where `by` is None), spare (no more than `span` in all beyond it).
    `cold`: at or below; else at or above. `u` is the probe's uncertainty, which it must read beyond. `twice`: two readings in a row.
    """

    do: str
    at_c: float
    cold: bool
    span: Span
    by: Instant | None = None
    u: float = 0.0
    twice: bool = False
    low_c: float | None = None


class Remedy(NamedTuple):
    """`every`: all of `asks` are wanted, one after the other; else any one of them is enough.

    `stands`: it stays unproven all the same, but is not deviated. `again`: the probe was taken out and has to be put back in.
    """

    asks: tuple[Ask, ...]
    every: bool = False
    stands: bool = False
    again: bool = False


def must_read(ask: Ask, unit: str) -> float:
    """What the probe must read, in °C: the limit and its uncertainty, to a tenth of the site's unit on the lot's side."""
    value = ask.at_c - ask.u if ask.cold else ask.at_c + ask.u
    shown = to_fahrenheit(value) if unit == "F" else value
    tenths = math.floor(round(shown * 10, 6)) if ask.cold else math.ceil(round(shown * 10, 6))
    return fahrenheit(tenths / 10) if unit == "F" else tenths / 10


def whole_seconds(span: Span) -> Span:
    """The next whole second: what is said to be enough must be enough."""
    return -(-span // SECOND) * SECOND


def facts(remedy: Remedy, unit: str) -> dict[str, Any]:
    """The remedy as JSON-able numbers; `by_at` is an instant."""
    rows = []
    for ask in remedy.asks:
        row: dict[str, Any] = {"do": ask.do, "at_c": round(ask.at_c, 3), "cold": ask.cold}
        if ask.low_c is not None:
            row["from_c"] = round(ask.low_c, 3)
        if ask.u:
            row["reads_c"] = round(must_read(ask, unit), 3)
        if ask.do in ("hold", "keep"):
            row["for_s"] = whole_seconds(ask.span) // SECOND
        else:
            row["within_s"] = ask.span // SECOND
        if ask.by is not None:
            row["by_at"] = ask.by
        if ask.twice or (ask.do == "hold" and not ask.span):
            row["readings"] = 2
        rows.append(row)
    told: dict[str, Any] = {"every" if remedy.every else "any": rows}
    if remedy.stands:
        told["stands"] = "unproven"
    if remedy.again:
        told["place_again"] = True
    return told


def words(told: Mapping[str, Any], unit: str, zone: tzinfo, now: Instant) -> str:
    """What `facts` gave (its instants as numbers or as text) as a sentence without its full stop, as of `now`.

    "hold 145 °F or above for another 2 min 10 s, or reach 158 °F twice in a row"; "reach 80 °F by 14:05 (38 min) and 40 °F by 19:05 (5 h
    38 min)". Blank where it is too late for what comes first.
    """
    every = "every" in told
    rows = told["every" if every else "any"]
    texts = [_ask(row, unit, zone, now) for row in rows]
    if every and texts and not texts[0]:
        return ""
    texts = [text for text in texts if text]
    if every:  # "reach 80 °F by … and 40 °F by …"
        texts = texts[:1] + [text.removeprefix("reach ") for text in texts[1:]]
    text = (" and " if every else ", or ").join(texts)
    if text and told.get("place_again"):
        text = f"put the probe back in and {text}"
    return f"{text}; it stays unproven all the same" if text and told.get("stands") else text


def _ask(row: Mapping[str, Any], unit: str, zone: tzinfo, now: Instant) -> str:
    what = temperature(row["at_c"], unit) + (f" (the probe must read {temperature(row['reads_c'], unit)})" if "reads_c" in row else "")
    side = "or below" if row["cold"] else "or above"
    twice = " twice in a row" if row.get("readings") == 2 else ""
    if "for_s" in row:
        if not row["for_s"]:
            return f"reach {what}{twice}"
        return f"{row['do']} {what} {side} for another {format_span(row['for_s'] * SECOND)}"
    left = format_span(row["within_s"] * SECOND)
    if row["do"] == "spare":
        return f"no more than {left} " + (f"between {temperature(row['from_c'], unit)} and {what}" if "from_c" in row else f"above {what}")
    if "by_at" not in row:
        return f"{what} within {left} of that"
    by = row["by_at"] if isinstance(row["by_at"], int) else parse_instant(row["by_at"])
    if by < now:
        return ""
    return f"reach {what}{twice} by {clock(by, zone, now)} ({format_span((by - now) // SECOND * SECOND)})"
