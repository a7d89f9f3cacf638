"""`larderer export` by hand: the copy asked for with `--to`, a bar on a terminal, and not a word more than the places in a pipe."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor.export.verify import check_folder

DAY = "2026-03-02"


@pytest.fixture
def config(tmp_path: Path, site_and_rules: dict[str, Any]) -> Path:
    """The configuration of the data folder beside it."""
    (tmp_path / "plan.toml").write_text(site_and_rules["PLAN"], encoding="utf-8")
    (tmp_path / "larderer.toml").write_text('plan = "plan.toml"\n', encoding="utf-8")
    return tmp_path / "larderer.toml"


def export(config: Path, *more: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "import sys; from monitor.cli import main; sys.exit(main())", "export", DAY, "--config", str(config)]
    return subprocess.run([*command, *more], capture_output=True, text=True, check=False, timeout=120)


def test_to_copies_the_export_and_a_pipe_gets_the_two_places_alone(exported: Path, config: Path, tmp_path: Path) -> None:
    """The export that is there is copied, the copy holds; nothing of a bar is written where nobody looks, as from a timer."""
    (tmp_path / "usb").mkdir()
    done = export(config, "--to", str(tmp_path / "usb"))
    copy = tmp_path / "usb" / "ferncliff" / DAY
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.split("\n") == [str(exported), str(copy), ""]
    assert check_folder(copy).wrong == []
    assert {p.name: p.read_bytes() for p in copy.iterdir()} == {p.name: p.read_bytes() for p in exported.iterdir()}


def test_to_a_disk_that_is_not_in_fails_with_the_export_made(site: Any, config: Path, tmp_path: Path) -> None:
    """One sentence that says what to do; the export itself stands, and no folder is made in the disk's place."""
    site.store.close()
    done = export(config, "--to", str(tmp_path / "usb"))
    assert done.returncode != 0
    assert "put the disk in" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "usb").exists()
    assert check_folder(tmp_path / "data" / "exports" / "ferncliff" / DAY).wrong == []


def test_terminal_gets_a_bar_that_is_taken_away_at_the_end(site: Any, config: Path) -> None:
    """By hand one sees which step it is at; the last thing written clears the line again."""
    site.store.close()
    master, slave = pty.openpty()
    command = [sys.executable, "-m", "monitor.export", "--config", str(config), DAY]
    try:
        with subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=slave, env=os.environ | {"TERM": "xterm", "COLUMNS": "120"}
        ) as process:
            os.close(slave)
            drawn = b""
            while True:
                try:
                    part = os.read(master, 4096)
                except OSError:  # Linux says EIO once nobody holds the other end
                    break
                if not part:
                    break
                drawn += part
            assert process.wait(60) == 0
    finally:
        os.close(master)
    text = drawn.decode("utf-8")
    assert f"Exporting {DAY}: judging" in text
    assert f"Exporting {DAY}: day.pdf" in text
    assert "step 3 of 3" in text
    assert text.endswith("\x1b[2K")
