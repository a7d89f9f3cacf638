"""After the day's export: a copy on the disk that the configuration names, and word of it, each once and none lost."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from monitor import ledger
from monitor.alarms.listing import open_alarms
from monitor.alarms.tables import outbox
from monitor.config import load_config
from monitor.export.onward import is_in
from monitor.export.verify import check_folder
from monitor.service import Service
from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE, Reading

NOON = parse_instant("2026-03-02T12:00:00-06:00")
DAY = 24 * HOUR
CONFIG = """
plan = "plan.toml"
[server]
port = 0
public_url = "https://larder.example"
[alarms]
all_well = ""
drill = ""
[store]
copy_every = "0 s"
[[bell]]
id = "phone"
program = ["/bin/cat"]
[[person]]
name = "Tam Okafor"
role = "reviewer"
bells = ["phone"]
[[escalation]]
after = "0 min"
persons = ["Tam Okafor"]
[export]
"""


class House:
    """A service whose exports go onward; the test moves the clock."""

    def __init__(self, folder: Path, plan: str, export: str) -> None:
        self.folder, self.now = folder, NOON
        (folder / "plan.toml").write_text(plan, encoding="utf-8")
        (folder / "larderer.toml").write_text(CONFIG + export, encoding="utf-8")
        self.open()

    def open(self) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)  # sdnotify drops its socket unclosed where no service manager listens
            self.service = Service(load_config(self.folder / "larderer.toml"), clock=lambda: self.now, drivers=(), tick_s=3600.0)
        self.service.start()
        self.read(3.0)

    def read(self, celsius: float) -> None:
        self.service.intake.readings([Reading("cooler-air", self.now, celsius)]).result(10)

    def again(self) -> None:
        """End and start again."""
        self.service.close()
        self.open()

    def look(self) -> None:
        """What a tick does a minute later, to its end."""
        self.now += 2 * MINUTE
        self.service.exporter.look(self.now)
        for thread in threading.enumerate():
            if thread.name == "export onward":  # it waits for the export itself
                thread.join(60)
        self.service.writer.submit(lambda _: None).result(10)

    def plant(self, made: Path) -> Path:
        """Put the export of 2 March in place as if it had just been made, and nobody told yet."""
        self.exports.mkdir(parents=True)
        return Path(shutil.copytree(made / "exports" / "ferncliff" / "2026-03-02", self.exports / "2026-03-02"))

    def onward(self) -> None:
        """What the exporting thread does once nothing is left to be exported."""
        self.service.exporter._onward.go(self.now)

    def words(self) -> list[tuple[str, str]]:
        """To whom, and what: every message about an export that stands in the outbox, whatever became of it."""
        query = select(outbox.c.person, outbox.c.body).where(outbox.c.kind == "export").order_by(outbox.c.id)
        with self.service.store.read() as conn:
            return [(row.person, row.body) for row in conn.execute(query)]

    def ringing(self) -> list[dict[str, Any]]:
        with self.service.store.read() as conn:
            return [row for row in open_alarms(conn, self.now) if row["key"].startswith("export") and row["active"]]

    @property
    def exports(self) -> Path:
        return self.folder / "data" / "exports" / "ferncliff"


@pytest.fixture
def house(tmp_path: Path, site_and_rules: dict[str, Any], request: pytest.FixtureRequest) -> Iterator[House]:
    house = House(tmp_path, site_and_rules["PLAN"], request.param)
    yield house
    house.service.close()


BOTH = 'copy_to = "records"\ntell = ["Tam Okafor"]\n'


@pytest.mark.parametrize("house", [BOTH], indirect=True)
def test_export_at_midnight_is_copied_and_told_once(house: House) -> None:
    """The copy holds, and one message says the verdict, where both lie and the head; a restart says nothing again."""
    (house.folder / "records").mkdir()
    house.now += 12 * HOUR + 6 * MINUTE
    house.look()
    copy = house.folder / "records" / "ferncliff" / "2026-03-02"
    assert check_folder(copy).wrong == []
    ((person, body),) = house.words()
    manifest = json.loads((copy / "manifest.json").read_text())
    assert person == "Tam Okafor"
    assert body.startswith("RECORD OF 2026-03-02: No lot was open on this day.")
    for told in (f"It lies at {house.exports / '2026-03-02'}", f"Copy: {copy}", manifest["ledger"]["head"]):
        assert told in body
    assert "https://larder.example/days/2026-03-02" in body
    house.look()
    house.again()
    house.look()
    assert len(house.words()) == 1
    assert house.ringing() == []
    assert ledger_of(house) == [("2026-03-02", ["Tam Okafor"])]


def ledger_of(house: House) -> list[tuple[str, list[str]]]:
    with house.service.store.read() as conn:
        return [(e.body["folder"], e.body["to"]) for e in ledger.entries(conn, kind="export")]


@pytest.mark.parametrize("house", [BOTH], indirect=True)
def test_missing_disk_rings_once_keeps_no_export_back_and_is_made_up_for(house: House) -> None:
    """Two days without the disk: both exported and told as not copied; once it is in, both are there and the alarm is over."""
    for _ in range(2):
        house.now += DAY
        house.look()
        house.read(3.0)
        house.look()
    assert sorted(p.name for p in house.exports.iterdir()) == ["2026-03-02", "2026-03-03"]
    assert [f"NOT YET COPIED to {house.folder / 'records'}" in body for _, body in house.words()] == [True, True]
    (alarm,) = house.ringing()
    assert alarm["key"] == "export-copy"
    assert not (house.folder / "records").exists()
    (house.folder / "records").mkdir()
    house.look()
    assert sorted(p.name for p in (house.folder / "records" / "ferncliff").iterdir()) == ["2026-03-02", "2026-03-03"]
    assert house.ringing() == []
    assert len(house.words()) == 2


@pytest.mark.parametrize("house", [BOTH], indirect=True)
def test_other_export_of_that_name_on_the_disk_rings_and_stays(house: House, made_export: Path) -> None:
    """A disk of an older installation: nothing there is overwritten, and somebody hears of it."""
    other = house.folder / "records" / "ferncliff" / "2026-03-02"
    other.mkdir(parents=True)
    (other / "manifest.json").write_text("{}")
    house.plant(made_export)
    house.onward()
    (alarm,) = house.ringing()
    assert alarm["key"] == "export-copy"
    assert "nothing was overwritten" in json.dumps(alarm)
    assert (other / "manifest.json").read_text() == "{}"


@pytest.mark.parametrize("house", ['tell = ["Tam Okafor"]\n'], indirect=True)
def test_corrected_day_is_told_as_its_revision_with_what_changed(house: House) -> None:
    """A late reading, the day exported again by hand: a second word, of the new revision alone."""
    house.now += DAY
    house.look()
    house.service.intake.readings([Reading("cooler-air", NOON + HOUR, 3.5)]).result(10)
    house.now += HOUR
    house.service.export_day("2026-03-02")
    house.look()
    first, second = (body for _, body in house.words())
    assert "REVISION" not in first
    assert second.startswith("RECORD OF 2026-03-02, REVISION 2: ")
    assert "Changed since the revision before: lots.json has changed. readings.csv has changed." in second
    assert second.count("2026-03-02-r2") == 1


@pytest.mark.parametrize("house", [BOTH], indirect=True)
def test_day_that_goes_on_is_neither_copied_nor_told(house: House) -> None:
    """Somebody looks at the day at noon: that is no record of it yet."""
    (house.folder / "records").mkdir()
    house.service.export_day("2026-03-02")
    house.look()
    assert house.words() == []
    assert list((house.folder / "records").iterdir()) == []


@pytest.mark.parametrize("house", ['tell = ["Tam Okafor"]\n'], indirect=True)
@pytest.mark.parametrize(("later", "told"), [(HOUR, ["RECORD OF 2026-03-02"]), (6 * DAY, [])])
def test_word_that_was_lost_is_sent_and_old_days_are_no_news(house: House, made_export: Path, later: int, told: list[str]) -> None:
    """The power went between an export and its word: it is sent. An export of last week, when word is first asked for, is not told."""
    house.plant(made_export)
    house.now += 12 * HOUR + later
    house.onward()
    house.onward()
    assert [body.split(":")[0] for _, body in house.words()] == told
    if told:
        assert house.words()[0][1].startswith("RECORD OF 2026-03-02: A critical limit was not met: lot J-0302.")


@pytest.mark.parametrize("house", ['tell = ["Tam Okafor"]\n'], indirect=True)
def test_day_that_does_not_repeat_is_told_as_not_to_be_signed(house: House, made_export: Path) -> None:
    """The word of such a day must not read as that of any other."""
    place = house.plant(made_export)
    manifest = json.loads((place / "manifest.json").read_text())
    (place / "manifest.json").write_text(json.dumps(manifest | {"problems": ["lot J-0302 differs"]}))
    house.now += 13 * HOUR
    house.onward()
    assert "DO NOT SIGN THIS DAY" in house.words()[0][1]


def test_folder_for_a_disk_counts_only_while_one_is_mounted(tmp_path: Path) -> None:
    """An empty mount point lies on the system's own disk: copying there would fill it and copy to nothing."""
    (tmp_path / "records").mkdir()
    assert is_in(tmp_path / "records")
    assert not is_in(tmp_path / "records", roots=(tmp_path,))
    assert not is_in(tmp_path / "gone")
    assert Path("/dev/shm").is_mount()
    assert is_in(Path("/dev/shm"), roots=(Path("/dev"),))


def test_copying_process_says_in_one_sentence_what_is_wrong(exported: Path, tmp_path: Path) -> None:
    """2 and the sentence where there is no disk, 0 and the place where there is."""
    command = [sys.executable, "-m", "monitor.export.sent", str(exported)]
    none = subprocess.run([*command, str(tmp_path / "usb")], capture_output=True, text=True, check=False)
    assert (none.returncode, none.stdout) == (2, "")
    assert none.stderr.count("\n") == 1
    assert "put the disk in" in none.stderr
    (tmp_path / "usb").mkdir()
    done = subprocess.run([*command, str(tmp_path / "usb")], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.strip()) == (0, str(tmp_path / "usb" / "ferncliff" / "2026-03-02"))
