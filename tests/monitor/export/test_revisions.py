"""What a new revision of a day says of itself: each kind of change in its own sentence."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from monitor import late, ledger
from monitor.errors import ExportMismatch
from monitor.store import readings
from rules.quantity import parse_instant
from rules.reading import HOUR, Reading

EIGHT = parse_instant("2026-03-02T08:00:00-06:00")
NEXT = parse_instant("2026-03-03T00:00:00-06:00")


def manifest_of(path: Path) -> dict[str, Any]:
    return dict(json.loads((path / "manifest.json").read_text()))


def test_reading_that_is_not_judged_is_named_as_a_new_file_and_closings_are_counted(empty_site: Any) -> None:
    """unjudged.csv comes with the first such reading, and two records later written about the day are two."""
    empty_site.arrive([readings.Arrival(Reading("cooler-air", EIGHT, 3.0), EIGHT)])
    empty_site.export()

    def job(conn: Any) -> None:
        for what in ("action", "closed"):
            ledger.append(conn, "deviation", {"deviation": "D1", "what": what, "day": "2026-03-02"}, NEXT + HOUR, entered_at=NEXT + HOUR)

    empty_site.write(job)
    empty_site.arrive([readings.Arrival(Reading("stranger", EIGHT, 3.0), NEXT + HOUR)])
    changed = manifest_of(empty_site.export(now=NEXT + 2 * HOUR).path)["changed"]
    assert changed == ["unjudged.csv is new.", "2 records about this day came into the ledger."]


def test_late_readings_begun_and_done_are_a_revision_each(site: Any) -> None:
    """While they are judged anew the export says so, and once they have been the next one does, though no file is another."""
    site.export()
    site.write(lambda conn: late.put_waiting(conn, late.Late(EIGHT, asked=("the gateway was away",))))
    assert manifest_of(site.export(now=NEXT + HOUR).path)["changed"] == ["Late readings are being judged anew."]
    site.write(lambda conn: late.put_waiting(conn, None))
    assert manifest_of(site.export(now=NEXT + 2 * HOUR).path)["changed"] == ["Late readings have been judged anew."]


def test_day_that_repeats_after_all_is_a_revision_that_says_so(site: Any) -> None:
    """A difference that is gone again: the wrong export stays, and the next says what is other about it."""
    good = json.loads((site.export().path / "lots.json").read_text())
    wrong = json.loads(json.dumps(good))
    wrong["lots"][0]["limits"][3]["watches"][1]["verdict"] = "met"
    with pytest.raises(ExportMismatch):
        site.export(live=wrong)
    third = site.export(live=good)
    assert third.path.name == "2026-03-02-r3"
    assert manifest_of(third.path)["changed"] == ["What judging the files repeats, and what not, has changed."]
