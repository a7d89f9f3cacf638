"""Gives freed memory back to the system: a page drawn once must not cost a small board its megabytes for months.

The C library keeps what was freed below anything that is still in use. glibc's malloc_trim(3) lets go of those pages; another
library that has no such function keeps its own ways.
"""

from __future__ import annotations

import ctypes
from functools import cache
from typing import Any


@cache
def _trim() -> Any:
    """The function, or None where the C library has none."""
    return getattr(ctypes.CDLL(None), "malloc_trim", None)


def give_back() -> bool:
    """Give back what is free; whether anything was. A few milliseconds, for the caretaker's minute."""
    trim = _trim()
    return trim is not None and bool(trim(0))
