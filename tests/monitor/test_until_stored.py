"""Records that the store cannot take are kept, merged, and written once it can."""

from concurrent.futures import Future
from typing import Any

import pytest

from monitor.errors import StoreClosed, StoreFull
from monitor.until_stored import UntilStored


class Writer:
    """Runs jobs at once, or fails them with what `trouble` holds."""

    def __init__(self) -> None:
        self.trouble: Exception | None = None
        self.written: list[tuple[str, int]] = []
        self.tries = 0

    def submit(self, job: Any, *, waiting: bool) -> Future[None]:
        self.tries += 1
        if isinstance(self.trouble, StoreClosed):
            raise self.trouble
        future: Future[None] = Future()
        try:
            if self.trouble is not None:
                raise self.trouble
            job(None)
            future.set_result(None)
        except Exception as error:  # noqa: BLE001 — as the real writer hands on whatever it was
            future.set_exception(error)
        return future


@pytest.fixture
def writer() -> Writer:
    return Writer()


@pytest.fixture
def kept(writer: Writer) -> UntilStored[int]:
    return UntilStored(writer.submit, lambda _conn, key, value: writer.written.append((key, value)), lambda a, b: a + b)


@pytest.mark.parametrize("trouble", [StoreFull("full"), StoreClosed("closed")])
def test_record_is_kept_and_merged_until_the_store_takes_it(writer: Writer, kept: UntilStored[int], trouble: Exception) -> None:
    """A thousand losses while the disk is full are one record of a thousand when it is not, and nothing is recorded twice."""
    writer.trouble = trouble
    for _ in range(1000):
        kept.add("lost", 1)
    kept.add("other", 5)
    assert writer.written == []
    writer.trouble = None
    kept.write()
    kept.write()
    assert writer.written == [("lost", 1000), ("other", 5)]


def test_record_that_cannot_be_made_is_given_up(writer: Writer, kept: UntilStored[int]) -> None:
    """A mistake of the program is not tried again for ever, and holds up no other record."""
    writer.trouble = KeyError("x")
    kept.add("a", 1)
    writer.trouble = None
    tries = writer.tries
    kept.write()
    assert writer.tries == tries
    kept.add("b", 2)
    assert writer.written == [("b", 2)]
