"""Waiting for something to come about, with a deadline that only keeps a broken test from waiting for ever."""

import time
from collections.abc import Callable


def until(fact: Callable[[], object], what: str = "it", seconds: float = 60.0) -> None:
    """Wait until `fact()` is true; `what` names it where it never comes."""
    end = time.monotonic() + seconds
    while not fact():
        assert time.monotonic() < end, f"never came about: {what}"
        time.sleep(0.01)
