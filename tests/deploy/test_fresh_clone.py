"""The README's two commands, from a fresh clone, as a user who has nothing but the machine's programs."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from tests.deploy import booted
from tests.deploy.board import ROOT
from tests.missing import not_tested

#: $1: a folder to work in; $2: this checkout; the rest: what the user runs in the clone. Nothing of this machine is written (overlayfs).
AS_NEWCOMER = """
set -eu
export PATH="$PATH:/usr/sbin:/sbin"
here="$1"; checkout="$2"; shift 2
mount -t tmpfs -o size=6g,mode=755 tmpfs "$here"
mkdir "$here/upper" "$here/aside" "$here/over"
mount -t overlay overlay -o "lowerdir=/,upperdir=$here/upper,workdir=$here/aside" "$here/over"
for place in dev proc sys; do mount --rbind "/$place" "$here/over/$place"; done
chroot "$here/over" useradd --create-home --home-dir /srv/newcomer --shell /bin/sh newcomer
git -c safe.directory="$checkout" clone --quiet --no-hardlinks "$checkout" "$here/over/srv/newcomer/larderer"
chroot "$here/over" chown -R newcomer: /srv/newcomer/larderer
exec chroot "$here/over" runuser -u newcomer -- sh -c 'PATH=/usr/local/bin:/usr/bin:/bin && cd /srv/newcomer/larderer && exec "$@"' sh "$@"
"""


@pytest.fixture
def newcomer(tmp_path: Path) -> list[str]:
    """The start of a command line that runs the rest in a fresh clone as a user of its own."""
    lacking = booted.why_not(tmp_path / "tried", boots=False)
    if not lacking and not booted.index_answers(tmp_path / "packages"):
        lacking = "the package index cannot be reached"
    if not (ROOT / ".git").exists():
        lacking = "this is no clone, so none can be made of it"
    if lacking:
        not_tested(f"the README's commands were not tried by a fresh user: {lacking}")
    folder = tmp_path / "machine"
    folder.mkdir()
    return ["unshare", "--mount", "--propagation", "private", "sh", "-c", AS_NEWCOMER, "sh", str(folder), str(ROOT)]


def run(newcomer: list[str], *command: str) -> tuple[int, str]:
    clean = {"PATH": "/usr/local/bin:/usr/bin:/bin", "HOME": "/srv/newcomer", "LANG": "C.UTF-8", "USER": "newcomer"}
    done = subprocess.run(
        [*newcomer, *command], env=clean | booted.package_index(), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False
    )
    return done.returncode, done.stdout


@pytest.mark.full
@pytest.mark.timeout(1200)
def test_demo_of_a_fresh_clone_ends_well_for_a_bare_user(newcomer: list[str]) -> None:
    """`deploy/demo` sets up what it needs, tells the day and ends with 0; the same environment serves a second start."""
    code, told = run(newcomer, "sh", "-c", "deploy/demo --port 0 && deploy/demo --help")
    assert code == 0, told[-3000:]
    assert told.count("Setting up") == 1
    assert re.search(r"http://127\.0\.0\.1:\d+", told)
    assert "Traceback" not in told


@pytest.mark.full
@pytest.mark.timeout(1200)
def test_tests_of_a_fresh_clone_start_for_a_bare_user(newcomer: list[str]) -> None:
    """`deploy/test` sets up what it needs, has every check pass and gets to the tests: those of one module here."""
    code, told = run(newcomer, "deploy/test", "tests/rules/test_quantity.py")
    assert "Setting up" in told
    assert [line for line in told.splitlines() if line.startswith("==")][:4] == [
        "== ruff check .",
        "== ruff format --check .",
        "== mypy",
        "== lint-imports",
    ]
    assert code == 0, told[-3000:]
    assert re.search(r"\d+ passed", told)
