"""One temperature as text: a number in °C, or the reason why there is none. Shared by every text format.

A fault is never turned into a number: `parse_value` answers either.
"""

from __future__ import annotations

import math
import re

from rules.quantity import fahrenheit

#: What instruments write instead of a number. Lower case, without surrounding blanks.
FAULT_WORDS: dict[str, str] = {
    "": "no value",
    "null": "no value",
    "none": "no value",
    "na": "no value",
    "n/a": "no value",
    "nan": "not a number",
    "inf": "overload",
    "infinity": "overload",
    "ol": "overload",
    "o.l": "overload",
    "over": "overload",
    "overload": "overload",
    "open": "open circuit",
    "short": "short circuit",
    "err": "error code",
    "error": "error code",
    "fault": "error code",
    "fail": "error code",
    "unavailable": "unavailable",
    "unknown": "unavailable",
    "offline": "unavailable",
}

#: A number with digits on both sides of its mark, so that one cut short by a lost byte ("71.") is refused.
_NUMBER = re.compile(r"[+-]?\d{1,12}(?:\.\d{1,12})?(?:[eE][+-]?\d{1,3})?")
_DASH = "-_–—.*"
_DASHES = re.compile(r"[-_–—.*]{2,}|[-–—]")
_SUFFIX = re.compile(r"\s*(?:°|º|deg(?:ree)?s?)?\s*([CFK])\Z", re.IGNORECASE)
_UNIT_LETTERS = frozenset("CFKcfk")
_UNIT = re.compile(r"\s*(?:°|º|deg(?:ree)?s?)?\s*([CFK])", re.IGNORECASE)
ABSOLUTE_ZERO_C = -273.15

#: Beyond this no thermometer for food reads; what is beyond is a code, such as 9999 or SCPI's 9.91E37.
HIGHEST_C = 1400.0


def to_celsius(value: float, unit: str) -> float:
    """°C of a value in unit "C", "F" or "K"."""
    if unit == "F":
        return fahrenheit(value)
    return value - 273.15 if unit == "K" else value


def unit_of(text: str) -> str | None:
    """ "C", "F" or "K" of a unit as instruments write it ("°C", "degF", "Cel"); None if it is none of them."""
    word = text.strip()
    if word == "Cel":
        return "C"
    match = _UNIT.fullmatch(word)
    return match[1].upper() if match else None


def fault_word(text: str, extra: frozenset[str] = frozenset()) -> str | None:
    """The reason, if the text is a word or code for "no temperature"; None otherwise."""
    word = text.strip().lower()
    if word in FAULT_WORDS:
        return FAULT_WORDS[word]
    if word[:1] in "+-" and len(word) > 1 and word[1:] in FAULT_WORDS:
        return FAULT_WORDS[word[1:]]
    if word[0] in _DASH and _DASHES.fullmatch(word):
        return "no value"
    return "error code" if word in extra else None


def parse_number(text: str, decimal: str = ".") -> float | None:
    """The number that the whole text writes, with `decimal` as its mark; None if it writes none."""
    word = text.strip()
    if decimal == ",":
        if "." in word:
            return None
        word = word.replace(",", ".", 1)
    if not _NUMBER.fullmatch(word):
        return None
    value = float(word)
    return value if math.isfinite(value) else None


def parse_value(
    text: str,
    unit: str | None,
    *,
    decimal: str = ".",
    decimals: int | None = None,
    faults: frozenset[str] = frozenset(),
    span_c: tuple[float, float] = (ABSOLUTE_ZERO_C, HIGHEST_C),
) -> float | str:
    """°C of a text such as "+071.1" or "160.0 °F", or the reason why there is none.

    `unit` is the configured one: a suffix must then agree. None: the text must carry its unit.
    `decimals` is how many digits always follow the mark; more or fewer betray a lost byte. `faults` are further
    code words in lower case. `span_c` is what the sensor can read.
    """
    body, suffix = text.strip(), unit
    match = _SUFFIX.search(body) if body[-1:] in _UNIT_LETTERS else None
    if match:
        body = body[: match.start()]
    value = parse_number(body, decimal)
    words = value is None or bool(faults)  # a number is none of the fault words, unless codes are configured
    reason = fault_word(text, faults) if words else None
    if reason is not None:
        return reason
    if match:
        suffix = match[1].upper()
        if unit is not None and suffix != unit:
            return f"unit {suffix} where {unit} is configured"
        reason = fault_word(body, faults) if words else None
        if reason is not None:
            return reason
    if value is None:
        return "not a number"
    if decimals is not None and len(body.strip().partition(decimal)[2]) != decimals:
        return f"not {decimals} digits after the mark"
    if abs(value) == 9999 or (faults and f"{value:g}" in faults):
        return "error code"
    if abs(value) >= 9e37:
        return "overload"  # SCPI writes not-a-number as 9.91E37 and overload as 9.9E37.
    if suffix is None:
        return "no unit"
    return check_celsius(to_celsius(value, suffix), span_c)


def check_celsius(celsius: float, span_c: tuple[float, float] = (ABSOLUTE_ZERO_C, HIGHEST_C)) -> float | str:
    """The value, if a thermometer can read it, otherwise the reason why not."""
    if not math.isfinite(celsius):
        return "not a number"
    if not span_c[0] <= celsius <= span_c[1]:
        return "out of the sensor's span"
    return celsius
