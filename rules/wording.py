"""Numbers as people at the site read them."""

from __future__ import annotations

from datetime import tzinfo

from rules.quantity import local, to_fahrenheit
from rules.reading import MINUTE, Instant


def temperature(celsius: float, unit: str) -> str:
    """A temperature in the site's unit, to a tenth: "145.0 °F"; whole numbers without decimals: "145 °F"."""
    value = round(to_fahrenheit(celsius) if unit == "F" else celsius, 1)
    return f"{value + 0.0:g} °{unit}"


def difference(celsius: float, unit: str) -> str:
    """A temperature difference in the site's unit, to a tenth."""
    return f"{round(celsius * 9 / 5 if unit == 'F' else celsius, 1) + 0.0:g} °{unit}"


def degree_hours(celsius_hours: float, unit: str) -> str:
    """Degree-hours in the site's unit, to a whole one: "1200 °F h"."""
    return f"{round(celsius_hours * 9 / 5 if unit == 'F' else celsius_hours) + 0:g} °{unit} h"


def percent(value: float) -> str:
    """Per cent, to a tenth: "92.5 %"."""
    return f"{round(value, 1) + 0.0:g} %"


def clock(at: Instant, zone: tzinfo, now: Instant, *, up: bool = False) -> str:
    """A local time to the minute, the seconds dropped or (`up`) counted as a whole one: "14:02"; "2 Mar 14:02" unless on `now`'s day."""
    moment, today = local(-(-at // MINUTE) * MINUTE if up else at, zone), local(now, zone)
    return f"{moment:%H:%M}" if moment.date() == today.date() else f"{moment.day} {moment:%b %H:%M}"


def reading(value: float, place: str, unit: str) -> str:
    """What a probe of that place reads: per cent of a humidity probe, a temperature in the site's unit of all others."""
    return percent(value) if place == "humidity" else temperature(value, unit)
