"""What a plan check says of conditions, humidity, schedules and the way through the steps: one small plan a remark."""

from __future__ import annotations

from pathlib import Path

import pytest

from rules.checks.remark import PlanRemark
from rules.plan_check import check_plan
from rules.plan_load import load_plan

HEAD = """
[site]
id = "yard"
unit = "F"
timezone = "America/Chicago"
books = ["us-inspected-2021"]
[[room]]
id = "house"
kind = "chamber"
[[room]]
id = "cooler"
kind = "cooler"
[[probe]]
id = "core-1"
place = "core"
uncertainty = "0.5 °F"
[[probe]]
id = "air"
place = "chamber"
room = "house"
uncertainty = "1 °F"
[[probe]]
id = "damp"
place = "humidity"
room = "house"
uncertainty = "2 %"
[[product]]
code = "links"
"""
COOK = """
[[product.step]]
name = "cook"
room = "house"
[[product.step.limit]]
name = "come-up"
kind = "come-up"
book = "us-inspected-2021/come-up"
do = ["x"]
[[product.step.limit]]
name = "lethality"
kind = "lethality"
book = "us-inspected-2021/meat-6.5-log"
do = ["x"]
"""
FROM_145 = 'book = "us-inspected-2021/meat-6.5-log"\nrows = [{ at = "145 °F", for = "4 min" }]'
EXEMPT = '[[product.step.limit]]\nname = "humid"\nkind = "humidity"\nexempt = "casing"\n'
CHILL = """
[[product.step]]
name = "chill"
room = "cooler"
[[product.step.limit]]
name = "cooling"
kind = "cooling"
book = "us-inspected-2021/cooling-option-1"
confirmed = "A. Nobody"
do = ["x"]
"""


def step(name: str, room: str = "house", more: str = "") -> str:
    return f'[[product.step]]\nname = "{name}"\nroom = "{room}"\n{more}'


def limit(name: str, text: str) -> str:
    return f'[[product.step.limit]]\nname = "{name}"\n{text}\ndo = ["x"]\nsource = "ours"\n'


def profile(stages: str, more: str = 'max_gap = "10 min"') -> str:
    return f'[[product.step.limit]]\nname = "schedule"\nkind = "profile"\nclass = "operating"\nstages = [{stages}]\n{more}\ndo = ["x"]\n'


def remarks(*parts: str, head: str = HEAD) -> list[PlanRemark]:
    return check_plan(load_plan(head + "".join(parts)))


def said(found: list[PlanRemark], words: str) -> list[PlanRemark]:
    return [r for r in found if words in r.sentence]


def severities(found: list[PlanRemark], words: str) -> list[str]:
    return [r.severity for r in said(found, words)]


def test_sound_plan_gets_no_error_and_only_what_a_person_must_know() -> None:
    """The plan that every case below spoils in one place."""
    found = remarks(COOK, EXEMPT, CHILL)
    assert [r for r in found if r.severity == "error"] == []
    assert [r.sentence.split(": ", 1)[1][:45] for r in found if r.severity == "warning"] == [
        "rows below 140 °F are met by holds that a stu"
    ]


def test_every_remark_names_a_line() -> None:
    """An editor can jump to it."""
    found = remarks(COOK, profile('{ set = "120 °F", for = "5 min" }'), CHILL)
    assert len(found) > 5
    assert all(r.line > 0 for r in found)


# --- conditions of a cooling option ---------------------------------------------------------------------------------------

CURED = HEAD.replace('code = "links"\n', 'code = "links"\ncured = true\n')
OPTION_3 = CHILL.replace("cooling-option-1", "cooling-option-3")
NITRITE = limit("nitrite", 'kind = "composition"\nmeasure = "nitrite_ppm"\nmin = 120\nmax = 156')
ERYTHORBATE = limit("erythorbate", 'kind = "composition"\nmeasure = "erythorbate_ppm"\nmin = 250')


def test_need_that_no_step_asks_for_is_told() -> None:
    """Option 3 needs nitrite and erythorbate entered before the cooling opens."""
    found = remarks(COOK, EXEMPT, OPTION_3, head=CURED)
    (remark,) = said(found, "it needs nitrite_ppm and erythorbate_ppm, and no step of links asks for it")
    assert remark.severity == "warning"
    assert 'measure = "nitrite_ppm"' in remark.sentence


def test_need_that_is_asked_before_the_cook_is_not_told() -> None:
    """Both composition limits at a step before."""
    found = remarks(step("mix", "cooler"), NITRITE, ERYTHORBATE, limit("cold", 'kind = "ceiling"\nplace = "core"\nmax = "40 °F"'),
                    COOK, EXEMPT, OPTION_3, head=CURED)  # fmt: skip
    assert said(found, "it needs") == []


def test_need_asked_for_only_when_the_cooling_is_open_is_an_error() -> None:
    """The cooling opens with the end of the cook, so a value entered at the chill comes too late."""
    found = remarks(COOK, EXEMPT, OPTION_3, NITRITE, ERYTHORBATE, head=CURED)
    assert severities(found, "before the cooling opens, and the plan asks for it in a later step") == ["error"]


def test_composition_laxer_than_the_need_is_told() -> None:
    """A lot with 80 ppm would pass the one and fail the other."""
    found = remarks(step("mix", "cooler"), NITRITE.replace("min = 120", "min = 80"), ERYTHORBATE, COOK, EXEMPT, OPTION_3, head=CURED)
    assert severities(found, "it needs at least nitrite_ppm 100, and the composition limit lets less through") == ["warning"]


def test_brine_may_be_made_of_salt_and_moisture() -> None:
    """docs/judging-choices.md, 27: brine_pct is computed where the two are entered."""
    option_4 = CHILL.replace("cooling-option-1", "cooling-option-4")
    salt = limit("salt", 'kind = "composition"\nmeasure = "salt_pct"\nmin = 2')
    moisture = limit("moisture", 'kind = "composition"\nmeasure = "moisture_pct"\nmax = 60')
    found = remarks(step("mix", "cooler"), NITRITE, salt, moisture, COOK, EXEMPT, option_4, head=CURED)
    assert said(found, "no step of links asks for it") == []


def test_water_activity_as_an_alternative_is_told_as_not_judged() -> None:
    """Option 4 knows it, and needs are least values."""
    found = remarks(COOK, EXEMPT, CHILL.replace("cooling-option-1", "cooling-option-4"), head=CURED)
    assert severities(found, "would take a water_activity of 0.92 or less instead of its needs") == ["note"]


def test_condition_that_no_watch_judges_is_told() -> None:
    """Cooling is continuous; option 2 is for fully cooked product."""
    found = remarks(COOK, EXEMPT, CHILL.replace("cooling-option-1", "cooling-option-2"))
    assert severities(found, "asks besides: fully cooked product; the cooling goes on without a stop until 40 °F; no watch") == ["note"]


def test_option_for_cured_product_is_refused_to_an_uncured_one() -> None:
    """The other side of what needs ask."""
    assert severities(remarks(COOK, EXEMPT, OPTION_3), "is for cured product, and links is uncured") == ["error"]


# --- humidity ----------------------------------------------------------------------------------------------------------------


def humid(text: str) -> str:
    return f'[[product.step.limit]]\nname = "humid"\nkind = "humidity"\n{text}\ndo = ["x"]\n'


def test_table_with_a_humidity_condition_and_no_humidity_limit_is_told() -> None:
    """FSIS-GD-2021-14 p. 23 and 26."""
    assert severities(remarks(COOK, CHILL), "goes with a humidity condition") == ["warning"]


def test_exemption_or_humidity_limit_answers_the_condition() -> None:
    """The exemption is shown with its source."""
    for answer in (EXEMPT, humid('book = "us-inspected-2021/humidity-option-3"')):
        assert said(remarks(COOK, answer, CHILL), "goes with a humidity condition") == []
    (remark,) = said(remarks(COOK, EXEMPT, CHILL), "exempt from humidity as casing")
    assert remark.severity == "note"
    assert "FSIS-GD-2021-14, p. 31, 33" in remark.sentence


def test_humidity_of_another_step_does_not_answer_it() -> None:
    """It has to run while the lethality does."""
    found = remarks(step("dry"), humid('book = "us-inspected-2021/humidity-option-3"'), COOK, CHILL)
    assert severities(found, "goes with a humidity condition") == ["warning"]


def test_option_by_steam_with_rows_below_145_is_an_error() -> None:
    """FSIS-GD-2021-14 p. 26: options 1 and 2 go with rows of 145 °F or more."""
    found = remarks(COOK, humid('book = "us-inspected-2021/humidity-option-1"'), CHILL)
    (remark,) = said(found, "is for rows of 145 °F or more")
    assert remark.severity == "error"
    assert "a row from 130 °F up would do" in remark.sentence
    high = COOK.replace('book = "us-inspected-2021/meat-6.5-log"', FROM_145)
    assert said(remarks(high, humid('book = "us-inspected-2021/humidity-option-1"'), CHILL), "is for rows of") == []
    assert said(remarks(COOK, humid('book = "us-inspected-2021/humidity-option-3"'), CHILL), "is for rows of") == []


def test_steam_written_out_is_held_to_the_same_rows() -> None:
    """No min_rh: judged on the minutes entered, as options 1 and 2 are."""
    assert severities(remarks(COOK, humid('share = "50 %"\nat_least = "60 min"'), CHILL), "is for rows of 145 °F or more") == ["error"]


@pytest.mark.parametrize(("set_to", "severity"), [("212 °F", []), ("213 °F", ["error"]), ("240 °F", ["error"])])
def test_humidity_that_air_so_hot_cannot_hold_is_an_error(set_to: str, severity: list[str]) -> None:
    """FSIS-GD-2021-14 p. 43: 90 % is impossible above 212 °F dry bulb."""
    found = remarks(COOK, humid('book = "us-inspected-2021/humidity-option-4"'), profile(f'{{ set = "{set_to}", for = "2 h" }}'), CHILL)
    assert severities(found, "90 % cannot be held at the") == severity


def test_share_of_the_cook_may_lie_in_its_cooler_stages() -> None:
    """A quarter of the cook at 90 % before a hot end: a person has to look."""
    stages = '{ set = "180 °F", for = "1 h" }, { set = "230 °F", for = "20 min" }'
    found = remarks(COOK, humid('book = "us-inspected-2021/humidity-option-3"'), profile(stages), CHILL)
    assert severities(found, "90 % cannot be held at the 230 °F of a stage of schedule") == ["warning"]


def test_chamber_floor_above_boiling_is_an_error_beside_humidity() -> None:
    """Without a profile the floor says how hot it is."""
    floor = limit("hot", 'kind = "floor"\nplace = "chamber"\nmin = "250 °F"')
    found = remarks(COOK, floor, humid('book = "us-inspected-2021/humidity-option-3"'), CHILL)
    assert severities(found, "cannot be held at the 250 °F of hot") == ["error"]


def test_humid_time_shorter_than_the_monitoring_interval_is_told() -> None:
    """It could not be shown."""
    found = remarks(COOK, humid('min_rh = "90 %"\nat_least = "60 min"\nmax_gap = "2 h"\nsource = "ours"'), CHILL)
    assert severities(found, "the monitoring interval of 2 h is longer than the humid time asked, 1 h") == ["error"]


def test_humidity_laxer_than_every_table_is_told() -> None:
    """A limit that names no book is held against the site's books."""
    found = remarks(COOK, humid('min_rh = "60 %"\nat_least = "30 min"\nsource = "ours"'), CHILL)
    assert severities(found, "limit humid: laxer than every table of the site's books") == ["error"]


# --- schedule ----------------------------------------------------------------------------------------------------------------

THICK = HEAD.replace('code = "links"\n', 'code = "links"\ndiameter = "90 mm"\n')


def test_slow_schedule_makes_the_come_up_unlikely() -> None:
    """90 mm through six hours at 125 °F is between 50 and 130 °F for longer than 6 h on the model."""
    found = remarks(COOK, EXEMPT, profile('{ set = "125 °F", for = "6 h" }, { set = "170 °F", for = "6 h" }'), CHILL, head=THICK)
    (remark,) = said(found, "a core of 90 mm from 40 °F is between 50 °F and 130 °F for longer than the 6 h of come-up")
    assert remark.severity == "warning"
    assert "larderer plan rehearse" in remark.sentence


def test_brisk_schedule_is_not_told() -> None:
    """The same piece at 170 °F throughout."""
    found = remarks(COOK, EXEMPT, profile('{ set = "170 °F", for = "8 h" }'), CHILL, head=THICK)
    assert said(found, "heat-transfer model") == []


def test_schedule_that_ends_before_the_core_is_through_is_told() -> None:
    """One hour at 170 °F leaves 90 mm cold."""
    found = remarks(COOK, EXEMPT, profile('{ set = "170 °F", for = "1 h" }'), CHILL, head=THICK)
    assert severities(found, "the schedule is over while a core of 90 mm reads") == ["warning"]


def test_schedule_without_a_diameter_asks_for_it() -> None:
    """Nothing can be tried on the model."""
    found = remarks(COOK, EXEMPT, profile('{ set = "170 °F", for = "2 h" }'), CHILL)
    assert severities(found, "without a diameter its schedule cannot be tried against come-up") == ["note"]


def test_schedule_cooler_than_every_row_is_an_error() -> None:
    """No core becomes hotter than its chamber."""
    high = COOK.replace('book = "us-inspected-2021/meat-6.5-log"', FROM_145)
    found = remarks(high, EXEMPT, profile('{ set = "140 °F", for = "2 h" }'), CHILL)
    assert severities(found, "no stage is hotter than 140 °F, where lethality begins at 145 °F") == ["error"]


def test_stage_that_waits_for_a_core_as_hot_as_its_chamber_is_an_error() -> None:
    """It never ends."""
    found = remarks(COOK, EXEMPT, profile('{ set = "150 °F", until_core = "150 °F" }'), CHILL)
    assert severities(found, "stage 1 waits for a core of 150 °F in a chamber of 150 °F") == ["error"]


def test_stage_within_its_settling_is_told() -> None:
    """Nothing of it would be judged."""
    found = remarks(COOK, EXEMPT, profile('{ set = "130 °F", for = "15 min" }, { set = "170 °F", for = "2 h" }'), CHILL)
    assert severities(found, "stage 1 lasts 15 min, and settle is 15 min") == ["warning"]


def test_stage_shorter_than_the_monitoring_interval_is_told() -> None:
    """It could pass between two readings."""
    found = remarks(COOK, EXEMPT, profile('{ set = "130 °F", for = "30 min" }, { set = "170 °F", for = "2 h" }', ""), CHILL)
    assert severities(found, "the monitoring interval of 1 h is longer than a stage, 30 min") == ["warning"]


# --- the way through the steps -----------------------------------------------------------------------------------------------

SMOKE_AUTO = step("smoke", more='advance = { when = "core >= 100 °F for 1 min", how = "auto" }\n')


def test_automatic_advance_that_carries_a_critical_ceiling_on_is_told() -> None:
    """docs/judging-choices.md, 12: it goes on beside the next step's limits."""
    ceiling = limit("not over", 'kind = "ceiling"\nplace = "chamber"\nmax = "140 °F"')
    (remark,) = said(remarks(SMOKE_AUTO, ceiling, COOK, EXEMPT, CHILL), "carries the critical ceiling not over into cook")
    assert remark.severity == "warning"
    operating = ceiling + 'class = "operating"\n'
    assert said(remarks(SMOKE_AUTO, operating, COOK, EXEMPT, CHILL), "carries the critical") == []
    asks = SMOKE_AUTO.replace('"auto"', '"ask"')
    assert said(remarks(asks, ceiling, COOK, EXEMPT, CHILL), "carries the critical") == []


def test_ceiling_that_is_meant_to_go_on_is_not_told() -> None:
    """over names the next step."""
    ceiling = limit("not over", 'kind = "ceiling"\nplace = "chamber"\nmax = "190 °F"\nover = ["smoke", "cook"]')
    assert said(remarks(SMOKE_AUTO, ceiling, COOK, EXEMPT, CHILL), "carries the critical") == []


def test_advance_into_another_room_is_not_told() -> None:
    """A person confirms it, which ends the step."""
    away = step("smoke", "cooler", 'advance = { when = "core >= 100 °F for 1 min", how = "auto" }\n')
    ceiling = limit("not over", 'kind = "ceiling"\nplace = "core"\nmax = "140 °F"')
    assert said(remarks(away, ceiling, COOK, EXEMPT, CHILL), "carries the critical") == []


AGAIN = COOK.replace('"cook"', '"recook"')


def test_second_lethality_after_the_cooling_must_be_optional() -> None:
    """The cooling opens once every lethality of a step that is not optional is met."""
    found = remarks(COOK, EXEMPT, CHILL, AGAIN, EXEMPT)
    assert severities(found, "the cooling of chill opens once every lethality is met") == ["error"]


def test_cooking_again_without_repeats_is_told() -> None:
    """The chill is entered a second time."""
    optional = AGAIN.replace('name = "recook"\n', 'name = "recook"\noptional = true\n')
    found = remarks(COOK, EXEMPT, CHILL, optional, EXEMPT)
    assert severities(found, "enters chill a second time, and its old watches would go on") == ["warning"]
    assert said(found, "opens once every lethality is met") == []
    repeats = CHILL.replace('name = "chill"\n', 'name = "chill"\nrepeats = true\n')
    assert said(remarks(COOK, EXEMPT, repeats, optional, EXEMPT), "a second time") == []


def test_two_cooks_before_one_cooling_are_no_cooking_again() -> None:
    """A cook in two stages."""
    found = remarks(COOK, EXEMPT, AGAIN, EXEMPT, CHILL)
    assert said(found, "opens once every lethality") == []
    assert said(found, "a second time") == []


def test_come_up_that_leaves_out_a_chamber_step_before_it_is_told() -> None:
    """The core warms while it dries."""
    dry = step("dry") + limit("dry air", 'kind = "ceiling"\nplace = "chamber"\nmax = "140 °F"\nclass = "operating"')
    (remark,) = said(remarks(dry, COOK, EXEMPT, CHILL), "limit come-up: the core warms in dry already")
    assert remark.severity == "warning"
    assert 'over = ["dry", "cook"]' in remark.sentence
    sour = step("ferment") + limit("sour", 'kind = "degree-hours"\nbase = "60 °F"\nlimit = "1000 °F h"\nuntil_ph = 5.3')
    assert said(remarks(sour, COOK, EXEMPT, CHILL), "already") == [], "fermenting meat is held by its degree-hours"
    cold = dry.replace('room = "house"', 'room = "cooler"').replace('"chamber"\nmax', '"core"\nmax')
    assert said(remarks(cold, COOK, EXEMPT, CHILL), "already") == []


def test_step_that_only_people_s_entries_watch_is_told() -> None:
    """Meat in it has no temperature limit."""
    found = remarks(step("mix", "cooler"), limit("salt", 'kind = "composition"\nmeasure = "salt_pct"\nmin = 2'), COOK, EXEMPT, CHILL)
    assert severities(found, "step mix: no limit watches a temperature while meat is in it") == ["warning"]


def test_limit_on_entries_needs_no_probe() -> None:
    """Nobody is asked to write a probe for a weight."""
    found = remarks(step("mix", "cooler"), limit("salt", 'kind = "composition"\nmeasure = "salt_pct"\nmin = 2'), COOK, EXEMPT, CHILL)
    assert said(found, "probe can serve it") == []


def test_probe_that_falls_silent_unheard_is_told() -> None:
    """Its silence rings only after the lethality has been without evidence for longer than its interval."""
    found = remarks(COOK, EXEMPT, CHILL, head=HEAD.replace('id = "core-1"\n', 'id = "core-1"\nsilent_after = "10 min"\n'))
    assert severities(found, "probe core-1: its silence rings after 10 min, when limit lethality") == ["warning"]


def test_marks_of_one_table_are_told_in_one_remark() -> None:
    """A table with rows of two marks is one thing to look after."""
    found = remarks(COOK, EXEMPT, CHILL)
    (remark,) = said(found, "cooling-option-1 has rows marked S (")
    assert " and M+ (from memory" in remark.sentence


def test_degree_hours_laxer_than_every_table_are_told() -> None:
    """The trade's book is one of the site's."""
    head = HEAD.replace('["us-inspected-2021"]', '["us-inspected-2021", "trade-practice"]')
    sour = limit("sour", 'kind = "degree-hours"\nbase = "60 °F"\nlimit = "2000 °F h"\nuntil_ph = 5.3')
    assert severities(remarks(step("ferment"), sour, COOK, EXEMPT, CHILL, head=head), "limit sour: laxer than every table") == ["error"]


def test_cook_that_is_left_at_a_bare_temperature_is_told() -> None:
    """145 °F for a minute is no hold of the table."""
    bare = COOK.replace('room = "house"\n', 'room = "house"\nadvance = { when = "core >= 145 °F for 1 min", how = "ask" }\n', 1)
    (remark,) = said(remarks(bare, EXEMPT, CHILL), "it is left at a core of 145 °F held for 1 min")
    assert remark.severity == "warning"
    assert 'when = "lethality met"' in remark.sentence
    met = bare.replace("core >= 145 °F for 1 min", "lethality met")
    assert said(remarks(met, EXEMPT, CHILL), "it is left at") == []


def test_cured_product_without_a_maximum_of_nitrite_is_told() -> None:
    """Cure is toxic in excess."""
    words = "no limit holds its nitrite below a maximum"
    assert severities(remarks(COOK, EXEMPT, CHILL, head=CURED), words) == ["note"]
    assert said(remarks(step("mix", "cooler"), NITRITE, COOK, EXEMPT, CHILL, head=CURED), words) == []
    assert said(remarks(COOK, EXEMPT, CHILL), words) == []


def test_demo_plan_gets_only_the_remarks_that_are_meant() -> None:
    """Two warnings that the rows of a published table bring with them, and notes; whoever changes it sees here what else they brought."""
    text = (Path(__file__).parents[2] / "monitor" / "demo" / "plan.toml").read_text(encoding="utf-8")
    found = [(r.severity, r.sentence) for r in check_plan(load_plan(text))]
    meant = (
        ("warning", "rows below 140 °F are met by holds that a study did not find supported"),
        ("note", "no limit looks at a room in counter; it is recorded only"),
        ("note", ", confirmed by O. Marsh, 2026-01-12, against the establishment's copy"),
        ("note", "exempt from humidity as casing"),
        ("note", "cure is toxic in excess, and no limit holds its nitrite below a maximum"),
        ("note", "asks besides: the cooling goes on without a stop"),
    )
    assert [f for f in found if not any(f[0] == severity and words in f[1] for severity, words in meant)] == []
    assert all(any(f[0] == severity and words in f[1] for f in found) for severity, words in meant)
