"""How a channel that reads millivolts, ohms or counts is set up: its `raw` table, shared by every driver that can read such a channel."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from probes.convert import Beta, Divider, SteinhartHart, platinum_celsius, thermocouple_celsius
from probes.errors import RawValueError, SettingError
from probes.settings import Settings


class Conversion(Protocol):
    """From what a channel reads to °C; `cold_junction_c` matters to thermocouples alone. Raises RawValueError."""

    def __call__(self, raw: float, cold_junction_c: float | None = None) -> float:
        """°C of a raw value."""
        ...


SENSORS = ("thermocouple K", "thermocouple T", "thermocouple J", "thermocouple N", "Pt100", "Pt1000", "thermistor")


def read_conversion(s: Settings) -> tuple[Conversion, bool]:
    """The conversion that a channel's `raw` table asks for, and whether it needs the terminals' temperature with each value.

    `sensor` one of SENSORS; `scale` 1 (of the value read, to mV or ohm). Thermocouples: `cold_junction_c`, a fixed temperature of the
    terminals, or none, where the driver reads them. Thermistors: `r25` and `beta`, or `a`, `b`, `c`. With a divider: `divider_ohm`,
    `divider_full`, `sensor_below` true.
    """
    sensor, scale = s.choice("sensor", SENSORS), s.number("scale", 1.0, -1e9, 1e9)
    if scale == 0.0:
        raise s.wrong("scale", "what one unit of the value read is in mV or ohm")
    ohm = _divider(s) if sensor in ("Pt100", "Pt1000", "thermistor") else None
    needs_junction = False
    if sensor.startswith("thermocouple"):
        kind = sensor[-1]
        fixed = s.number("cold_junction_c", 0.0, -40.0, 125.0) if s.has("cold_junction_c") else None
        needs_junction = fixed is None

        def convert(raw: float, cold_junction_c: float | None = None) -> float:
            junction = fixed if fixed is not None else cold_junction_c
            if junction is None:
                raise RawValueError("the terminals' temperature is not known")
            return thermocouple_celsius(kind, raw * scale, junction)

    else:
        curve = _curve(sensor, s)

        def convert(raw: float, cold_junction_c: float | None = None) -> float:
            return curve(ohm(raw * scale) if ohm is not None else raw * scale)

    s.done()
    return convert, needs_junction


def _divider(s: Settings) -> Callable[[float], float] | None:
    below = s.flag("sensor_below", True)
    if not s.has("divider_ohm") and not s.has("divider_full"):
        return None
    if not (s.has("divider_ohm") and s.has("divider_full")):
        raise SettingError(
            f"{s.where}: a divider has two figures; write divider_ohm (the fixed resistor) and divider_full (the whole scale)"
        )
    return Divider(s.number("divider_ohm", 0.0, 1e-3, 1e9), s.number("divider_full", 0.0, 1e-9, 1e12), below).ohm


def _curve(sensor: str, s: Settings) -> Callable[[float], float]:
    if sensor != "thermistor":
        r0 = 100.0 if sensor == "Pt100" else 1000.0
        return lambda ohm: platinum_celsius(ohm, r0)
    by_beta, by_three = [k for k in ("r25", "beta") if s.has(k)], [k for k in ("a", "b", "c") if s.has(k)]
    if len(by_beta) == 2 and not by_three:
        return Beta(s.number("r25", 0.0, 1e-3, 1e9), s.number("beta", 0.0, 100.0, 20_000.0)).celsius
    if len(by_three) == 3 and not by_beta:
        return SteinhartHart(s.number("a", 0.0, -1.0, 1.0), s.number("b", 0.0, 1e-9, 1.0), s.number("c", 0.0, 1e-15, 1.0)).celsius
    raise SettingError(f"{s.where}: a thermistor needs its maker's constants; write r25 and beta, or a, b and c")
