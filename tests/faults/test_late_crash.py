"""Power loss while a backlog is taken in and judged anew: afterwards the store is the truth, and the verdicts are the same."""

import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
ROOT = HERE.parents[1]


def child(folder: Path, *what: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, str(HERE / "late_load.py"), str(folder), *what]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False, env={**os.environ, "PYTHONPATH": str(ROOT)})


def finished(folder: Path) -> dict[str, Any]:
    done = child(folder, "finish")
    assert done.returncode == 0, done.stderr[-3000:]
    return dict(json.loads(done.stdout.strip().splitlines()[-1]))


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A lot whose first probe was away from the cook's end into the cooling."""
    folder = tmp_path_factory.mktemp("prepared")
    done = child(folder, "prepare")
    assert done.returncode == 0, done.stderr[-3000:]
    return folder


def lose_power(prepared: Path, folder: Path, moments: Iterable[int]) -> int:
    """Die at each of these moments, each time from the same beginning; how often there was a moment to die at."""
    untouched = finished(Path(shutil.copytree(prepared, folder / "untouched")))
    assert untouched["equal"]
    assert untouched["corrections"], "the backlog changes a verdict"
    deaths = 0
    for moment in moments:
        site = Path(shutil.copytree(prepared, folder / f"moment-{moment}"))
        dead = child(site, "die", str(moment))
        if dead.returncode == 0:
            assert "whole" in dead.stdout
        else:
            assert dead.returncode == -signal.SIGKILL, dead.stderr[-3000:]
            deaths += 1
        after = finished(site)
        assert {int(line) for line in dead.stdout.split() if line.isdigit()} <= set(after["there"]), "what was acknowledged is there"
        assert after["equal"], f"killed at moment {moment}: the verdicts are not those of everything in order"
        assert after["verdicts"] == untouched["verdicts"]
        assert after["twice"] == [], "nothing is told twice"
        assert after["faults"] == []
        shutil.rmtree(site)
    return deaths


@pytest.mark.full
def test_backlog_cut_off_by_a_blow_is_judged_all_the_same(prepared: Path, tmp_path: Path) -> None:
    """Killed between slices, and as the second engine takes over."""
    assert lose_power(prepared, tmp_path, (58, 115)) == 2


@pytest.mark.full
@pytest.mark.timeout(3600)
def test_backlog_cut_off_by_a_blow_at_any_moment_is_judged_all_the_same(prepared: Path, tmp_path: Path) -> None:
    """Killed at the first moment of the writer's work, the second, and so on until it survives."""
    assert lose_power(prepared, tmp_path, range(1, 140)) >= 60
