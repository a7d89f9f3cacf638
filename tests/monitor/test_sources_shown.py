"""A figure that was not read in the original is told so wherever its limit is shown; one that was is not."""

from __future__ import annotations

from importlib.resources import files
from typing import Any

import pytest
from typer.testing import CliRunner

from monitor.alarms import message
from monitor.alarms.causes import Cause, from_finding
from monitor.cli import app
from monitor.commands.judge_text import report_text
from rules.engine import Engine
from rules.history import arrange
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.quantity import fahrenheit
from rules.reading import HOUR, MINUTE, SECOND, Event, Instant, LotEvent, Reading

START: Instant = 1_767_225_600 * SECOND  # 2026-01-01T00:00:00Z
MEMORY = "Figures of FSIS-GD-2021-13 FROM MEMORY, unverified (mark M)"


def plan(kind: str, book: str, confirmed: str = "") -> Plan:
    """One cured product of one step and one limit from a book."""
    return load_plan(f"""
[site]
id = "x"
name = "Ferncliff Yard Smokehouse"
unit = "F"
[[room]]
id = "cooler-1"
kind = "cooler"
[[probe]]
id = "core-1"
place = "core"
[[product]]
code = "links"
cured = true
[[product.step]]
name = "chill"
room = "cooler-1"
[[product.step.limit]]
name = "x"
kind = "{kind}"
book = "{book}"
max_gap = "30 min"
{f'confirmed = "{confirmed}"' if confirmed else ""}
""")


def judged(loaded: Plan) -> Engine:
    """A lot whose core stays at 100 °F for 20 h after 140 °F."""
    engine = Engine(loaded)
    events: list[Event] = [LotEvent(START, "start", "J-1", "links"), LotEvent(START, "place", "J-1", "core-1")]
    hot = [Reading("core-1", START, fahrenheit(140))]
    warm = [Reading("core-1", START + at, fahrenheit(100)) for at in range(10 * MINUTE, 20 * HOUR, 10 * MINUTE)]
    for event in arrange([*events, *hot, *warm, LotEvent(START + 20 * HOUR, "end", "J-1")]):
        engine.feed(event)
    return engine


CASES = [
    ("cooling", "us-inspected-2021/cooling-option-3", "", f"{MEMORY}, NOT CONFIRMED by anybody against the document."),
    ("cooling", "us-inspected-2021/cooling-option-3", "O. Marsh, 2026-01-12", f"{MEMORY}, confirmed by O. Marsh, 2026-01-12."),
    ("come-up", "us-inspected-2021/come-up", "", ""),
]


@pytest.mark.parametrize(("kind", "book", "confirmed", "told"), CASES)
def test_judgement_as_data_and_as_text_tells_it(kind: str, book: str, confirmed: str, told: str) -> None:
    """`larderer judge`, and with it lots.json and the API: each limit with its book, citations and marks."""
    loaded = plan(kind, book, confirmed)
    report = judged(loaded).report()
    (limit,) = report["lots"][0]["limits"]
    assert limit["book"] == book
    assert {s["mark"] for s in limit["sources"]} == {c.mark for c in loaded.products[0].steps[0].limits[0].citations}
    assert limit.get("doubt", "") == told
    text = report_text(report, loaded)
    assert (told in text) if told else ("Figures of" not in text)


@pytest.mark.parametrize(("kind", "book", "confirmed", "told"), CASES)
def test_alarm_and_its_message_tell_it(kind: str, book: str, confirmed: str, told: str) -> None:
    """Whoever is woken reads how good the figure is; the alarm keeps it, also when it comes back from the store."""
    loaded = plan(kind, book, confirmed)
    engine = judged(loaded)
    finding = next(f for f in engine.lots["J-1"].said if f.what in ("deviated", "unproven"))
    cause = from_finding(finding, loaded, "links")
    assert cause is not None
    assert cause.doubt == told
    assert Cause.from_json(cause.as_json()) == cause
    whole = message.body(cause, 1, loaded.site, "m-1")
    assert (told in whole.splitlines()) if told else ("Figures of" not in whole)


def test_alarm_stored_before_the_words_were_kept_can_still_be_read() -> None:
    """A cause from an older version has no such field."""
    old: dict[str, Any] = Cause("k", "what", "where", START, "text").as_json()
    del old["doubt"]
    assert Cause.from_json(old).doubt == ""


def test_rehearsal_and_plan_sheet_tell_it() -> None:
    """What is printed before any meat is at risk says how good the figures are, as the judgement does."""
    runner = CliRunner()
    demo = str(files("monitor.demo") / "plan.toml")
    rehearsed = " ".join(runner.invoke(app, ["plan", "rehearse", demo, "juniper-links", "--chamber", "170 °F"]).output.split())
    sheet = " ".join(runner.invoke(app, ["plan", "sheet", demo]).output.split())
    checked = runner.invoke(app, ["plan", "check", demo]).output
    memory = "FROM MEMORY, partly corroborated by something read (mark M+)"
    assert f"Figures of FSIS-GD-2021-13 {memory}, confirmed by O. Marsh" in rehearsed
    assert memory in sheet
    assert "has rows marked" in checked
    assert "M+ (from memory, partly corroborated by something read" in checked
