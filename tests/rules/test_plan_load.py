"""Plans: what they load to, every mistake's sentence, and what a check says of them."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from rules.book import load_table
from rules.book_text import check_text
from rules.errors import PlanError
from rules.limits.spec import (
    Ceiling,
    ComeUp,
    Cooling,
    Dwell,
    Exposure,
    HoldLethality,
    IntegratedLethality,
    Need,
    Tier,
    Window,
)
from rules.plan import Limit, Plan
from rules.plan_check import check_plan
from rules.plan_load import load_plan
from rules.quantity import fahrenheit
from rules.reading import HOUR, MINUTE, SECOND

PLANS = Path(__file__).parent / "plans"
DEMO = Path(__file__).parents[2] / "monitor" / "demo" / "plan.toml"
BAD = sorted((PLANS / "bad").glob("*.toml"))

HEAD = """
[site]
id = "yard"
unit = "F"
timezone = "America/Chicago"
books = ["us-inspected-2021"]
[[probe]]
id = "core-1"
place = "core"
uncertainty = "0.5 °F"
max_rate = "3 °C/min"
span = "-40 °C to 150 °C"
[[product]]
code = "links"
species = "meat"
fat = "12 %"
[[product.step]]
name = "cook"
"""


def one(limit: str, head: str = HEAD) -> Limit:
    """The limit of a plan of one step and one limit."""
    return load_plan(f"{head}[[product.step.limit]]\nname = 'x'\n{limit}").products[0].steps[0].limits[0]


def expected(text: str) -> list[str]:
    """The sentences that a fixture expects: its comments on top."""
    lines = text.splitlines()
    return [line[2:] for line in lines[: next(i for i, line in enumerate(lines) if not line.startswith("# "))]]


def complaints(text: str) -> list[str]:
    """What loading says against a plan, or, where it loads, the errors of its check."""
    try:
        plan = load_plan(text)
    except PlanError as error:
        return list(error.problems)
    return [f"plan.toml, line {r.line}: error: {r.sentence}" for r in check_plan(plan) if r.severity == "error"]


@pytest.mark.parametrize("path", BAD, ids=lambda p: p.stem)
def test_mistake_gets_its_sentence(path: Path) -> None:
    """Each fixture is named by its mistake and begins with the sentences it must get, no more and no fewer."""
    text = path.read_text(encoding="utf-8")
    assert complaints(text) == expected(text)


def test_every_fixture_expects_something() -> None:
    """A fixture without a sentence would prove nothing."""
    assert len(BAD) > 80
    assert all(expected(p.read_text(encoding="utf-8")) for p in BAD)


@pytest.mark.parametrize("path", [*sorted((PLANS / "good").glob("*.toml")), DEMO], ids=lambda p: p.stem)
def test_good_plan_checks_without_error(path: Path) -> None:
    """Nothing in it keeps it from being used."""
    plan = load_plan(path.read_text(encoding="utf-8"), path.name)
    assert [r for r in check_plan(plan) if r.severity == "error"] == []


def test_plan_is_known_by_the_sum_of_its_text() -> None:
    """SHA-256 of the UTF-8 bytes."""
    text = DEMO.read_text(encoding="utf-8")
    assert load_plan(text).sha256 == hashlib.sha256(text.encode()).hexdigest()


def test_demo_plan_has_the_rooms_and_steps_of_its_day() -> None:
    """From grinder to cooler, the counter included."""
    plan = load_plan(DEMO.read_text(encoding="utf-8"))
    links = plan.product_by_code["juniper-links"]
    assert [s.name for s in links.steps] == ["grind", "mix", "stuff", "cure", "cook", "bath", "bloom", "chill", "hold"]
    assert {s.room for s in links.steps} == set(plan.room_by_id)
    bath = links.step("bath")
    assert bath is not None
    assert bath.limits[0].over == ("bath", "bloom", "chill")


def test_mistakes_are_told_all_at_once_in_the_file_s_order() -> None:
    """Nobody has to run a check as often as there are mistakes."""
    with pytest.raises(PlanError) as caught:
        load_plan((PLANS / "bad" / "three-mistakes-at-once.toml").read_text(encoding="utf-8"), "mine.toml")
    assert len(caught.value.problems) == 3
    assert all(p.startswith("mine.toml, line ") for p in caught.value.problems)


def test_probe_keys_are_read() -> None:
    """Differences take no 32; a rate is per second."""
    plan = load_plan(HEAD + "[[product.step.limit]]\nkind = 'ceiling'\nplace = 'core'\nmax = '41 °F'\n")
    probe = plan.probes[0]
    assert probe.uncertainty_c == pytest.approx(0.5 * 5 / 9)
    assert probe.max_rate_c_s == pytest.approx(0.05)
    assert probe.span_c == (-40.0, 150.0)
    assert plan.products[0].fat_pct == 12.0


def test_plan_without_rooms_is_one_room() -> None:
    """No [[room]] is no mistake, and no remark."""
    plan = load_plan(HEAD + "[[product.step.limit]]\nkind = 'ceiling'\nplace = 'core'\nmax = '41 °F'\nsource = 'ours'\ndo = ['x']\n")
    assert plan.rooms == ()
    assert check_plan(plan) == []


def test_ceiling_is_read_with_its_defaults() -> None:
    """Deadband 0.5 °C, nothing allowed, core every 15 min, critical, guarded."""
    limit = one('kind = "ceiling"\nplace = "core"\nmax = "41 °F"')
    assert limit.rule == Ceiling(pytest.approx(5.0), 0, 0.5)
    assert (limit.max_gap, limit.critical, limit.guard, limit.kind) == (15 * MINUTE, True, True, "ceiling")


def test_deadband_is_a_difference() -> None:
    """2 °F of deadband is 1.11 °C."""
    rule = one('kind = "ceiling"\nplace = "core"\nmax = "34 °F"\ndeadband = "2 °F"').rule
    assert isinstance(rule, Ceiling)
    assert rule.deadband_c == pytest.approx(10 / 9)


def test_sampled_limit_may_be_a_fifth_late() -> None:
    """1.2 times the time between two checks."""
    limit = one('kind = "ceiling"\nplace = "core"\nmax = "34 °F"\nsampled = "15 min"')
    assert (limit.sampled, limit.max_gap) == (15 * MINUTE, 18 * MINUTE)


def test_every_kind_can_be_written_out() -> None:
    """The keys of the plan format, kind by kind."""
    assert one('kind = "exposure"\nplace = "core"\ntiers = [{ above = "21 °C", within = "2 h" }]').rule == Exposure((Tier(21.0, 2 * HOUR),))
    assert one('kind = "dwell"\nplace = "core"\nmax = "4 °C"\nfor = "12 h"\ncontiguous = true').rule == Dwell(12 * HOUR, 4.0, None, True)
    assert one('kind = "come-up"\nlow = "10 °C"\nhigh = "54 °C"\nwithin = "6 h"').rule == ComeUp(10.0, 54.0, 6 * HOUR)
    hold = one('kind = "lethality"\nrows = [{ at = "70 °C", for = "2 min" }, { at = "65 °C", for = "10 min" }]').rule
    assert isinstance(hold, HoldLethality)
    assert [(r.at_c, r.length) for r in hold.rows] == [(65.0, 10 * MINUTE), (70.0, 2 * MINUTE)]
    rule = one(
        'kind = "cooling"\nstart = "60 °C"\nwindows = [{ to = "21 °C", within = "2 h" }, { to = "5 °C", by = "6 h" }]\n'
        'needs = [{ nitrite_ppm = 100, brine_pct = 3.5 }, { nitrite_ppm = 40 }]\nbegin_within = "90 min"'
    ).rule
    needs = ((Need("nitrite_ppm", 100.0), Need("brine_pct", 3.5)), (Need("nitrite_ppm", 40.0),))
    assert rule == Cooling(60.0, (Window(21.0, 2 * HOUR), Window(5.0, None, 6 * HOUR)), needs, 90 * MINUTE)


def test_written_out_sum_needs_no_method() -> None:
    """Its keys say which method it is."""
    rule = one(
        'kind = "lethality"\nreference = "140 °F"\nd_value = "111 s"\nz_value = "10 °F"\nfloor = "130 °F"\ntarget_log = 7\n'
        'validated_by = "A. Nobody"'
    ).rule
    assert rule == IntegratedLethality(
        pytest.approx(60.0), 111 * SECOND, pytest.approx(50 / 9), pytest.approx(fahrenheit(130)), 7.0, "A. Nobody"
    )


def test_limit_of_a_book_takes_rows_and_citation() -> None:
    """The record can name document, page, date and mark."""
    limit = one('kind = "lethality"\nbook = "us-inspected-2021/meat-6.5-log"\nmethod = "hold"')
    assert limit.rule == load_table("us-inspected-2021/meat-6.5-log").rule()
    assert [(c.document, c.mark) for c in limit.citations] == [("FSIS-GD-2021-14", "O")]


def test_stricter_figures_than_the_book_load() -> None:
    """A shorter come-up than the published one is the plant's own choice."""
    rule = one('kind = "come-up"\nbook = "us-inspected-2021/come-up"\nwithin = "5 h"').rule
    assert rule == ComeUp(pytest.approx(10.0), pytest.approx(fahrenheit(130)), 5 * HOUR)


@pytest.mark.parametrize(("fat", "minutes"), [("", 33.7), ('fat = "12 %"', 33.7), ('fat = "2.5 %"', 28.5), ('fat = "30 %"', 33.7)])
def test_poultry_times_follow_the_product_s_fat(fat: str, minutes: float) -> None:
    """Turkey at 140 °F: FSIS-GD-2021-14 table 4, p. 38."""
    head = HEAD.replace('fat = "12 %"', fat).replace('"meat"', '"turkey"')
    rule = one('kind = "lethality"\nbook = "us-inspected-2021/turkey-7-log"', head).rule
    assert isinstance(rule, HoldLethality)
    assert next(r.length for r in rule.rows if abs(r.at_c - 60.0) < 1e-9) == round(minutes * MINUTE)


@pytest.mark.parametrize(
    ("when", "fields"),
    [
        ("after 12 h", ("after", 12 * HOUR, None, None)),
        ("core <= 40 °F for 10 min", ("core", 10 * MINUTE, pytest.approx(fahrenheit(40)), None)),
        ("core >= 60 °C for 1 min", ("core", MINUTE, None, 60.0)),
        ("lethality met", ("lethality met", 0, None, None)),
    ],
)
def test_advance_is_read(when: str, fields: tuple[object, ...]) -> None:
    """The four ways to leave a step by what the probes show."""
    limit = '[[product.step.limit]]\nkind = "lethality"\nbook = "us-inspected-2021/meat-6.5-log"\n'
    step = load_plan(f'{HEAD}advance = {{ when = "{when}", how = "auto", confirm_within = "20 min" }}\n{limit}').products[0].steps[0]
    assert step.advance is not None
    a = step.advance
    assert (a.when, a.length, a.at_most_c, a.at_least_c) == fields
    assert (a.how, a.confirm_within, a.text) == ("auto", 20 * MINUTE, when)


def test_lethality_that_began_earlier_lets_a_later_step_advance() -> None:
    """A limit that runs over the step counts as the step's own."""
    text = (
        HEAD
        + '[[product.step.limit]]\nkind = "lethality"\nover = ["cook", "finish"]\nbook = "us-inspected-2021/meat-6.5-log"\n'
        + '[[product.step]]\nname = "finish"\nadvance = { when = "lethality met" }\n'
    )
    assert load_plan(text).products[0].steps[1].advance is not None


def remarks(limit: str, head: str = HEAD) -> list[tuple[str, str]]:
    """Severity and sentence of what a check says of one limit."""
    return [(r.severity, r.sentence) for r in check_plan(load_plan(f"{head}[[product.step.limit]]\nname = 'x'\n{limit}"))]


def test_confirmed_row_from_memory_still_shows_its_mark() -> None:
    """A confirmation is named, and the mark is not forgotten."""
    found = remarks('kind = "cooling"\nbook = "us-inspected-2021/cooling-option-1"\nconfirmed = "O. Marsh"')
    assert any(s == "note" and "M+ (from memory" in text and "confirmed by O. Marsh" in text for s, text in found)
    assert not any(s == "error" for s, _ in found)


def test_unconfirmed_row_of_an_operating_limit_is_a_warning() -> None:
    """A person is told, and may go on."""
    found = remarks('kind = "ceiling"\nclass = "operating"\nplace = "core"\nbook = "trade-practice/grind-cold"')
    assert any(s == "warning" and "marked M (from memory, unverified" in text for s, text in found)


def test_unconfirmed_book_table_can_still_be_judged_by() -> None:
    """Loading says nothing of it: only the check does."""
    assert isinstance(one('kind = "cooling"\nbook = "us-inspected-2021/cooling-option-1"').rule, Cooling)


def test_unstated_uncertainty_is_pointed_out() -> None:
    """It is taken as 0, which favours the lot."""
    found = remarks('kind = "ceiling"\nplace = "core"\nmax = "41 °F"', HEAD.replace('uncertainty = "0.5 °F"\n', ""))
    assert any(s == "warning" and "uncertainty is not stated" in text for s, text in found)


def test_rows_below_140_are_warned_of() -> None:
    """McMinn et al. 2018, Meat Muscle Biol. 2(1):168-179 (abstract)."""
    low = remarks('kind = "lethality"\nrows = [{ at = "135 °F", for = "36 min" }]\nsource = "ours"')
    high = remarks('kind = "lethality"\nrows = [{ at = "140 °F", for = "12 min" }]\nsource = "ours"')
    assert any("McMinn" in text for _, text in low)
    assert not any("McMinn" in text for _, text in high)


def test_late_ring_of_a_critical_limit_is_warned_of() -> None:
    """on_delay is for doors and defrost, not for a critical limit."""
    ceiling = 'kind = "ceiling"\nplace = "core"\nmax = "41 °F"\non_delay = "10 min"\n'
    assert any("on_delay lets a critical limit ring" in text for _, text in remarks(ceiling))
    operating = remarks(ceiling + 'class = "operating"\nallowed = "5 min"')
    assert any("rings after the limit is passed" in text for _, text in operating)


def test_validated_laxer_limit_is_a_warning() -> None:
    """A person who confirmed it took the decision; the plan still says so."""
    rows = 'kind = "lethality"\nrows = [{ at = "145 °F", for = "2 min" }]\nsource = "ours"\n'
    assert any(s == "error" and "laxer than every table" in text for s, text in remarks(rows))
    confirmed = remarks(rows + 'confirmed = "A. Nobody, 2026-01-12, study 7"')
    assert any(s == "warning" and "laxer than every table" in text for s, text in confirmed)
    assert not any(s == "error" for s, _ in confirmed)


def test_steps_between_cook_and_cooling_are_watched_by_the_cooling() -> None:
    """Cooling opens as soon as lethality is met, so a bath without a limit of its own is no mistake."""
    text = (
        HEAD
        + '[[product.step.limit]]\nkind = "lethality"\nbook = "us-inspected-2021/meat-6.5-log"\n'
        + '[[product.step]]\nname = "bath"\n[[product.step]]\nname = "chill"\n'
        + '[[product.step.limit]]\nkind = "cooling"\nbook = "us-inspected-2021/cooling-option-1"\nconfirmed = "O. Marsh"\n'
    )
    assert not [r for r in check_plan(load_plan(text)) if "no limit watches it" in r.sentence]


def test_check_is_printed_with_file_line_and_count() -> None:
    """One remark a line, so that an editor can jump to it."""
    plan: Plan = load_plan((PLANS / "bad" / "step-without-limit.toml").read_text(encoding="utf-8"))
    text = check_text(plan, check_plan(plan), "mine.toml")
    assert "mine.toml, line 27: error: product links, step bath: no limit watches it" in text
    assert "1 error, no warnings, 1 note." in text
    assert "does not replace" in text


def test_stuck_after_of_a_lonely_probe_is_told() -> None:
    """Only a second probe that moves shows that the first one sticks."""
    limit = "[[product.step.limit]]\nkind = 'ceiling'\nplace = 'core'\nmax = '41 °F'\nsource = 'ours'\ndo = ['x']\n"
    text = HEAD.replace('id = "core-1"\n', 'id = "core-1"\nstuck_after = "30 min"\n') + limit
    (remark,) = check_plan(load_plan(text))
    assert remark.severity == "warning"
    assert "stuck_after cannot find out that it sticks" in remark.sentence
    second = text.replace("[[product]]", '[[probe]]\nid = "core-2"\nplace = "core"\nuncertainty = "0.5 °F"\n[[product]]', 1)
    assert check_plan(load_plan(second)) == []
