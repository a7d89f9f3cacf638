"""The HACCP plan summary in its three forms: what it says, that it invents nothing, and that nothing is cut off."""

from __future__ import annotations

import hashlib
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.plan_sheet.markdown import sheet_markdown
from monitor.plan_sheet.model import NOT_STATED, PlanSheet, plan_sheet
from monitor.plan_sheet.pdf import write_pdf
from monitor.plan_sheet.text import sheet_text
from monitor.plan_sheet.words import limit_words
from rules.limits import spec
from rules.plan_load import load_plan
from rules.quantity import fahrenheit
from rules.reading import HOUR, MINUTE

DEMO = Path(__file__).parents[2] / "monitor" / "demo" / "plan.toml"
LINKS = Path(__file__).parents[1] / "rules" / "plans" / "rehearsal" / "links.toml"


def sheet_of(path: Path) -> PlanSheet:
    return plan_sheet(load_plan(path.read_text(encoding="utf-8"), path.name), path.name)


@pytest.fixture(scope="module")
def demo() -> PlanSheet:
    return sheet_of(DEMO)


def flat(text: str) -> str:
    """The text as one line, since writers break lines where they must."""
    return " ".join(text.replace("\\", "").split())


def fields(sheet: PlanSheet, title: str) -> dict[str, str]:
    entry = next(e for part in sheet.parts for e in part.entries if e.title == title)
    return {label: " ".join(sentences) for label, sentences in entry.fields}


# --- the model ----------------------------------------------------------------------------------------------------------------


def test_critical_limit_has_every_field_of_a_plan() -> None:
    """9 CFR 417.2(c): hazard, limit, monitoring with frequency, corrective action, records, verification; and the source."""
    told = fields(sheet_of(DEMO), "cook: lethality")
    assert told["Hazard"] == "Salmonella, Listeria monocytogenes, E. coli O157:H7."
    assert "145 °F for 4 min" in told["Limit"]
    assert "158 °F at two readings" in told["Limit"]
    assert told["Monitoring: what"] == "The core of the product."
    assert "core-1, core-2, core-3, core-4 (uncertainty each 0.5 °F)" in told["Monitoring: how"]
    assert "more than 2 min between two readings counts as not measured" in told["Monitoring: how often"]
    assert told["Corrective action"].startswith("Back into the heat at once")
    assert "FSIS-GD-2021-14 (2021-12-14), p. 35, table 2, 6.5-log column: read in the issuing body's own text (mark O)" in told["Source"]
    assert "deviation record" in told["Records"]
    assert told["Verification"] == NOT_STATED


def test_row_from_memory_is_told_as_such_with_who_confirmed_it() -> None:
    """The mark is spelled out where the limit stands."""
    told = fields(sheet_of(DEMO), "bath (through bath, bloom, chill): stabilization")
    assert "FROM MEMORY" in told["Source"]
    assert "Confirmed by O. Marsh, 2026-01-12" in told["Source"]
    assert told["Asked, not judged"] == "The cooling goes on without a stop."


def test_hand_check_says_how_often_it_is_due() -> None:
    """Every 15 min, and what counts as not measured."""
    told = fields(sheet_of(DEMO), "grind: grind check")
    assert told["Monitoring: how often"] == "Every 15 min; more than 18 min between two checks counts as not measured."
    assert "handheld" in told["Monitoring: how"]


def test_what_the_plan_does_not_say_is_named_and_not_invented() -> None:
    """Hazard, corrective action, source, uncertainty, persons."""
    text = LINKS.read_text(encoding="utf-8").replace('uncertainty = "1 °F"\n', "")
    sheet = plan_sheet(load_plan(text), "links.toml")
    unsaid = " ".join(sheet.unsaid)
    assert "No hazard for the critical limits links, mix, nitrite; links, dry, come-up; links, cook, lethality" in unsaid
    assert "humid" not in unsaid
    assert "No source for the limit links, dry, schedule." in unsaid
    assert "No uncertainty for the probe air." in unsaid
    assert "A plan file names no person" in unsaid
    assert fields(sheet, "dry (through dry, cook): come-up")["Hazard"] == NOT_STATED
    assert "Signature and date" in unsaid


def test_errors_of_the_plan_check_stand_on_the_sheet() -> None:
    """Nobody signs a plan without seeing them."""
    text = LINKS.read_text(encoding="utf-8").replace('confirmed = "A. Nobody, 2026-01-12, against the document"\n', "")
    unsaid = " ".join(plan_sheet(load_plan(text), "links.toml").unsaid)
    assert "The plan check finds 1 error" in unsaid
    assert "which nobody has confirmed" in unsaid
    assert "Rows that were not read in the original and that nobody has confirmed: links, bath, cooling." in unsaid


def test_probe_s_check_is_verification_that_the_plan_states() -> None:
    """How often and with what error, where the plan says so."""
    text = LINKS.read_text(encoding="utf-8").replace(
        'uncertainty = "0.5 °F"', 'uncertainty = "0.5 °F"\ntolerance = "1 °F"\ncheck_every = "168 h"'
    )
    sheet = plan_sheet(load_plan(text), "links.toml")
    assert "core-1 checked every 168 h, allowed error 1 °F" in fields(sheet, "cook: lethality")["Verification"]
    assert ("core-1", "core", "in the lot", "0.5 °F", "1 °F", "168 h") in sheet.probes


def test_exempt_humidity_claims_no_monitoring() -> None:
    """Nothing is measured, so nothing is said of probes and actions; the exemption's conditions are."""
    told = fields(sheet_of(LINKS), "cook: humid")
    assert set(told) == {"Limit", "Source"}
    assert "after a positive Salmonella result" in told["Limit"]
    assert "FSIS-GD-2021-14, p. 31, 33" in told["Limit"]


def test_operating_limits_stand_apart_from_critical_ones(demo: PlanSheet) -> None:
    """In every form, after them."""
    text = sheet_text(demo)
    first = text.index("CRITICAL LIMITS")
    assert first < text.index("cook: lethality") < text.index("OPERATING LIMITS") < text.index("grind: grind cold")


def test_rooms_with_no_lot_have_their_part(demo: PlanSheet) -> None:
    """Standing limits."""
    assert [e.title for e in demo.parts[-1].entries] == ["room cooler-1: cooler air"]


def test_nothing_is_worded_as_a_verdict_on_food(demo: PlanSheet) -> None:
    """A limit is met or not."""
    assert not re.search(r"\bsafe\b", sheet_text(demo), re.IGNORECASE)


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        (spec.Ceiling(fahrenheit(40), HOUR), "At most 40 °F; 1 h above it in one excursion is allowed."),
        (spec.Floor(fahrenheit(135)), "At least 135 °F, at every reading."),
        (spec.Exposure((spec.Tier(fahrenheit(70), 2 * HOUR),)), "Above 70 °F for no more than 2 h in sum."),
        (spec.Dwell(12 * HOUR, fahrenheit(38), None, True), "At least 12 h at or below 38 °F, without a break."),
        (spec.ComeUp(10.0, fahrenheit(130), 6 * HOUR), "No more than 6 h between 50 °F and 130 °F, until lethality is met."),
        (spec.IntegratedLethality(60.0, MINUTE, 50 / 9, 60.0, 7.0, "A. Nobody"), "A sum of 7 log10 with D = 1 min at 140 °F, z = 10 °F"),
        (spec.Cooling(60.0, (spec.Window(21.0, 2 * HOUR), spec.Window(5.0, None, 6 * HOUR))), "To 41 °F within 6 h of the start."),
        (
            spec.Cooling(60.0, (spec.Window(5.0, HOUR),), ((spec.Need("nitrite_ppm", 100),),)),
            "Only for a lot with nitrite_ppm at least 100",
        ),
        (spec.Profile((spec.Stage(50.0, HOUR),), fire_out=(10.0, 10 * MINUTE)), "1. 122 °F for 1 h. A fall of 18 °F within 10 min"),
        (spec.Humidity(90.0, 0.25, HOUR), "Relative humidity of at least 90 % for 25 % of the cook or 1 h, whichever is longer."),
        (spec.Humidity(None, None, HOUR), "Continuous steam or a sealed oven for 1 h, as minutes entered for the lot (humid_min)."),
        (
            spec.DegreeHours(fahrenheit(60), (spec.Band(None, 32.0, 1200 * 5 / 9),), 5.3),
            "at most 1200 °F h where the highest chamber temperature is below 89.6 °F.",
        ),
        (spec.Composition("nitrite_ppm", 120, 156), "nitrite_ppm: at least 120 and at most 156."),
    ],
    ids=lambda value: type(value).__name__ if not isinstance(value, str) else "",
)
def test_every_kind_has_its_words(rule: object, words: str) -> None:
    """In the site's unit, in full sentences."""
    assert words in " ".join(limit_words(rule, "F"))


def test_no_kind_is_left_without_words() -> None:
    """A kind that is added later must say what it asks."""
    for kind in spec.KIND_OF:
        assert limit_words.dispatch(kind) is not limit_words.dispatch(object), kind


# --- the writers --------------------------------------------------------------------------------------------------------------


def sentences(sheet: PlanSheet) -> set[str]:
    """Everything that any form must hold."""
    held = {sheet.title, sheet.sha256, *sheet.unsaid, *sheet.cautions, *(w for _, w in sheet.marks), *(t for _, t in sheet.documents)}
    for part in sheet.parts:
        held |= {part.title, *(v for _, v in part.facts), *(left for _, _, left in part.steps)}
        for entry in part.entries:
            held |= {entry.title, *(s for _, several in entry.fields for s in several)}
    return held | {cell for row in sheet.probes for cell in row}


@pytest.mark.parametrize("path", [DEMO, LINKS], ids=["demo", "links"])
def test_text_and_markdown_hold_every_sentence_of_the_sheet(path: Path) -> None:
    """One model, two writers; each line of the text fits 100 characters."""
    sheet = sheet_of(path)
    text, markdown = sheet_text(sheet), sheet_markdown(sheet)
    assert max(len(line) for line in text.splitlines()) <= 100
    # A cell's sentences lie in a column of their own, so that column is read alone.
    column = flat(
        " ".join(line[26:] if line.startswith("  ") and not line.startswith(("  1", "  2")) else line for line in text.splitlines())
    )
    for sentence in sentences(sheet):
        assert flat(sentence) in flat(markdown), sentence
        assert flat(sentence) in column or flat(sentence) in flat(text), sentence


def test_markdown_table_is_not_broken_by_a_bar_or_a_tag() -> None:
    """A hazard text is a person's, and may hold anything."""
    text = DEMO.read_text(encoding="utf-8").replace("its toxin survives the cook.", "toxin | <b>heat</b> *stable*", 1)
    markdown = sheet_markdown(plan_sheet(load_plan(text), "plan.toml"))
    assert r"toxin \| \<b\>heat\</b\> \*stable\*" in markdown


@pytest.fixture(scope="module")
def pages(demo: PlanSheet, tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """The text of each page of the PDF, as pdftotext (Poppler) reads it."""
    path = tmp_path_factory.mktemp("sheet") / "plan.pdf"
    write_pdf(path, demo, letter=True)
    tool = shutil.which("pdftotext")
    assert tool is not None, "pdftotext of poppler-utils is needed to read PDFs back"
    text = subprocess.run([tool, "-raw", str(path), "-"], capture_output=True, text=True, timeout=60, check=True).stdout
    return [flat(page) for page in text.split("\f") if page.strip()]


def test_pdf_holds_every_sentence_of_the_sheet(demo: PlanSheet, pages: list[str]) -> None:
    """Nothing is cut off; what the page's font lacks is set as near as it comes."""
    near = {"≤": "<=", "≥": ">=", "’": "'"}
    whole = re.sub(r"\s", "", " ".join(pages))
    for sentence in sentences(demo):
        for letter, as_set in near.items():
            sentence = sentence.replace(letter, as_set)  # noqa: PLW2901 — the sentence as the PDF has it
        # A sentence that goes over a page's end has the foot in its middle, so its two halves are looked for.
        words = re.sub(r"\s", "", sentence)
        half = len(words) // 2
        assert words in whole or (words[: half // 2] in whole and words[-half // 2 :] in whole), sentence


def test_every_page_has_number_and_sum_of_the_plan(demo: PlanSheet, pages: list[str]) -> None:
    """Which plan it was, and that no page is missing."""
    assert len(pages) > 3
    for number, page in enumerate(pages, 1):
        assert f"page {number} of {len(pages)}" in page
        assert f"plan.toml, SHA-256 {demo.sha256}" in page


def test_same_plan_gives_the_same_bytes(tmp_path: Path) -> None:
    """A sheet can be compared by its sum."""
    sums = set()
    for name in ("one.pdf", "two.pdf"):
        write_pdf(tmp_path / name, sheet_of(DEMO), letter=False)
        sums.add(hashlib.sha256((tmp_path / name).read_bytes()).hexdigest())
    assert len(sums) == 1


def test_endless_word_in_a_plan_does_not_break_the_sheet(tmp_path: Path) -> None:
    """A name without a space is broken, not cut off."""
    text = DEMO.read_text(encoding="utf-8").replace("Juniper venison-and-pork links", "J" * 300, 1).replace("smeared fat.", "x" * 400, 1)
    sheet = plan_sheet(load_plan(text), "plan.toml")
    assert max(len(line) for line in sheet_text(sheet).splitlines()) <= 100
    write_pdf(tmp_path / "plan.pdf", sheet, letter=True)


# --- the commands --------------------------------------------------------------------------------------------------------------


@pytest.fixture
def call(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """Run the command as the shell does: exit code, standard output, standard error."""

    def run(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["larderer", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        return int(ended.value.code or 0), out, err

    return run


def test_sheet_command_prints_or_writes(call: Callable[..., tuple[int, str, str]], tmp_path: Path) -> None:
    """Text by default, Markdown, a PDF."""
    assert call("plan", "sheet", DEMO)[:2] == (0, sheet_text(sheet_of(DEMO)))
    assert call("plan", "sheet", DEMO, "--markdown")[:2] == (0, sheet_markdown(sheet_of(DEMO)))
    assert call("plan", "sheet", DEMO, "--pdf", tmp_path / "plan.pdf")[0] == 0
    assert (tmp_path / "plan.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("sheet", DEMO, "--pdf", "nowhere/plan.pdf"), "nowhere/plan.pdf cannot be written"),
        (("sheet", DEMO, "--pdf", "plan.pdf", "--markdown"), "two forms of one sheet"),
        (("rehearse", DEMO, "links"), 'the plan has no product "links"; write one of juniper-links, sage-turkey-links'),
        (("rehearse", LINKS, "links", "--diameter", "3 m"), "write one between 5 mm and 500 mm"),
        (("rehearse", LINKS, "links", "--start", "cold"), "temperature is 'cold'"),
        (("rehearse", LINKS, "links", "--step", "bath"), '--step is "bath"; write the step and its surroundings'),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_mistake_on_the_command_line_is_one_sentence(
    call: Callable[..., tuple[int, str, str]], words: tuple[object, ...], sentence: str
) -> None:
    """Exit code 2, nothing on standard output, no traceback."""
    code, out, err = call("plan", *words)
    assert (code, out) == (2, "")
    assert sentence in err
    assert len(err.strip().splitlines()) == 1


def test_rehearse_command_tells_assumptions_steps_and_limits(call: Callable[..., tuple[int, str, str]]) -> None:
    """Exit code 0 where every rehearsed limit would be met; it says that it is a model, and no verdict on a lot."""
    code, out, _ = call("plan", "rehearse", LINKS, "links", "--step", "dry = for 45 min", "--step", "bath = 60 °F water for 5 min")
    assert code == 0
    assert "arithmetic on stated assumptions and no verdict on a lot" in flat(out)
    assert re.search(r"0 h 45\s+stage 2\s+150 °F air", out)
    assert "Time with the core between 50 °F and 130 °F on the way up:" in out
    assert re.search(r"would be met\s+cook: lethality \(lethality, critical\)", out)
    assert re.search(r"80 °F reached at \d h \d\d, .* before its deadline", flat(out))
    assert "mix: nitrite: it lies before the cook." in out
    assert max(len(line) for line in out.splitlines()) <= 100


def test_rehearse_command_fails_where_a_limit_would_be_missed(call: Callable[..., tuple[int, str, str]]) -> None:
    """Exit code 1, and when the mark would come."""
    code, out, _ = call("plan", "rehearse", DEMO, "juniper-links", "--diameter", "100mm", "--chamber", "170 °F")
    assert code == 1
    assert re.search(r"WOULD BE MISSED\s+bath: stabilization", out)
    assert re.search(r"80 °F reached at \d+ h \d\d on the model", out)
