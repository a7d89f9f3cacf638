"""What a decided watch had to spare or what it lacked, in the words of its kind.

A margin is told only where it means something to a person: seconds of a limit that allows no time, or the moments
between a deadline and the reading after it, are nobody's business.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from markupsafe import Markup

from monitor.page.words import Words, about, instant
from rules.limits import spec
from rules.plan import Limit
from rules.reading import SECOND, Instant, Span

Json = Mapping[str, Any]
_CAPPED: Final = spec.ComeUp | spec.Exposure  # too much time is what goes wrong there


def margin_words(watch: Json, limit: Limit | None, words: Words) -> str:
    """What a met watch had to spare, or by how much a deviated one missed; blank where that says nothing.

    `watch` is one of the Judge JSON; `limit` its limit in the plan in force, None where that has it no more.
    """
    rule, verdict, margin = limit.rule if limit else None, watch["verdict"], watch.get("margin", {})
    if verdict == "open":
        return ""
    if isinstance(rule, spec.HoldLethality) and verdict != "met":
        return ""  # its reason says already which row came nearest; how long the last run was short says little
    if verdict == "unproven":
        return ""  # what a gap hides is nothing to spare
    parts = []
    if "log10" in margin:
        parts.append(f"{abs(margin['log10']):.2f} log10 {'beyond the need' if margin['log10'] >= 0 else 'short'}")
    elif "seconds" in margin:
        parts.append(_time(rule, round(margin["seconds"] * SECOND), verdict))
    if "temperature_c" in margin:
        parts.append(_degrees(rule, float(margin["temperature_c"]), verdict, words))
    return ", ".join(part for part in parts if part)


def _time(rule: object, span: Span, verdict: str) -> str:
    """A margin of time."""
    if isinstance(rule, spec.Ceiling | spec.Floor):
        if not rule.allowed:
            return ""
        beyond = "over" if isinstance(rule, spec.Ceiling) else "under"
        if span < 0:
            return f"{about(rule.allowed - span)} {beyond} it, {about(rule.allowed)} allowed"
        return f"{about(rule.allowed - span)} of the {about(rule.allowed)} allowed {beyond} it used"
    if isinstance(rule, spec.Cooling) and verdict != "met":
        return ""  # `late_words` says since when it is late, and what the core reads
    if span < 0:
        return f"{about(span)} {'too long' if isinstance(rule, _CAPPED) else 'short'}"
    if verdict != "met":
        return ""
    if span == 0:
        return "no time to spare"
    return f"{about(span)} {'beyond the need' if isinstance(rule, spec.HoldLethality | spec.Dwell | spec.Humidity) else 'to spare'}"


def _degrees(rule: object, celsius: float, verdict: str, words: Words) -> str:
    """A margin of degrees, the probe's uncertainty in it."""
    if celsius >= 0:
        return f"{words.diff(celsius)} to spare" if verdict == "met" else ""
    side = "above it" if isinstance(rule, spec.Ceiling) else "below it" if isinstance(rule, spec.Floor) else "beyond it"
    return f"at its worst {words.diff(-celsius)} {side}"


def late_words(watch: Json, limit: Limit | None, probe: Json | None, words: Words) -> Markup:
    """Of a cooling that deviated at a deadline: when its mark was due, how late it is, and what the core reads now.

    Reads on from the watch's reason: "it was due at 09:43, 12 min ago; core-1 reads 82.4 °F, 2.4 °F above it, 8 s ago".
    `probe` is the watch's probe as it reads now, None where it serves the lot no more
    or has read nothing. Blank for any other watch, and where
    it was no deadline that was missed.
    """
    decided = instant(watch.get("at"))
    if limit is None or not isinstance(limit.rule, spec.Cooling) or watch["verdict"] != "deviated" or decided is None:
        return Markup("")
    for window in watch.get("evidence", {}).get("windows", ()):
        mark, deadline = instant(window.get("mark_at")), instant(window.get("deadline_at"))
        if deadline is None or deadline > decided:
            break
        if mark is not None and mark > deadline:
            return Markup("it was due at {}, and reached at {}").format(words.when(deadline), words.when(mark))
        if mark is None:
            told = Markup("it was due at {}").format(words.when(deadline))
            return told if probe is None else told + _still(window["to_c"], deadline, probe, words)
    return Markup("")


def _still(to_c: float, deadline: Instant, probe: Json, words: Words) -> Markup:
    """How late a mark is, and how far above it the core is."""
    above = float(probe["celsius_c"]) - to_c
    reads = Markup("{} reads <b>{}</b>").format(probe["probe"], words.temp(probe["celsius_c"]))
    if above <= 0:
        return Markup("; now {}, {}").format(reads, words.ago(probe["at"]))
    return Markup(", {} ago; {}, {} above it, {}").format(words.since(deadline), reads, words.diff(above), words.ago(probe["at"]))
