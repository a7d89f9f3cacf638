"""The Judge JSON as sentences: the verdict first, then what each limit rests on."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from rules.growth_over_lot import words as growth_words
from rules.plan import Plan
from rules.quantity import format_span, local, parse_instant
from rules.reading import SECOND
from rules.wording import difference

WORDS = {
    "met": "every critical limit was met",
    "deviated": "a critical limit was NOT met",
    "unproven": "the evidence cannot show that every critical limit was met",
    "open": "still being judged",
}
MARKS = {"met": "met", "deviated": "DEVIATED", "unproven": "UNPROVEN", "open": "open"}


def report_text(report: dict[str, Any], plan: Plan) -> str:
    """What a tired person reads: lots, limits, watches, alarms, problems."""
    zone, unit = plan.site.zone, plan.site.unit
    lines: list[str] = []
    if not report["lots"] and not report["standing"]:
        lines.append("Nothing was judged: no lot had started, and no room's day had begun.")
    for lot in report["lots"]:
        lines += _lot(lot, zone, unit)
    for day in report["standing"]:
        lines.append(f"room {day['room']} on {day['day']}: {day['limit']} {MARKS[day['verdict']]}")
        if day.get("doubt"):
            lines.append(f"      {day['doubt']}")
        lines += [f"      {_watch(w, zone, unit)}" for w in day["watches"]]
    if report["alarms"]:
        lines += ["", "What would have rung:"]
        lines += [f"  {_time(a['at'], zone)}  {a['lot']}: {_alarm(a)}" for a in report["alarms"]]
    if report["problems"]:
        lines += ["", "Readings that could not be used as they stand:"]
        lines += [f"  {_time(p['at'], zone)}  {p['probe']}: {p['text']}" for p in report["problems"]]
    lines += ["", "A limit was met or it was not; whether that is enough is for a qualified person and local law to say."]
    return "\n".join(lines) + "\n"


def _lot(lot: dict[str, Any], zone: ZoneInfo, unit: str) -> list[str]:
    lines = [f"Lot {lot['lot']} ({lot['product']}): {lot['verdict'].upper()} — {WORDS[lot['verdict']]}."]
    if lot["unconfirmed"]:
        lines.append(f'  Nobody has confirmed that it is in "{lot["prompt"]["to"]}" since {_time(lot["prompt"]["at"], zone)}.')
    for limit in lot["limits"]:
        kind = "critical" if limit["class"] == "critical" else "operating"
        lines.append(f"  {MARKS[limit['verdict']]:9} {limit['step']}: {limit['limit']} ({limit['kind']}, {kind})")
        if limit.get("reason"):
            lines.append(f"            {limit['reason']}")
        if limit.get("doubt"):
            lines.append(f"            {limit['doubt']}")
        for watch in limit["watches"]:
            lines.append(f"            {_watch(watch, zone, unit)}")
            if "remedy" in watch["evidence"]:
                lines.append(f"              what would still meet it: {watch['evidence']['remedy']['text']}")
        for told in limit.get("growth", ()):
            at = parse_instant(told["from_at"]) if "from_at" in told else 0
            lines += [f"            {sentence}" for sentence in growth_words(told, zone, at)]
    return [*lines, ""]


def _watch(watch: dict[str, Any], zone: ZoneInfo, unit: str) -> str:
    when = f" {_time(watch['at'], zone)}" if watch["at"] else ""
    spare = "" if watch["verdict"] == "open" else _margin(watch["margin"], unit)
    left_out = "" if watch.get("counted", True) else " [left out: enough other probes are met]"
    reason = f": {watch['reason']}" if watch["reason"] else ""
    return f"{watch['probe']} {MARKS[watch['verdict']]}{when}{reason}{spare}{left_out}"


def _margin(margin: dict[str, float], unit: str) -> str:
    """What was to spare or short: degrees where a limit has no time to forgive, else time."""
    degrees, seconds = margin.get("temperature_c"), margin.get("seconds")
    if degrees is not None and not seconds:
        return f" ({difference(abs(degrees), unit)} {'to spare' if degrees >= 0 else 'beyond it'})"
    if seconds is None:
        return ""
    return f" ({format_span(int(abs(seconds) * SECOND))} {'to spare' if seconds >= 0 else 'short'})"


def _alarm(alarm: dict[str, Any]) -> str:
    names = " ".join(n for n in (alarm["step"], alarm["limit"], alarm["probe"]) if n)
    return f"{alarm['what']} {names}: {alarm['text']}"


def _time(text: str, zone: ZoneInfo) -> str:
    moment = local(parse_instant(text), zone)
    seconds = "%H:%M:%S" if moment.microsecond == 0 else "%H:%M:%S.%f"
    offset = moment.strftime("%z")
    return f"{moment.strftime('%Y-%m-%d ' + seconds)} {offset[:3]}:{offset[3:]}"
