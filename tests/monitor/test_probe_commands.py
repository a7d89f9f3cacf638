"""`larderer probes`, `probes watch` and `probes add` on a machine made of folders: what is found, shown, asked and written."""

import os
import re
import threading
import tomllib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from typer.testing import CliRunner

from monitor.cli import app, main
from monitor.commands.probe_add import Wanted, add_probe
from monitor.errors import InputError
from monitor.toml_append import on_trial, replace_file, table_text, with_table
from probes import kernel_files, onewire
from rules.errors import PlanError
from tests.missing import not_tested

GOOD = "72 04 4b 46 7f ff 0c 10 0f : crc=0f YES\n72 04 4b 46 7f ff 0c 10 0f t=71125\n"
PLAN = """# The plan of the yard. Do not lose this remark.
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"

[[room]]
id = "house-1"
kind = "chamber"

[[probe]]
id = "core-1"    # the black cable
place = "core"

# Links.
[[product]]
code = "juniper-links"
name = "Juniper venison-and-pork links"
[[product.step]]
name = "cook"
room = "house-1"
[[product.step.limit]]
name = "cold"
kind = "ceiling"
place = "core"
max = "200 °F"
source = "invented for this test"
"""
CONFIG = """plan = "plan.toml"   # beside this file
data = "data"

[server]
port = 0

[[source]]
driver = "onewire"
sensors = { "28-00000abcdef0" = "core-1" }

[alarms]
repeat = "15 min"
"""


@pytest.fixture
def yard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A site's folder, and a machine with two 1-Wire sensors, a chip and no serial port."""
    sys, devices = tmp_path / "sys", tmp_path / "w1"
    for device in ("28-00000abcdef0", "28-00000abcdef1"):
        (devices / device).mkdir(parents=True)
        (devices / device / "w1_slave").write_text(GOOD)
    chip = sys / "class/hwmon/hwmon0"
    chip.mkdir(parents=True)
    (chip / "name").write_text("jc42\n")
    (chip / "temp1_input").write_text("4000\n")
    for owner, name, value in ((onewire, "DEVICES", devices), (kernel_files, "SYS", sys)):
        monkeypatch.setattr(owner, name, value)
    monkeypatch.setattr("monitor.commands.found.serial_ports", list)
    monkeypatch.setattr("monitor.commands.found.machine.__defaults__", (sys, devices))
    site = tmp_path / "site"
    site.mkdir()
    (site / "plan.toml").write_text(PLAN)
    (site / "larderer.toml").write_text(
        CONFIG.replace("[alarms]", f'devices = "{devices}"\n\n[alarms]').replace("\n\ndevices", "\ndevices")
    )
    return site


def run(*words: object, typed: str = "") -> Any:
    return CliRunner().invoke(app, ["probes", *map(str, words)], input=typed)


def add(site: Path, said: list[str], terminal: bool = False, **more: Any) -> None:
    add_probe(site / "larderer.toml", Wanted(**{"seconds": 3.0, **more}), said.append, terminal)


def files(site: Path) -> dict[str, str]:
    return {path.name: path.read_text() for path in sorted(site.iterdir()) if path.is_file()}


NEW = {"source": "onewire:28-00000abcdef1", "probe": "core-2", "place": "core", "uncertainty": "0.5 °F", "yes": True}


def test_list_says_what_is_wired_what_it_read_and_what_was_found(yard: Path) -> None:
    """The sensor in use is not offered again; the others come with what they read now."""
    done = run("--config", yard / "larderer.toml", "--seconds", 0)
    assert done.exit_code == 0, done.output
    lines = [re.sub(" +", " ", line.strip()) for line in done.output.splitlines()]
    assert "core-1 core never read" in lines
    assert "onewire 1-Wire, feeds core-1" in lines
    assert "onewire:28-00000abcdef1 71.12 °C" in lines or "onewire:28-00000abcdef1 71.13 °C" in lines
    assert "kernel:jc42/temp1 4.00 °C" in lines
    assert "28-00000abcdef0" not in done.output


def test_watch_in_a_pipe_prints_lines_and_ends(yard: Path) -> None:
    """Plain lines with time, probe and value in the site's unit; nothing is stored."""
    done = run("watch", "--config", yard / "larderer.toml", "--seconds", 1)
    assert done.exit_code == 0, done.output
    assert re.search(r"(?m)^\d\d:\d\d:\d\d  core-1 +160 °F$", done.output)
    assert not (yard / "data").exists()


def test_probe_is_added_to_both_files_and_every_remark_stays(yard: Path) -> None:
    """What was there is kept line by line; the old files stand beside the new; the list then shows it."""
    said: list[str] = []
    before = files(yard)
    add(yard, said, **NEW)
    after = files(yard)
    assert any("It reads 160 °F now" in text for text in said)
    for name in ("plan.toml", "larderer.toml"):
        old, new = before[name].splitlines(), after[name].splitlines()
        kept = iter(new)
        assert all(line in kept for line in old), f"a line of {name} is gone or moved"
        assert sum(copy.startswith(f"{name}.") and text == before[name] for copy, text in after.items()) == 1
    plan = tomllib.loads(after["plan.toml"])
    assert plan["probe"][1] == {"id": "core-2", "place": "core", "uncertainty": "0.5 °F", "source": "onewire:28-00000abcdef1"}
    assert after["plan.toml"].index('"core-2"') < after["plan.toml"].index("# Links.")
    assert tomllib.loads(after["larderer.toml"])["source"][1]["sensors"] == {"28-00000abcdef1": "core-2"}
    shown = run("--config", yard / "larderer.toml", "--seconds", 0).output
    assert "28-00000abcdef1" not in shown.partition("Found")[2]


def test_chip_is_added_with_its_channel(yard: Path) -> None:
    """Tables in a table are written under headers of their own."""
    add(yard, [], source="kernel:jc42/temp1", probe="air-1", place="chamber", room="house-1", yes=True)
    source = tomllib.loads((yard / "larderer.toml").read_text())["source"][1]
    assert source["channel"] == [{"probe": "air-1", "chip": "jc42", "channel": "temp1"}]
    assert tomllib.loads((yard / "plan.toml").read_text())["probe"][1]["room"] == "house-1"


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"source": "onewire:28-00000abcdef9"}, "was not found or is in use already; there is onewire:28-00000abcdef1"),
        ({"source": "onewire:28-00000abcdef0"}, "was not found or is in use already"),
        ({"probe": "core-1"}, "The plan has a probe 'core-1'"),
        ({"probe": "core 2"}, "Write letters, digits"),
        ({"place": "pocket"}, "--place is 'pocket'. Write one of core"),
        ({"room": "house-9"}, "--room is 'house-9'. Write one of house-1"),
        ({"uncertainty": "half"}, "--uncertainty is 'half'. Write a difference with its unit"),
        ({"place": ""}, "--place is missing; give it"),
        ({"yes": False}, "nothing was written; add --yes"),
        ({"source": "serial:/dev/none", "unit": "X"}, "--unit is 'X'"),
        ({"source": "serial:/dev/none"}, "--unit is missing"),
        ({"source": "serial:/dev/none", "unit": "C", "seconds": 0.5}, "serial:/dev/none gives no temperature now, so nothing was written"),
        ({"source": "mqtt:yard/t1"}, "has no .mqtt.; add it"),
    ],
)
def test_mistake_changes_nothing(yard: Path, more: dict[str, Any], sentence: str) -> None:
    """One sentence that names the option and what to write; both files are as they were."""
    before = files(yard)
    with pytest.raises(InputError, match=sentence):
        add(yard, [], **{**NEW, **more})
    assert files(yard) == before


def test_plan_that_would_not_load_is_not_written(yard: Path) -> None:
    """The loader has the last word, before anything is replaced."""
    (yard / "plan.toml").write_text(PLAN + '\n[[probe]]\nid = "core-3"\nplace = "pocket"\n')
    before = files(yard)
    with pytest.raises(PlanError, match="pocket"):
        add(yard, [], **NEW)
    assert files(yard) == before


def test_second_file_that_cannot_be_written_puts_the_first_back(yard: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Either both are written or none."""
    before = files(yard)
    real = Path.replace

    def refuse(self: Path, target: Any) -> Path:
        if str(target).endswith("larderer.toml"):
            raise OSError(28, "No space left on device")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(InputError, match="No space left on device"):
        add(yard, [], **NEW)
    assert {name: files(yard)[name] for name in before} == before


def test_folder_that_cannot_be_written_is_told_in_one_sentence(
    yard: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The trial's own name is taken by a folder, so writing fails as on a disk that only reads: exit code 2, and nothing is changed."""
    (yard / ".larderer.toml.trial").mkdir()
    before = files(yard)
    words = [
        "probes",
        "add",
        "--config",
        yard / "larderer.toml",
        "--yes",
        *(w for k in ("source", "probe", "place") for w in (f"--{k}", NEW[k])),
    ]
    monkeypatch.setattr("sys.argv", ["larderer", *map(str, words)])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    told = capsys.readouterr().err.strip()
    assert f"{yard / 'larderer.toml'} and its folder cannot be written (Is a directory); nothing was changed" in told
    assert len(told.splitlines()) == 1
    assert files(yard) == before


def test_person_is_asked_again_until_it_can_be_used_and_can_refuse(yard: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Wrong answers get a sentence each; at the end "no" writes nothing, "yes" does."""
    for last, written in ((False, False), (True, True)):
        answers = iter(["9", "1", "core-1", "core-2", "pocket", "core", "", "0.5 °F"])
        monkeypatch.setattr("typer.prompt", lambda question, answers=answers, **_: next(answers))
        monkeypatch.setattr("typer.confirm", lambda question, last=last, **_: last)
        said: list[str] = []
        monkeypatch.setattr("typer.echo", said.append)
        add(yard, said, terminal=True)
        assert ("core-2" in (yard / "plan.toml").read_text()) is written
        assert next(answers, None) is None
        for sentence in ("Write a number from 1 to 2.", "The plan has a probe 'core-1'; choose another name.", "Write one of core, "):
            assert any(text.startswith(sentence) for text in said)
        assert sum("It reads 160 °F now" in text for text in said) == 2


def test_command_refuses_in_one_sentence(yard: Path) -> None:
    """From outside: exit code 2 by way of the command's own errors, the example in its help."""
    assert "Example: larderer probes add" in run("add", "--help").output
    done = run("add", "--config", yard / "larderer.toml", "--source", "onewire:28-00000abcdef1", "--seconds", 1)
    assert isinstance(done.exception, InputError)


@pytest.mark.parametrize(
    "text",
    ["", "a = 1\n", "# only a remark", 'a = """\n[[source]]\nx\n[z]\n"""\n[b]\nc = 1\n', "[[source]]\r\ndriver = 'x'\r\n\r\n[z]\r\n"],
)
def test_table_is_added_to_any_file_or_refused(text: str) -> None:
    """What comes out is what was there and one table more, to the letter; a header within a text fools nobody."""
    table = {"driver": "serial", "name": 'the "blue" one\t\\', "labels": {"CH 1": "core-1"}, "register": [{"unit": 1}, {"unit": 2}]}
    if '"""' in text:
        with pytest.raises(InputError, match="cannot be added without changing what is there; write it by hand") as refused:
            with_table(text, "source", table)
        assert table_text("source", table) in str(refused.value)
        return
    out = with_table(text, "source", table)
    expected = tomllib.loads(text)
    expected.setdefault("source", []).append(table)
    assert tomllib.loads(out) == expected


def test_new_file_and_the_copy_of_the_old_are_on_the_disk_before_it_is_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A power cut at any moment leaves one whole plan or the other, never an empty one."""
    plan, synced = tmp_path / "plan.toml", list[str]()
    plan.write_text("old = 1\n")
    sync = os.fsync

    def seen(handle: int) -> None:
        synced.append(f"{Path(os.readlink(f'/proc/self/fd/{handle}')).name}, plan is {plan.read_text().strip()}")
        sync(handle)

    monkeypatch.setattr(os, "fsync", seen)
    kept = replace_file(plan, "new = 2\n", datetime(2026, 3, 2, 8, 0, 0, tzinfo=UTC))
    assert (plan.read_text(), kept.read_text()) == ("new = 2\n", "old = 1\n")
    before = [line for line in synced if line.endswith("plan is old = 1")]
    assert before == [f"{name}, plan is old = 1" for name in (kept.name, ".plan.toml.new", tmp_path.name)]
    assert synced[-1] == f"{tmp_path.name}, plan is new = 2"


def test_configuration_that_holds_secrets_is_read_by_nobody_else_at_any_moment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Trial, copy and new file are private from their first byte on, and end with the rights of the file."""
    path, seen = tmp_path / "larderer.toml", list[tuple[str, int]]()
    path.write_text('url = "json://secret"\n')
    path.chmod(0o640)
    sync = os.fsync

    def look(handle: int) -> None:
        seen.extend((one.name, one.stat().st_mode & 0o777) for one in tmp_path.iterdir())
        sync(handle)

    monkeypatch.setattr(os, "fsync", look)
    old = os.umask(0)
    try:
        with on_trial(path, "new = 1\n") as trial:
            assert (trial.read_text(), trial.stat().st_mode & 0o777) == ("new = 1\n", 0o600)
        kept = replace_file(path, "new = 1\n", datetime(2026, 3, 2, 8, 0, 0, tzinfo=UTC))
    finally:
        os.umask(old)
    assert not trial.exists()
    assert seen
    assert [(name, mode) for name, mode in seen if mode & 0o007] == []
    assert [one.stat().st_mode & 0o777 for one in (path, kept)] == [0o640, 0o640]


def test_file_changed_by_root_stays_the_services(tmp_path: Path) -> None:
    """Owner and group go over to the new file and to the copy; otherwise a service in that group could not read it at its next start."""
    if os.geteuid() != 0:
        not_tested("only root can give a file away, so whether its owner and group stay was not tried")
    path = tmp_path / "larderer.toml"
    path.write_text("old = 1\n")
    os.chown(path, 65534, 65533)
    path.chmod(0o640)
    kept = replace_file(path, "new = 1\n", datetime(2026, 3, 2, 8, 0, 0, tzinfo=UTC))
    for one in (path, kept):
        found = one.stat()
        assert (found.st_uid, found.st_gid, found.st_mode & 0o777) == (65534, 65533, 0o640)


def test_topics_heard_on_the_broker_are_found_and_one_is_added(yard: Path, mosquitto: Any) -> None:
    """A foreign topic is listed with what it says, and written as a topic of the configuration; a second time it is not found again."""
    broker = mosquitto()
    config = yard / "larderer.toml"
    config.write_text(config.read_text() + f'\n[mqtt]   # the yard\'s broker\nhost = "127.0.0.1"\nport = {broker.port}\n')
    device = paho.Client(CallbackAPIVersion.VERSION2, "device")
    device.connect("127.0.0.1", broker.port)
    device.loop_start()
    over = threading.Event()

    def publish() -> None:
        while not over.wait(0.1):
            device.publish("yard/smoker", '{"air": {"temp": 160}}')
            device.publish("larderer/ferncliff/probe/core-9/reading", "71.1")

    thread = threading.Thread(target=publish)
    thread.start()
    try:
        shown = run("--config", config, "--seconds", 1).output
        assert re.search(r'mqtt:yard/smoker +\{"air": \{"temp": 160\}\}', shown)
        assert "Heard on the broker and not in the plan: core-9" in shown
        said: list[str] = []
        topic = {"source": "mqtt:yard/smoker", "probe": "air-2", "place": "chamber", "room": "house-1", "unit": "F", "value": "air.temp"}
        add(yard, said, **topic, yes=True)
        assert sum("It reads 160 °F now" in text for text in said) == 2
        written = tomllib.loads(config.read_text())["mqtt"]["topic"]
        assert written == [{"topic": "yard/smoker", "probe": "air-2", "unit": "F", "value": "air.temp"}]
        assert "mqtt:yard/smoker" not in run("--config", config, "--seconds", 1).output
        add(yard, said, source="mqtt:larderer/ferncliff/probe/core-9/reading", probe="core-9", place="core", yes=True)
        assert "core-9" in (yard / "plan.toml").read_text()
        assert tomllib.loads(config.read_text())["mqtt"]["topic"] == written
    finally:
        over.set()
        thread.join(5)
        device.disconnect()
        device.loop_stop()
