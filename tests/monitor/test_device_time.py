"""What a device kept while the line was down arrives late, dated by the device, whatever it comes through."""

from collections.abc import Sequence
from zoneinfo import ZoneInfo

import pytest

from monitor.intake import Intake
from monitor.store import readings
from monitor.store.database import Store
from monitor.store.writer import Writer
from probes.lines import LineDecoder, LineFormat
from probes.logger_rows import RowForm, Rows
from probes.mqtt_payload import Payloads, TopicMap
from probes.opcua import Node, decode
from probes.push import Refused, decode_push
from rules.quantity import parse_instant
from rules.reading import HOUR, Fault, Reading

KEPT = parse_instant("2026-03-02T10:00:00Z")
NOW = KEPT + 3 * HOUR
OURS = "larderer/ferncliff/probe/core-1/reading"


def serial() -> Sequence[Reading | Fault]:
    form = LineFormat(columns=("time", "core-1"), unit="C", separator=";")
    return LineDecoder(form).feed(b"2026-03-02T10:00:00Z;4.5\n", NOW)


def mqtt() -> Sequence[Reading | Fault]:
    return Payloads("ferncliff").decode(OURS, b'{"value": 4.5, "time": "2026-03-02T04:00:00-06:00"}', NOW, "queued")


def mapped() -> Sequence[Reading | Fault]:
    maps = [TopicMap("yard/t", "core-1", "C", "t", "at", "ms")]
    return Payloads("ferncliff", maps).decode("yard/t", f'{{"t": 4.5, "at": {KEPT // 1000}}}'.encode(), NOW, "retained")


def push() -> Sequence[Reading | Fault]:
    found = decode_push(f'[{{"probe": "core-1", "value": 4.5, "time": {KEPT // 1_000_000}}}]'.encode(), "application/json", NOW)
    return [item for item in found if not isinstance(item, Refused)]


def senml() -> Sequence[Reading | Fault]:
    found = decode_push(b'[{"n": "core-1", "u": "Cel", "v": 4.5, "t": -10800}]', "application/senml+json", NOW)
    return [item for item in found if not isinstance(item, Refused)]


def folder() -> Sequence[Reading | Fault]:
    form = RowForm("Time", ZoneInfo("America/Chicago"), (("Probe 1", "core-1"),), time_format="%d.%m.%Y %H:%M")
    return Rows(form, "Time,Probe 1").feed("02.03.2026 04:00,4.5\n", NOW)


def opcua() -> Sequence[Reading | Fault]:
    return [decode(Node("ns=2;s=core", "core-1"), 4.5, 0, KEPT)]


@pytest.mark.parametrize("source", [serial, mqtt, mapped, push, senml, folder, opcua])
def test_kept_reading_is_late_and_dated_by_its_device(source, database: str) -> None:  # type: ignore[no-untyped-def]
    """Behind a newer one it is stored as late at the device's time, with our time of arrival beside it."""
    items = source()
    assert items == [Reading("core-1", KEPT, 4.5)]
    with Store(database).open() as store, Writer(store) as writer:
        intake = Intake(writer, readings.store, lambda: NOW)
        (newer,) = intake.readings([Reading("core-1", NOW - HOUR, 5.0)]).result(20)
        (outcome,) = intake.readings(items).result(20)
        intake.close()
        assert (newer.what, outcome.what) == ("stored", "late")
        with store.read() as conn:
            (stored,) = readings.between(conn, KEPT - 1, KEPT)
    assert stored.item == Reading("core-1", KEPT, 4.5)
    assert stored.received_at == NOW
