"""What Bluetooth thermometers send: the Environmental Sensing and Health Thermometer characteristics, decoded.

Little-endian. Temperature (2A6E) is a signed 16-bit number of 0.01 °C, humidity (2A6F) an unsigned one of 0.01 %; the value not known
is 8000 or FFFF (from memory). Temperature measurement (2A1C) is a flags byte (bit 0: °F; bit 1: a time stamp follows; bit 2: a type
follows) and a FLOAT of IEEE 11073-20601: a signed 24-bit mantissa and a signed power of ten, with special mantissas for "no number"
(from memory). Its time stamp names no zone and is not used: the time of arrival is.
Source: the characteristics' descriptions by the Bluetooth SIG (2011 and 2014, read); FLOAT from secondary copies.
"""

from __future__ import annotations

import struct

from probes.value import check_celsius, to_celsius

TEMPERATURE, HUMIDITY, MEASUREMENT = "2a6e", "2a6f", "2a1c"
CHARACTERISTICS = {"environmental temperature": TEMPERATURE, "humidity": HUMIDITY, "health thermometer": MEASUREMENT}
_SPECIAL = {0x7FFFFF: "not a number", 0x800000: "not at this resolution", 0x7FFFFE: "overload", 0x800002: "overload", 0x800001: "reserved"}


def long_uuid(short: str) -> str:
    """The 128-bit form of a 16-bit characteristic number, as radio libraries name it."""
    return f"0000{short}-0000-1000-8000-00805f9b34fb"


def decode(characteristic: str, data: bytes) -> float | str:
    """°C (per cent for humidity) of a characteristic's value, or the reason why there is none."""
    if characteristic == TEMPERATURE:
        return _hundredths(data, "<h", -0x8000)
    if characteristic == HUMIDITY:
        value = _hundredths(data, "<H", 0xFFFF)
        return "out of the sensor's span" if isinstance(value, float) and value > 100.0 else value
    return _measurement(data)


def _hundredths(data: bytes, form: str, unknown: int) -> float | str:
    if len(data) != 2:
        return "answer of another length"
    value = struct.unpack(form, data)[0]
    return "value not known" if value == unknown else check_celsius(value / 100.0)


def _measurement(data: bytes) -> float | str:
    if not data:
        return "no value"
    flags = data[0]
    if flags & 0xF8:
        return "flags that are reserved"
    if len(data) != 5 + (7 if flags & 2 else 0) + (1 if flags & 4 else 0):
        return "answer of another length"
    value = decode_float(data[1:5])
    return value if isinstance(value, str) else check_celsius(to_celsius(value, "F" if flags & 1 else "C"))


def decode_float(data: bytes) -> float | str:
    """A FLOAT of IEEE 11073-20601 in its four bytes, or what its special value means."""
    mantissa, exponent = int.from_bytes(data[:3], "little"), struct.unpack("b", data[3:4])[0]
    if exponent == 0 and mantissa in _SPECIAL:
        return _SPECIAL[mantissa]
    if mantissa & 0x800000:
        mantissa -= 0x1000000
    if not -12 <= exponent <= 6:
        return "out of the sensor's span"
    return float(mantissa * 10**exponent) if exponent >= 0 else mantissa / 10**-exponent
