"""Plans of the kinds that judge a process: what they load to, and what is laxer than a book."""

from __future__ import annotations

import pytest

from rules.errors import PlanError
from rules.limits.spec import Band, Composition, DegreeHours, Humidity, Profile, Stage
from rules.plan import Limit, Plan
from rules.plan_load import load_plan
from rules.quantity import fahrenheit
from rules.reading import HOUR, MINUTE
from rules.strictness import laxer

HEAD = """
[site]
unit = "F"
[[probe]]
id = "chamber-1"
place = "chamber"
[[probe]]
id = "wet-1"
place = "wet-bulb"
"""
RH = """[[probe]]
id = "rh-1"
place = "humidity"
uncertainty = "2 %"
span = "0 % to 100 %"
max_rate = "5 %/min"
"""


def plan(limit: str, probes: str = "") -> Plan:
    """The plan of one step and one limit."""
    return load_plan(f"{HEAD}{probes}[[product]]\ncode = 'links'\n[[product.step]]\nname = 'cook'\n[[product.step.limit]]\n{limit}")


def one(limit: str, probes: str = "") -> Limit:
    """Its limit."""
    return plan(limit, probes).products[0].steps[0].limits[0]


def test_profile_is_operating_and_of_the_chamber() -> None:
    """Without a word about either."""
    limit = one("""kind = "profile"
stages = [{ set = "130 °F", for = "1 h" }, { set = "170 °F", until_core = "152 °F" }]
tolerance = "9 °F"
settle = "20 min"
fire_out = "18 °F in 10 min"
""")
    stages = (Stage(fahrenheit(130), HOUR), Stage(fahrenheit(170), None, fahrenheit(152)))
    assert limit.rule == Profile(stages, 5.0, 20 * MINUTE, (10.0, 10 * MINUTE))
    assert (limit.place, limit.critical, limit.max_gap) == ("chamber", False, HOUR)


def test_profile_s_defaults() -> None:
    """Five degrees Celsius, a quarter of an hour, no rule for the fire."""
    rule = one("kind = 'profile'\nstages = [{ set = '55 °C', for = '1 h' }]").rule
    assert rule == Profile((Stage(55.0, HOUR),), 5.0, 15 * MINUTE, None)


@pytest.mark.parametrize("share", ["'25 %'", "0.25"])
def test_share_of_the_cook_is_per_cent_or_a_number(share: str) -> None:
    """Both are a quarter."""
    rule = one(f"kind = 'humidity'\nmin_rh = '90 %'\nshare = {share}\nat_least = '60 min'").rule
    assert rule == Humidity(90.0, 0.25, HOUR)


def test_humidity_is_taken_from_a_humidity_probe_where_there_is_one() -> None:
    """Otherwise from wet and dry bulb."""
    text = "kind = 'humidity'\nmin_rh = '90 %'\nshare = '50 %'"
    assert one(text).place == "wet-bulb"
    assert one(text, RH).place == "humidity"
    assert one(f"{text}\nplace = 'wet-bulb'", RH).place == "wet-bulb"


def test_humidity_probe_is_described_in_per_cent() -> None:
    """Its uncertainty, span and fastest change are points of relative humidity."""
    probe = plan("kind = 'humidity'\nmin_rh = '90 %'\nshare = '50 %'", RH).probe_by_id["rh-1"]
    assert (probe.uncertainty_c, probe.span_c) == (2.0, (0.0, 100.0))
    assert probe.max_rate_c_s == pytest.approx(5 / 60)


def test_only_chamber_probe_of_the_room_is_the_dry_bulb() -> None:
    """Nobody has to write what can only be so."""
    assert plan("kind = 'humidity'\nmin_rh = '90 %'\nshare = '50 %'").probe_by_id["wet-1"].dry_bulb == "chamber-1"


def test_several_chamber_probes_are_no_mistake_where_no_pair_is_asked() -> None:
    """A wet bulb that is only recorded needs no dry one."""
    other = "[[probe]]\nid = 'chamber-2'\nplace = 'chamber'\n"
    assert plan("kind = 'ceiling'\nplace = 'chamber'\nmax = '90 °C'", other).probe_by_id["wet-1"].dry_bulb is None
    with pytest.raises(PlanError, match="several chamber probes could be its dry bulb; write dry_bulb = one of chamber-1, chamber-2"):
        plan("kind = 'humidity'\nmin_rh = '90 %'\nshare = '50 %'", other)


def test_steam_is_judged_on_what_is_entered() -> None:
    """No probe serves a limit without min_rh."""
    limit = one("kind = 'humidity'\nbook = 'us-inspected-2021/humidity-option-1'")
    assert isinstance(limit.rule, Humidity)
    assert (limit.rule.min_rh, limit.rule.share, limit.rule.at_least, limit.place) == (None, 0.5, HOUR, "lot")


def test_exemption_carries_its_situation_and_source() -> None:
    """What the lot's record shows in place of a measurement."""
    limit = one("kind = 'humidity'\nexempt = 'casing'")
    assert isinstance(limit.rule, Humidity)
    assert (limit.rule.exempt, limit.place) == ("casing", "lot")
    assert "casing" in limit.rule.exempt_text
    assert "(FSIS-GD-2021-14, p. " in limit.rule.exempt_text
    assert "mark O)" in limit.rule.exempt_text


def test_degree_hours_in_fahrenheit_and_celsius_are_the_same() -> None:
    """A difference times a time: no 32."""
    text = "kind = 'degree-hours'\nbase = '{}'\nlimit = '{}'\nuntil_ph = 5.3"
    warm, cool = one(text.format("59 °F", "1800 °F h")).rule, one(text.format("15 °C", "1000 °C h")).rule
    assert warm == cool == DegreeHours(15.0, (Band(None, None, 1000.0),), 5.3)


def test_degree_hours_of_a_book_have_its_rows() -> None:
    """By the highest chamber temperature."""
    rule = one("kind = 'degree-hours'\nplace = 'core'\nbook = 'canada/degree-hours'").rule
    assert rule == DegreeHours(15.6, (Band(None, 33.0, 665.0), Band(33.0, 37.0, 555.0), Band(37.0, None, 500.0)), 5.3)


def test_composition_is_named_by_its_measure() -> None:
    """Or has a title, and says the measure."""
    named = one("kind = 'composition'\nname = 'nitrite_ppm'\nmin = 120\nmax = 156")
    titled = one("kind = 'composition'\nname = 'ingoing nitrite'\nmeasure = 'nitrite_ppm'\nmax = 156")
    assert (named.rule, named.name, named.place) == (Composition("nitrite_ppm", 120.0, 156.0), "nitrite_ppm", "lot")
    assert (titled.rule, titled.name) == (Composition("nitrite_ppm", None, 156.0), "ingoing nitrite")


OPTION_3 = "kind = 'humidity'\nbook = 'us-inspected-2021/humidity-option-3'\n"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (OPTION_3 + "min_rh = '85 %'", "min_rh is 85 % where the book has 90 %; write that or more"),
        (OPTION_3 + "share = '20 %'", "share is 20 % where the book has 25 %; write that or more"),
        (OPTION_3 + "at_least = '59 min'", "at_least is 59 min where the book has 1 h; write that or more"),
    ],
)
def test_humidity_laxer_than_its_book_is_a_mistake(text: str, says: str) -> None:
    """Each of its figures on its own."""
    with pytest.raises(PlanError) as caught:
        one(text)
    assert f"the limit is laxer than its book us-inspected-2021/humidity-option-3: {says}" in str(caught.value)


def test_humidity_stricter_than_its_book_loads() -> None:
    """And what it leaves out is the book's."""
    rule = one(OPTION_3 + "min_rh = '95 %'\nshare = '50 %'").rule
    assert rule == Humidity(95.0, 0.5, HOUR)


def test_composition_is_compared_with_its_book() -> None:
    """A bound outside the book's, or left out, is laxer; a measure that is not the table's is no such limit."""
    book = Composition("nitrite_ppm", 120.0, 156.0)
    assert laxer(Composition("nitrite_ppm", 120.0, 156.0), book, "F") == ""
    assert laxer(Composition("nitrite_ppm", 130.0, 150.0), book, "F") == ""
    assert laxer(Composition("nitrite_ppm", 100.0, 156.0), book, "F") == "min is 100 where the book has 120; write that or more"
    assert laxer(Composition("nitrite_ppm", 120.0), book, "F") == "max is left out where the book has 156; write that or less"
    assert laxer(Composition("salt_pct", 2.0), book, "F") == ""


def test_profile_is_as_its_book_has_it() -> None:
    """Other stages cannot be shown to ask as much; a wider tolerance asks less."""
    book = Profile((Stage(60.0, HOUR),), 5.0, 15 * MINUTE)
    assert laxer(book, book, "F") == ""
    assert "its stages are not the book's" in laxer(Profile((Stage(61.0, HOUR),), 5.0, 15 * MINUTE), book, "F")
    assert laxer(Profile(book.stages, 6.0, 15 * MINUTE), book, "F") == "tolerance is 10.8 °F where 9 °F is usual; write that or less"
    assert laxer(Profile(book.stages, 5.0, 20 * MINUTE), book, "F") == "settle is 20 min where 15 min is usual; write that or less"
