"""Sentences of the day's PDF. No verdict is ever worded as "safe": a limit was met or it was not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import tzinfo
from typing import Any

from monitor.charts import instant
from rules.book import MARKS, read_in_original
from rules.plan import Limit
from rules.quantity import format_span, local
from rules.reading import SECOND, Instant
from rules.wording import difference

VERDICTS = {"met": "met", "deviated": "DEVIATED", "unproven": "NOT PROVEN", "open": "still open"}

CAUTIONS = (
    "This tool supports a HACCP plan and does not replace one. Limits must be validated for the establishment's own products by a "
    "qualified person; local law and the inspector decide.",
    "A thermometer is only as good as its last calibration. What was not measured was not controlled.",
    "Cure (nitrite) is toxic in excess: weigh it.",
    "A limit shown as met was met as measured. That is no statement that the food cannot make anyone ill.",
)


def clock(at: Instant | None, zone: tzinfo) -> str:
    """An instant as people at the site read it, with the offset of that moment."""
    return "" if at is None else f"{local(at, zone):%d %b %H:%M:%S} {offset(at, zone)}"


def offset(at: Instant, zone: tzinfo) -> str:
    """The zone's offset from UTC at that moment: "-06:00"."""
    text = f"{local(at, zone):%z}"
    return f"{text[:3]}:{text[3:5]}"


def day_name(since: Instant, until: Instant, zone: tzinfo) -> str:
    """The day in words, with its length where it is not 24 h."""
    moment = local(since, zone)
    hours = (until - since) / (3600 * SECOND)
    return f"{moment:%A} {moment.day} {moment:%B %Y}" + (f" ({hours:g} hours, the clocks changed)" if hours != 24 else "")


def day_verdict(report: Mapping[str, Any]) -> str:
    """The verdict of the day in one or two sentences."""
    by_verdict: dict[str, list[str]] = {}
    for lot in report["lots"]:
        by_verdict.setdefault(lot["verdict"], []).append(str(lot["lot"]))
    said = []
    if lots := by_verdict.get("deviated"):
        said.append(f"A critical limit was not met: {_lots(lots)}.")
    if lots := by_verdict.get("unproven"):
        said.append(f"It is not proven that every critical limit was met: {_lots(lots)}.")
    if lots := by_verdict.get("open"):
        said.append(f"Still open at the end of the day: {_lots(lots)}.")
    if lots := by_verdict.get("met"):
        said.append(f"Every critical limit was met, as measured: {_lots(lots)}.")
    broken = [s for s in report.get("standing", ()) if s["verdict"] in ("deviated", "unproven")]
    if broken:
        said.append("Rooms: " + ", ".join(sorted({f"{s['room']} ({s['limit']} {VERDICTS[s['verdict']].lower()})" for s in broken})) + ".")
    return " ".join(said) or "No lot was open on this day."


def _lots(lots: Sequence[str]) -> str:
    return ("lot " if len(lots) == 1 else "lots ") + ", ".join(lots)


def margin(values: Mapping[str, Any], unit: str) -> str:
    """A margin in words: to spare, or short."""
    parts = []
    if "seconds" in values:
        seconds = float(values["seconds"])
        parts.append(f"{format_span(round(abs(seconds) * SECOND))} {'to spare' if seconds >= 0 else 'short'}")
    if "temperature_c" in values:
        celsius = float(values["temperature_c"])
        parts.append(f"{difference(abs(celsius), unit)} {'to spare' if celsius >= 0 else 'beyond'}")
    if "log10" in values:
        parts.append(f"{float(values['log10']):+.2f} log10")
    return ", ".join(parts)


def sources(limit: Limit) -> list[str]:
    """Where a limit's figures come from: documents with their sections, and how well each was verified."""
    grouped: dict[tuple[str, str, str], list[str]] = {}
    for c in limit.citations:
        grouped.setdefault((c.document, c.date, c.mark), []).append(c.section)
    said = []
    for (document, date, mark), sections in grouped.items():
        where = "; ".join(list(dict.fromkeys(s for s in sections if s))[:3])
        memory = " FROM MEMORY, NOT VERIFIED." if mark == "M" else " PARTLY FROM MEMORY." if mark == "M+" else ""
        said.append(f"{document} ({date}), {where}. Mark {mark}: {MARKS.get(mark, 'unknown mark')}.{memory}")
    if limit.source:
        said.append(limit.source + ("" if limit.source.rstrip().endswith((".", "!", "?")) else "."))
    if limit.confirmed:
        said.append(f"Confirmed: {limit.confirmed}.")
    elif limit.critical and any(not read_in_original(c.mark) for c in limit.citations):
        said.append("NOT CONFIRMED by a person against the document itself.")
    return said or ["No source is stated in the plan."]


def record_text(body: Mapping[str, Any]) -> str:
    """Any record's body in a line: its own sentence where it has one, then what else it holds."""
    told = [str(body[name]) for name in ("text", "comment") if body.get(name)]
    left = {k: v for k, v in body.items() if k not in ("text", "comment", "at") and v not in ("", None, [], {})}
    facts = ", ".join(f"{name} {_value(value)}" for name, value in left.items())
    return " | ".join([*told, facts] if facts else told)


def _value(value: object) -> str:
    if isinstance(value, Mapping):
        return "(" + ", ".join(f"{k} {_value(v)}" for k, v in value.items() if v not in ("", None)) + ")"
    if isinstance(value, list):
        return "[" + "; ".join(_value(v) for v in value) + "]"
    return "yes" if value is True else "no" if value is False else str(value)


def when(value: object, zone: tzinfo) -> str:
    """An instant of a record's body, in local time."""
    return clock(instant(value), zone)
