"""What deploy/install and deploy/uninstall do to a board: files in their places, upgrades, the way back, and what stays."""

from __future__ import annotations

import configparser
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.deploy.board import DEPLOY, PATH, install
from tests.missing import not_tested


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file() and not p.is_symlink()}


def test_second_install_changes_nothing(board: Path) -> None:
    """Installing again leaves every file as it is."""
    before = contents(board)
    install(board)
    assert contents(board) == before


def test_install_keeps_what_people_wrote(board: Path) -> None:
    """Configuration, plan, device names and the broker's accounts of others survive the next install."""
    etc = board / "etc"
    mine = [etc / "larderer/larderer.toml", etc / "larderer/plan.toml", etc / "udev/rules.d/99-larderer-probes.rules"]
    for path in mine:
        path.write_text("# mine\n")
    with (etc / "mosquitto/larderer.passwd").open("a") as file:
        file.write("gateway-1:x\n")
    password = (etc / "larderer/broker-password").read_bytes()
    install(board)
    assert [path.read_text() for path in mine] == ["# mine\n"] * 3
    assert "gateway-1:x" in (etc / "mosquitto/larderer.passwd").read_text()
    assert (etc / "larderer/broker-password").read_bytes() == password


def test_install_brings_the_unit_up_to_date(board: Path) -> None:
    """What is the program's own is replaced by this version's."""
    unit = board / "etc/systemd/system/larderer.service"
    unit.write_text("[Unit]\n")
    install(board)
    assert unit.read_bytes() == (DEPLOY / "larderer.service").read_bytes()


def test_secrets_of_an_install_are_readable_by_few_and_told_to_nobody(tmp_path: Path) -> None:
    """The broker's password is in no output, not in the clear beside the broker, and not readable by everybody."""
    told = install(tmp_path)
    secret = tmp_path / "etc/larderer/broker-password"
    password = secret.read_text().strip()
    assert len(password) >= 24
    assert password not in told
    assert secret.stat().st_mode & 0o007 == 0
    if shutil.which("mosquitto_passwd", path=PATH):
        kept = tmp_path / "etc/mosquitto/larderer.passwd"
        assert password not in kept.read_text()
        assert kept.stat().st_mode & 0o007 == 0


def test_password_made_anew_reaches_the_broker_after_an_install_cut_short(board: Path, tmp_path: Path) -> None:
    """The broker's old account goes before the new password is written, so that the two never part."""
    if shutil.which("mosquitto_passwd", path=PATH) is None:
        not_tested("mosquitto is not installed, so the broker's account was not made; install it")
    accounts, secret = board / "etc/mosquitto/larderer.passwd", board / "etc/larderer/broker-password"
    old = accounts.read_text()
    secret.unlink()
    tools = tmp_path / "tools"
    tools.mkdir()
    (tools / "sed").write_text(f'#!/bin/sh\nif [ "$1" = -i ]; then exit 1; fi\nexec {shutil.which("sed")} "$@"\n')
    (tools / "sed").chmod(0o755)
    command = [str(DEPLOY / "install"), "--root", str(board), "--files-only"]
    assert subprocess.run(command, check=False, capture_output=True, env=os.environ | {"PATH": f"{tools}:{PATH}"}).returncode != 0
    install(board)
    assert secret.read_text().strip()
    assert accounts.read_text() != old


def test_install_refuses_what_it_does_not_know(tmp_path: Path) -> None:
    """A word it does not know is told, and nothing is written."""
    done = subprocess.run([str(DEPLOY / "install"), "--rot", str(tmp_path)], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert '"--rot"' in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_gateways_let_in_before_there_were_rights_are_not_cut_off(board: Path) -> None:
    """An upgrade of a broker without rights per topic lets the accounts it finds go on, on topics of their own too."""
    (board / "etc/mosquitto/larderer.acl").unlink()
    with (board / "etc/mosquitto/larderer.passwd").open("a") as file:
        file.write("gateway-1:x\n")
    assert "gateway-1 may go on" in install(board)
    assert (board / "etc/mosquitto/larderer.acl").read_text().endswith("user gateway-1\ntopic readwrite #\n")


def test_gateways_signed_in_by_certificate_are_not_cut_off(board: Path) -> None:
    """Names out of certificates stand in no file of accounts, so rights made for a broker that takes them let everybody go on."""
    acl = board / "etc/mosquitto/larderer.acl"
    assert "pattern readwrite #" not in acl.read_text()
    acl.unlink()
    (board / "etc/mosquitto/conf.d/site.conf").write_text("listener 8883\nuse_identity_as_username true\n")
    assert "by certificate" in install(board)
    assert acl.read_text().endswith("\npattern readwrite #\n")


def test_listener_written_into_our_broker_file_survives_an_upgrade(board: Path) -> None:
    """Settings that somebody added to the broker's file are named and stay; a file with none of them is brought up to date."""
    conf = board / "etc/mosquitto/conf.d/larderer.conf"
    mine = "listener 1883 127.0.0.1\nlistener 8883\ncafile /etc/mosquitto/ca_certificates/site-ca.crt\n"
    conf.write_text(mine)
    told = install(board)
    assert conf.read_text() == mine
    assert "listener 8883\ncafile /etc/mosquitto/ca_certificates/site-ca.crt\n" in told
    assert (board / "etc/larderer/mosquitto-example.conf").read_bytes() == (DEPLOY / "mosquitto.conf").read_bytes()
    conf.write_text("# of an older version\nlistener 1883 127.0.0.1\nallow_anonymous false\n")
    install(board)
    assert conf.read_bytes() == (DEPLOY / "mosquitto.conf").read_bytes()


def told_by(program: str, *words: str) -> tuple[int, str]:
    done = subprocess.run([str(DEPLOY / program), *words], capture_output=True, text=True, check=False)
    return done.returncode, done.stderr


def test_roll_back_puts_the_version_before_in_force_and_touches_no_record(board: Path) -> None:
    """The link goes to the version before, a second time forward again, and where the copy of the records is, is said."""
    opt = board / "opt/larderer"
    for name in ("aaa", "bbb"):
        (opt / name).mkdir(parents=True)
    (opt / "current").symlink_to("bbb")
    assert told_by("install", "--root", str(board), "--roll-back")[0] == 1
    (opt / "before").symlink_to("aaa")
    copy = board / "var/lib/larderer/before-upgrade/aaa-to-bbb.sqlite.20260302T080000"
    copy.parent.mkdir(parents=True)
    copy.write_text("records")
    before = contents(board)
    code, told = told_by("install", "--root", str(board), "--roll-back")
    assert (code, os.readlink(opt / "current")) == (0, "aaa")
    assert "larderer restore /var/lib/larderer/before-upgrade/aaa-to-bbb.sqlite.20260302T080000 " in told
    assert "PostgreSQL" not in told
    code, told = told_by("install", "--root", str(board), "--roll-back")
    assert (code, "larderer restore" in told, "forward again: bbb" in told) == (0, False, True)
    assert os.readlink(opt / "current") == "bbb"
    assert contents(board) == before


def test_link_left_by_a_power_cut_does_not_decide_which_version_runs(board: Path) -> None:
    """A half-made link of an earlier run is replaced; the version that is said to be in force is the one that is."""
    opt = board / "opt/larderer"
    for name in ("aaa", "bbb", "ccc"):
        (opt / name).mkdir(parents=True)
    for link, to in (("current", "bbb"), ("before", "aaa"), ("current.new", "ccc")):
        (opt / link).symlink_to(to)
    assert told_by("install", "--root", str(board), "--roll-back")[0] == 0
    assert (os.readlink(opt / "current"), os.readlink(opt / "before")) == ("aaa", "bbb")
    assert not (opt / "current.new").is_symlink()


@pytest.mark.parametrize("store", ['url = "postgresql://h/larderer"', 'url_file = "store-url"'])
def test_roll_back_says_what_a_restore_on_a_server_needs(board: Path, store: str) -> None:
    """With the records on PostgreSQL an empty database has to be made first; without a copy none is named."""
    opt = board / "opt/larderer"
    for name in ("aaa", "bbb"):
        (opt / name).mkdir(parents=True)
    (opt / "current").symlink_to("bbb")
    (opt / "before").symlink_to("aaa")
    config = board / "etc/larderer/larderer.toml"
    config.write_text(config.read_text().replace("#[store]", f"[store]\n{store}"))
    code, told = told_by("install", "--root", str(board), "--roll-back")
    assert (code, "larderer restore" in told, "There is no copy" in told) == (0, False, True)
    copy = board / "var/lib/larderer/before-upgrade/bbb-to-aaa.sqlite"
    copy.parent.mkdir(parents=True)
    copy.write_text("records")
    told = told_by("install", "--root", str(board), "--roll-back")[1]
    assert "make an empty database there" in told
    assert "bbb-to-aaa.sqlite" in told


def shell(text: str, *words: str) -> tuple[int, str]:
    """Run a line with the functions of deploy/install; exit status and what it said."""
    start = f'set -eu; dir=""; . {DEPLOY}/environment.sh; . {DEPLOY}/copies.sh; . {DEPLOY}/starting.sh; {text}'
    done = subprocess.run(["sh", "-c", start, "sh", *words], capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr


def test_two_newest_copies_stay(tmp_path: Path) -> None:
    """Older copies go and are named, however they are called; what is no copy stays."""
    for age, name in enumerate(("c-to-d.sqlite", "a-to-b.sqlite.20260301T080000", "b-to-c.sqlite", "a-to-b.sqlite")):
        (tmp_path / name).write_text("records")
        os.utime(tmp_path / name, (1_000_000 - age, 1_000_000 - age))
    (tmp_path / "note").write_text("mine")
    code, told = shell('prune_copies "$1"', str(tmp_path))
    assert (code, told.count("deleted")) == (0, 2)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a-to-b.sqlite.20260301T080000", "c-to-d.sqlite", "note"]
    assert shell('prune_copies "$1"', str(tmp_path / "none"))[0] == 0


def test_an_upgrade_without_room_for_the_copy_says_how_much_is_needed(tmp_path: Path) -> None:
    """Records larger than the room left are told in megabytes before anything is changed; small ones pass."""
    records = tmp_path / "larderer.sqlite"
    records.write_bytes(b"records")
    if shutil.disk_usage(tmp_path).free > 100_000_000:
        assert shell('room_for_copy "$1" "$2"', str(records), str(tmp_path)) == (0, "")
    os.truncate(records, 8_000_000_000_000)
    code, told = shell('room_for_copy "$1" "$2"', str(records), str(tmp_path))
    assert code == 1
    assert "needs 8800050 MB" in told
    assert "Nothing was changed" in told


def test_installer_finds_the_records_where_the_configuration_says(board: Path) -> None:
    """The database is sought in the data folder that the installed configuration names."""
    assert shell('dir="$1"; records', str(board)) == (0, f"{board}/var/lib/larderer/larderer.sqlite\n")
    assert shell('dir="$1"; on_server', str(board))[0] == 1


def test_board_that_has_no_records_yet_can_be_upgraded(board: Path) -> None:
    """Where the service never ran there is nothing to copy; where the records may be elsewhere a copy is made."""
    line = 'dir="$1"; nothing_recorded'
    assert shell(line, str(board))[0] == 0
    config = board / "etc/larderer/larderer.toml"
    text = config.read_text()
    for elsewhere in (text.replace("#[store]", '[store]\nurl_file = "store-url"'), text.replace('data = "/var', 'data = "~/var')):
        assert elsewhere != text
        config.write_text(elsewhere)
        assert shell(line, str(board))[0] == 1
    config.write_text(text.replace('data = "/var/lib/larderer"', "data = '/records'"))
    assert shell(line, str(board))[0] == 0
    (board / "records").mkdir()
    (board / "records/larderer.sqlite").write_text("records")
    assert shell(line, str(board))[0] == 1


def test_an_upgrade_without_room_for_the_new_version_is_told_before_it_fills_the_card(tmp_path: Path) -> None:
    """The new version is reckoned as large as the one in force, on top of the copy where both go to one disk."""
    (tmp_path / "program").write_bytes(b"x" * 3_000_000)
    assert shell('megabytes "$1"', str(tmp_path)) in ((0, "3\n"), (0, "4\n"))
    code, told = shell('room_for 9000000 "$1" "The new version"', str(tmp_path))
    assert (code, "The new version needs 9000050 MB" in told) == (1, True)
    code, told = shell('room_for_copy "$1/none" "$1" 9000000', str(tmp_path))
    assert (code, "with the new version, needs 9000050 MB" in told) == (1, True)


def starting(folder: Path, line: str, *, fails: bool = False) -> tuple[int, str, list[str]]:
    """Run a line about starting with a systemctl that writes down what it is asked; status, what was said, what it was asked."""
    tools = folder / "tools"
    tools.mkdir(exist_ok=True)
    asked = folder / "asked"
    asked.unlink(missing_ok=True)
    systemctl = tools / "systemctl"
    systemctl.write_text(f'#!/bin/sh\nprintf "%s\\n" "$*" >>"{asked}"\nexit {int(fails)}\n')
    systemctl.chmod(0o755)
    code, told = shell(f'PATH="$2:$PATH"; opt="$1"; {line}', str(folder / "opt/larderer"), str(tools))
    return code, told, [one for one in asked.read_text().splitlines() if not one.startswith("enable")]


def test_everything_is_compiled_at_the_install(tmp_path: Path) -> None:
    """The service cannot write beside the program: without this it would compile hundreds of modules anew at each start.

    A Python that stands in for the real one puts a module where pip would put the packages, which needs the network.
    """
    python = tmp_path / "python"
    python.write_text(
        f"""#!/bin/sh
real={sys.executable}
case "$*" in
"-m venv "*)
    "$real" -m venv --without-pip "$3" && mv "$3/bin/python" "$3/bin/real" && sed "s|^real=.*|real=$3/bin/real|" "$0" >"$3/bin/python" &&
        chmod +x "$3/bin/python" ;;
*" pip "*) "$real" -c 'import pathlib, sysconfig; pathlib.Path(sysconfig.get_path("purelib"), "thing.py").write_text("n = 1")' ;;
*) exec "$real" "$@" ;;
esac
""",
        encoding="utf-8",
    )
    python.chmod(0o755)
    done = subprocess.run(
        [str(DEPLOY / "install"), "--root", str(tmp_path / "board")],
        capture_output=True, text=True, check=False, env=os.environ | {"PATH": PATH, "PYTHON": str(python)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    (module,) = (tmp_path / "board/opt/larderer/current").glob("lib/python*/site-packages/thing.py")
    assert list((module.parent / "__pycache__").glob("thing.*.pyc"))


def test_install_cut_short_leaves_the_restart_to_the_next_one(tmp_path: Path) -> None:
    """What was put in place is restarted for, also by a later run that finds it in its place; what was not is only started."""
    changed = "note_change /opt/larderer/current; note_change /etc/mosquitto/larderer.acl"
    assert starting(tmp_path, "start_broker; start_service")[2] == ["start mosquitto", "start larderer"]
    shell(f'opt="$1"; {changed}', str(tmp_path / "opt/larderer"))
    assert starting(tmp_path, "start_broker; start_service")[2] == ["restart mosquitto", "restart larderer"]
    shell('opt="$1"; note_change /etc/systemd/system/larderer-backup.timer', str(tmp_path / "opt/larderer"))
    assert "restart larderer-backup.timer larderer-rehearsal.timer" in starting(tmp_path, "start_service")[2]


def test_what_does_not_come_up_is_told_with_the_way_back(tmp_path: Path) -> None:
    """A broker that does not start keeps nobody from starting the service; a new version that does not says how to go back."""
    (tmp_path / "opt/larderer/before").mkdir(parents=True)
    code, told, asked = starting(tmp_path, "s=0; start_broker || s=1; start_service || s=1; exit $s", fails=True)
    assert (code, asked) == (1, ["start mosquitto", "start larderer"])
    assert "no probe that speaks MQTT is heard" in told
    assert "sudo deploy/install --roll-back" in told


def test_log_of_the_board_is_bounded(board: Path) -> None:
    """The journal has a cap in megabytes, on the card and in memory."""
    parser = configparser.ConfigParser(interpolation=None)
    parser.read(board / "etc/systemd/journald.conf.d/larderer.conf", encoding="utf-8")
    journal = parser["Journal"]
    caps = {key: int(value.removesuffix("M")) for key, value in journal.items()}
    assert 0 < caps["systemmaxuse"] <= 500
    assert 0 < caps["runtimemaxuse"] <= 64
    assert caps["systemkeepfree"] > 0


def test_uninstall_keeps_records_unless_told_otherwise(board: Path) -> None:
    """The program goes; records and configuration stay, and where they are is said; only --records-too deletes them."""
    record = board / "var/lib/larderer/larderer.sqlite"
    record.parent.mkdir(parents=True)
    record.write_text("records")
    code, told = told_by("uninstall", "--root", str(board))
    assert (code, record.read_text()) == (0, "records")
    assert str(record.parent) in told
    assert (board / "etc/larderer/larderer.toml").is_file()
    assert not (board / "etc/systemd/system/larderer.service").exists()
    assert not (board / "usr/local/bin/larderer").is_symlink()
    assert told_by("uninstall", "--root", str(board), "--records-too")[0] == 0
    assert not record.exists()
    assert not (board / "etc/larderer").exists()


def test_uninstall_keeps_broker_settings_of_the_owner(board: Path) -> None:
    """A listener that was added to our broker file stays, with what it names, and that is said; untouched the file goes."""
    conf = board / "etc/mosquitto/conf.d/larderer.conf"
    ours = conf.read_text()
    conf.write_text(ours + "listener 8884\n")
    code, told = told_by("uninstall", "--root", str(board), "--records-too")
    assert (code, conf.read_text()) == (0, ours + "listener 8884\n")
    assert f"{conf} was changed by hand, so it stays." in told
    assert (board / "etc/mosquitto/larderer.acl").is_file()
    assert "does not start without" in told
    conf.write_text(ours)
    install(board)
    code, told = told_by("uninstall", "--root", str(board))
    assert (code, conf.exists(), "by hand" in told) == (0, False, False)


@pytest.mark.parametrize("place", ["etc/systemd/journald.conf.d/larderer.conf", "etc/udev/rules.d/98-larderer-serial.rules"])
def test_uninstall_keeps_a_file_from_which_something_was_taken_out(board: Path, place: str) -> None:
    """What a person has taken out of a file is a change too: the install has noted what it wrote."""
    path = board / place
    path.write_text("# nothing\n")
    told = told_by("uninstall", "--root", str(board))[1]
    assert path.read_text() == "# nothing\n"
    assert f"{path} was changed by hand, so it stays." in told


def test_uninstall_leaves_no_unit_that_only_fails(board: Path) -> None:
    """A unit that was changed by hand is kept where systemd does not look; what an older install wrote is told by its settings."""
    unit = board / "etc/systemd/system/larderer.service"
    unit.write_text(unit.read_text() + "[Service]\nNice=5\n")
    (board / "opt/larderer/written").unlink()
    told = told_by("uninstall", "--root", str(board))[1]
    assert not unit.exists()
    assert (board / "etc/larderer/larderer.service.kept").read_text().endswith("Nice=5\n")
    assert "larderer.service.kept" in told
    assert told.count("by hand") == 1
    install(board)
    unit.write_text(unit.read_text() + "[Service]\nNice=5\n")
    assert "a copy stays" not in told_by("uninstall", "--root", str(board), "--records-too")[1]
    assert not (board / "etc/larderer").exists()


def test_broker_file_that_an_older_version_wrote_is_brought_up_to_date(board: Path) -> None:
    """A setting that the new version no longer has is no setting of the owner's where the file is as it was installed."""
    conf = board / "etc/mosquitto/conf.d/larderer.conf"
    conf.write_text(conf.read_text() + "max_packet_size 100000\n")
    assert "of your own" in install(board)
    assert shell('dir="$1"; opt="$1/opt/larderer"; note_written "$2"', str(board), str(conf))[0] == 0
    assert "of your own" not in install(board)
    assert conf.read_bytes() == (DEPLOY / "mosquitto.conf").read_bytes()


def test_new_names_of_adapters_hold_for_what_is_plugged_in(tmp_path: Path) -> None:
    """After new rules udev reads them and looks at serial ports again; without new ones it is left alone; where it is away that is said."""
    tools, asked = tmp_path / "tools", tmp_path / "asked"
    tools.mkdir()
    (tools / "udevadm").write_text(f'#!/bin/sh\nprintf "%s\\n" "$*" >>"{asked}"\ntest ! -e "{tmp_path}/away"\n')
    (tools / "udevadm").chmod(0o755)
    line = 'PATH="$2:$PATH"; opt="$1"; name_devices'
    assert shell(line, str(tmp_path / "opt"), str(tools)) == (0, "")
    assert not asked.exists()
    line = 'PATH="$2:$PATH"; opt="$1"; note_change /etc/udev/rules.d/98-larderer-serial.rules; name_devices'
    assert shell(line, str(tmp_path / "opt"), str(tools)) == (0, "")
    assert asked.read_text().splitlines() == ["control --reload", "trigger --subsystem-match=tty"]
    (tmp_path / "away").touch()
    code, told = shell(line, str(tmp_path / "opt"), str(tools))
    assert (code, "after the next start of this machine" in told) == (0, True)


def test_copy_before_an_upgrade_is_made_in_the_environment_of_the_service(tmp_path: Path) -> None:
    """Files and variables of the unit, drop-ins included, are handed to systemd; without any the copy is made as before."""
    tools, own = tmp_path / "tools", tmp_path / "environment"
    tools.mkdir()
    own.write_text("LARDERER_STORE=postgresql://h/larderer\n")
    answers = {
        "systemctl": f'case "$*" in *Files*) echo "{own} (ignore_errors=yes)"; echo "/no (ignore_errors=no)" ;; *) echo "A=1 B=2" ;; esac',
        "systemd-run": 'printf "systemd-run %s\\n" "$*"',
        "runuser": 'printf "runuser %s\\n" "$*"',
    }
    for name, text in answers.items():
        (tools / name).write_text(f"#!/bin/sh\n{text}\n")
        (tools / name).chmod(0o755)
    line = 'PATH="$1:$PATH"; as_service larderer backup FILE'
    code, told = shell(line, str(tools))
    assert code == 0
    assert told.startswith("systemd-run ")
    assert f"--property=EnvironmentFile={own} --property=Environment=A=1 B=2 -- larderer backup FILE" in told
    assert "/no " not in told
    (tools / "systemctl").write_text("#!/bin/sh\nexit 0\n")
    assert shell(line, str(tools)) == (0, "runuser -u larderer -- larderer backup FILE\n")


def test_copy_that_does_not_verify_stops_an_upgrade_unless_told_otherwise(tmp_path: Path) -> None:
    """Without the switch it stops, says the switch and leaves no copy that looks good; with it the copy is kept under another name."""
    copy = tmp_path / "a-to-b.sqlite"
    line = 'before=a; unsound="$2"; not_verified "$1"'
    code, told = shell(line, str(copy), "yes")
    assert (code, "could not be copied" in told) == (1, True)
    copy.write_text("records")
    code, told = shell(line, str(copy), "no")
    assert (code, copy.exists(), "sudo deploy/install --records-do-not-verify" in told) == (1, False, True)
    copy.write_text("records")
    code, told = shell(line, str(copy), "yes")
    assert (code, [path.name for path in tmp_path.iterdir()]) == (0, ["a-to-b-not-verified.sqlite"])
    assert "goes on because you said so" in told
