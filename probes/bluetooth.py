"""Bluetooth thermometers: each device is connected to, its characteristic subscribed to, or read where it does not notify.

A link that is lost says nothing about the temperature: it is told, and the device is sought again with growing pauses. One asyncio loop
in the driver's thread holds every device. The radio is `bleak` (the extra `bluetooth`); tests put another `Radio` in its place.
"""

from __future__ import annotations

import asyncio
import re
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Protocol

from probes.clock import Clock, now
from probes.driver import Sink, backoff, tell_if_lost
from probes.errors import SettingError
from probes.gatt import CHARACTERISTICS, decode, long_uuid
from probes.settings import Settings
from rules.reading import Fault, Reading

_ADDRESS = re.compile(r"(?:[0-9A-F]{2}:){5}[0-9A-F]{2}")
_STOP_S = 0.2
_CONNECT_S = 20.0


class Link(Protocol):
    """One device that is connected."""

    async def notify(self, characteristic: str, heard: Callable[[bytes], None]) -> bool:
        """Hear each value that the device sends of itself; False where the characteristic does not notify."""
        ...

    async def read(self, characteristic: str) -> bytes:
        """The value now. Raises OSError where the device does not answer."""
        ...

    def lost(self) -> bool:
        """Whether the link is gone."""
        ...

    async def close(self) -> None:
        """Let go of the device."""
        ...


class Radio(Protocol):
    """What connects to a device by its address. Raises OSError where it is not found or refuses."""

    async def __call__(self, address: str) -> Link:
        """The link, once it stands."""
        ...


@dataclass(frozen=True)
class Device:
    """One device's characteristic and the probe that it feeds."""

    address: str
    probe: str
    characteristic: str


@dataclass(frozen=True)
class Bluetooth:
    """Devices within reach of this machine's radio. `every_s` is how often a device that does not notify is read."""

    name: str
    devices: tuple[Device, ...]
    every_s: float = 5.0
    clock: Clock = now
    radio: Radio | None = field(default=None, repr=False)
    waits: Callable[[], Iterator[float]] = field(default=backoff, repr=False)

    @property
    def own_sources(self) -> dict[str, str]:
        """Each probe's device, under the name by which its outages are told."""
        return {device.probe: self._told_as(device.address) for device in self.devices}

    def _told_as(self, address: str) -> str:
        return f"{self.name} {address}"

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Hold every device until `stop`."""
        asyncio.run(self._run(sink, stop))

    async def _run(self, sink: Sink, stop: threading.Event) -> None:
        holding = [asyncio.create_task(self._hold(address, sink, stop)) for address in dict.fromkeys(d.address for d in self.devices)]
        while not stop.is_set():
            await asyncio.sleep(_STOP_S)
        for task in holding:
            task.cancel()
        await asyncio.gather(*holding, return_exceptions=True)

    async def _hold(self, address: str, sink: Sink, stop: threading.Event) -> None:
        """Connect to one device again and again; an outage is told once, when it begins, and once when it ends."""
        mine, waits, told = [d for d in self.devices if d.address == address], self.waits(), ""
        source = self._told_as(address)
        while not stop.is_set():  # a cancellation alone may be swallowed: by a radio's library, or by a wait that ends in the same moment
            link: Link | None = None
            try:
                link = await asyncio.wait_for((self.radio or _bleak)(address), _CONNECT_S)
                sink.state(source, True, f"{source}: connected.")
                told, waits = "", self.waits()
                await self._listen(link, mine, sink, stop)
                why = "link lost"
            except asyncio.CancelledError:
                sink.state(source, False, f"{source}: let go of.")
                raise
            except Exception as error:  # noqa: BLE001 — whatever a radio's library raises, the device is told and sought again
                why = str(error) or ("not found" if isinstance(error, OSError) else type(error).__name__)
            finally:
                if link is not None:
                    with suppress(Exception):
                        await asyncio.wait_for(link.close(), _CONNECT_S)
            text = f"{source}: no connection ({why}); check its battery, and how far it is from this machine."
            if text != told:
                sink.state(source, False, text)
                told = text
            await asyncio.sleep(next(waits))

    async def _listen(self, link: Link, mine: list[Device], sink: Sink, stop: threading.Event) -> None:
        asked = [device for device in mine if not await link.notify(device.characteristic, self._hearer(device, sink))]
        while not (link.lost() or stop.is_set()):
            for device in asked:
                self._take(device, await asyncio.wait_for(link.read(device.characteristic), _CONNECT_S), sink)
            slept = 0.0
            while slept < self.every_s and not link.lost():
                await asyncio.sleep(min(_STOP_S, self.every_s))
                slept += _STOP_S

    def _hearer(self, device: Device, sink: Sink) -> Callable[[bytes], None]:
        return lambda data: self._take(device, data, sink)

    def _take(self, device: Device, data: bytes, sink: Sink) -> None:
        at, value = self.clock(), decode(device.characteristic, bytes(data))
        item = Fault(device.probe, at, value, bytes(data).hex(" ")) if isinstance(value, str) else Reading(device.probe, at, value)
        tell_if_lost(sink.readings([item]), sink, self.name)


class _BleakLink:
    """A link through bleak, whose errors become OSError."""

    def __init__(self, client: object) -> None:
        self._client = client

    async def notify(self, characteristic: str, heard: Callable[[bytes], None]) -> bool:
        from bleak import BleakClient
        from bleak.exc import BleakError

        client = self._client
        assert isinstance(client, BleakClient)
        found = client.services.get_characteristic(long_uuid(characteristic))
        if found is None:
            raise OSError(f"the device has no characteristic {characteristic}")
        if not {"notify", "indicate"} & set(found.properties):
            return False
        try:
            await client.start_notify(found, lambda _, data: heard(bytes(data)))
        except BleakError as error:
            raise OSError(str(error)) from error
        return True

    async def read(self, characteristic: str) -> bytes:
        from bleak import BleakClient
        from bleak.exc import BleakError

        client = self._client
        assert isinstance(client, BleakClient)
        try:
            return bytes(await client.read_gatt_char(long_uuid(characteristic)))
        except BleakError as error:
            raise OSError(str(error)) from error

    def lost(self) -> bool:
        return not getattr(self._client, "is_connected", False)

    async def close(self) -> None:
        from bleak import BleakClient
        from bleak.exc import BleakError

        client = self._client
        assert isinstance(client, BleakClient)
        try:
            await client.disconnect()
        except BleakError as error:
            raise OSError(str(error)) from error


async def _bleak(address: str) -> Link:
    from bleak import BleakClient
    from bleak.exc import BleakError

    client = BleakClient(address)
    try:
        await client.connect()
    except BleakError as error:
        raise OSError(str(error)) from error
    return _BleakLink(client)


def load(config: Mapping[str, object]) -> Bluetooth:
    """Bluetooth thermometers from their `[[source]]` table.

    `device`: a list of tables, each with `address` ("C4:7C:8D:00:00:01"), `probe` and `what` "environmental temperature", "humidity" or
    "health thermometer"; `every_s` 5 for devices that do not notify.
    """
    s = Settings(config, "source bluetooth")
    devices = tuple(_device(table) for table in s.tables("device"))
    if not devices:
        raise SettingError(
            "source bluetooth: device is missing; write [[source.device]] with "
            'address = "C4:7C:8D:00:00:01", probe = "core-1", what = "environmental temperature"'
        )
    probes = [device.probe for device in devices]
    if len(set(probes)) < len(probes):
        raise SettingError(f"source bluetooth: probe {max(probes, key=probes.count)!r} is fed twice; give each value its own")
    driver = Bluetooth(s.text("name", "Bluetooth"), devices, s.number("every_s", 5.0, 0.2, 3600.0))
    s.done()
    try:
        import bleak  # noqa: F401
    except ImportError:
        raise SettingError('source bluetooth: the package bleak is missing; install "larderer[bluetooth]"') from None
    return driver


def _device(s: Settings) -> Device:
    address = s.text("address", want='the device\'s address, such as "C4:7C:8D:00:00:01"').upper()
    if not _ADDRESS.fullmatch(address):
        raise s.wrong("address", 'the device\'s address, such as "C4:7C:8D:00:00:01"')
    device = Device(address, s.text("probe", want="the probe's id"), CHARACTERISTICS[s.choice("what", tuple(CHARACTERISTICS))])
    s.done()
    return device
