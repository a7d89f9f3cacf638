"""Gives freed memory back to the system: a page drawn once must not cost a small board its megabytes for months.

The C library keeps what was freed below anything that is still in use. glibc's malloc_trim(3) lets go of those pages; another
library that has no such function keeps its own ways. Left alone glibc also keeps a heap for each thread, and after one large
block (a PIN that is checked takes 19 MB) takes blocks as large from the heap in place of handing them back: mallopt(3) says no to both.
"""

from __future__ import annotations

import ctypes
import gc
import sys
from functools import cache
from typing import Any

#: mallopt(3), by malloc.h: what lies free at the heap's end goes back from 128 kB on, blocks from 128 kB on are handed back whole,
#: and all threads share one heap: they take turns at the interpreter's lock anyway.
_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = (-1, 128 * 1024), (-3, 128 * 1024), (-8, 1)


def keep_little() -> bool:
    """Have the C library keep little of what is freed; whether it can be told so. For a command, before its first thread."""
    library = ctypes.CDLL(None)
    if not hasattr(library, "malloc_trim"):  # another C library's mallopt, where it has one, has other numbers
        return False
    return all(library.mallopt(*option) == 1 for option in (_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX))


def load_little() -> None:
    """Have FastAPI not load what pydantic was before its second version, only to ask of each parameter whether it is one of its models.

    None of ours is, and it is 2.5 MB. Where it cannot be imported FastAPI takes the answer for no. For a command, before its page.
    """
    sys.modules.setdefault("pydantic.v1", None)  # type: ignore[arg-type]  # None: an import of it fails (the import system, sys.modules)


@cache
def _trim() -> Any:
    """The function, or None where the C library has none."""
    return getattr(ctypes.CDLL(None), "malloc_trim", None)


def give_back(*, cycles: bool = False) -> bool:
    """Give back what is free; whether anything was. A few milliseconds, for the caretaker's minute.

    `cycles`: look first for objects that only keep each other alive, which Python does late; that takes some 20 ms (100 on a board).
    """
    if cycles:
        gc.collect()
    trim = _trim()
    return trim is not None and bool(trim(0))
