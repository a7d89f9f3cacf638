"""HTTP push bodies: JSON (one object or a list) and SenML, item by item.

One item is `{"probe": "core-1", "value": 71.1}` and optionally
- `unit`: "C" (default), "F" or "K";
- `time`: ISO 8601 with its offset, or Unix seconds; without it the time of arrival is taken;
- `quality`: "ok" (default), "suspect" or "fault", and `reason`, a few words why.
`value` is a number, a number in quotes, or a fault word ("ERR", null ...), which gives a Fault and never a number.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import NamedTuple

import msgspec

from probes import senml
from probes.csv_text import EARLIEST, LATEST, instant
from probes.errors import PushError, TooLarge
from probes.value import ABSOLUTE_ZERO_C, HIGHEST_C, check_celsius, fault_word, parse_value, to_celsius, unit_of
from rules.errors import QuantityError
from rules.reading import SECOND, Fault, Instant, Reading

MOST_BYTES = 1_048_576
MOST_ITEMS = 5_000
MOST_TEXT = 200

_KEYS = ("probe", "value", "unit", "time", "quality", "reason")


class Refused(NamedTuple):
    """An item that is neither a reading nor a fault: nothing is stored for it. `item` counts from 0; `text` is one sentence."""

    item: int
    text: str


class Doubled(dict[str, object]):
    """An object that gave a key twice, so that nobody can say which value was meant; `key` is that key."""

    key = ""


def decode_push(body: bytes, content_type: str, received_at: Instant) -> list[Reading | Fault | Refused]:
    """What a pushed body holds, one outcome per item, in its order.

    Raises TooLarge or PushError, one sentence, if the body cannot be read at all; nothing was taken then.
    """
    if len(body) > MOST_BYTES:
        raise TooLarge(f"the body has {len(body)} bytes; send at most {MOST_BYTES} at once")
    kind = content_type.partition(";")[0].strip().lower()
    if kind in senml.MEDIA_TYPES:
        return decode_senml(parse_json(body), received_at)
    if kind not in ("", "application/json"):
        raise PushError(f"the content type is {kind!r}; send application/json or application/senml+json")
    usual = usual_readings(body, received_at)
    if usual is not None:
        return [*usual]
    data = parse_json(body)
    items = data if isinstance(data, list) else [data]
    _check_length(items)
    return [decode_item(item, received_at, index) for index, item in enumerate(items)]


def parse_json(body: bytes) -> object:
    """The value that a JSON text writes; NaN and Infinity come as texts, repeated keys as Doubled. Raises PushError."""
    try:
        text = body.decode("utf-8")
        if text.startswith("\ufeff"):
            return json.loads(text)  # which refuses it, and says why
        data = _LOOSE.decode(text)
        return data if _each_key_once(data, text) else _STRICT.decode(text)
    except UnicodeDecodeError as error:
        raise PushError(f"the body is not UTF-8 (byte {error.start}); send JSON in UTF-8") from error
    except json.JSONDecodeError as error:
        raise PushError(
            f"the body is no JSON ({error.msg}, line {error.lineno}, column {error.colno}); send an object or a list"
        ) from error
    except (RecursionError, ValueError) as error:
        raise PushError("the body is JSON nested too deeply or with a number too long; send an object or a list of objects") from error


def _object(pairs: list[tuple[str, object]]) -> dict[str, object]:
    out = dict(pairs)
    if len(out) == len(pairs):
        return out
    doubled = Doubled(out)
    keys = [key for key, _ in pairs]
    doubled.key = next(key for key in keys if keys.count(key) > 1)
    return doubled


#: Of a repeated key the first decoder keeps the last value and says nothing; the second tells, and takes twice as long.
_LOOSE = json.JSONDecoder(parse_constant=str)
_STRICT = json.JSONDecoder(parse_constant=str, object_pairs_hook=_object)


def _each_key_once(data: object, text: str) -> bool:
    """Whether the objects of a flat text certainly lost no key; False where that is not plain to see.

    With no blank before a colon each key ends in a quote and a colon, so there are at least as many of these as keys were written.
    """
    items = data if isinstance(data, list) else [data]
    if set(map(type, items)) != {dict} or text.count('":') != sum(map(len, items)):
        return False
    return not any(blank in text for blank in (" :", "\t:", "\n:", "\r:"))


def _check_length(items: list[object]) -> None:
    if len(items) > MOST_ITEMS:
        raise TooLarge(f"the list has {len(items)} items; send at most {MOST_ITEMS} at once")


class _Usual(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """What nearly every item is: a probe's number and its time. msgspec reads it straight from the text, without a dictionary for each."""

    value: float
    probe: str = ""
    time: float | str = 0.0
    unit: str = ""


_USUAL = msgspec.json.Decoder(list[_Usual] | _Usual)


def usual_readings(body: bytes, received_at: Instant, probe: str = "") -> list[Reading] | None:
    """The readings of a body of nothing but usual items; None: ask `decode_item`, which says the same of each.

    `probe` is given where the topic names it.
    """
    try:
        found = _USUAL.decode(body)
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return None
    items = found if isinstance(found, list) else [found]
    if len(items) > MOST_ITEMS or b"\\" in body:
        return None
    colons = 0
    out: list[Reading] = []
    for item in items:
        celsius, name, time, unit = item.value, item.probe, item.time, item.unit
        if not ABSOLUTE_ZERO_C <= celsius <= HIGHEST_C or (name or probe) != (probe or name) or not _is_name(name or probe):
            return None
        if isinstance(time, str):
            told = time_of(time)
            if isinstance(told, str) or not time.isprintable():
                return None
            at = told
            colons += 1 + time.count(":")
        elif time:
            scaled = time * SECOND
            at = round(scaled)
            # Within these years a double has microseconds to spare: if it is one, it is the one that its digits write. Up to 2038 its
            # digits are within 0.12 µs of it, and the product within 0.125 µs: this near to a microsecond, they are rounded to it.
            if not 1e8 < time < 4e9 or (at / SECOND != time and not (time < 2**31 and abs(scaled - at) <= 0.25)):
                return None
            colons += 1
        else:
            at = received_at
        if unit:
            if unit != "C":
                return None
            colons += 1
        colons += 2 if name else 1
        out.append(_reading(Reading, (name or probe, at, celsius, 0.0, "", None)))
    # Of a key that is there twice the last value was kept. So many colons as there are keys: none was.
    return out if body.count(b":") == colons else None


#: `Reading(...)` without the call that a named tuple makes of it.
_reading = tuple.__new__


@lru_cache(maxsize=1000)
def _is_name(text: str) -> bool:
    """Whether it can be a probe's id as it stands, and leaves the colons to be counted."""
    return text == text.strip() != "" and len(text) <= MOST_TEXT and text.isprintable() and ":" not in text


def decode_item(item: object, received_at: Instant, index: int = 0, probe: str | None = None) -> Reading | Fault | Refused:
    """One item of JSON. `probe` is given where the topic or the address names it; the item may then leave it out."""

    def refuse(text: str) -> Refused:
        return Refused(index, f"item {index}: {text}")

    if not isinstance(item, Mapping):
        return refuse(f'it is {_short(item)}; write an object such as {{"probe": "core-1", "value": 71.1}}')
    if isinstance(item, Doubled):
        return refuse(f"key {item.key!r} is there twice; write it once")
    for key in item:
        if key not in _KEYS:
            return refuse(f"key {_short(key)} is not known; write {', '.join(_KEYS)}")
    named = item.get("probe", probe)
    if not isinstance(named, str) or not named.strip() or len(named) > MOST_TEXT or not named.isprintable():
        return refuse(f"probe is {_short(named)}; write the probe's id")
    if probe is not None and named.strip() != probe:
        return refuse(f"probe is {_short(named)} where {probe!r} is expected; send it under its own name")
    if "value" not in item and item.get("quality") != "fault":
        return refuse('value is missing; write a number, or "quality": "fault"')
    at: Instant | str = received_at if item.get("time") is None else time_of(item["time"])
    if isinstance(at, str):
        return refuse(at)
    unit = "C" if item.get("unit") is None else unit_of(str(item["unit"]))
    if unit is None:
        return refuse(f"unit is {_short(item['unit'])}; write C, F or K")
    quality, reason = item.get("quality", "ok"), item.get("reason", "")
    if quality not in ("ok", "suspect", "fault"):
        return refuse(f"quality is {_short(quality)}; write ok, suspect or fault")
    if not isinstance(reason, str) or len(reason) > MOST_TEXT:
        return refuse(f"reason is {_short(reason)}; write a few words")
    value = item.get("value")
    raw = _short(value, MOST_TEXT) if value is not None else ""
    if quality == "fault":
        return Fault(named.strip(), at, reason or "fault", raw)
    celsius = celsius_of(value, unit)
    if celsius is None:
        return refuse(f"value is {_short(value)}; write a number such as 71.1")
    if isinstance(celsius, str):
        return Fault(named.strip(), at, celsius, raw)
    return Reading(named.strip(), at, celsius, 0.0, (reason or "marked suspect by the source") if quality == "suspect" else "")


def celsius_of(value: object, unit: str) -> float | str | None:
    """°C of a JSON number or a number in quotes; the reason, of a fault; None of anything that is neither."""
    if value is None:
        return "no value"
    if isinstance(value, str):
        if fault_word(value) is not None:
            return fault_word(value)
        found = parse_value(value, unit)
        return None if found == "not a number" else found
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    if abs(value) >= 1e12:
        return "overload"
    return "error code" if abs(value) == 9999 else check_celsius(to_celsius(float(value), unit))


def time_of(value: object, seconds_per: float = 1.0) -> Instant | str:
    """The instant of a JSON time: ISO 8601 with its offset, or a number of `seconds_per` seconds; otherwise a sentence."""
    try:
        if isinstance(value, int | float) and not isinstance(value, bool) and seconds_per != 1.0 and abs(value) < 1e17:
            at = round(value * seconds_per * SECOND)
            return at if EARLIEST <= at <= LATEST else f"time is {_short(value)}; write a time of this century"
        if isinstance(value, str) or (isinstance(value, int | float) and not isinstance(value, bool)):
            return instant(str(value))
    except QuantityError as error:
        return str(error)
    return f"time is {_short(value)}; write ISO 8601 with its offset, or Unix seconds"


def decode_senml(pack: object, received_at: Instant, names: Mapping[str, str] | None = None) -> list[Reading | Fault | Refused]:
    """One outcome per record of a parsed SenML pack. `names` maps SenML names to probe ids; others stand for themselves."""
    if isinstance(pack, list):
        _check_length(pack)
        for index, item in enumerate(pack):
            if isinstance(item, Doubled):
                raise PushError(f"SenML record {index}: label {item.key!r} is there twice; write it once")
    return list(_senml_items(senml.resolve(pack, received_at), names or {}))


def _senml_items(records: Iterable[senml.Record], names: Mapping[str, str]) -> Iterable[Reading | Fault | Refused]:
    for record in records:
        probe = names.get(record.name, record.name)
        if record.why:
            yield Refused(record.item, record.why)
        elif record.unit not in ("Cel", "K"):
            yield Refused(record.item, f"SenML record {record.item}: unit is {record.unit!r}; a temperature has unit Cel or K")
        elif not EARLIEST <= record.at <= LATEST:
            yield Refused(record.item, f"SenML record {record.item}: the time is beyond the calendar; write Unix seconds")
        else:
            unit = "K" if record.unit == "K" else "C"
            celsius = celsius_of(record.value, unit)
            if celsius is None:
                yield Refused(record.item, f"SenML record {record.item}: vs is {_short(record.value)}; a temperature is written as v")
            elif isinstance(celsius, str):
                yield Fault(probe, record.at, celsius, _short(record.value, MOST_TEXT))
            else:
                yield Reading(probe, record.at, celsius)


def _short(value: object, most: int = 60) -> str:
    text = value if isinstance(value, str) and most == MOST_TEXT else repr(value)
    return text if len(text) <= most else text[: most - 3] + "..."
