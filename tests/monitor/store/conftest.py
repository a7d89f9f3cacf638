"""A real store in a temporary folder, and a writer on it."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.store.database import Store
from monitor.store.writer import Writer


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A migrated database with nothing in it, to be copied: migrating anew for each test would take most of the time."""
    path = tmp_path_factory.mktemp("empty") / "larderer.sqlite"
    Store(path).open().close()
    return path


@pytest.fixture
def store(tmp_path: Path, empty: Path) -> Iterator[Store]:
    with Store(shutil.copy(empty, tmp_path / "larderer.sqlite"), busy_timeout_s=0.2) as opened:
        yield opened


@pytest.fixture
def writer(store: Store) -> Iterator[Writer]:
    with Writer(store) as running:
        yield running
