"""What an MQTT message says: topic and payload to Readings and Faults, without a broker.

Our topic `larderer/<site>/probe/<probe>/reading` takes
- a number or a number in quotes, in °C: `71.1`, `"71.1"`;
- the JSON item of `probes/push.py`, without its probe: `{"value": 160, "unit": "F", "time": "2026-03-02T13:00:00Z"}`, or a list of them;
- a SenML pack (RFC 8428) whose records all bear one name; the topic says which probe it is.
Any other topic can be mapped, with a path to the value in its JSON and the unit it is in.
A message without a time of its own is dated by its arrival; if it was retained, or queued while nobody was there, its age is
unknown and it is a Fault, since yesterday's 4 °C is no evidence of now.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from probes.errors import PushError, SettingError
from probes.lines import printable
from probes.push import Doubled, Refused, celsius_of, decode_item, decode_senml, parse_json, time_of, usual_readings
from probes.settings import Settings
from probes.value import parse_value
from rules.reading import Fault, Instant, Reading

MOST_BYTES = 65_536

_SENML_LABELS = frozenset(("bn", "bt", "bu", "bv", "bver", "n", "v", "u", "t"))
_UNITS = ("C", "F", "K")
_TIME_UNITS = {"s": 1.0, "ms": 0.001, "us": 0.000001}


@dataclass(frozen=True)
class TopicMap:
    """One topic that is not ours. `value` and `time` are paths such as "sensors.0.temp"; "" is the whole payload, or no time.

    `time_unit` is "iso" or "s", "ms", "us" since 1970.
    """

    topic: str
    probe: str
    unit: str
    value: str = ""
    time: str = ""
    time_unit: str = "iso"


class Payloads:
    """Decodes the messages of one site's topics."""

    def __init__(self, site: str, maps: Iterable[TopicMap] = ()) -> None:
        self.filter = f"larderer/{site}/probe/+/reading"
        self._ours = re.compile(rf"larderer/{re.escape(site)}/probe/([^/]+)/reading")
        self._maps: dict[str, list[TopicMap]] = {}
        for entry in maps:
            self._maps.setdefault(entry.topic, []).append(entry)

    @property
    def filters(self) -> list[str]:
        """The topic filters to subscribe to."""
        return [self.filter, *self._maps]

    def decode(self, topic: str, payload: bytes, received_at: Instant, unknown_age: str = "") -> list[Reading | Fault]:
        """Everything a message says. `unknown_age` is not empty ("retained", "queued") where its arrival says nothing about its age."""
        items = self._decode(topic, payload, received_at)
        if not unknown_age:
            return items
        # Decoded as if it had come at another time, what moved with the arrival has no time of its own.
        moved = self._decode(topic, payload, received_at + 1)
        return [
            item
            if item.at == other.at or isinstance(item, Fault)
            else Fault(item.probe, item.at, f"{unknown_age} message of unknown age", printable(payload))
            for item, other in zip(items, moved, strict=True)
        ]

    def _decode(self, topic: str, payload: bytes, at: Instant) -> list[Reading | Fault]:
        ours = self._ours.fullmatch(topic)
        if ours is not None:
            return self._ours_items(ours[1], payload, at)
        return [_mapped(entry, payload, at) for entry in self._maps.get(topic, ())]

    def _ours_items(self, probe: str, payload: bytes, at: Instant) -> list[Reading | Fault]:
        def fault(reason: str) -> Fault:
            return Fault(probe, at, reason, printable(payload))

        if len(payload) > MOST_BYTES:
            return [fault(f"payload longer than {MOST_BYTES} bytes")]
        usual = usual_readings(payload, at, probe)
        if usual is not None:
            return [*usual]
        try:
            data = parse_json(payload)
        except PushError:
            return [_text(probe, payload, "C", at)]
        try:
            if isinstance(data, list) and data and isinstance(data[0], Mapping) and _SENML_LABELS & data[0].keys():
                found = decode_senml(data, at)
                if len({item.probe for item in found if not isinstance(item, Refused)}) > 1:
                    return [fault("SenML records of more than one name on one probe's topic")]
                return [fault(item.text) if isinstance(item, Refused) else item._replace(probe=probe) for item in found]
        except PushError as error:
            return [fault(str(error))]
        if isinstance(data, Mapping | list):
            items = data if isinstance(data, list) else [data]
            outcomes = (decode_item(item, at, index, probe) for index, item in enumerate(items))
            return [fault(item.text) if isinstance(item, Refused) else item for item in outcomes]
        return [_value(probe, data, "C", at, payload)]


def _text(probe: str, payload: bytes, unit: str, at: Instant) -> Reading | Fault:
    """A payload that is no JSON: a number with or without its unit, or a fault word."""
    found = parse_value(printable(payload), unit)
    return Fault(probe, at, found, printable(payload)) if isinstance(found, str) else Reading(probe, at, found)


def _value(probe: str, value: object, unit: str, at: Instant, payload: bytes) -> Reading | Fault:
    found = celsius_of(value, unit)
    if isinstance(found, float):
        return Reading(probe, at, found)
    return Fault(probe, at, found or "not a number", printable(payload))


def _mapped(entry: TopicMap, payload: bytes, at: Instant) -> Reading | Fault:
    def fault(reason: str) -> Fault:
        return Fault(entry.probe, at, reason, printable(payload))

    if len(payload) > MOST_BYTES:
        return fault(f"payload longer than {MOST_BYTES} bytes")
    try:
        data = parse_json(payload)
    except PushError:
        return fault("no JSON") if entry.value or entry.time else _text(entry.probe, payload, entry.unit, at)
    if entry.time:
        sent = _at_path(data, entry.time)
        if sent is _NOTHING:
            return fault(f"no time at {entry.time}")
        if entry.time_unit == "iso":
            found = time_of(sent) if isinstance(sent, str) else f"time is {sent!r}; write ISO 8601 with its offset"
        else:
            found = time_of(sent, _TIME_UNITS[entry.time_unit]) if not isinstance(sent, str) else f"time is {sent!r}; write a number"
        if isinstance(found, str):
            return fault(found)
        at = found
    value = _at_path(data, entry.value) if entry.value else data
    if value is _NOTHING:
        return fault(f"no value at {entry.value}")
    return _value(entry.probe, value, entry.unit, at, payload)


_NOTHING = object()


def _at_path(data: object, path: str) -> object:
    """What stands at a path of keys and list positions; `_NOTHING` where there is nothing, or where a key is there twice."""
    for part in path.split("."):
        if isinstance(data, Doubled):
            return _NOTHING
        if isinstance(data, Mapping) and part in data:
            data = data[part]
        elif isinstance(data, list) and part.isdecimal() and int(part) < len(data):
            data = data[int(part)]
        else:
            return _NOTHING
    return data


def read_map(s: Settings) -> TopicMap:
    """One table of `topic`: `topic`, `probe`, `unit`, and optionally `value`, `time`, `time_unit`."""
    topic = s.text("topic", want='the topic, such as "shop/t1"')
    if "+" in topic or "#" in topic:
        raise SettingError(f"{s.where}: topic is {topic!r}; write one topic without + or #, and a table for each probe")
    found = TopicMap(
        topic,
        s.text("probe", want="the probe's id"),
        s.choice("unit", _UNITS),
        s.text("value", ""),
        s.text("time", ""),
        s.choice("time_unit", ("iso", *_TIME_UNITS), "iso"),
    )
    s.done()
    return found
