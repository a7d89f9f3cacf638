"""The rig, started and stopped."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor import judging as judging_module
from tests.monitor.late.rig import Rig


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    rig = Rig(tmp_path)
    yield rig
    rig.service.close()


@pytest.fixture
def never_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """However cheap it is, what is late is caught up with in slices."""
    monkeypatch.setattr(judging_module, "AT_ONCE", -1)
