"""A schedule on the heat-transfer model: what it assumes, how it moves through the steps, and that the real engine judges it."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest

from rules.errors import RehearsalError
from rules.limits.spec import Stage
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.quantity import fahrenheit, parse_instant, to_fahrenheit
from rules.reading import HOUR, MINUTE
from rules.rehearsal.oven import Oven, come_up
from rules.rehearsal.play import Rehearsal, rehearse
from rules.rehearsal.settings import Settings, Stay, assumptions, parse_stay
from rules.science.conduction import SAUSAGE

LINKS = (Path(__file__).parent / "plans" / "rehearsal" / "links.toml").read_text(encoding="utf-8")
DEMO = (Path(__file__).parents[2] / "monitor" / "demo" / "plan.toml").read_text(encoding="utf-8")
STAYS = {"dry": Stay(length=45 * MINUTE), "bath": Stay(fahrenheit(60), 5 * MINUTE, True)}


def played(text: str = LINKS, product: str = "links", **settings: Any) -> Rehearsal:
    plan: Plan = load_plan(text)
    settings = {"diameter_m": 0.03, "stays": STAYS if text == LINKS else {}, **settings}
    return rehearse(plan, plan.product_by_code[product], Settings(**settings))


@pytest.fixture(scope="module")
def links() -> Rehearsal:
    """The sound schedule, played once."""
    return played()


def verdicts(found: Rehearsal) -> dict[str, str]:
    return {x["limit"]: x["verdict"] for x in found.lot["limits"]}


def test_thin_links_on_a_brisk_schedule_would_meet_every_limit(links: Rehearsal) -> None:
    """30 mm in two hours."""
    found = links
    assert verdicts(found) == {"schedule": "met", "come-up": "met", "lethality": "met", "cooling": "met"}


def test_thick_piece_would_miss_its_cooling() -> None:
    """100 mm in still cooler air: about 89 min for 130 to 80 °F in air at h 20 already (HT8), and the come-up takes hours."""
    found = played(DEMO, "juniper-links", diameter_m=0.1, chamber_c=fahrenheit(170))
    assert verdicts(found)["stabilization"] == "deviated"
    assert found.in_band > 2 * HOUR


def test_what_is_missed_is_cooled_to_its_end() -> None:
    """A person sees when it would be cold."""
    found = played(DEMO, "juniper-links", diameter_m=0.1, chamber_c=fahrenheit(170))
    assert found.core_c[-1] < fahrenheit(40)


@pytest.mark.parametrize("across_mm", [8, 12, 20])
def test_thin_piece_in_ice_water_is_not_taken_for_a_probe_that_fell_out(across_mm: int) -> None:
    """It passes the temperature of the room's air within seconds."""
    text = LINKS.replace("[[product]]", '[[probe]]\nid = "counter-air"\nplace = "room"\nroom = "counter"\n\n[[product]]', 1)
    found = played(text, diameter_m=across_mm / 1000.0, stays={**STAYS, "bath": Stay(0.5, 10 * MINUTE, True)})
    assert verdicts(found)["cooling"] == "met"


def test_slow_schedule_would_miss_the_come_up() -> None:
    """Six hours at 120 °F keep the core in the band."""
    text = LINKS.replace('{ set = "130 °F", for = "45 min" }', '{ set = "120 °F", for = "6 h" }')
    found = played(text, stays={**STAYS, "dry": Stay(length=6 * HOUR)})
    assert verdicts(found)["come-up"] == "deviated"
    assert found.in_band > 6 * HOUR


def test_schedule_that_ends_short_would_miss_its_lethality() -> None:
    """It is over when it is over; nobody waits for the core."""
    stages = 'stages = [{ set = "130 °F", for = "45 min" }, { set = "150 °F", for = "10 min" }]'
    text = "\n".join(stages if line.startswith("stages") else line for line in LINKS.splitlines())
    found = played(text, stays=STAYS)
    assert verdicts(found)["lethality"] == "deviated"


def test_band_time_is_that_of_the_engine_without_the_probe_s_uncertainty() -> None:
    """The model's own sum, and the watch's with a core probe of no uncertainty, are one."""
    found = played(LINKS.replace('uncertainty = "0.5 °F"', 'uncertainty = "0 °F"'), stays=STAYS)
    (watch,) = next(x for x in found.lot["limits"] if x["limit"] == "come-up")["watches"]
    assert watch["evidence"]["certain_s"] == pytest.approx(found.in_band / 1e6, abs=20)


def test_cooling_begins_where_the_cook_ends_and_runs_through_bath_and_chill(links: Rehearsal) -> None:
    """Marks in order, after the end of the cook."""
    found = links
    bath = next(e for e in found.entered if e.step == "bath")
    (watch,) = next(x for x in found.lot["limits"] if x["limit"] == "cooling")["watches"]
    marks = [parse_instant(w["mark_at"]) for w in watch["evidence"]["windows"]]
    assert bath.at < marks[0] < marks[1] < found.length


def test_steps_and_stages_are_told_in_order(links: Rehearsal) -> None:
    """Each with what surrounds the piece; the optional step is left out unless its stay is given."""
    found = links
    assert [e.step.strip() for e in found.entered] == ["dry", "cook", "stage 2", "stage 3", "bath", "chill"]
    assert [e.at for e in found.entered] == sorted(e.at for e in found.entered)
    assert next(e for e in found.entered if e.step == "bath").surroundings == "water"
    bloomed = played(stays={**STAYS, "bloom": Stay(length=20 * MINUTE)})
    assert "bloom" in [e.step for e in bloomed.entered]


def test_profile_waits_for_the_core_as_its_watch_does(links: Rehearsal) -> None:
    """The last stage ends at a core of 152 °F less nothing: the probe's 0.5 °F is waited for too."""
    found = links
    bath = next(e for e in found.entered if e.step == "bath")
    assert 152.4 < to_fahrenheit(bath.core_c) < 153.5


def test_what_a_model_of_heat_cannot_know_is_named(links: Rehearsal) -> None:
    """Steps before the cook, hand checks, compositions, humidity."""
    found = links
    assert ("mix", "nitrite", "it lies before the cook") in found.left_out
    assert ("cook", "humid", "nothing is measured: exempt (casing)") in found.left_out
    damp = LINKS.replace('exempt = "casing"', 'min_rh = "90 %"\nat_least = "1 h"\nsource = "ours"\nplace = "humidity"')
    assert ("cook", "humid", "the model knows nothing of it") in played(damp, stays=STAYS).left_out


def test_needs_of_a_cooling_are_entered_and_told(links: Rehearsal) -> None:
    """Otherwise nothing could be rehearsed; a person is told to measure the real ones."""
    assert links.measures == {"nitrite_ppm": 100.0, "erythorbate_ppm": 250.0}


def test_same_plan_and_settings_give_the_same_rehearsal(links: Rehearsal) -> None:
    """No clock and no chance in it."""
    first, second = links, played()
    assert dataclasses.astuple(first) == dataclasses.astuple(second)


def test_bathing_longer_cools_sooner() -> None:
    """The model answers to its surroundings."""
    longer = played(stays={**STAYS, "bath": Stay(fahrenheit(60), 20 * MINUTE, True)})
    shorter = played(stays={**STAYS, "bath": Stay(fahrenheit(60), 1 * MINUTE, True)})

    def first_mark(found: Rehearsal) -> int:
        (watch,) = next(x for x in found.lot["limits"] if x["limit"] == "cooling")["watches"]
        return parse_instant(watch["evidence"]["windows"][0]["mark_at"])

    assert first_mark(longer) < first_mark(shorter)


@pytest.mark.parametrize("product", ["juniper-links", "sage-turkey-links"])
def test_demo_s_products_can_be_rehearsed(product: str) -> None:
    """With one chamber temperature, where the plan has no profile."""
    found = played(DEMO, product, chamber_c=fahrenheit(170))
    assert set(verdicts(found).values()) == {"met"}


def test_product_without_a_profile_asks_for_the_chamber() -> None:
    """Nothing is guessed."""
    text = LINKS.replace('kind = "profile"', 'kind = "ceiling"\nplace = "chamber"\nmax = "190 °F"')
    text = "\n".join(line for line in text.splitlines() if not line.startswith("stages"))
    with pytest.raises(RehearsalError, match='give --chamber "170 °F"'):
        played(text, stays={})


def test_product_that_is_not_cooked_is_refused() -> None:
    """There is nothing to rehearse."""
    text = LINKS.split('[[product.step]]\nname = "dry"')[0]
    with pytest.raises(RehearsalError, match="links has no cook"):
        played(text, stays={})


def test_plan_without_a_core_probe_is_refused() -> None:
    """Nothing would be judged."""
    text = LINKS.replace('[[probe]]\nid = "core-1"\nplace = "core"\nuncertainty = "0.5 °F"\n', "")
    with pytest.raises(RehearsalError, match="no core probe"):
        played(text, stays={})


def test_stay_of_an_unknown_step_is_refused() -> None:
    """With the steps there are."""
    with pytest.raises(RehearsalError, match='links has no step "bathe"; write one of mix, dry, cook, bath, bloom, chill'):
        played(stays={"bathe": Stay(length=MINUTE)})


@pytest.mark.parametrize(
    ("text", "stay"),
    [
        ("bath = 60 °F water for 10 min", Stay(pytest.approx(fahrenheit(60)), 10 * MINUTE, True)),
        ("bath=60F", Stay(pytest.approx(fahrenheit(60)))),
        ("bloom = for 30 min", Stay(length=30 * MINUTE)),
        ("chill = 2 °C for 1.5 h", Stay(2.0, 90 * MINUTE)),
    ],
)
def test_stay_is_read(text: str, stay: Stay) -> None:
    """Temperature, water and time, any of them left out."""
    assert parse_stay(text)[1] == stay


@pytest.mark.parametrize("text", ["bath", "bath = ", "bath = warm for 5 min", "bath = 60 °F for ever", "= 60 °F"])
def test_stay_that_cannot_be_read_is_one_sentence(text: str) -> None:
    """It says what to write."""
    with pytest.raises(RehearsalError, match="write"):
        parse_stay(text)


def test_assumptions_name_their_sources_and_marks() -> None:
    """Diffusivity, coefficients, temperatures: each says where it comes from or that it is invented."""
    plan = load_plan(LINKS)
    text = " ".join(assumptions(plan.products[0], Settings(0.03), "F"))
    for words in ("30 mm", "1.33e-07 m²/s", "mark M+", "read in a copy: S", "no source", "invented", "Nothing evaporates"):
        assert words in text


def test_oven_goes_through_its_stages() -> None:
    """By time and by core; the last one stays on."""
    oven = Oven((Stage(50.0, 10 * MINUTE), Stage(80.0, None, 70.0)))
    oven.pass_time(9 * MINUTE, 20.0)
    assert oven.celsius == 50.0
    oven.pass_time(MINUTE, 20.0)
    assert oven.celsius == 80.0
    oven.pass_time(HOUR, 69.9)
    assert not oven.done
    oven.pass_time(MINUTE, 70.0)
    assert oven.done
    assert oven.celsius == 80.0


def test_come_up_of_a_core_that_starts_above_the_band_is_nothing() -> None:
    """Only time inside it counts."""
    found = come_up((Stage(80.0, 2 * HOUR),), 0.03, SAUSAGE, 60.0, (10.0, 54.4))
    assert found.inside == 0
    assert found.through
