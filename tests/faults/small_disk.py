"""A small file system of its own, and filling it to the last byte."""

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.missing import not_tested


@contextmanager
def mounted(folder: Path) -> Iterator[Path]:
    """A file system of 24 MB at `folder`; where mounting is not allowed the test says so and fails where CI is true."""
    folder.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", str(folder)], capture_output=True, text=True, check=False)
    if made.returncode:
        why = made.stderr.strip()
        not_tested(
            f"a small file system cannot be mounted here ({why}), so a full disk is shown by its page limit alone; "
            "run the tests as root, or with unshare -Urm in front"
        )
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


@contextmanager
def filled(folder: Path) -> Iterator[None]:
    """No byte is left on the file system of `folder`; then there is room again."""
    ballast = folder / "ballast"
    with ballast.open("wb", buffering=0) as file:
        for size in (65536, 4096, 512, 1):
            try:
                while True:
                    file.write(b"x" * size)
            except OSError:
                continue
    try:
        yield
    finally:
        ballast.unlink()
