"""Sentences of the day's PDF. No verdict is ever worded as "safe": a limit was met or it was not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import tzinfo
from typing import Any

from monitor.charts.lot_chart import instant
from rules.plan import Limit
from rules.quantity import format_span, local
from rules.reading import SECOND, Instant
from rules.sources import source_lines
from rules.wording import difference

VERDICTS = {"met": "met", "deviated": "DEVIATED", "unproven": "NOT PROVEN", "open": "still open"}

CAUTIONS = (
    "This tool supports a HACCP plan and does not replace one. Limits must be validated for the establishment's own products by a "
    "qualified person; local law and the inspector decide.",
    "A thermometer is only as good as its last calibration. What was not measured was not controlled.",
    "Cure (nitrite) is toxic in excess: weigh it.",
    "A limit shown as met was met as measured. That is no statement that the food cannot make anyone ill.",
)


class Clock:
    """Instants as people at the site read them; with their offset from UTC where it changes within the time shown."""

    def __init__(self, zone: tzinfo, begins: Instant, ends: Instant) -> None:
        self.zone = zone
        self.changes = local(begins, zone).utcoffset() != local(ends, zone).utcoffset()

    def __call__(self, at: Instant | None) -> str:
        """The instant, blank for none."""
        if at is None:
            return ""
        moment = local(at, self.zone)
        text = f"{moment:%d %b %H:%M:%S}" if moment.second else f"{moment:%d %b %H:%M}"
        return f"{text} {offset(at, self.zone)}" if self.changes else text

    def of(self, value: object) -> str:
        """An instant of the Judge JSON or of a record's body."""
        return self(instant(value))


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
    return source_lines(limit) or ["No source is stated in the plan."]


def record_text(kind: str, body: Mapping[str, Any], clock: Clock) -> str:
    """Any record's body in a line: its own sentence where it has one, then what else it holds."""
    if kind == "correction":
        about = ", ".join(str(body[k]) for k in ("lot", "step", "day", "limit", "probe") if body.get(k))
        was, now = (VERDICTS.get(str(body.get(k)), str(body.get(k))) for k in ("was", "now"))
        return f"{about}: was {was}, is {now}, because: {body.get('why', 'something late was judged in its place')}."
    if kind == "finding":
        about = ", ".join(str(body[k]) for k in ("lot", "step", "limit", "probe") if body.get(k))
        return f"{about}: {body.get('what', kind)}. {body.get('text', '')}".strip()
    if kind == "alarm":
        return f"{body.get('alarm', '')} {body.get('what', '')}" + (f": {body['text']}" if body.get("text") else "")
    told = [str(body[name]) for name in ("text", "comment") if body.get(name)]
    left = {k: v for k, v in body.items() if k not in ("text", "comment", "at", *_SIGNED)}
    return " | ".join(told + ([", ".join(_facts(left, clock))] if _facts(left, clock) else []) + signed(body))


_SIGNED = ("meaning", "late_s")


def signed(body: Mapping[str, Any]) -> list[str]:
    """What the name under a record means, and that it was written down late where it was."""
    said = [f"signed: {body['meaning']}"] if body.get("meaning") else []
    return said + ([f"WRITTEN DOWN {format_span(int(body['late_s']) * SECOND)} LATE"] if body.get("late_s") else [])


def recall_text(entry: Mapping[str, Any], clock: Clock, unit: str) -> str:
    """A recall in a sentence: which probe, how far off, over which time, by whom."""
    body = entry["body"]
    added = float(body["added_c"])
    since = f"after {clock.of(body['after'])}" if body.get("after") else "from its first reading"
    return (
        f"Recall {body['recall']}: {body['probe']} read {difference(abs(added), unit)} too {'high' if added < 0 else 'low'} {since} "
        f"until {clock.of(body['until'])}, by its check {body['calibration']}. Recalled by {entry['by']} on {clock(entry['at'])}."
    )


#: The answers that close a deviation record, as they are told.
_ANSWERS = {
    "cause": "Cause", "removed": "Cause removed", "restored": "Control restored", "reading": "Shown by", "prevention": "Prevention",
    "disposition": "Product", "quantity": "Quantity", "reason": "Because", "acceptability": "Review of the product",
    "reassessment": "Reassessment of the plan", "trained": "Assessed by",
}  # fmt: skip


def deviation_lines(entry: Mapping[str, Any], clock: Clock) -> list[str]:
    """One record about a deviation, in lines: the first says when, what and by whom."""
    body = entry["body"]
    by = f" by {entry['by']}" if entry["by"] else ""
    what = str(body.get("what", "noted"))
    lines = [". ".join([f"{clock(entry['at'])}: {what}{by}"] + ([str(body["text"])] if body.get("text") else []) + signed(body))]
    if body.get("limit_text"):
        lines.append(f"Limit: {body['limit_text']}" + (f" ({body['source']})" if body.get("source") else ""))
    for seen in body.get("observed", ()) if isinstance(body.get("observed"), list) else ():
        lines.append(
            f"Observed {clock.of(seen.get('at'))}, {seen.get('probe') or 'no probe'}, {seen.get('verdict')}: {seen.get('text', '')}"
        )
    if body.get("do"):
        lines.append("To do by the plan: " + " ".join(body["do"]))
    answers = body.get("answers")
    if isinstance(answers, Mapping):
        lines += [f"{words}: {answers[name]}" for name, words in _ANSWERS.items() if answers.get(name)]
    shown = (
        "deviation",
        "what",
        "text",
        "limit_text",
        "source",
        "observed",
        "do",
        "answers",
        "plan",
        "lot",
        "step",
        "limit",
        "at",
        *_SIGNED,
    )
    rest = _facts({k: v for k, v in body.items() if k not in shown}, clock)
    return lines + ([", ".join(rest)] if rest else [])


def _facts(values: Mapping[str, Any], clock: Clock) -> list[str]:
    return [f"{name.replace('_', ' ')} {_value(name, v, clock)}" for name, v in values.items() if v not in ("", None, [], {})]


def _value(name: str, value: object, clock: Clock) -> str:
    if isinstance(value, Mapping):
        return "(" + ", ".join(_facts(value, clock)) + ")"
    if isinstance(value, list):
        return "[" + "; ".join(_value(name, v, clock) for v in value) + "]"
    if name.endswith("_at") and isinstance(value, int) and not isinstance(value, bool):
        return clock(value)
    return "yes" if value is True else "no" if value is False else str(value)
