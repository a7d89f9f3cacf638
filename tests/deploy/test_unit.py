"""The unit of the service: systemd understands it, and the service obeys it."""

from __future__ import annotations

import configparser
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from typer.testing import CliRunner

from monitor.cli import app
from tests.deploy.board import DEPLOY, ROOT
from tests.missing import not_tested
from tests.waiting import until

UNITS = sorted(path.name for path in DEPLOY.iterdir() if path.suffix in (".service", ".timer"))
SERVICES = [name for name in UNITS if name.endswith(".service")]


def unit(name: str = "larderer.service") -> configparser.ConfigParser:
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read(DEPLOY / name, encoding="utf-8")
    return parser


def test_unit_restarts_what_hangs_or_dies_for_ever() -> None:
    """Watchdog, restart at every end, and no limit to how often."""
    service = unit()["Service"]
    assert (service["Type"], service["Restart"]) == ("notify", "always")
    assert int(service["WatchdogSec"]) > 0
    assert unit()["Unit"]["StartLimitIntervalSec"] == "0"


@pytest.mark.parametrize("name", SERVICES)
def test_unit_runs_the_command_that_install_puts_there(board: Path, name: str) -> None:
    """The unit, the link of the command and the configuration speak of the same places, and the command knows its options."""
    service = unit(name)["Service"]
    command = service["ExecStart"].split()
    assert command[0] == os.readlink(board / "usr/local/bin/larderer")
    assert (board / command[-1].lstrip("/")).is_file()
    assert service["User"] == "larderer"
    told = CliRunner().invoke(app, [command[1], "--help"]).output
    assert [word for word in command if word.startswith("--") and word not in told] == []


def test_every_unit_is_installed_and_taken_off(board: Path) -> None:
    """What stands in deploy/ is what systemd finds, with a timer for each job that is not the service."""
    folder = board / "etc/systemd/system"
    assert sorted(path.name for path in folder.iterdir()) == UNITS
    assert {name.removesuffix(".timer") for name in UNITS if name.endswith(".timer")} == {
        name.removesuffix(".service") for name in SERVICES if name != "larderer.service"
    }
    subprocess.run([str(DEPLOY / "uninstall"), "--root", str(board)], check=True, capture_output=True)
    assert list(folder.iterdir()) == []


@pytest.mark.parametrize("name", [name for name in UNITS if name.endswith(".timer")])
def test_timer_makes_up_for_a_night_without_power(name: str) -> None:
    """A date of the calendar, kept through a stop, and started with the machine."""
    timer = unit(name)
    assert timer["Timer"]["Persistent"] == "yes"
    assert "OnCalendar" in timer["Timer"]
    assert timer["Install"]["WantedBy"] == "timers.target"


@pytest.mark.parametrize("name", UNITS)
def test_unit_is_one_that_systemd_understands(tmp_path: Path, name: str) -> None:
    """systemd itself finds nothing to complain of, where it is installed."""
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        not_tested("systemd-analyze is not installed, so the unit was not read by systemd; install systemd")
    for one in UNITS:
        text = (DEPLOY / one).read_text(encoding="utf-8")
        (tmp_path / one).write_text(text.replace("/opt/larderer/current/bin/larderer", "/bin/true"), encoding="utf-8")
    done = subprocess.run([analyze, "verify", "--man=no", str(tmp_path / name)], capture_output=True, text=True, check=False)
    assert (done.returncode, "larderer" in done.stderr) == (0, False), done.stderr


@pytest.mark.parametrize("name", SERVICES)
def test_unit_is_closed_off_as_far_as_a_service_on_a_network_can_be(name: str) -> None:
    """systemd's own measure of how exposed the unit is (0: closed, 10: open) stays at 2.5 or less."""
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        not_tested("systemd-analyze is not installed, so the unit's exposure was not measured; install systemd")
    done = subprocess.run(
        [analyze, "security", "--no-pager", "--offline=true", "--threshold=25", str(DEPLOY / name)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "Overall exposure level" in done.stdout, done.stderr
    assert done.returncode == 0, done.stdout[-300:]


def test_service_tells_systemd_that_it_is_ready_alive_and_ending(tmp_path: Path) -> None:
    """`larderer run` speaks sd_notify(3) as the unit expects: READY, then WATCHDOG again and again, STOPPING at SIGTERM."""
    shutil.copy(ROOT / "monitor/demo/plan.toml", tmp_path / "plan.toml")
    (tmp_path / "larderer.toml").write_text('plan = "plan.toml"\n[server]\nport = 0\n', encoding="utf-8")
    heard: list[str] = []
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(tmp_path / "notify"))
        listener = threading.Thread(
            target=lambda: [heard.append(text) for text in iter(lambda: ear.recv(4096).decode(), "end")], daemon=True
        )
        listener.start()
        process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", "run", "--config", str(tmp_path / "larderer.toml")],
            cwd=ROOT, env=os.environ | {"NOTIFY_SOCKET": str(tmp_path / "notify")}, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        try:
            until(lambda: "READY=1" in heard or process.poll() is not None, "the service did not say that it is ready")
            assert process.poll() is None, process.stderr.read() if process.stderr else ""
            until(lambda: heard.count("WATCHDOG=1") >= 2, "the service did not feed the watchdog")
            process.send_signal(signal.SIGTERM)
            _, told = process.communicate(timeout=60)
        finally:
            process.kill()
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as mouth:
                mouth.sendto(b"end", str(tmp_path / "notify"))  # a listener on a closed socket would fail in a later test
            listener.join(60)
    assert process.returncode == 0, told
    assert "STOPPING=1" in heard
    assert "Traceback" not in told
