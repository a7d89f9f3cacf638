"""A day's folder: complete, recomputable, never overwritten, never half."""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
import tracemalloc
from pathlib import Path
from typing import Any

import pytest

from monitor import ledger
from monitor.errors import ExportError, ExportMismatch, InputError
from monitor.export.check import check_path
from monitor.export.verify import check_folder
from monitor.judge import canonical, judge_files
from monitor.store import events, plans, readings
from probes.csv_replay import read_csv_file
from probes.events_csv import read_events_file
from rules.plan_load import load_plan
from rules.quantity import fahrenheit, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Fault, LotEvent, Reading

MIDNIGHT = parse_instant("2026-03-02T00:00:00-06:00")
EIGHT = MIDNIGHT + 8 * HOUR
NEXT = MIDNIGHT + 24 * HOUR
FILES = {"day.pdf", "readings.csv", "events.csv", "lots.json", "ledger.jsonl", "plan.toml", "verify.py", "manifest.json", "seals.json"}


def manifest_of(path: Path) -> dict[str, Any]:
    return dict(json.loads((path / "manifest.json").read_text()))


def test_folder_holds_every_file_under_site_and_day(site: Any) -> None:
    """exports/<site id>/<day>, and in it what the contract names."""
    path = site.export().path
    assert path == site.folder / "exports" / "ferncliff" / "2026-03-02"
    assert {p.name for p in path.iterdir()} == FILES | {"unjudged.csv"}
    assert set(manifest_of(path)["files"]) == (FILES | {"unjudged.csv"}) - {"manifest.json"}


def test_judging_the_folder_repeats_lots_json_byte_for_byte(site: Any) -> None:
    """What the command prints for these files is what stands in lots.json, and it is the live report."""
    path = site.export().path
    again = judge_files(path / "plan.toml", path / "readings.csv", path / "events.csv")
    assert canonical(again).encode() == (path / "lots.json").read_bytes()
    assert again["lots"][0]["verdict"] == "deviated"


def test_live_report_that_agrees_is_no_problem(site: Any) -> None:
    """The running service's report of the same moment agrees with the files."""
    path = site.export().path
    live = json.loads((path / "lots.json").read_text())
    site.write(lambda conn: ledger.append(conn, "review", {"day": "2026-03-02"}, NEXT, "Tam Okafor"))
    again = site.export(live=live)
    assert manifest_of(again.path)["problems"] == []


def test_live_report_that_differs_is_told_in_the_manifest_and_raised(site: Any) -> None:
    """A verdict that the files do not repeat is loud: raised, in the manifest, in the PDF, and wrong to verify."""
    good = json.loads((site.export().path / "lots.json").read_text())
    good["lots"][0]["limits"][3]["watches"][1]["verdict"] = "met"
    with pytest.raises(ExportMismatch, match="does not repeat what was found live: lot J-0302, chill, stabilization, probe core-2"):
        site.export(live=good)
    second = site.folder / "exports" / "ferncliff" / "2026-03-02-r2"
    assert manifest_of(second)["problems"]
    assert any("the export itself says: lot J-0302" in text for text in check_folder(second).wrong)


def test_finding_in_the_ledger_that_the_files_do_not_repeat_is_found(site: Any) -> None:
    """Without a live report the ledger's own findings are the witness."""
    body = {
        "lot": "J-0302",
        "step": "cook",
        "limit": "lethality",
        "probe": "core-1",
        "what": "deviated",
        "at": EIGHT + 6 * HOUR,
        "text": "x",
    }
    site.write(lambda conn: ledger.append(conn, "finding", body, EIGHT + 6 * HOUR))
    with pytest.raises(ExportMismatch, match="found deviated at 2026-03-02T20:00:00Z while it ran, judged met"):
        site.export()


def test_corrected_finding_is_no_difference(site: Any) -> None:
    """A correction speaks for itself: the finding before it is no witness any more."""
    watch = {"lot": "J-0302", "step": "cook", "limit": "lethality", "probe": "core-1"}

    def job(conn: Any) -> None:
        ledger.append(conn, "finding", {**watch, "what": "deviated", "at": EIGHT + 6 * HOUR, "text": "x"}, EIGHT + 6 * HOUR)
        ledger.append(conn, "correction", {**watch, "was": "deviated", "now": "met", "at": "2026-03-02T20:00:00Z"}, EIGHT + 7 * HOUR)

    site.write(job)
    assert manifest_of(site.export().path)["problems"] == []


def test_readings_keep_raw_value_offset_and_arrival(site: Any) -> None:
    """readings.csv holds what arrived: raw values, the offset beside them, when each came, faults and suspects too."""
    path = site.export().path
    rows = read_csv_file(path / "readings.csv")
    first = next(r for r in rows if r.probe == "core-1")
    assert first == Reading("core-1", EIGHT, fahrenheit(33 + 3 * math.exp(-36)), -0.1)
    assert Fault("house-air", EIGHT + 3 * HOUR, "open circuit", "n/a, 7") in rows
    assert any(isinstance(r, Reading) and r.suspect == "possible error code" and r.celsius == 85.0 for r in rows)
    assert "2026-03-02T19:00:30Z,cooler-air,2.5,,,,2026-03-02T23:00:00Z," in (path / "readings.csv").read_text()


def test_stamp_of_the_future_is_kept_apart_and_not_judged(site: Any) -> None:
    """Live it was stored and not judged; so the export shows it in a file of its own, under the same seals."""
    path = site.export().path
    assert (path / "unjudged.csv").read_text().splitlines()[1].startswith("2026-03-02T20:00:30Z,cooler-air,2.5")
    assert "T20:00:30Z" not in (path / "readings.csv").read_text()


def test_unchanged_day_is_not_exported_twice(site: Any) -> None:
    """Asked again with nothing new, the answer is the export that is there, though the ledger has grown by another day."""
    first = site.export()
    site.write(lambda conn: ledger.append(conn, "finding", {"lot": "J-0303", "what": "met"}, NEXT + HOUR, entered_at=NEXT + HOUR))
    again = site.export(now=NEXT + 2 * HOUR)
    assert (again.path, again.new) == (first.path, False)
    assert sorted(p.name for p in first.path.parent.iterdir()) == ["2026-03-02"]


def test_corrected_day_is_a_new_revision_beside_the_first(site: Any) -> None:
    """A late reading changes the day: the first export stays as it was, the new one says what changed and what it replaces."""
    first = site.export().path
    before = {p.name: p.read_bytes() for p in first.iterdir()}
    site.arrive([readings.Arrival(Reading("cooler-air", EIGHT + 30 * SECOND, 3.0), NEXT + HOUR, "late")])
    second = site.export(now=NEXT + 2 * HOUR)
    assert second.path.name == "2026-03-02-r2"
    assert {p.name: p.read_bytes() for p in first.iterdir()} == before
    manifest = manifest_of(second.path)
    assert manifest["changed"] == ["lots.json has changed.", "readings.csv has changed."]
    assert manifest["revision"] == 2
    assert check_folder(second.path).wrong == []
    assert check_folder(first).wrong == []


def test_export_before_midnight_says_that_the_day_was_not_over(site: Any) -> None:
    """The same day exported again after midnight is a new revision, even where nothing else has come."""
    early = site.export(now=NEXT - MINUTE)
    assert manifest_of(early.path)["day_over"] is False
    late = site.export(now=NEXT + MINUTE)
    assert manifest_of(late.path)["changed"] == ["The day is over now; it was not when the revision before was made."]


def test_closing_of_a_deviation_next_day_makes_a_revision(site: Any) -> None:
    """The corrective action belongs to the day of the deviation, however late it is written."""
    site.export()
    closing = {"deviation": "D1", "what": "closed", "by": "Tam Okafor"}
    site.write(lambda conn: ledger.append(conn, "deviation", closing, NEXT + 30 * HOUR, "Tam Okafor", entered_at=NEXT + 30 * HOUR))
    assert manifest_of(site.export(now=NEXT + 31 * HOUR).path)["changed"] == ["1 record about this day came into the ledger."]


def test_lot_open_over_midnight_is_exported_from_its_start(empty_site: Any) -> None:
    """The second day's readings go back to the start of the lot, and its verdicts can be recomputed from them alone."""
    start = MIDNIGHT + 20 * HOUR
    empty_site.lot("J-0303", start, {"core-1": 0.0})
    first, second = empty_site.export(), empty_site.export("2026-03-03", now=NEXT + 25 * HOUR)
    for exported in (first, second):
        rows = read_csv_file(exported.path / "readings.csv")
        assert min(r.at for r in rows) == start
        assert check_folder(exported.path).wrong == []
    assert max(r.at for r in read_csv_file(first.path / "readings.csv")) == NEXT
    assert json.loads((first.path / "lots.json").read_text())["lots"][0]["verdict"] == "open"
    assert json.loads((second.path / "lots.json").read_text())["lots"][0]["verdict"] == "met"
    third = empty_site.export("2026-03-04", now=NEXT + 49 * HOUR)
    assert json.loads((third.path / "lots.json").read_text())["lots"] == []


def test_event_taken_back_stays_in_the_events_file(empty_site: Any) -> None:
    """An end that was undone leaves the lot open on the next day, and both entries are there to see."""
    empty_site.lot("J-0303", EIGHT, {"core-1": 0.0})
    undo = LotEvent(EIGHT + 13 * HOUR + MINUTE, "undo", "J-0303", "", "2026-03-02T21:00:00-06:00", by="Odile Marsh")
    empty_site.write(lambda conn: events.add(conn, undo, undo.at))
    second = empty_site.export("2026-03-03", now=NEXT + 25 * HOUR).path
    assert [e.event for e in read_events_file(second / "events.csv")][-2:] == ["end", "undo"]
    assert json.loads((second / "lots.json").read_text())["lots"][0]["ended"] is None


@pytest.mark.parametrize(("day", "hours"), [("2026-03-08", 23), ("2026-11-01", 25), ("2026-03-09", 24)])
def test_days_last_from_local_midnight_to_local_midnight(empty_site: Any, day: str, hours: int) -> None:
    """Days of 23 and 25 hours hold exactly their own readings (America/Chicago, clock changes of 2026)."""
    begins = parse_instant(f"{day}T00:00:00{'-05:00' if day != '2026-03-08' else '-06:00'}")
    rows = [readings.Arrival(Reading("cooler-air", begins + m * 15 * MINUTE, 3.0), begins + m * 15 * MINUTE) for m in range(-4, 26 * 4)]
    empty_site.arrive(rows)
    path = empty_site.export(day, now=begins + 30 * HOUR).path
    found = [r.at for r in read_csv_file(path / "readings.csv")]
    assert (found[0], found[-1]) == (begins, begins + hours * HOUR)
    assert len(found) == hours * 4 + 1


def test_lot_is_judged_by_the_plan_in_force_at_its_start(empty_site: Any) -> None:
    """The plan changes while a lot is cooking: both versions are in the folder, each lot judged by its own."""
    plan = empty_site.export().path / "plan.toml"
    stricter = plan.read_text().replace('max = "34 °F"', 'max = "20 °F"').replace('allowed = "20 min"', 'allowed = "0 min"')
    empty_site.lot("J-0303", EIGHT, {"core-1": 0.0})
    empty_site.write(lambda conn: plans.put(conn, load_plan(stricter).sha256, stricter, EIGHT + 2 * HOUR))
    empty_site.lot("J-0304", EIGHT + 150 * MINUTE, {"core-2": 0.0})
    path = empty_site.export(now=NEXT + HOUR).path
    assert path.name == "2026-03-02-r2"
    lots = {lot["lot"]: lot["limits"][0]["verdict"] for lot in json.loads((path / "lots.json").read_text())["lots"]}
    assert lots == {"J-0303": "met", "J-0304": "deviated"}
    assert [(p["file"], p["lots"]) for p in manifest_of(path)["plans"]] == [("plan-1.toml", ["J-0303"]), ("plan.toml", ["J-0304"])]
    assert check_folder(path).wrong == []


def test_probe_that_the_plan_does_not_know_is_kept_and_not_judged(empty_site: Any) -> None:
    """Nothing that arrived is lost, and judging the folder still works."""
    empty_site.arrive(
        [readings.Arrival(Reading("stranger", EIGHT, 3.0), EIGHT), readings.Arrival(Reading("cooler-air", EIGHT, 3.0), EIGHT)]
    )
    path = empty_site.export().path
    assert "stranger" in (path / "unjudged.csv").read_text()
    assert judge_files(path / "plan.toml", path / "readings.csv", path / "events.csv")["lots"] == []


def test_rows_of_a_block_outside_the_day_are_proven_by_their_hashes(empty_site: Any) -> None:
    """A sealed block that reaches over midnight is rebuilt though half of its readings are not exported."""
    rows = [readings.Arrival(Reading("cooler-air", NEXT + m * MINUTE, 3.0 + m / 10), NEXT + m * MINUTE) for m in range(-30, 31)]
    empty_site.arrive(rows)
    path = empty_site.export().path
    block = json.loads((path / "seals.json").read_text())["blocks"][0]
    assert (block["order"], len(block["absent"])) == ("0+31 x30", 30)
    assert any("31 readings and faults are those that were sealed" in text for text in check_folder(path).right)


def test_readings_not_sealed_yet_are_named_as_such(empty_site: Any) -> None:
    """Between seals only the signature covers a reading, and the check says so."""
    rows = [readings.Arrival(Reading("cooler-air", EIGHT + m * MINUTE, 3.0), EIGHT + m * MINUTE) for m in range(7)]
    empty_site.write(lambda conn: readings.store(conn, rows))
    outcome = check_folder(empty_site.export().path)
    assert outcome.wrong == []
    assert any(text.startswith("7 readings were not sealed yet") for text in outcome.unknown)


def test_bad_day_is_one_sentence(site: Any) -> None:
    """A day that is no date is refused before anything is written."""
    with pytest.raises(InputError, match='day is "yesterday"; write a date such as 2026-03-02'):
        site.export("yesterday")
    assert not (site.folder / "exports").exists()


def test_day_before_any_plan_is_refused(site: Any) -> None:
    """There is nothing to judge by."""
    with pytest.raises(ExportError, match="no plan was in force on 2020-01-01"):
        site.export("2020-01-01")


def test_failure_leaves_nothing_behind(site: Any) -> None:
    """An export that fails half-way leaves no folder, neither half nor hidden."""

    def fails(*_: object) -> dict[str, Any]:
        raise RuntimeError("the judge has gone home")

    with pytest.raises(RuntimeError):
        site.export(judge=fails)
    assert list((site.folder / "exports" / "ferncliff").iterdir()) == []


CHILD = """
import sys, time
from pathlib import Path
from monitor.export.day import export_day
from monitor.keys import site_key
from monitor.store.database import Store
data = Path(sys.argv[1])
def slow(*files):
    print("judging", flush=True)
    time.sleep(60)
with Store(data / "larderer.sqlite") as store:
    export_day(store, "2026-03-02", data / "exports", site_key(data / "keys"), now=0, judge=slow)
"""


def test_killed_export_leaves_no_half_and_the_next_clears_up(site: Any) -> None:
    """kill -9 in the middle: no folder has the day's name, and the next export removes what was left aside."""
    home = site.folder / "exports" / "ferncliff"
    child = subprocess.Popen([sys.executable, "-c", CHILD, str(site.folder)], stdout=subprocess.PIPE, text=True)
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == "judging\n"
        assert [p.name[:12] for p in home.iterdir()] == [".2026-03-02."]
    finally:
        os.kill(child.pid, signal.SIGKILL)
        child.wait(timeout=30)
        if child.stdout is not None:
            child.stdout.close()
    path = site.export().path
    assert [p.name for p in home.iterdir()] == ["2026-03-02"]
    assert check_folder(path).wrong == []


def write_config(site: Any) -> Path:
    path = site.folder.parent / "larderer.toml"
    (site.folder.parent / "plan.toml").write_text("")  # the plan that counts is the one in the store
    path.write_text(f'plan = "plan.toml"\ndata = "{site.folder}"\n')
    return path


def test_own_process_prints_the_path_and_is_quiet_in_a_pipe(site: Any) -> None:
    """The service reads the last line of the output; nothing else is said in a pipe."""
    config = write_config(site)
    command = [sys.executable, "-m", "monitor.export", "--config", str(config), "--now", str(NEXT + HOUR)]
    done = subprocess.run([*command, "2026-03-02"], capture_output=True, text=True, timeout=120, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    path = Path(done.stdout.splitlines()[-1])
    assert check_path(path, site.folder / "keys" / "site.pub").wrong == []
    bad = subprocess.run([*command, "2026-02-30"], capture_output=True, text=True, timeout=120, check=False)
    assert bad.returncode == 2
    assert bad.stderr == 'day is "2026-02-30"; write a date such as 2026-03-02\n'


def test_live_ledger_is_checked_with_a_head_from_an_export(site: Any) -> None:
    """`verify` on the database: sound, with the head of an earlier export found in it, a strange one not."""
    head = manifest_of(site.export().path)["ledger"]["head"]
    site.store.close()
    outcome = check_path(site.folder, None, head)
    assert outcome.wrong == []
    assert any("is the head you gave" in text for text in outcome.right)
    assert any("another history" in text for text in check_path(site.folder, None, "0f" * 32).wrong)


def test_path_that_is_neither_is_refused(tmp_path: Path) -> None:
    """One sentence on what to name."""
    with pytest.raises(InputError, match=r"holds no manifest\.json"):
        check_path(tmp_path)


def test_memory_does_not_grow_with_the_readings(empty_site: Any) -> None:
    """Four times the readings cost a few bytes a row more, not a row's own size (bounded for a day of 16 probes at 1 Hz)."""
    peaks = []
    for part, (first, last) in enumerate([(0, 2000), (2000, 8000)]):
        empty_site.arrive(
            [readings.Arrival(Reading("cooler-air", EIGHT + s * SECOND, 3.0), EIGHT + s * SECOND) for s in range(first, last)]
        )
        tracemalloc.start()
        try:
            empty_site.export(now=NEXT + part * HOUR, judge=lambda *_: {"lots": [], "alarms": [], "standing": [], "problems": []})
            peaks.append(tracemalloc.get_traced_memory()[1])
        finally:
            tracemalloc.stop()
    assert (peaks[1] - peaks[0]) / 6000 < 150


def test_lot_that_ended_without_a_step_is_found_the_same_in_the_files(empty_site: Any) -> None:
    """The step's limits have no probe and are unproven, live and in the files: that is no difference that anybody should be rung for."""
    listed = [LotEvent(EIGHT, "start", "J-0305", "juniper-links"), LotEvent(EIGHT, "place", "J-0305", "core-1")]
    listed += [LotEvent(EIGHT + HOUR, "step", "J-0305", "cook"), LotEvent(EIGHT + 2 * HOUR, "end", "J-0305")]
    empty_site.arrive([readings.Arrival(Reading("core-1", EIGHT + m * MINUTE, 0.0), EIGHT + m * MINUTE) for m in range(121)])
    empty_site.write(lambda conn: [events.add(conn, e, e.at) for e in listed])
    empty_site.arrive([readings.Arrival(Reading("cooler-air", EIGHT + 3 * HOUR, 3.0), EIGHT + 3 * HOUR)])
    live = empty_site.record_findings(NEXT)
    path = empty_site.export(live=live).path
    chill = json.loads((path / "lots.json").read_text())["lots"][0]["limits"][-1]
    assert (chill["limit"], chill["verdict"], chill["watches"]) == ("stabilization", "unproven", [])
    assert manifest_of(path)["problems"] == []


def test_readings_begin_an_hour_before_a_lot_of_the_evening_before(empty_site: Any) -> None:
    """What a probe said shortly before the lot is part of how its first readings are judged, so the next day's file has it too."""
    begun = MIDNIGHT - HOUR
    air = [readings.Arrival(Reading("cooler-air", begun + m * MINUTE, 3.0), begun + m * MINUTE) for m in range(-120, 0, 5)]
    empty_site.arrive(air)
    empty_site.lot("J-0306", begun, {"core-1": 0.0})
    empty_site.record_findings(NEXT)
    path = empty_site.export().path
    times = [row.split(",")[0] for row in (path / "readings.csv").read_text().splitlines()[1:]]
    assert parse_instant(times[0]) == begun - HOUR
    assert manifest_of(path)["problems"] == []
