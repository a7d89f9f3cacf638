"""The board that these tests look at."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.deploy.board import install


@pytest.fixture
def board(tmp_path: Path) -> Path:
    """A root of its own with everything but the Python packages installed."""
    folder = tmp_path / "board"
    install(folder)
    return folder
