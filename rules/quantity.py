"""Temperatures, durations and instants: text to numbers and back.

Temperatures are kept in °C (float), durations and instants in whole microseconds (int).
Limits are compared after rounding to 0.001 °C (`judging.md` section 1).
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, tzinfo
from decimal import Decimal

from rules.errors import QuantityError
from rules.reading import HOUR, MINUTE, SECOND, Instant, Span

_TEMPERATURE = re.compile(r"^\s*([+-]?\d+(?:[.,]\d+)?)\s*°?\s*([CF])\s*$", re.IGNORECASE)
_PART = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(days?|d|hours?|hrs?|h|minutes?|mins?|min|m|seconds?|secs?|sec|s)\b\s*", re.IGNORECASE)
_LENGTH = re.compile(r"^\s*(\d+(?:[.,]\d+)?)\s*(mm|cm|in)\s*$", re.IGNORECASE)
_UNIT_METRES = {"mm": 0.001, "cm": 0.01, "in": 0.0254}
_UNIT_SPAN = {"d": 24 * HOUR, "h": HOUR, "m": MINUTE, "s": SECOND}
_UNIX_SECONDS = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_US = timedelta(microseconds=1)
_FIRST = (datetime(1, 1, 2, tzinfo=UTC) - _EPOCH) // _US  # a day within what a date can hold, so that any time zone can
_LAST = (datetime(9999, 12, 30, tzinfo=UTC) - _EPOCH) // _US


def fahrenheit(value: float) -> float:
    """°F to °C."""
    return (value - 32.0) * 5.0 / 9.0


def to_fahrenheit(celsius: float) -> float:
    """°C to °F."""
    return celsius * 9.0 / 5.0 + 32.0


def parse_temperature(text: str) -> float:
    """°C of a temperature with its unit: "145 °F", "62.8 C"."""
    value, unit = _number_and_unit(text)
    return fahrenheit(value) if unit == "F" else value


def parse_difference(text: str) -> float:
    """°C of a temperature difference with its unit: "0.5 °F" is 0.278 °C (no 32)."""
    value, unit = _number_and_unit(text)
    return value * 5.0 / 9.0 if unit == "F" else value


def _number_and_unit(text: str) -> tuple[float, str]:
    match = _TEMPERATURE.match(text) if isinstance(text, str) else None
    if match is None:
        raise QuantityError(f'temperature is {text!r}; write a number with its unit, such as "145 °F" or "62.8 °C"')
    return float(match[1].replace(",", ".")), match[2].upper()


def parse_thickness(text: str) -> float:
    """Metres of a thickness or diameter with its unit, from 5 mm to 500 mm: "30 mm", "1.2 in"."""
    match = _LENGTH.match(text) if isinstance(text, str) else None
    metres = float(match[1].replace(",", ".")) * _UNIT_METRES[match[2].lower()] if match else 0.0
    if not 0.005 <= metres <= 0.5:
        raise QuantityError(f'diameter is {text!r}; write one between 5 mm and 500 mm with its unit, such as "30 mm" or "1.2 in"')
    return metres


def parse_span(text: str) -> Span:
    """Microseconds of a duration: "90 min", "1.5 h", "4 min 30 s"."""
    position, total = 0, Decimal(0)
    while isinstance(text, str) and position < len(text) and (match := _PART.match(text, position)):
        total += Decimal(match[1]) * _UNIT_SPAN[match[2][0].lower()]
        position = match.end()
    if not isinstance(text, str) or position == 0 or position != len(text):
        raise QuantityError(f'duration is {text!r}; write a number with its unit, such as "90 min", "1.5 h" or "4 min 30 s"')
    return int(total.to_integral_value())


def format_span(span: Span) -> str:
    """A duration for people, to the second: "1 h 30 min", "4 min", "45 s", "0 s"."""
    seconds = round(span / SECOND)
    hours, rest = divmod(abs(seconds), 3600)
    minutes, secs = divmod(rest, 60)
    parts = [f"{n} {unit}" for n, unit in ((hours, "h"), (minutes, "min"), (secs, "s")) if n]
    return ("-" if seconds < 0 else "") + (" ".join(parts) or "0 s")


def parse_instant(text: str) -> Instant:
    """Microseconds since 1970 UTC of ISO 8601 with offset or Z, or of Unix seconds with decimals."""
    text = text.strip()
    if _UNIX_SECONDS.fullmatch(text):
        at = int((Decimal(text) * SECOND).to_integral_value()) if len(text) <= 40 else _LAST + 1
        if _FIRST <= at <= _LAST:
            return at
        shown = repr(text[:40])
        raise QuantityError(f"time is {shown}, which is beyond what Unix seconds can mean; write seconds, not milliseconds, or ISO 8601")
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise QuantityError(f'time is {text!r}; write ISO 8601 with its offset, such as "2026-03-02T13:04:10-06:00", or Unix seconds')
    return (moment - _EPOCH) // _US


def format_instant(at: Instant) -> str:
    """ISO 8601 in UTC with Z; decimals of a second only where there are any."""
    moment = _EPOCH + timedelta(microseconds=at)
    text = moment.strftime("%Y-%m-%dT%H:%M:%S")
    micros = at % SECOND
    return f"{text}.{micros:06d}".rstrip("0") + "Z" if micros else text + "Z"


def local(at: Instant, zone: tzinfo = UTC) -> datetime:
    """The instant as an aware datetime in `zone`."""
    return (_EPOCH + timedelta(microseconds=at)).astimezone(zone)


def from_datetime(moment: datetime) -> Instant:
    """The instant of an aware datetime."""
    return (moment - _EPOCH) // _US


def at_or_above(limit_c: float) -> float:
    """The least value that, rounded to 0.001 °C, is at or above `limit_c` rounded likewise: `x >= at_or_above(l)`."""
    return round(limit_c, 3) - 0.0005


def at_or_below(limit_c: float) -> float:
    """The bound below which a value, rounded to 0.001 °C, is at or below `limit_c` rounded likewise: `x < at_or_below(l)`."""
    return round(limit_c, 3) + 0.0005
