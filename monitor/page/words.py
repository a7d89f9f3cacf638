"""Numbers and instants in the words of the site: its unit, its clock, and how old a thing is."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import tzinfo
from typing import Any, Final

from markupsafe import Markup

from rules.quantity import local, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Instant, Span
from rules.wording import difference, percent, temperature

#: A verdict's own sign, so that it is never told by colour alone, and what it means in plain words.
VERDICTS: Final = {
    "open": ("…", "open", "still being judged"),
    "met": ("✓", "met", "the limit was met"),
    "deviated": ("✕", "deviated", "the limit was not met"),
    "unproven": ("?", "unproven", "what was measured cannot show it; act as for a deviation"),
    "not begun": ("–", "not begun", "its step has not begun"),
}

#: The verdict of a lot as a whole, which is that of its worst critical limit.
LOT_MEANINGS: Final = {
    "open": "still being judged",
    "met": "every critical limit was met",
    "deviated": "a critical limit was not met",
    "unproven": "a critical limit could not be shown to be met",
}


def instant(value: object) -> Instant | None:
    """An instant of a read model, ISO 8601 text or whole microseconds; None where there is none."""
    if value is None or isinstance(value, int):
        return value
    return parse_instant(str(value))


def about(span: Span) -> str:
    """A duration as precise as it is useful to say: "45 s", "3 min 20 s", "24 min", "1 h 12 min", "3 d 2 h"."""
    span = abs(span)
    if span < MINUTE:
        return f"{span // SECOND} s"
    if span < 10 * MINUTE:
        minutes, rest = divmod(span, MINUTE)
        return f"{minutes} min" + (f" {rest // SECOND} s" if rest >= SECOND else "")
    if span < HOUR:
        return f"{span // MINUTE} min"
    if span < 48 * HOUR:
        hours, rest = divmod(span, HOUR)
        return f"{hours} h" + (f" {rest // MINUTE} min" if rest >= MINUTE else "")
    days, rest = divmod(span, 24 * HOUR)
    return f"{days} d" + (f" {rest // HOUR} h" if rest >= HOUR else "")


class Words:
    """How this site reads numbers, at one instant: made for each page that is shown."""

    def __init__(self, zone: tzinfo, unit: str, now: Instant) -> None:
        self.zone, self.unit, self.now = zone, unit, now

    def temp(self, celsius: float | None) -> str:
        """A temperature in the site's unit, always with its tenth so that a changing number keeps its width."""
        if celsius is None:
            return "no value"
        number, _, unit = temperature(celsius, self.unit).partition(" ")
        return f"{number if '.' in number else number + '.0'} {unit}"

    def read(self, probe: Mapping[str, Any]) -> str:
        """What a probe of the API's list reads: a temperature, or per cent of a humidity probe; "" where it has read nothing."""
        if probe.get("humidity_pct") is not None:
            return percent(float(probe["humidity_pct"]))
        return "" if probe["celsius_c"] is None else self.temp(probe["celsius_c"])

    def temp_short(self, celsius: float) -> str:
        """A limit's temperature: "145 °F"."""
        return temperature(celsius, self.unit)

    def diff(self, celsius: float) -> str:
        """A temperature difference."""
        return difference(celsius, self.unit)

    def when(self, value: object) -> Markup:
        """A local time as an HTML time element: "14:02" today, "2 Mar 14:02" on other days."""
        at = instant(value)
        if at is None:
            return Markup("")
        moment = local(at, self.zone)
        return Markup('<time datetime="{}">{}</time>').format(moment.isoformat(timespec="seconds"), self.clock(at))

    def clock(self, at: Instant) -> str:
        """A local time as text: "14:02" today, "2 Mar 14:02" on other days of this year, else with the year."""
        moment, today = local(at, self.zone), local(self.now, self.zone)
        if moment.date() == today.date():
            return f"{moment:%H:%M}"
        year = "" if moment.year == today.year else f" {moment.year}"
        return f"{moment.day} {moment:%b}{year} {moment:%H:%M}"

    def ago(self, value: object, *, silent_after: Span | None = None) -> Markup:
        """How old something is; the page's script lets it go on ageing, and marks it once it is too old to trust."""
        at = instant(value)
        if at is None:
            return Markup("never")
        age = max(0, self.now - at)
        late = silent_after is not None and age > silent_after
        return Markup('<time class="age{}" datetime="{}" data-at="{}"{}>{} ago</time>').format(
            Markup(" late") if late else "",
            local(at, self.zone).isoformat(timespec="seconds"),
            at // 1000,
            Markup("") if silent_after is None else Markup(' data-late="{}"').format(silent_after // 1000),
            about(age),
        )

    def since(self, value: object) -> str:
        """How long something has lasted, as text."""
        at = instant(value)
        return "" if at is None else about(max(0, self.now - at))

    def long_day(self, day: str) -> str:
        """A date in words: "Monday 2 March 2026"."""
        from datetime import date

        moment = date.fromisoformat(day)
        return f"{moment:%A} {moment.day} {moment:%B %Y}"

    def offset(self) -> str:
        """The site's clock as the page's footer says it: "UTC-06:00"."""
        text = local(self.now, self.zone).strftime("%z")
        return f"UTC{text[:3]}:{text[3:5]}"
