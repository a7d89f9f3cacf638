"""Bluetooth: worked values of the characteristics, and the loop that holds links, with another radio in the place of the real one."""

import asyncio
import threading
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probes.bluetooth import Bluetooth, Device, load
from probes.driver import backoff, own_sources
from probes.errors import SettingError
from probes.gatt import HUMIDITY, MEASUREMENT, TEMPERATURE, decode, decode_float
from rules.reading import Fault, Reading

#: Bytes constructed to the characteristics' descriptions (Bluetooth SIG 2011 and 2014, read); "not known" is from memory.
VALUES: list[tuple[str, str, float | str]] = [
    (TEMPERATURE, "C6 1B", 71.10),
    (TEMPERATURE, "EE F8", -18.10),
    (TEMPERATURE, "00 80", "value not known"),
    (TEMPERATURE, "C6", "answer of another length"),
    (TEMPERATURE, "C6 1B 00", "answer of another length"),
    (HUMIDITY, "C6 11", 45.50),
    (HUMIDITY, "FF FF", "value not known"),
    (HUMIDITY, "00 80", "out of the sensor's span"),
    (MEASUREMENT, "00 C7 02 00 FF", 71.1),
    (MEASUREMENT, "01 40 06 00 FF", pytest.approx(71.111, abs=5e-4)),
    (MEASUREMENT, "02 C9 1B 00 FE E8 07 03 05 0E 1E 00", 71.13),
    (MEASUREMENT, "06 C7 02 00 FF E8 07 03 05 0E 1E 00 02", 71.1),
    (MEASUREMENT, "00 FF FF 7F 00", "not a number"),
    (MEASUREMENT, "00 00 00 80 00", "not at this resolution"),
    (MEASUREMENT, "00 FE FF 7F 00", "overload"),
    (MEASUREMENT, "00 02 00 80 00", "overload"),
    (MEASUREMENT, "00 C7 02 00", "answer of another length"),
    (MEASUREMENT, "02 C7 02 00 FF", "answer of another length"),
    (MEASUREMENT, "80 C7 02 00 FF", "flags that are reserved"),
    (MEASUREMENT, "", "no value"),
    (MEASUREMENT, "00 C7 02 00 7F", "out of the sensor's span"),
]


@pytest.mark.parametrize(("characteristic", "data", "told"), VALUES)
def test_value_is_decoded_or_refused_with_a_reason(characteristic: str, data: str, told: float | str) -> None:
    """Each worked value, whole, cut or not known."""
    assert decode(characteristic, bytes.fromhex(data)) == told


@pytest.mark.parametrize(
    ("data", "value"), [("6C 01 00 FF", 36.4), ("97 0D 00 FE", 34.79), ("71 0E 00 FE", 36.97), ("D3 FF FF FF", -4.5), ("47 00 00 00", 71.0)]
)
def test_float_of_11073_is_a_power_of_ten(data: str, value: float) -> None:
    """Worked values quoted from a device's document (secondary copy), the last two constructed."""
    assert decode_float(bytes.fromhex(data)) == pytest.approx(value)


@given(st.sampled_from([TEMPERATURE, HUMIDITY, MEASUREMENT]), st.binary(max_size=20))
def test_no_bytes_crash_the_decoder(characteristic: str, data: bytes) -> None:
    """There is a value that a thermometer can give, or a reason."""
    found = decode(characteristic, data)
    assert isinstance(found, str) or -273.15 <= found <= 1400.0


class Link:
    """A device that sends `data` of itself, or gives it when it is read."""

    def __init__(self, data: bytes, notifies: bool) -> None:
        self.data, self.notifies, self.gone, self.closed = data, notifies, False, False

    async def notify(self, characteristic: str, heard: Callable[[bytes], None]) -> bool:
        if self.notifies:
            self._sending = asyncio.get_running_loop().create_task(self._send(heard))
        return self.notifies

    async def _send(self, heard: Callable[[bytes], None]) -> None:
        while not self.gone and not self.closed:
            heard(self.data)
            await asyncio.sleep(0.02)

    async def read(self, characteristic: str) -> bytes:
        if self.gone:
            raise OSError("not connected")
        return self.data

    def lost(self) -> bool:
        return self.gone

    async def close(self) -> None:
        self.closed = True


class Radio:
    """Connects to the devices that are there."""

    def __init__(self, *, notifies: bool = True, data: bytes = bytes.fromhex("C61B")) -> None:
        self.notifies, self.data, self.there = notifies, data, True
        self.links: list[Link] = []

    async def __call__(self, address: str) -> Link:
        if not self.there:
            raise OSError("not found")
        self.links.append(Link(self.data, self.notifies))
        return self.links[-1]


A, B = "C4:7C:8D:00:00:01", "C4:7C:8D:00:00:02"


def _source(radio: Radio, *devices: Device) -> Bluetooth:
    return Bluetooth("Bluetooth", devices or (Device(A, "core-1", TEMPERATURE),), 0.2, radio=radio, waits=lambda: backoff(0.01, 0.05))


@pytest.mark.parametrize("notifies", [True, False])
def test_device_is_heard_or_read(notifies: bool, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """One that does not notify is read."""
    radio = Radio(notifies=notifies)
    runner.start(_source(radio), sink)
    until(lambda: len(sink.values) >= 3, "three readings")
    runner.end()
    assert set(sink.values) == {71.1}
    assert all(link.closed for link in radio.links)


def test_value_not_known_is_a_fault_with_its_bytes(sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """8000 is no temperature."""
    runner.start(_source(Radio(data=bytes.fromhex("0080"))), sink)
    until(lambda: sink.items, "an item")
    runner.end()
    assert isinstance(sink.items[0], Fault)
    assert (sink.items[0].reason, sink.items[0].raw) == ("value not known", "00 80")


def test_device_out_of_reach_does_not_hold_up_another(sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """Each device has its own link and its own pauses."""

    class OneAway(Radio):
        async def __call__(self, address: str) -> Link:
            if address == B:
                raise OSError("not found")
            return await super().__call__(address)

    source = _source(OneAway(), Device(A, "core-1", TEMPERATURE), Device(B, "core-2", TEMPERATURE))
    runner.start(source, sink)
    until(lambda: len(sink.values) >= 3, "three readings")
    runner.end()
    assert {item.probe for item in sink.items} == {"core-1"}
    assert sum("not found" in text for _, text in sink.states) == 1


def test_radio_that_answers_the_end_with_an_error_of_its_own_is_left_all_the_same(sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """A library that swallows the cancellation must not keep the thread."""

    class Swallows(Link):
        async def notify(self, characteristic: str, heard: Callable[[bytes], None]) -> bool:
            try:
                await asyncio.sleep(3600)
            except asyncio.CancelledError:
                raise OSError("operation aborted") from None
            return True

    class Odd(Radio):
        async def __call__(self, address: str) -> Link:
            self.links.append(Swallows(self.data, self.notifies))
            return self.links[-1]

    radio = Odd()
    runner.start(_source(radio), sink)
    until(lambda: radio.links, "a link")
    runner.end()
    assert radio.links[0].closed


def test_outage_of_a_device_is_told_under_the_name_of_its_probes_own_source(sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """Whoever asks which source a silent probe has gets the name that the outage was told by."""
    heard: list[str] = []
    radio = Radio()
    radio.there = False
    source = _source(radio, Device(A, "core-1", TEMPERATURE), Device(B, "core-2", TEMPERATURE))
    plain = sink.state
    sink.state = lambda name, connected, text: (heard.append(name), plain(name, connected, text))
    runner.start(source, sink)
    until(lambda: len(set(heard)) == 2, "both outages")
    runner.end()
    assert set(heard) == set(own_sources(source).values())
    assert set(own_sources(source)) == {"core-1", "core-2"}


def test_link_lost_and_found_twenty_times(sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """Each loss is told, since no notification is not no change; no thread is left."""
    before = threading.active_count()
    radio = Radio()
    runner.start(_source(radio), sink)
    for n in range(20):
        until(lambda: sink.connected, "the device")
        count = len(sink.values)
        until(lambda count=count: len(sink.values) > count, "a reading")
        radio.there = False
        radio.links[-1].gone = True
        until(lambda: not sink.connected, f"outage {n}")
        radio.there = True
    until(lambda: sink.connected, "the device after all")
    runner.end()
    assert threading.active_count() == before
    assert all(link.closed for link in radio.links)
    assert {type(item) for item in sink.items} == {Reading}


DEVICE = {"address": A, "probe": "core-1", "what": "environmental temperature"}


def test_source_is_loaded_from_its_table() -> None:
    """Addresses are compared in capitals."""
    source = load({"device": [{**DEVICE, "address": A.lower()}]})
    assert source.devices == (Device(A, "core-1", TEMPERATURE),)


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        ({}, "device is missing"),
        ({"device": [{**DEVICE, "address": "C4"}]}, "address is 'C4'"),
        ({"device": [{**DEVICE, "what": "battery"}]}, "what is 'battery'"),
        ({"device": [DEVICE, DEVICE]}, "is fed twice"),
        ({"device": [{**DEVICE, "adress": 1}]}, "key 'adress' is not known"),
    ],
)
def test_mistake_in_the_configuration_gets_its_sentence(table: dict[str, object], sentence: str) -> None:
    """What, which value, where, what to write."""
    with pytest.raises(SettingError, match=sentence):
        load(table)
