"""Memory that was freed goes back to the system."""

import ctypes
import subprocess
import sys

import pytest

_CHILD = """
from monitor.memory import give_back
from tests.bench.served import resident_mb
blocks = [bytes([n % 256]) * 2000 for n in range(50_000)]
last = blocks[-1]
del blocks[:-1]
before = resident_mb()
gave = give_back()
print(gave, round(before - resident_mb()), len(last))
"""


@pytest.mark.skipif(not hasattr(ctypes.CDLL(None), "malloc_trim"), reason="NOT TESTED: this C library has no malloc_trim(3)")
def test_what_was_freed_below_something_in_use_is_given_back() -> None:
    """A hundred megabytes freed beneath one block that is still held do not stay resident."""
    done = subprocess.run([sys.executable, "-c", _CHILD], capture_output=True, text=True, check=True)
    gave, fell, held = done.stdout.split()
    assert gave == "True"
    assert int(fell) > 50
    assert held == "2000"
