"""Copies that are made and tried out by themselves: in the folder that is named, few enough, and a copy that fails rings."""

import itertools
import os
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import select
from typer.testing import CliRunner

from monitor import ledger
from monitor.alarms.listing import open_alarms
from monitor.alarms.tables import alarm_event
from monitor.cli import app
from monitor.commands import timed_copies
from monitor.config import load_config
from monitor.errors import MonitorError, RefusedError
from monitor.export import onward
from rules.reading import HOUR, MINUTE, SECOND, Reading
from tests.monitor.test_copies import Site

DAY = 24 * HOUR


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    """A service whose configuration names a folder for copies, on a disk that is in."""
    site = Site(tmp_path)
    site.service.close()
    (tmp_path / "disk").mkdir()
    site.config.write_text(site.config.read_text() + '[backup]\nfolder = "disk"\nkeep = 2\n', encoding="utf-8")
    site.open()
    yield site
    site.service.close()


def copies(site: Site) -> list[str]:
    return sorted(path.name for path in (site.folder / "disk").iterdir())


def ringing(site: Site) -> dict[str, str]:
    """The open alarms by key, after a look at what is due."""
    site.now += MINUTE
    site.service._look_after(site.now)
    site.service.writer.submit(lambda _: None).result(10)
    with site.service.store.read() as conn:
        return {str(row["key"]): str(row["text"]) for row in open_alarms(conn, site.now) if row["active"]}


def run(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(app, [str(word) for word in words])
    return done.exit_code, done.output


def a_day_long(site: Site) -> None:
    """A reading each hour for a day, so that the local day on which it begins is over."""
    for _ in range(24):
        site.now += HOUR
        site.service.intake.readings([Reading("core-1", site.now, 3.0)]).result(10)


def damage(file: Path) -> None:
    """Another value than was stored, put in behind the program's back."""
    with closing(sqlite3.connect(file)) as conn:
        conn.execute("DROP TRIGGER reading_no_update")
        conn.execute("UPDATE reading SET celsius = 9.0 WHERE seq = (SELECT max(seq) FROM reading)")
        conn.commit()


def test_copies_have_names_of_their_own_and_the_newest_stay(site: Site) -> None:
    """Each is noted in the ledger; an older one goes and is named; another site's copies and half a copy of a power cut are told apart."""
    disk = site.folder / "disk"
    for name in (
        "larderer-ferncliff-20250101T000000Z.sqlite",
        "larderer-ferncliff-20250102T000000Z.sqlite",
        "larderer-other-20250101T000000Z.sqlite",
    ):
        (disk / name).write_text("older")
    (disk / "larderer-ferncliff-20250103T000000Z.sqlite.part").write_text("half")
    site.send(3)
    text = timed_copies.copy_now(site.config)
    [new] = set(copies(site)) - {"larderer-ferncliff-20250102T000000Z.sqlite", "larderer-other-20250101T000000Z.sqlite"}
    assert "larderer-ferncliff-20250101T000000Z.sqlite deleted: the 2 newest copies stay." in text
    with site.service.store.read() as conn:
        entry = ledger.newest(conn, "backup")
    assert entry is not None
    assert entry.body["file"] == new


def test_copy_of_a_board_with_a_wrong_clock_is_not_the_one_deleted(site: Site) -> None:
    """The copy that was just made stays, though the names of all others are of a later time."""
    disk = site.folder / "disk"
    for year in (2090, 2091, 2092):
        (disk / f"larderer-ferncliff-{year}0101T000000Z.sqlite").write_text("later")
    timed_copies.copy_now(site.config)
    assert len(copies(site)) == 2
    assert [name for name in copies(site) if "-209" not in name] != []


def test_disk_that_is_not_in_is_told_and_nothing_is_made_in_its_place(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder on no mounted disk would fill the board's own."""
    monkeypatch.setattr(onward.is_in, "__defaults__", ((site.folder,),))
    for attempt in (timed_copies.copy_now, timed_copies.try_newest):
        with pytest.raises(RefusedError, match="is not there; put the disk in"):
            attempt(site.config)
    assert copies(site) == []
    with site.service.store.read() as conn:
        assert ledger.newest(conn, "restore-rehearsal") is None


def test_newest_copy_is_tried_out_and_a_day_judged_again_from_it(site: Site) -> None:
    """What was found on the last whole day is found again from the copy; nothing of the trial is left, and nothing rings."""
    a_day_long(site)
    timed_copies.copy_now(site.config)
    before = copies(site)
    code, text = run("restore", "--rehearse", "--config", site.config)
    assert (code, "was judged again from it" in text) == (0, True), text
    assert copies(site) == before
    with site.service.store.read() as conn:
        entry = ledger.newest(conn, "restore-rehearsal")
    assert entry is not None
    assert entry.body["day"] in text
    assert "failed" not in entry.body
    assert "store-rehearsal" not in ringing(site)


def test_copy_that_fails_its_trial_rings_until_one_passes(site: Site) -> None:
    """A damaged copy is named in ledger and alarm; a good one ends that."""
    site.send(5)
    timed_copies.copy_now(site.config)
    [name] = copies(site)
    damage(site.folder / "disk" / name)
    code, text = run("restore", "--rehearse", "--timer", "--config", site.config)
    assert (code, "does not verify" in text) == (1, True), text
    assert "the copy of the records cannot be restored" in ringing(site)["store-rehearsal"]
    (site.folder / "disk" / name).unlink()
    timed_copies.copy_now(site.config)
    assert run("restore", "--rehearse", "--config", site.config)[0] == 0
    assert "store-rehearsal" not in ringing(site)


def test_folder_without_a_copy_fails_its_trial(site: Site) -> None:
    """Nothing to be restored is the worst outcome, and no mistake of the command."""
    code, text = run("restore", "--rehearse", "--config", site.config)
    assert (code, "there is no copy of ferncliff in" in text) == (1, True)
    assert "store-rehearsal" in ringing(site)


def test_copies_that_nobody_tries_out_ring(site: Site) -> None:
    """After the configured time without a trial; where no folder is named nothing is asked."""
    site.send(1)
    site.now += 13 * DAY
    assert "store-rehearsal" not in ringing(site)
    site.now += 2 * DAY
    assert "no copy of the records was tried out" in ringing(site)["store-rehearsal"]


def test_finding_that_the_copy_does_not_repeat_fails_its_trial(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """Judging the day again from the copy is held against its own ledger: a judge that finds something else is seen."""
    from monitor.export import day as day_module

    site.service.close()
    a_lot_that_deviates(site)
    timed_copies.copy_now(site.config)
    real = day_module.judge_files

    def blind(*words: object) -> dict[str, object]:
        report = real(*words)  # type: ignore[arg-type]
        for lot in report["lots"]:
            for limit in lot["limits"]:
                for watch in limit["watches"]:
                    watch["verdict"] = "met"
        return report

    monkeypatch.setattr(day_module.export_day, "__kwdefaults__", {**(day_module.export_day.__kwdefaults__ or {}), "judge": blind})
    code, text = run("restore", "--rehearse", "--config", site.config)
    assert (code, "J-0412" in text) == (1, True), text


def a_lot_that_deviates(site: Site) -> None:
    """A lot on the first day whose grind is too warm; ended, and a day gone by."""
    from monitor.desk import Hand

    site.open()
    odile = Hand("Odile Marsh", "operator")
    desk = site.service.desk
    site.now += SECOND
    desk.start_lot(odile, "juniper-links", lot="J-0412")
    site.now += SECOND
    desk.place(odile, "J-0412", "core-1")
    for _ in range(5):
        site.now += MINUTE
        site.service.intake.readings([Reading("core-1", site.now, 12.0)]).result(10)
    desk.end(odile, "J-0412")
    a_day_long(site)


def test_timer_without_a_folder_has_nothing_to_do(tmp_path: Path) -> None:
    """A board whose owner names no folder has no failed units for it; a person who asks is told what to write."""
    shutil.copy(Path(__file__).parents[2] / "monitor/demo/plan.toml", tmp_path / "plan.toml")
    config = tmp_path / "larderer.toml"
    config.write_text('plan = "plan.toml"\n', encoding="utf-8")
    assert load_config(config).backup.folder is None
    for words in (("backup",), ("restore", "--rehearse")):
        code, text = run(*words, "--timer", "--config", config)
        assert (code, "no [backup] folder" in text) == (0, True)
        done = CliRunner().invoke(app, [*words, "--config", str(config)])
        assert "write [backup] and folder" in str(done.exception)


def test_copy_that_does_not_fit_is_told_before_it_is_begun(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """How much is needed and free, in megabytes."""
    usage = shutil.disk_usage(site.folder)
    monkeypatch.setattr(timed_copies.shutil, "disk_usage", lambda _path: usage._replace(free=10_000_000))
    with pytest.raises(RefusedError, match=r"a copy needs \d+ MB, and 10 MB are free"):
        timed_copies.copy_now(site.config)
    assert copies(site) == []


def test_records_that_do_not_verify_do_not_fill_the_disk_with_copies(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """The timer tries again each hour: one such copy stays, under a name that says so, and the good ones before it are not touched."""
    hours = itertools.count(site.now, HOUR)
    monkeypatch.setattr(timed_copies, "SystemClock", lambda: lambda: next(hours))
    site.send(5)
    timed_copies.copy_now(site.config)
    [good] = copies(site)
    damage(site.database)
    for _ in range(3):
        with pytest.raises(MonitorError, match="does not verify") as told:
            timed_copies.copy_now(site.config)
        assert "larderer-ferncliff-not-verified.sqlite" in str(told.value)
    assert copies(site) == [good, "larderer-ferncliff-not-verified.sqlite"]


def test_trial_that_fails_after_none_was_made_for_long_rings_as_the_worse_one(site: Site) -> None:
    """What rings already is that none was tried out; that the copy cannot be restored is more, and is told once."""
    site.send(1)
    site.now += 15 * DAY
    assert "no copy of the records was tried out" in ringing(site)["store-rehearsal"]
    assert run("restore", "--rehearse", "--config", site.config)[0] == 1
    for _ in range(2):
        assert "the copy of the records cannot be restored" in ringing(site)["store-rehearsal"]
    with site.service.store.read() as conn:
        told = [row.what for row in conn.execute(select(alarm_event.c.what).order_by(alarm_event.c.id))]
    assert told.count("raised") == 2, told  # once for each of the two, though it was looked at three times


def test_trial_that_goes_on_beside_another_is_let_alone(site: Site) -> None:
    """A person may try a copy out while the timer does; what a trial left that a power cut ended is cleared away."""
    ended = subprocess.Popen(["true"])
    ended.wait()
    for pid in (ended.pid, os.getpid()):
        (site.folder / "disk" / f".larderer-rehearsal-{pid}-x").mkdir()
    timed_copies.copy_now(site.config)
    assert timed_copies.try_newest(site.config)[0] == 0
    assert [name for name in copies(site) if "rehearsal" in name] == [f".larderer-rehearsal-{os.getpid()}-x"]
