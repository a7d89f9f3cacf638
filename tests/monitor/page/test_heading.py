"""Where a lot is heading, what would still meet its limits, and what a deviation may have let grow, as people are shown it."""

from __future__ import annotations

import math
import re
from typing import Any

import httpx
import pytest

from tests.monitor.page.test_plain import text_of


def _chill(site: Any, minutes: int, *, air: float, tau: float) -> None:
    """A lot in the cooler, its cores falling towards the air as heat conduction has it, read every 15 s."""
    site.cooked()
    site.desk.step(site.hand(), "J-0412", "chill")
    site.run(2, 15, core_1=(148, 147), core_2=(147, 146), cooler_air=(air, air), house_air=(170, 170))

    def core(minute: int, start: float) -> float:
        return air + (start - air) * math.exp(-minute / tau)

    for m in range(minutes):
        cores = {"core_1": (core(m, 147), core(m + 1, 147)), "core_2": (core(m, 146), core(m + 1, 146))}
        site.run(1, 15, cooler_air=(air, air), house_air=(170, 170), **cores)


def test_lot_heading_out_is_told_on_the_page_and_rings(site: Any, plain: Any) -> None:
    """The expected time stands beside the deadline on both pages; the alarm says what would still make it; the view has the numbers."""
    _chill(site, 75, air=60, tau=120)
    plain.sign_in("operator")
    for path in ("/", "/lots/J-0412"):
        told = text_of(plain.get(path))
        assert re.search(r"core-[12]: 80 °F expected \d\d:\d\d to \d\d:\d\d; it must be by \d\d:\d\d", told), told
    assert re.search(r"what would still meet it|80 °F is due in", told), told
    (alarm,) = [a for a in site.desk.alarms() if a["key"].startswith("heading-out/")]
    assert "heading out of its limit" in alarm["what"]
    assert re.search(r"\d °F or colder around it from now on would still make it", str(alarm)), alarm
    lot = site.desk.lot("J-0412")
    first = next(f for f in lot["forecasts"] if f["kind"] == "cooling" and f["probe"] == "core-1")
    assert first["earliest"] < first["expected"] < first["latest"]
    assert first["due"] < first["earliest"]
    assert first["air_c"] == pytest.approx(15.56, abs=0.1)
    remedy = next(w for one in lot["limits"] if one["limit"] == "stabilization" for w in one["watches"])["evidence"]["remedy"]
    assert remedy["every"][0]["by_at"] == first["due"]
    assert "the probe must read 79.5 °F" in remedy["text"]


def test_deviation_of_a_cooling_shows_the_growth_that_models_predict(site: Any, plain: Any) -> None:
    """For whoever writes the corrective action: on the record's page and in the API, with its caveats, and changing nothing."""
    _chill(site, 130, air=60, tau=120)
    plain.sign_in("operator")
    record = next(d for d in site.desk.deviations() if d["limit"] == "stabilization")
    told = text_of(plain.get(f"/deviations/{record['id']}"))
    assert re.search(r"Predicted growth over what core-1 read from \d\d:\d\d to \d\d:\d\d: at most \d\.\d\d log10 by CP-", told), told
    assert "It makes no limit met" in told
    assert "The limit stays as it was judged." in told
    assert not re.search(r"\bsafe\b", told)
    growth = site.desk.growth("J-0412", record["step"], "stabilization")
    assert {one["probe"] for one in growth} == {"core-1", "core-2"}
    assert all(one["predictions"][0]["log10"] >= one["predictions"][-1]["log10"] > 0 for one in growth)
    answer: httpx.Response = plain.get(f"/api/v1/deviations/{record['id']}")
    assert [one["probe"] for one in answer.json()["growth"]] == [one["probe"] for one in growth]
    assert site.desk.deviation(record["id"])["verdict"] == "deviated"
