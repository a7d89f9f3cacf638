"""Commands that write to the store while the service of another process writes without a pause."""

import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from monitor import ledger
from monitor.check_desk import ProbeCheck
from monitor.cli import main
from monitor.commands import copying, offline
from monitor.commands.checking import calibrate_probe
from monitor.errors import RefusedError
from monitor.store.database import Store
from rules.quantity import parse_temperature
from tests.ferncliff import GRIND, SITE

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
LARDERER = [sys.executable, "-m", "monitor.cli"]


@pytest.fixture(params=["sqlite", "postgresql"])
def engine(request: pytest.FixtureRequest) -> str:
    """On both engines in the default tier."""
    return str(request.param)


@pytest.fixture
def site(tmp_path: Path, database: str) -> Path:
    """A site's configuration; its store's address stands in a file, as one with a secret does."""
    (tmp_path / "data").mkdir()
    (tmp_path / "plan.toml").write_text(SITE + GRIND, encoding="utf-8")
    (tmp_path / "store-url").write_text(database if "://" in database else f"sqlite:///{database}", encoding="utf-8")
    (tmp_path / "store-url").chmod(0o600)
    path = tmp_path / "larderer.toml"
    path.write_text('plan = "plan.toml"\ndata = "data"\n[store]\nurl_file = "store-url"\n', encoding="utf-8")
    return path


@pytest.fixture
def busy(site: Path, database: str) -> Iterator[subprocess.Popen[str]]:
    """The process that pours, once it does; it ends with its input."""
    command = [sys.executable, str(HERE / "pouring.py"), str(site.parent / "data"), database]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "pouring\n"
        yield process


def larderer(site: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """The command as a person gives it."""
    return subprocess.run([*LARDERER, *words, "--config", str(site)], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False)


def test_commands_write_beside_a_service_that_never_rests(site: Path, database: str, busy: subprocess.Popen[str], tmp_path: Path) -> None:
    """People, a device, checks and a copy go in while it pours; what needs the service to be stopped says so; nothing is lost of either."""
    told = larderer(site, "user", "add", "Odile Marsh", "--role", "operator")
    assert (told.returncode, told.stderr) == (0, "")
    assert "Code for the first sign-in" in told.stdout
    assert "Its token" in offline.add_user(site, "smoker gateway", "probe")
    for _ in range(3):
        code, text = calibrate_probe(site, ProbeCheck("core-1", "ice-point", parse_temperature("32.2 F")), "Odile Marsh")
        assert code == 0, text
    copying.backup_to(site, tmp_path / "copy.sqlite")
    logger = tmp_path / "logger.csv"
    logger.write_text("time,probe,value,unit\n2026-03-02T08:00:00-06:00,core-1,3.1,C\n", encoding="utf-8")
    with pytest.raises(RefusedError, match="the service is running"):
        offline.import_file(site, logger)
    assert busy.poll() is None
    groups, _ = busy.communicate(timeout=60)
    assert busy.returncode == 0
    assert int(groups) > 1
    with Store(database) as store, store.read() as conn:
        assert ledger.verify(conn) == []
        kinds = [entry.kind for entry in ledger.entries(conn)]
    assert kinds.count("calibration") == 3
    assert kinds.count("backup") == 1
    assert "Odile Marsh  operator" in offline.list_users(site)


@pytest.mark.parametrize("engine", ["sqlite"], indirect=True)
def test_command_that_does_not_get_its_turn_says_who_holds_the_store(
    site: Path, database: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Another program keeps the write lock: one sentence, exit code 2, nothing written; afterwards the same command goes through."""
    monkeypatch.setattr(offline, "WAIT_S", 0.2)
    Store(database).open().close()
    add = ["larderer", "user", "add", "Odile Marsh", "--config", str(site)]
    monkeypatch.setattr(sys, "argv", add)
    with closing(sqlite3.connect(database, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(SystemExit) as ended:
            main()
        other.execute("ROLLBACK")
    said = capsys.readouterr().err
    assert ended.value.code == 2
    assert said.count("\n") == 1
    assert f"{database} is held by another program" in said
    assert offline.list_users(site) == "Nobody yet."
    assert "Code for the first sign-in" in offline.add_user(site, "Odile Marsh", "operator")
