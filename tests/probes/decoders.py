"""Every byte and line format that comes from a wire, as one table: how bytes become items, samples, and what no number may be without.

Shared by the harness (`test_decoders.py`) and the fuzz run (`fuzz.py`).
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from probes import gatt, onewire
from probes.errors import PushError
from probes.lines import LineDecoder, LineFormat
from probes.logger_rows import RowForm, Rows
from probes.modbus import Register
from probes.mqtt_payload import Payloads, TopicMap
from probes.push import Refused, decode_push
from probes.scpi import Query
from rules.quantity import parse_instant
from rules.reading import Fault, Instant, Reading

NOW: Instant = parse_instant("2026-03-02T13:00:00Z")
SPAN_C = (-273.15, 1400.0)
_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?")

Item = Reading | Fault


@dataclass(frozen=True)
class Format:
    """One format. `decode` takes a whole message; `stream` is set where bytes come without frames of their own and makes a fresh decoder.

    `good`: a message and the values in it. `broken`: messages that hold no value at all, each as it might come.
    `numbers`: every number in °C that these bytes can be said to write.
    """

    name: str
    decode: Callable[[bytes], Sequence[Item]]
    good: tuple[tuple[bytes, tuple[float, ...]], ...]
    broken: tuple[bytes, ...]
    numbers: Callable[[bytes], set[float]]
    stream: Callable[[], LineDecoder] | None = None


def values(items: Sequence[Item]) -> tuple[float, ...]:
    """The temperatures among items, in their order, to a millionth."""
    return tuple(round(item.celsius, 6) for item in items if isinstance(item, Reading))


def written(data: bytes) -> set[float]:
    """Every number that a text writes, taken as °C, °F and K, with a point or a comma as its mark, and in thousandths."""
    found: set[float] = set()
    for text in {data.decode("latin-1"), data.decode("utf-8", "replace")}:
        for start in range(len(text)):
            match = _NUMBER.match(text, start)
            for end in range(start + 1, match.end() + 1) if match is not None else ():
                try:
                    value = float(text[start:end].replace(",", "."))
                except ValueError:
                    continue
                for celsius in (value, (value - 32.0) * 5.0 / 9.0, value - 273.15, value / 1000.0):
                    if math.isfinite(celsius):
                        found.add(round(celsius, 6))
    return found


def _lines(form: LineFormat) -> tuple[Callable[[bytes], Sequence[Item]], Callable[[], LineDecoder]]:
    return (lambda data: LineDecoder(form).feed(data, NOW)), (lambda: LineDecoder(form))


def _push(content_type: str) -> Callable[[bytes], Sequence[Item]]:
    def decode(data: bytes) -> Sequence[Item]:
        try:
            return [item for item in decode_push(data, content_type, NOW) if not isinstance(item, Refused)]
        except PushError:
            return []

    return decode


def _rows(form: RowForm, header: str | None) -> Callable[[bytes], Sequence[Item]]:
    return lambda data: [item for line in data.decode("utf-8", "replace").split("\n") for item in Rows(form, header).feed(line, NOW)]


def _gatt(characteristic: str) -> Callable[[bytes], Sequence[Item]]:
    def decode(data: bytes) -> Sequence[Item]:
        value = gatt.decode(characteristic, data)
        return [Fault("core-1", NOW, value, data.hex()) if isinstance(value, str) else Reading("core-1", NOW, value)]

    return decode


def _hundredths(form: str) -> Callable[[bytes], set[float]]:
    return lambda data: {round(struct.unpack(form, data)[0] / 100.0, 6)} if len(data) == 2 else set()


def _measured(data: bytes) -> set[float]:
    """What a Temperature Measurement may write: mantissa times a power of ten, in °C or °F by its flag (IEEE 11073-20601)."""
    if len(data) < 5:
        return set()
    mantissa = int.from_bytes(data[1:4], "little", signed=True)
    value = mantissa * 10.0 ** int.from_bytes(data[4:5], "little", signed=True)
    return {round((value - 32.0) * 5.0 / 9.0 if data[0] & 1 else value, 6)}


def _register(register: Register) -> Callable[[bytes], Sequence[Item]]:
    def decode(data: bytes) -> Sequence[Item]:
        words = [int.from_bytes(data[n : n + 2], "big") for n in range(0, len(data) - len(data) % 2, 2)]
        value = register.decode(words)
        return [Fault("core-1", NOW, value, data.hex()) if isinstance(value, str) else Reading("core-1", NOW, value)]

    return decode


def _formats() -> list[Format]:
    topics = [TopicMap("yard/t", "core-2", "F", "a.0.t", "at", "ms")]
    payloads = Payloads("ferncliff", topics)
    one, one_stream = _lines(LineFormat(probe="core-1", unit="C"))
    labels, labels_stream = _lines(LineFormat(labels={"CH1": "core-1", "CH2": "core-2", "SMOKE1": "core-1"}, unit="C"))
    columns, columns_stream = _lines(LineFormat(columns=("time", "channel", "value", "unit"), labels={"1": "core-1"}, separator=";"))
    comma, comma_stream = _lines(LineFormat(columns=("core-1", "core-2"), unit="F", decimal=",", separator=";", decimals=1))
    chicago = ZoneInfo("America/Chicago")
    wide = RowForm("Time", chicago, (("Probe 1", "core-1"), ("Probe 2", "core-2")))
    long = RowForm("1", chicago, channel="2", value="3", labels=(("1", "core-1"),), delimiter=";", decimal=",", unit="F")
    scpi = Query("READ?", ("core-1", "core-2"))
    good_w1 = b"72 04 4b 46 7f ff 0c 10 0f : crc=0f YES\n72 04 4b 46 7f ff 0c 10 0f t=71125\n"
    return [
        Format(
            "serial, one value a line",
            one,
            ((b"71.1\r\n", (71.1,)), (b"T=71.1C\n", (71.1,))),
            (b"7\xff1.1\n", b"---\n", b"71.\n"),
            written,
            one_stream,
        ),
        Format(
            "serial, labels",
            labels,
            ((b"CH1:+071.1 CH2:-----\r\n", (71.1,)), (b"CH1=71.1,CH2=4.0\n", (71.1, 4.0))),
            (b"CH1:+0 71.1\n", b"CH1:1 CH1:2\n", b"CH1:\x8071.1\n"),
            written,
            labels_stream,
        ),
        Format(
            "NMEA XDR",
            labels,
            ((b"$WIXDR,C,71.1,C,SMOKE1*27\r\n", (71.1,)), (b"$WIXDR,C,71.1,C,SMOKE1,H,45.5,P,RH1*0E\r\n", (71.1,))),
            (b"$WIXDR,C,74.1,C,SMOKE1*27\r\n", b"$WIXDR,C,,C,SMOKE1*3E\r\n", b"$WIXDR,C,71.1,C,SMOKE1*2\r\n"),
            written,
            labels_stream,
        ),
        Format(
            "serial, columns",
            columns,
            ((b"2024-03-05T14:30:00Z;1;+071.1;C\n", (71.1,)),),
            (b"2024-03-05T14:30:00Z;1;+071.1\n", b"2024-03-05T14:30:00;1;+071.1;C\n", b"2024-03-05T14:30:00Z;1;+071.1;X\n"),
            written,
            columns_stream,
        ),
        Format(
            "serial, decimal comma",
            comma,
            ((b"160,0;39,2\r\n", (71.111111, 4.0)),),
            (b"160,0\n", b"160.0;39.2\n", b"1600;392\n"),
            written,
            comma_stream,
        ),
        Format(
            "SCPI",
            lambda data: scpi.decode(data, NOW),
            ((b"+7.11000000E+01,+2.05000000E+01\r\n", (71.1, 20.5)),),
            (b"+7.11000000E+01\n", b"+9.91000000E+37,+9.90000000E+37\n", b"+7.1100,+2.05\0E+01"),
            written,
        ),
        Format(
            "w1_slave",
            lambda data: [onewire.decode_w1_slave(data.decode("ascii", "replace"), "core-1", NOW)],
            ((good_w1, (71.125,)),),
            (good_w1.replace(b"YES", b"NO"), good_w1.replace(b"72 04", b"73 04"), good_w1.replace(b"7f ff", b"7f fe"), good_w1[:-1]),
            written,
        ),
        Format(
            "w1 temperature",
            lambda data: [onewire.decode_temperature(data.decode("ascii", "replace"), "core-1", NOW)],
            ((b"71125\n", (71.125,)), (b"-4500\n", (-4.5,))),
            (b"", b"\n", b"x\n", b"712500\n"),
            written,
        ),
        Format(
            "GATT 2A6E",
            _gatt(gatt.TEMPERATURE),
            ((b"\xc6\x1b", (71.1,)), (b"\xee\xf8", (-18.1,))),
            (b"\x00\x80", b"", b"\xc6"),
            _hundredths("<h"),
        ),
        Format("GATT 2A6F", _gatt(gatt.HUMIDITY), ((b"\xc6\x11", (45.5,)),), (b"\xff\xff", b"\x11"), _hundredths("<H")),
        Format(
            "GATT 2A1C",
            _gatt(gatt.MEASUREMENT),
            ((bytes.fromhex("00C70200FF"), (71.1,)), (bytes.fromhex("06C70200FFE80703050E1E0002"), (71.1,))),
            (bytes.fromhex("00FFFF7F00"), bytes.fromhex("00C70200"), bytes.fromhex("F8C70200FF")),
            _measured,
        ),
        Format(
            "MQTT, our topic",
            lambda data: payloads.decode("larderer/ferncliff/probe/core-1/reading", data, NOW),
            ((b'{"value": 160, "unit": "F"}', (71.111111,)), (b'[{"n": "core-1", "u": "Cel", "v": 71.1}]', (71.1,)), (b'"71.1"', (71.1,))),
            (b'{"value": null}', b'{"value": 71.1', b"null", b"NaN", b'{"value": 1, "value": 2}', b"[[71.1]]"),
            written,
        ),
        Format(
            "MQTT, mapped",
            lambda data: payloads.decode("yard/t", data, NOW),
            ((b'{"a": [{"t": 160}], "at": 1772456400000}', (71.111111,)),),
            (b'{"a": [], "at": 1772456400000}', b'{"a": [{"t": 160}]}', b'{"a": [{"t": true}], "at": 1772456400000}', b"160"),
            written,
        ),
        Format(
            "push JSON",
            _push("application/json"),
            ((b'[{"probe": "core-1", "value": 71.1}, {"probe": "core-2", "value": "OL"}]', (71.1,)),),
            (b'{"probe": "core-1"}', b'{"value": 71.1}', b'{"probe": "core-1", "value": 71.1', b"\xff"),
            written,
        ),
        Format(
            "push SenML",
            _push("application/senml+json"),
            (
                (b'[{"bn": "core-1", "bt": 1772456400, "bu": "Cel", "v": 71.1}]', (71.1,)),
                (b'[{"n": "core-1", "u": "K", "v": 344.25}]', (71.1,)),
            ),
            (b'[{"n": "core-1", "u": "%", "v": 0.5}]', b'[{"n": "core-1", "foo_": 1, "u": "Cel", "v": 1}]', b'[{"n": "core-1", "v": 1}]'),
            summed,
        ),
        Format(
            "logger rows, wide",
            _rows(wide, "Time,Probe 1,Probe 2"),
            ((b"2026-03-02 07:00:00,71.1,4.0\r\n", (71.1, 4.0)),),
            (b"2026-03-02,71.1,4\n", b"2026-03-02 07:00:00,71.1\n", b'2026-03-02 07:00:00,"71.1,4\n'),
            written,
        ),
        Format(
            "logger rows, long",
            _rows(long, None),
            ((b"2026-03-02 07:00:00;1;160,0\n", (71.111111,)),),
            (b"2026-03-02 07:00:00;1;160.0\n", b"2026-03-08 02:30:00;1;160,0\n"),
            written,
        ),
        Format(
            "Modbus int16",
            _register(Register("core-1", 1, 0, scale=0.1)),
            ((b"\x02\xc7", (71.1,)), (b"\xff\xd3", (-4.5,))),
            (b"", b"\x02\xc7\x00\x00", b"\x70\x00"),
            lambda d: {round(struct.unpack(">h", d[:2])[0] * 0.1, 6)} if len(d) > 1 else set(),
        ),
        Format(
            "Modbus float32",
            _register(Register("core-1", 1, 0, type="float32")),
            ((bytes.fromhex("428E3333"), (71.099998,)),),
            (bytes.fromhex("3333428E"), bytes.fromhex("7FC00000"), b"\x42\x8e"),
            lambda d: {round(struct.unpack(">f", d[:4])[0], 6)} if len(d) > 3 else set(),
        ),
    ]


def summed(data: bytes) -> set[float]:
    """Numbers as `written`, and the sums of two of them: SenML adds a base value."""
    found = written(data) if len(data) < 400 else set()
    return found | {round(a + b, 6) for a in found for b in found} if len(found) < 200 else found


FORMATS = {form.name: form for form in _formats()}


def check(form: Format, data: bytes) -> None:
    """What holds of any bytes: no crash, each number within the span and written in the bytes, and no more items than bytes allow."""
    items = form.decode(data)
    assert len(items) <= 3 * (len(data) + 1), f"{form.name}: {len(items)} items of {len(data)} bytes"
    found = [item for item in items if isinstance(item, Reading)]
    if found:
        known = form.numbers(data)
        for item in found:
            assert SPAN_C[0] <= item.celsius <= SPAN_C[1], f"{form.name}: {item.celsius!r} of {data!r}"
            assert any(abs(item.celsius - number) <= 2e-6 * max(1.0, abs(number)) for number in known), (
                f"{form.name}: {item.celsius!r} is not in {data!r}"
            )
    for item in items:
        if isinstance(item, Fault):
            assert item.reason
            assert len(item.raw) <= 1000
    if form.stream is not None:
        decoder, pieces = form.stream(), []
        for n in range(len(data)):
            pieces += decoder.feed(data[n : n + 1], NOW)
            assert len(decoder) <= decoder.form.most_bytes
        assert values(pieces) == values(items), f"{form.name}: {data!r} byte by byte"
