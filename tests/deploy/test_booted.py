"""deploy/install, its upgrade, its way back and deploy/uninstall, done for real on a board that boots (`tests/deploy/booted.py`).

Real in both: root, systemd as PID 1, its sandboxing of the unit, sd_notify, Debian's Mosquitto, packages from the index, the page.
Not there: udev, a card that loses what was not yet written, another processor. The default tier lays the board over this machine's own
root; the full one over a fresh Debian one (debootstrap(8)) that has neither Python nor a broker until deploy/install fetches them.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.deploy import booted
from tests.deploy.board import PATH, ROOT
from tests.deploy.booted import BootedBoard, Site
from tests.missing import not_tested
from tests.waiting import until

LOT = "J-0412"
#: Debian's packages that every board has before Larderer comes.
BARE = "systemd,systemd-sysv,dbus,ca-certificates"
#: Changes a record behind the program's back.
DAMAGE = """
import sqlite3
conn = sqlite3.connect("/var/lib/larderer/elsewhere.sqlite")
[guard] = conn.execute("SELECT sql FROM sqlite_master WHERE name = 'ledger_no_update'").fetchone()
conn.execute("DROP TRIGGER ledger_no_update")
conn.execute("UPDATE ledger SET hash = replace(hash, substr(hash, 1, 1), 'x') WHERE seq = 1")
conn.execute(guard)
conn.commit()
"""


@pytest.fixture
def bare(tmp_path: Path) -> Iterator[Path]:
    """A fresh Debian root of this machine's release."""
    debootstrap = shutil.which("debootstrap", path=PATH)
    if debootstrap is None:
        not_tested("installing on a fresh Debian was not tried: debootstrap is not installed; install debootstrap")
    release = re.findall(r"(?m)^VERSION_CODENAME=(\w+)", Path("/etc/os-release").read_text())
    folder = tmp_path / "debian"
    done = subprocess.run(
        [debootstrap, "--variant=minbase", f"--include={BARE}", release[0], str(folder)],
        capture_output=True, text=True, check=False, env=os.environ | {"PATH": PATH},
    )  # fmt: skip
    if done.returncode:
        not_tested(f"installing on a fresh Debian was not tried: debootstrap said {done.stdout[-300:]}{done.stderr[-300:]}")
    yield folder
    shutil.rmtree(folder)


@pytest.fixture
def lower(request: pytest.FixtureRequest) -> Path:
    """The root that a board is laid over: this machine's, or a fresh Debian."""
    return Path(request.getfixturevalue("bare") if getattr(request, "param", "") == "bare" else "/")


@pytest.fixture
def board(may_boot: None, lower: Path, tmp_path: Path) -> Iterator[BootedBoard]:
    """A booted board; nothing is installed yet."""
    one = BootedBoard(lower, tmp_path / "board")
    try:
        one.boot()
        yield one
    finally:
        one.end()


@pytest.fixture
def may_boot(tmp_path: Path) -> None:
    """Skips, aloud, where no board can be booted.

    A missing program fails in CI, as everywhere: it can be installed. What else is lacking cannot be had on that machine by anybody who
    runs the tests: root, a kernel that lets one root be laid over another, the package index. Then nothing was tried, and the skip says
    so with what was lacking; `tests/deploy/test_install.py` has the script's steps under a root of their own all the same.
    """
    lacking = booted.why_not(tmp_path / "tried")
    if not lacking and not booted.index_answers(tmp_path / "packages"):
        lacking = "the package index cannot be reached"
    if not lacking:
        return
    not_tested(f"installing on a board that boots was not tried: {lacking}", not_to_be_had="is not installed" not in lacking)


def give_plan(board: BootedBoard) -> None:
    """Write the plan, as whoever installs does before the service can start."""
    (board.root / "etc/larderer").mkdir(exist_ok=True)
    shutil.copy(ROOT / "monitor/demo/plan.toml", board.root / "etc/larderer/plan.toml")


def traces(board: BootedBoard) -> dict[str, tuple[object, ...]]:
    """Every file, link and folder that an install may write: what it is, whose, and when it was written."""
    found: dict[str, tuple[object, ...]] = {}
    for place in ("opt/larderer", "usr/local/bin", "etc"):
        for path in (board.root / place).rglob("*"):
            if "__pycache__" not in path.parts:  # made by the running program itself
                status = path.lstat()
                found[str(path)] = (status.st_mode, status.st_uid, status.st_gid, status.st_mtime_ns, status.st_size)
    return found


def running(board: BootedBoard) -> dict[str, str]:
    """The processes of the service and the broker."""
    return {unit: board.shown(unit, "MainPID")["MainPID"] for unit in ("larderer", "mosquitto")}


def assert_watching(board: BootedBoard) -> None:
    """The unit is enabled, has told READY, runs as its own user, and the page answers."""
    assert board.run("systemctl", "is-enabled", "larderer", "mosquitto").stdout.split() == ["enabled", "enabled"]
    told = board.shown("larderer", "Type", "ActiveState", "SubState", "MainPID")
    assert (told["Type"], told["ActiveState"], told["SubState"]) == ("notify", "active", "running")
    timers = ("larderer-backup.timer", "larderer-rehearsal.timer")
    assert board.run("systemctl", "is-enabled", *timers).stdout.split() == ["enabled", "enabled"]
    assert board.run("systemctl", "is-active", *timers).stdout.split() == ["active", "active"]
    status = board.run("cat", f"/proc/{told['MainPID']}/status").stdout
    own = board.run("id", "-u", "larderer").stdout.strip()
    assert re.findall(r"(?m)^Uid:\s+(\d+)", status) == [own]
    assert re.findall(r"(?m)^CapEff:\s+(\w+)", status) == ["0" * 16]
    health = board.ask("GET", "/api/v1/health")
    assert (health[0], json.loads(health[2])["status"]) == (200, "ok")
    assert board.ask("GET", "/sign-in")[0] == 200


def begin_lot(board: BootedBoard) -> Site:
    """Sign in, start a lot whose grind is to stay at 34 °F or less, and put a probe in."""
    site = Site(board)
    site.sign_in()
    site.post("/lots", {"product": "juniper-links", "lot": LOT})
    site.post(f"/lots/{LOT}/placements", {"probe": "core-1"})
    return site


def assert_gone(board: BootedBoard) -> None:
    """Nothing of the program, its unit or its part of the broker is left, and the broker runs without it."""
    assert board.shown("larderer", "LoadState")["LoadState"] == "not-found"
    assert board.run("systemctl", "list-units", "--all", "--no-legend", "larderer*").stdout.strip() == ""
    assert board.run("id", "larderer", check=False).returncode != 0, "the user is still there"
    for place in ("opt/larderer", "usr/local/bin/larderer", "etc/mosquitto/conf.d/larderer.conf"):
        assert not os.path.lexists(board.root / place), place
    left = [path.name for path in (board.root / "etc/systemd").rglob("*larderer*")]
    assert left == []
    assert board.shown("mosquitto", "ActiveState")["ActiveState"] == "active"


def test_board_is_installed_watches_and_is_taken_off_again(board: BootedBoard) -> None:
    """An install puts a watching service there, the next one changes nothing, and taking it off keeps the records."""
    place = board.bring()
    give_plan(board)
    board.install(place)
    assert_watching(board)
    site = begin_lot(board)
    site.push("core-1", 30.0)
    assert site.verdict(LOT, "grind cold") == "open"
    site.push("core-1", 41.0)
    until(lambda: site.verdict(LOT, "grind cold") == "deviated", "the reading was not judged")
    board.run("systemctl", "start", "larderer-backup.service", "larderer-rehearsal.service")
    assert "No copy is made by itself" in board.journal("larderer-backup.service")
    before, pids = traces(board), running(board)
    board.install(place)
    after = traces(board)
    assert {path for path in before | after if before.get(path) != after.get(path)} == set()
    assert running(board) == pids
    told = board.run(f"{place}/deploy/uninstall").stderr
    assert (told.startswith("The program is gone."), "userdel" in told) == (True, False)
    assert_gone(board)
    assert (board.root / "var/lib/larderer/larderer.sqlite").is_file()
    assert (board.root / "etc/larderer/plan.toml").is_file()


def newer(folder: Path) -> Path:
    """A checkout of another version: a line of the program is other than in this one."""
    booted.copy_parts(ROOT, folder)
    with (folder / "monitor/__init__.py").open("a") as file:
        file.write("# a newer version\n")
    return folder


def version(board: BootedBoard, link: str = "current") -> str:
    """The version that a link of the program names."""
    return os.readlink(board.root / "opt/larderer" / link)


@pytest.mark.full
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("lower", ["bare"], indirect=True)
def test_board_lives_through_upgrade_power_cut_and_the_way_back(board: BootedBoard, tmp_path: Path) -> None:
    """On a fresh Debian the lot of the first day goes on through everything that befalls the board, and own settings stay."""
    old, new = board.bring(), board.bring("newer", newer(tmp_path / "newer"))
    give_plan(board)
    board.install(old)
    assert_watching(board)
    site = begin_lot(board)
    first = version(board)
    config = board.root / "etc/larderer/larderer.toml"
    config.write_text(config.read_text() + "\n# mine\n")
    (board.root / "etc/mosquitto/conf.d/site.conf").write_text("# mine\n")
    board.run("install", "-m", "0600", "-o", "larderer", "/dev/null", "/etc/larderer/mail-password")
    site.push("core-1", 41.0)
    until(lambda: site.verdict(LOT, "grind cold") == "deviated", "the reading was not judged")

    board.install(new)
    assert_watching(board)
    second = version(board)
    assert (second != first, version(board, "before")) == (True, first)
    assert site.verdict(LOT, "grind cold") == "deviated"
    copies = "/var/lib/larderer/before-upgrade"
    assert [path.name for path in (board.root / copies[1:]).iterdir()] == [f"{first}-to-{second}.sqlite"]
    board.run("larderer", "verify", f"{copies}/{first}-to-{second}.sqlite")

    copies_are_made_and_tried_out(board, config)

    board.cut()
    board.boot()
    until(lambda: board.shown("larderer", "ActiveState")["ActiveState"] == "active", "the service did not come back by itself", 120)
    assert_watching(board)
    board.publish("core-1", 30.5)
    until(lambda: newest_f(site, "core-1") == 30.5, "no reading came through the broker after the power cut")
    assert site.verdict(LOT, "cold chain") == "open"

    told = board.install(new, "--roll-back")
    assert f"larderer restore {copies}/{first}-to-{second}.sqlite" in told
    until(lambda: board.shown("larderer", "ActiveState")["ActiveState"] == "active", "the version before did not start", 120)
    assert version(board) == first
    assert_watching(board)
    site.push("core-1", 45.0)
    assert newest_f(site, "core-1") == 45.0
    until(lambda: site.verdict(LOT, "cold chain") == "deviated", "the version before judged nothing")

    board.install(old, "--broker-tls", "127.0.0.1")
    board.run("mosquitto_passwd", "-b", "/etc/mosquitto/larderer.passwd", "core-2", "of-core-2")
    board.run("systemctl", "restart", "mosquitto")
    board.publish("core-2", 31.5, {"username": "core-2", "password": "of-core-2"}, tls=True)
    until(lambda: newest_f(site, "core-2") == 31.5, "no reading of a probe on the network came through the broker")

    board.run(f"{old}/deploy/uninstall")
    assert_gone(board)
    assert "\n# mine\n" in config.read_text()
    assert (board.root / "etc/mosquitto/conf.d/site.conf").read_text() == "# mine\n"
    assert board.run("stat", "--format=%U:%G", "/etc/larderer/mail-password").stdout.split() == ["root:root"]
    board.install(new)
    board.run("runuser", "-u", "larderer", "--", "cat", "/etc/larderer/mail-password")
    assert_watching(board)
    assert site.verdict(LOT, "cold chain") == "deviated"
    board.run("runuser", "-u", "larderer", "--", "larderer", "verify", "--config", "/etc/larderer/larderer.toml")
    board.run(f"{new}/deploy/uninstall", "--records-too")
    assert_gone(board)
    assert not (board.root / "var/lib/larderer").exists()


@pytest.mark.full
@pytest.mark.timeout(600)
def test_board_whose_records_do_not_verify_is_upgraded_when_told_to(board: BootedBoard, tmp_path: Path) -> None:
    """The store's address stands in the environment alone; damaged records stop an upgrade, the switch lets it through, and it rings."""
    old, new = board.bring(), board.bring("newer", newer(tmp_path / "newer"))
    give_plan(board)
    secret = board.root / "etc/larderer/environment"
    secret.write_text("LARDERER_STORE=sqlite:////var/lib/larderer/elsewhere.sqlite\n")
    secret.chmod(0o600)
    example = (ROOT / "deploy/larderer.toml").read_text()
    (board.root / "etc/larderer/larderer.toml").write_text(example.replace("#[store]", '[store]\nurl_env = "LARDERER_STORE"'))
    board.install(old)
    assert_watching(board)
    first = version(board)
    board.run("systemctl", "stop", "larderer")
    board.run("python3", "-c", DAMAGE)
    board.run("systemctl", "start", "larderer")

    told = board.install(new, code=1)
    assert "do not agree with their hashes, so the upgrade stops here" in told
    assert (version(board), board.shown("larderer", "ActiveState")["ActiveState"]) == (first, "active")
    copies = board.root / "var/lib/larderer/before-upgrade"
    assert list(copies.iterdir()) == []
    assert "goes on because you said so" in board.install(new, "--records-do-not-verify")
    assert (version(board) != first, board.shown("larderer", "ActiveState")["ActiveState"]) == (True, "active")
    assert [path.name for path in copies.iterdir()] == [f"{first}-to-{version(board)}-not-verified.sqlite"]
    rang = board.run(
        "python3", "-c", "import sqlite3; print(*sqlite3.connect('/var/lib/larderer/elsewhere.sqlite').execute('SELECT key FROM alarm'))"
    )
    assert "store-sound" in rang.stdout


def copies_are_made_and_tried_out(board: BootedBoard, config: Path) -> None:
    """With a disk in, the units of the timers make a copy there and try it out; a damaged copy ends its trial badly and rings."""
    owner = board.run("stat", "--format=uid=%u,gid=%g", "/var/lib/larderer/larderer.sqlite").stdout.strip()
    board.run("mkdir", "-p", "/media/records")
    config.write_text(config.read_text() + '\n[backup]\nfolder = "/media/records"\n')
    board.run("systemctl", "restart", "larderer")
    told = board.run("systemctl", "start", "larderer-backup.service", check=False)
    assert told.returncode != 0
    assert "put the disk in" in board.journal("larderer-backup.service")
    board.run("mount", "-t", "tmpfs", "-o", f"size=200m,{owner}", "records", "/media/records")
    board.run("systemctl", "restart", "larderer-backup.service")
    [copy] = board.run("ls", "/media/records").stdout.split()
    assert re.fullmatch(r"larderer-ferncliff-\d{8}T\d{6}Z\.sqlite", copy)
    board.run("systemctl", "start", "larderer-rehearsal.service")
    assert "Judging goes on from it: J-0412 open." in board.journal("larderer-rehearsal.service")
    board.run("python3", "-c", DAMAGE.replace("/var/lib/larderer/elsewhere.sqlite", f"/media/records/{copy}"))
    assert board.run("systemctl", "start", "larderer-rehearsal.service", check=False).returncode != 0
    seen = "import sqlite3; print(*sqlite3.connect('/var/lib/larderer/larderer.sqlite').execute('SELECT key FROM alarm'))"
    until(lambda: "store-rehearsal" in board.run("python3", "-c", seen).stdout, "the failed trial did not ring", 120)


def newest_f(site: Site, probe: str) -> float | None:
    """What the page shows of a probe, in °F; None where it has not been heard yet."""
    found = next(one for one in site.get("/probes")["probes"] if one["probe"] == probe)
    return None if found["celsius_c"] is None else round(found["celsius_c"] * 9 / 5 + 32, 3)
