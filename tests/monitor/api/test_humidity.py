"""A humidity probe beside thermometers: its values are per cent wherever a person or a program reads them."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest

from monitor.charts.lot_chart import LotPicture
from rules.reading import MINUTE, LotEvent, Reading

RH = """
[[probe]]
id = "rh-1"
place = "humidity"
uncertainty = "2 %"

[[product]]"""


@pytest.fixture
def humid(engine: str, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Any:
    """The tests' site with a humidity probe in its plan."""
    here = str(Path(__file__).with_name("conftest.py"))
    conftest = next(p for p in request.config.pluginmanager.get_plugins() if getattr(p, "__file__", "") == here)
    monkeypatch.setattr(conftest, "PLAN", conftest.PLAN.replace("\n[[product]]", RH, 1))
    site = request.getfixturevalue("site")
    site.intake.readings([Reading("rh-1", site.clock(), 92.5), Reading("house-air", site.clock(), 65.0)]).result(10)
    return site


def test_api_gives_humidity_in_per_cent_and_no_temperature(humid: Any) -> None:
    """A name ending in `_c` is never a per cent."""
    listed = {one["probe"]: one for one in humid.desk.probes()}
    assert (listed["rh-1"]["humidity_pct"], listed["rh-1"]["celsius_c"], listed["rh-1"]["raw_c"]) == (92.5, None, None)
    assert (listed["house-air"]["humidity_pct"], listed["house-air"]["celsius_c"]) == (None, 65.0)


def test_metrics_tell_humidity_apart(humid: Any) -> None:
    """A gauge of its own."""

    async def look() -> str:
        browser = await humid.signed_in("operator")
        text = (await browser.get("/api/v1/metrics")).text
        await browser.aclose()
        return text

    text = asyncio.run(look())
    assert 'larderer_probe_humidity_percent{probe="rh-1"} 92.5' in text
    assert 'larderer_probe_celsius{probe="rh-1"}' not in text


def test_chart_draws_humidity_on_a_scale_of_its_own(humid: Any) -> None:
    """Per cent beside degrees, never among them."""
    at = humid.clock()
    chart = LotPicture(
        {"lot": "J-1", "product": "juniper-links", "limits": []}, humid.plan, [LotEvent(at, "start", "J-1", "juniper-links")],
        until=at + 10 * MINUTE,
    )  # fmt: skip
    for minute in range(5):
        chart.add(Reading("rh-1", at + minute * MINUTE, 92.5))
        chart.add(Reading("house-air", at + minute * MINUTE, 65.0))
    assert {name: curve.percent for name, curve in chart.curves.items()} == {"house-air": False, "rh-1": True}
