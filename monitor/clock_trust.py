"""Whether the kernel holds the clock for right: what keeps it says so through adjtimex(2)."""

from __future__ import annotations

import ctypes
from typing import Final

#: <linux/timex.h>: no time service keeps the clock.
_UNSYNCHRONIZED: Final = 0x0040


class _Timex(ctypes.Structure):
    """The beginning of `struct timex` as adjtimex(2) lists it; the rest is room."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_char * 256),
    )


def clock_is_kept() -> bool | None:
    """True where something keeps the clock right, False where nothing does, None where the system does not say."""
    try:
        adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return None
    timex = _Timex()  # modes 0: only asks
    return None if adjtimex(ctypes.byref(timex)) < 0 else not timex.status & _UNSYNCHRONIZED
