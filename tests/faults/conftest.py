"""What several tests of faults share."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.small_disk import mounted


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 24 MB of its own."""
    with mounted(tmp_path / "disk") as folder:
        yield folder
