"""A lot judged on its schedule, its humidity and its cure, on the real service: what the pages say and what rings."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from rules.reading import Reading

MORE = """
[[probe]]
id = "rh-1"
place = "humidity"
room = "house-1"
uncertainty = "2 %"

[[product]]
code = "smoked"
name = "Smoked links"
cured = true
[[product.step]]
name = "smoke"
room = "house-1"
[[product.step.limit]]
name = "schedule"
kind = "profile"
stages = [{ set = "150 °F", for = "2 h" }]
tolerance = "9 °F"
settle = "5 min"
fire_out = "20 °F in 10 min"
source = "ours, invented"
do = ["Look at the chamber."]
[[product.step.limit]]
name = "humid"
kind = "humidity"
min_rh = "90 %"
at_least = "60 min"
source = "ours, invented"
do = ["Open the steam."]
[[product.step.limit]]
name = "nitrite_ppm"
kind = "composition"
min = 120
max = 156
source = "ours, invented"
do = ["Hold the lot."]
"""


@pytest.fixture
def smoking(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Any:
    """The tests' site with a humidity probe and a product that is smoked by a schedule, ten minutes into it."""
    here = str(Path(__file__).with_name("conftest.py"))
    conftest = next(p for p in request.config.pluginmanager.get_plugins() if getattr(p, "__file__", "") == here)
    monkeypatch.setattr(conftest, "PLAN", conftest.PLAN + MORE)
    site = request.getfixturevalue("site")
    site.desk.start_lot(site.hand(), "smoked", lot="S-1")
    for _ in range(10):
        _read(site, 150, 94)
    return site


def _read(site: Any, chamber_f: float, rh: float) -> None:
    site.wait(1)
    site.read(house_air=chamber_f)
    site.service.intake.readings([Reading("rh-1", site.clock(), rh)]).result(10)


def _alarms(site: Any) -> list[tuple[str, str]]:
    return [(one["what"], one["priority"]) for one in site.desk.alarms()]


def test_pages_say_per_cent_and_what_is_still_asked(smoking: Any, plain: Any) -> None:
    """Ninety-four per cent is nowhere a temperature; the cure is asked for by name."""
    plain.sign_in("operator")
    for path in ("/", "/probes"):
        text = plain.get(path).text
        assert "94 %" in text
        assert "201.2" not in text
    text = plain.get("/lots/S-1").text
    assert "9 min" in text
    assert "nitrite_ppm 120 to 156" in text
    assert "is to be entered" in text
    assert "201.2" not in text


def test_chamber_off_its_schedule_rings_until_it_is_back_and_a_fire_that_is_out_until_seen(smoking: Any) -> None:
    """One alarm for the chamber, medium, over when it is back; one for the fire, high."""
    assert _alarms(smoking) == []
    for chamber in (140.0, 138.0, 129.0, 128.0):
        _read(smoking, chamber, 94)
    assert sorted(_alarms(smoking)) == [("schedule fire out?", "high"), ("schedule off its set temperature", "medium")]
    for chamber in (140.0, 150.0, 150.0):
        _read(smoking, chamber, 94)
    standing = {one["what"]: one["state"] for one in smoking.desk.alarms()}
    assert set(standing) == {"schedule fire out?", "schedule off its set temperature"}
    assert standing["schedule off its set temperature"] != standing["schedule fire out?"]  # returned, and not yet acknowledged


def test_cure_entered_in_parts_is_judged_at_once(smoking: Any, plain: Any) -> None:
    """156.25 ppm is a quarter of a part too much: a deviation record, and the sentence has the figure."""
    for name, value in (("cure_g", "125"), ("cure_nitrite_pct", "6.25"), ("weight_kg", "50")):
        smoking.desk.measure(smoking.hand(), "S-1", name, value)
    (limit,) = [x for x in smoking.service.pipeline.report()["lots"][0]["limits"] if x["limit"] == "nitrite_ppm"]
    assert limit["verdict"] == "deviated"
    assert limit["watches"][0]["reason"] == "nitrite_ppm 156.25, 120 to 156 needed"
    assert [what for what, _ in _alarms(smoking)] == ["nitrite_ppm limit not met"]
