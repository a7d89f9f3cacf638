"""A real store in a temporary folder, and a writer on it."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.store.database import Store
from monitor.store.writer import Writer


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "larderer.sqlite", busy_timeout_s=0.2) as opened:
        yield opened


@pytest.fixture
def writer(store: Store) -> Iterator[Writer]:
    with Writer(store) as running:
        yield running
