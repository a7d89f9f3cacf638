"""A real store on each engine, and a writer on it."""

from collections.abc import Iterator

import pytest

from monitor.store.database import Store
from monitor.store.writer import Writer


@pytest.fixture(params=["sqlite", "postgresql"])
def engine(request: pytest.FixtureRequest) -> str:
    """The store's own tests run on both engines in the default tier."""
    return str(request.param)


@pytest.fixture
def store(database: str) -> Iterator[Store]:
    with Store(database, busy_timeout_s=0.2) as opened:
        yield opened


@pytest.fixture
def writer(store: Store) -> Iterator[Writer]:
    with Writer(store) as running:
        yield running
