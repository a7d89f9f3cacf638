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


_LOADED = """
import sys
from monitor.memory import load_little
if sys.argv[1] == "load little":
    load_little()
import fastapi
app = fastapi.FastAPI()
@app.get("/")
def page(number: int = 0) -> str:
    return ""
print(len([name for name in sys.modules if name.startswith("pydantic.v1.")]), len(app.openapi()["paths"]))
"""


_LARGE = """
import sys
from monitor.memory import keep_little
from tests.bench.served import resident_mb
if sys.argv[1] == "keep little":
    assert keep_little()
bytearray(19 << 20)
blocks = [bytearray(1 << 20) for n in range(50)]
last = [bytearray(2000) for n in range(1000)]
before = resident_mb()
del blocks
print(round(before - resident_mb()), len(last))
"""


@pytest.mark.skipif(not hasattr(ctypes.CDLL(None), "malloc_trim"), reason="NOT TESTED: this C library has no malloc_trim(3)")
def test_large_blocks_go_back_at_once_also_after_a_larger_one() -> None:
    """One block of 19 MB, as a PIN's check takes, otherwise has blocks of a megabyte kept when they are freed."""
    fell = [
        int(subprocess.run([sys.executable, "-c", _LARGE, how], capture_output=True, text=True, check=True).stdout.split()[0])
        for how in ("left alone", "keep little")
    ]
    assert fell[0] < 20
    assert fell[1] > 45


@pytest.mark.skipif(not hasattr(ctypes.CDLL(None), "malloc_trim"), reason="NOT TESTED: this C library has no malloc_trim(3)")
def test_what_was_freed_below_something_in_use_is_given_back() -> None:
    """A hundred megabytes freed beneath one block that is still held do not stay resident."""
    done = subprocess.run([sys.executable, "-c", _CHILD], capture_output=True, text=True, check=True)
    gave, fell, held = done.stdout.split()
    assert gave == "True"
    assert int(fell) > 50
    assert held == "2000"


def test_what_no_page_needs_is_not_loaded() -> None:
    """FastAPI works without the pydantic of before, which it otherwise loads with the first parameter."""
    loaded = [
        subprocess.run([sys.executable, "-c", _LOADED, how], capture_output=True, text=True, check=True).stdout.split()
        for how in ("load all", "load little")
    ]
    assert int(loaded[0][0]) > 10
    assert loaded[1] == ["0", "1"]
