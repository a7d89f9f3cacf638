"""Growth predicted over a lot's own curve: which stretch, what gaps become, which models, and that no verdict minds it."""

from __future__ import annotations

import math
from typing import Any

import pytest

from rules.engine import Engine
from rules.growth_over_lot import CAVEAT, add_growth, words
from rules.history import arrange
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.quantity import fahrenheit, format_instant
from rules.reading import HOUR, MINUTE, SECOND, Event, Instant, LotEvent, Reading, Tick
from rules.science.growth import model, models, predict

START: Instant = 1_772_366_400_000_000

# Ferncliff Yard, an invented site; every figure is invented.
TEXT = """
[site]
id = "ferncliff"
unit = "F"
[[probe]]
id = "core-1"
place = "core"
uncertainty = "0.9 °F"
[[product]]
code = "links"
cured = CURED
[[product.step]]
name = "cook"
[[product.step.limit]]
name = "lethality"
kind = "lethality"
rows = [{ at = "145 °F", for = "4 min" }]
[[product.step]]
name = "chill"
[[product.step.limit]]
name = "stabilization"
kind = "cooling"
start = "130 °F"
windows = [{ to = "80 °F", within = "90 min" }]
"""


def _plan(*, cured: bool = False) -> Plan:
    return load_plan(TEXT.replace("CURED", str(cured).lower()))


def _events(*, gap: tuple[int, int] = (0, 0), tau: float = 180.0, cooked: bool = True, until: int = 480) -> list[Event]:
    """A cook, then a cooling with a time constant of `tau` minutes in air at 40 °F, a reading a minute but for `gap`."""
    events: list[Event] = [LotEvent(START, "start", "J-1", "links"), LotEvent(START, "place", "J-1", "core-1")]
    events += [Reading("core-1", START + m * MINUTE, fahrenheit(150 if cooked else 140)) for m in range(6)]
    events += [LotEvent(START + 5 * MINUTE + SECOND, "step", "J-1", "chill")]
    for m in range(6, until):
        if not gap[0] <= m < gap[1]:
            events.append(Reading("core-1", START + m * MINUTE, fahrenheit(40 + 105 * math.exp(-(m - 6) / tau))))
    return [*events, LotEvent(START + until * MINUTE, "end", "J-1")]


def _judged(plan: Plan, events: list[Event]) -> tuple[dict[str, Any], dict[str, Any]]:
    """The cooling limit as judged, and the whole report, with growth."""
    engine, arranged = Engine(plan), arrange(events)
    for event in arranged:
        engine.feed(event)
    engine.feed(Tick(arranged[-1].at))
    report = engine.report()
    add_growth(report, plan, arranged)
    return next(x for x in report["lots"][0]["limits"] if x["limit"] == "stabilization"), report


def test_growth_is_predicted_from_the_clocks_start_to_the_last_mark_the_worst_model_first() -> None:
    """The figure is that of the published model over the same readings, the probe's uncertainty added."""
    limit, _ = _judged(_plan(), _events())
    (told,) = limit["growth"]
    assert limit["verdict"] == "deviated"
    assert told["probe"] == "core-1"
    clock = limit["watches"][0]["evidence"]["clock_at"]
    assert told["from_at"] == clock
    figures = [p["log10"] for p in told["predictions"]]
    assert figures == sorted(figures, reverse=True)
    rows = [e for e in _events() if isinstance(e, Reading)]
    start = next(i for i, r in enumerate(rows) if r.celsius + 0.5 < fahrenheit(130.9)) - 1
    end = next(i for i, r in enumerate(rows) if r.at > rows[start].at and r.celsius + 0.5 < fahrenheit(80))
    curve = [(r.at, r.celsius + 0.5) for r in rows[start : end + 1]]
    worst = told["predictions"][0]
    assert worst["log10"] == pytest.approx(predict(model(worst["model"]), curve).log10, abs=0.02)
    assert 0.1 < worst["log10"] < 6.0


def test_cooked_lot_asks_only_models_of_spore_formers_and_one_that_was_not_cooked_asks_all() -> None:
    """A cook leaves spores; where the lethality was not met nothing may be left out. Those that cannot answer say why."""
    cooked = _judged(_plan(), _events())[0]["growth"][0]
    assert {p["organism"].split(",")[0] for p in cooked["predictions"]} == {"C. perfringens", "C. botulinum"}
    raw = _judged(_plan(), _events(cooked=False))[0]["growth"][0]
    assert any(p["organism"].startswith("Salmonella") for p in raw["predictions"])
    assert len(raw["predictions"]) + len(raw["refused"]) == len(models())
    assert any("needs pH" in text for text in raw["refused"])


def test_gap_is_taken_at_the_temperature_between_its_ends_at_which_the_model_grows_fastest() -> None:
    """What was not measured is never better than what was; the time unseen is said."""
    seen = _judged(_plan(), _events())[0]["growth"][0]
    unseen = _judged(_plan(), _events(gap=(30, 150)))[0]["growth"][0]
    assert unseen["unmeasured_s"] == 121 * 60
    assert any("2 h 1 min of it was not measured" in note for note in unseen["notes"])
    by_name = {p["model"]: p["log10"] for p in seen["predictions"]}
    for prediction in unseen["predictions"]:
        assert prediction["log10"] > by_name[prediction["model"]]


def test_cured_product_is_an_upper_bound_by_models_without_nitrite() -> None:
    """In words too; the caveat stands with every figure, and nothing is called what it may not be called."""
    plan = _plan(cured=True)
    told = _judged(plan, _events())[0]["growth"][0]
    assert all(p["upper_bound"] for p in told["predictions"] if p["model"].startswith("CP-"))
    sentences = words(told, plan.site.zone, START)
    assert "at most" in sentences[0]
    assert CAVEAT in sentences
    assert any("upper bound" in text for text in sentences)
    assert not any(word in " ".join(sentences).lower() for word in ("safe", "harmless"))


def test_limit_that_was_met_asks_for_no_growth_and_no_verdict_minds_it() -> None:
    """Fast enough: no key at all. Deviated: the report but for the key is what the engine gave."""
    assert "growth" not in _judged(_plan(), _events(tau=60.0))[0]
    plan, events = _plan(), _events()
    engine = Engine(plan)
    for event in arrange(events):
        engine.feed(event)
    engine.feed(Tick(events[-1].at))
    limit, report = _judged(plan, events)
    del limit["growth"]
    assert report == engine.report()


def test_come_up_that_took_too_long_is_predicted_until_it_was_hot() -> None:
    """From the first reading to the first of two at or above `high`; Salmonella and the others are asked."""
    text = TEXT.replace("CURED", "false").replace(
        '[[product.step.limit]]\nname = "lethality"',
        '[[product.step.limit]]\nname = "come-up"\nkind = "come-up"\nlow = "50 °F"\nhigh = "130 °F"\nwithin = "2 h"\n'
        '[[product.step.limit]]\nname = "lethality"',
    )
    plan = load_plan(text)
    events: list[Event] = [LotEvent(START, "start", "J-1", "links"), LotEvent(START, "place", "J-1", "core-1")]
    events += [Reading("core-1", START + m * MINUTE, fahrenheit(40 + 0.5 * m)) for m in range(220)]
    events.append(LotEvent(START + 4 * HOUR, "end", "J-1"))
    report = _judged(plan, events)[1]
    limit = next(x for x in report["lots"][0]["limits"] if x["limit"] == "come-up")
    (told,) = limit["growth"]
    assert limit["verdict"] == "deviated"
    assert told["from_at"] == "2026-03-01T12:00:00Z"
    assert told["to_at"] == "2026-03-01T15:02:00Z", "130.9 °F, the uncertainty in it, at 182 min"
    assert any(p["organism"].startswith("Salmonella") for p in told["predictions"])


def test_readings_that_the_engine_found_suspect_are_left_out() -> None:
    """A core that reads the air has not cooled: the curve is that of the readings which were believed."""
    air = '[[room]]\nid = "box"\nkind = "cooler"\n[[probe]]\nid = "air-1"\nplace = "cooler"\nroom = "box"\n[[product]]'
    text = TEXT.replace("CURED", "false").replace("[[product]]", air, 1).replace('name = "chill"\n', 'name = "chill"\nroom = "box"\n')
    out = 60  # minutes: it slips out of the link, and reads the air from then on

    def events(*, told: bool) -> list[Event]:
        core = [e for e in _events() if not isinstance(e, Reading) or e.at < START + out * MINUTE]
        core += [Reading("core-1", START + m * MINUTE, fahrenheit(40), suspect="out" if told else "") for m in range(out, 480)]
        return [*core, *(Reading("air-1", START + m * MINUTE - SECOND, fahrenheit(40)) for m in range(1, 480))]

    plan = load_plan(text.replace('name = "cook"\n', 'name = "cook"\nroom = "box"\n'))
    limit, report = _judged(plan, events(told=False))
    assert limit["verdict"] == "unproven"
    assert report["lots"][0]["suspect"] == {"core-1": [[format_instant(START + out * MINUTE), format_instant(START + 479 * MINUTE)]]}
    (found,) = limit["growth"]
    assert found["to_at"] == format_instant(START + (out - 1) * MINUTE)
    said_by_source, _ = _judged(plan, events(told=True))
    assert said_by_source["growth"] == [found]
