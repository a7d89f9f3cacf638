"""The board, started and stopped."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.monitor.clock.board import AT_MOST, Board


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    board = Board(tmp_path)
    yield board
    board.service.close()


@pytest.fixture
def at_most(tmp_path: Path) -> Iterator[Board]:
    board = Board(tmp_path, AT_MOST)
    board.open_lot()
    yield board
    board.service.close()


@pytest.fixture
def anywhere(new_database: Callable[[], str], tmp_path: Path) -> Iterator[Board]:
    """The board with its records on either engine."""
    board = Board(tmp_path / "board", url=new_database())
    yield board
    board.service.close()
