"""day.pdf: what an inspector must find in it, read back out of the file."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor import late, ledger
from monitor.export.sheet import Sheet, dashes, plain
from monitor.export.verify import check_folder
from monitor.export.wording import day_verdict, margin, sources
from rules.limits.spec import Ceiling
from rules.plan import Citation, Limit
from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE


@pytest.fixture(scope="module")
def pages(made_export: Path) -> list[str]:
    """The text of each page, in order of lines, as pdftotext (Poppler) reads it."""
    return pages_of(made_export / "exports" / "ferncliff" / "2026-03-02" / "day.pdf")


def pages_of(path: Path) -> list[str]:
    """The text of each page of a file."""
    tool = shutil.which("pdftotext")
    assert tool is not None, "pdftotext of poppler-utils is needed to read PDFs back"
    text = subprocess.run([tool, "-layout", str(path), "-"], capture_output=True, text=True, timeout=60, check=True).stdout
    return [re.sub(r"\s+", " ", page) for page in text.split("\f") if page.strip()]


def test_first_page_tells_the_verdict_of_the_day_in_words(pages: list[str]) -> None:
    """Site, day, verdict, counts, signature and cautions stand on the cover."""
    cover = pages[0]
    assert "Ferncliff Yard Smokehouse Record of Monday 2 March 2026" in cover
    assert "A critical limit was not met: lot J-0302." in cover
    assert "Deviation records: 1, of which 1 not closed." in cover
    assert re.search(r'Reviewed by Tam Okafor on 03 Mar 00:02, up to ledger entry [1-9]\d+\. "Looked through all of it\."', cover)
    assert "supports a HACCP plan and does not replace one" in cover


def test_lot_page_has_verdicts_margins_and_sources(pages: list[str]) -> None:
    """Every limit with its probes, the chart's key, and where the figures come from, unverified rows called so."""
    whole = " ".join(pages)
    assert "Lot J-0302: DEVIATED" in whole
    assert "B core-2" in whole
    assert "L1 at most 34 °F, 20 min over allowed (grind cold)" in whole
    assert "FSIS-GD-2021-14 (2021-12-14), p. 35, table 2" in whole
    assert "FROM MEMORY, partly corroborated by something read (mark M+)" in whole
    assert "Confirmed by O. Marsh, 2026-01-12" in whole


def test_deviation_and_its_action_are_told(pages: list[str]) -> None:
    """What was observed, what was done, by whom, and that it is still open."""
    whole = " ".join(pages)
    assert "D1: J-0302, chill, stabilization - OPEN" in whole
    assert "action by Odile Marsh. Lot held on rack 4, tag 17." in whole


def test_probes_show_calibration_and_blind_times(pages: list[str]) -> None:
    """The check of the day, the offset in force, and when a probe on duty measured nothing."""
    whole = " ".join(pages)
    assert "2026-03-02, ice-point:" in whole
    assert "NEVER CHECKED" in whole
    assert "house-air: 02 Mar 10:40 to 02 Mar 11:50, 1 h 10 min." in whole


def test_every_page_is_numbered_and_names_the_ledger_head(pages: list[str], made_export: Path) -> None:
    """A single sheet can be placed: day, revision, head, page."""
    head = json.loads((made_export / "exports/ferncliff/2026-03-02/manifest.json").read_text())["ledger"]["head"]
    for number, page in enumerate(pages, 1):
        assert f"page {number} of {len(pages)}" in page
        assert f"ledger head {head}" in page
        assert "2026-03-02, revision 1" in page


def test_no_verdict_is_worded_as_safe(pages: list[str]) -> None:
    """A limit was met or it was not."""
    assert not re.search(r"\b(un)?safe", " ".join(pages), re.IGNORECASE)


def test_no_lot_no_claim() -> None:
    """A day without lots says so, and claims nothing."""
    assert day_verdict({"lots": [], "standing": []}) == "No lot was open on this day."


def test_worst_is_told_first() -> None:
    """Deviated before unproven before open before met, and rooms after the lots."""
    lots = [{"lot": n, "verdict": v} for n, v in (("A", "met"), ("B", "open"), ("C", "unproven"), ("D", "deviated"))]
    rooms = [{"room": "cooler-1", "limit": "cooler air", "verdict": "deviated"}]
    said = day_verdict({"lots": lots, "standing": rooms})
    assert [said.index(f"lot {n}") for n in "DCBA"] == sorted(said.index(f"lot {n}") for n in "DCBA")
    assert said.endswith("Rooms: cooler-1 (cooler air deviated).")


def test_margin_says_spare_or_short() -> None:
    """The sign of a margin is put into words."""
    assert margin({"seconds": 95, "temperature_c": -1.0}, "F") == "1 min 35 s to spare, 1.8 °F beyond"
    assert margin({"seconds": -60}, "C") == "1 min short"


def test_memory_rows_say_so() -> None:
    """A figure from memory is called that, and an unconfirmed one too."""
    cited = Limit("x", Ceiling(1.0), "core", 15 * MINUTE, citations=(Citation("DOC", "p. 1", "2020", "M"),))
    assert "FROM MEMORY, unverified (mark M)" in sources(cited)[0]
    assert sources(cited)[1] == "NOT CONFIRMED by anybody against the document."
    assert sources(Limit("x", Ceiling(1.0), "core", 15 * MINUTE)) == ["No source is stated in the plan."]


@pytest.mark.parametrize(
    ("text", "expected"),
    [("≥ 62.8 °C × 4 – “x”", '>= 62.8 °C × 4 - "x"'), ("Žofie Łuk", "Zofie Luk"), ("烟熏", "??"), ("a\x07b", "a b")],
)
def test_letters_that_the_font_lacks_come_near(text: str, expected: str) -> None:
    """No name stops the export; the JSON beside it has it exactly."""
    assert plain(text) == expected


def test_any_text_can_be_set(tmp_path: Path) -> None:
    """Letters of every alphabet, control characters and very long words give a PDF, not an exception."""
    sheet = Sheet("a4", "烟熏 \x00", ["≤ foot"])
    sheet.heading("Łód\u0301ź 烟" * 20)
    sheet.say("x" * 3000 + "\x00\u2028\ud7ff\U0001f300")
    sheet.points(["y" * 900])
    sheet.grid(("a", "b"), [("z" * 400, "烟\n熏")] * 60, (1, 3))
    sheet.output(str(tmp_path / "any.pdf"))
    assert (tmp_path / "any.pdf").read_bytes().startswith(b"%PDF")


def test_dashes_are_as_long_as_the_pattern_says() -> None:
    """A dashed line is cut at the pattern's lengths, across corners too."""
    pieces = list(dashes([(0.0, 0.0), (10.0, 0.0), (10.0, 10.0)], (6.0, 3.0)))
    assert pieces == [[(0.0, 0.0), (6.0, 0.0)], [(9.0, 0.0), (10.0, 0.0), (10.0, 5.0)], [(10.0, 8.0), (10.0, 10.0)]]


def test_service_does_not_load_the_pdf_library() -> None:
    """fpdf2 stays out of the resident service: the export's other modules do not import it."""
    modules = "monitor.export.day, monitor.export.check, monitor.export.story, monitor.charts.lot_chart"
    code = f"import sys, {modules}; print(any(m == 'fpdf' or m.startswith('fpdf.') for m in sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout == "False\n"


def test_empty_day_has_a_pdf(empty_site: Any) -> None:
    """Nothing measured, nothing made: the day is exported and says so."""
    assert (empty_site.export().path / "day.pdf").stat().st_size > 1000


def test_day_whose_late_readings_are_still_being_judged_says_so(empty_site: Any) -> None:
    """It was not held against what was found live: who signs the page and who checks the folder are both told."""
    owed = late.Late(0, asked=("the gateway was away",))
    empty_site.write(lambda conn: late.put_waiting(conn, owed))
    path = empty_site.export().path
    told = "since this is still being judged anew: the gateway was away."
    assert f"Not yet held against what was found while the day ran, {told}" in pages_of(path / "day.pdf")[0]
    outcome = check_folder(path)
    assert outcome.wrong == []
    assert any("the gateway was away, was still being judged anew" in text for text in outcome.unknown)


def test_lot_page_has_what_came_and_how_its_release_stands(site: Any) -> None:
    """The receipt with its supplier's lot, the one taken back called so, the hold named; a release signed later makes a new revision."""
    came = {
        "lot": "J-0302", "what": "received", "material": "Venison trim", "supplier": "Hollow Beck Game", "supplier_lot": "HB-77",
        "temperature": "36 °F", "weight_kg": "42.5", "text": "", "at": "2026-03-02T13:30:00Z",
    }  # fmt: skip
    at = parse_instant("2026-03-02T07:30:00-06:00")

    def papers(conn: Any) -> None:
        first = ledger.append(conn, "receipt", came, at, "Odile Marsh", entered_at=at)
        ledger.append(conn, "receipt", came | {"supplier_lot": "HB-78"}, at, "Odile Marsh", entered_at=at)
        gone = {"lot": "J-0302", "what": "withdrawn", "receipt": first.seq, "text": "the label was misread"}
        ledger.append(conn, "receipt", gone, at + MINUTE, "Odile Marsh", entered_at=at + MINUTE)

    site.write(papers)
    whole = " ".join(pages_of(site.export().path / "day.pdf"))
    assert "Received for this lot" in whole
    assert all(word in whole for word in ("HB-77", "HB-78", "Hollow Beck", "42.5", "TAKEN", "misread"))
    assert "ON HOLD: deviation D1 is not closed." in whole
    assert "Not released when this was made." in whole
    later = at + 3 * 24 * HOUR
    body = {"lot": "J-0302", "what": "released", "verdict": "deviated", "own_records": False, "text": "The other 24 kg."}
    site.write(lambda conn: ledger.append(conn, "release", body, later, "Tam Okafor", entered_at=later))
    again = site.export(now=later + MINUTE)
    assert again.revision == 2
    whole = " ".join(pages_of(again.path / "day.pdf"))
    assert re.search(r'Released by Tam Okafor on 05 Mar 07:30\. "The other 24 kg\."', whole)
    assert "1 record about this day came into the ledger." in whole
