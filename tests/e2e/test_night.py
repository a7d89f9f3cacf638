"""A night nobody attends: the lot goes on by itself, and what somebody must know reaches the telephones."""

import json
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest

from monitor.demo.day import verdicts
from monitor.desk import Hand
from probes.csv_replay import write_csv
from probes.events_csv import write_events
from rules.quantity import format_instant, parse_instant
from rules.reading import HOUR, MINUTE, LotEvent, Reading

EVENING = parse_instant("2026-03-02T19:00:00-06:00")
LAST_AT_130 = EVENING + 112 * MINUTE


@pytest.fixture(scope="module")
def morning(plants: Callable[..., Any], cook_plan: str, night: list[Reading]) -> Any:
    """The site in the morning: one lot put into the house in the evening, and then nobody there."""
    site = plants(cook_plan, start=EVENING).up()
    site.act(LotEvent(EVENING, "start", "J-0412", "juniper-links"))
    site.act(LotEvent(EVENING, "place", "J-0412", "core-1"))
    batch: list[Reading] = []
    for reading in night:
        batch.append(reading)
        if (reading.at - EVENING) // MINUTE % 5 == 0:
            site.hand_over(batch)
            batch = []
            site.tick()
    return site


def finding(site: Any, what: str, limit: str = "") -> list[dict[str, Any]]:
    return [one for one in site.records("finding") if one["what"] == what and limit in ("", one["limit"])]


def test_night_is_judged_from_what_the_probe_shows(morning: Any) -> None:
    """The hold is met at its minute, the lot goes on by itself, and cooling is judged from the last reading at 130 °F."""
    met = finding(morning, "met", "lethality")
    assert [one["at"] for one in met] == [EVENING + 84 * MINUTE], "145 °F at 20:20, held four minutes"
    advanced = finding(morning, "advanced")
    assert [one["at"] for one in advanced] == [EVENING + 84 * MINUTE]
    late = finding(morning, "deviated", "stabilization")
    assert [one["at"] for one in late] == [LAST_AT_130 + 90 * MINUTE], "81 °F only at 23:20"
    lot = morning.report()["lots"][0]
    assert lot["steps"] == ["rest", "chill"], "another room: it straddles until a person confirms"
    assert lot["unconfirmed"]
    morning.sound()


def test_prompt_and_its_escalation_reach_the_telephones(morning: Any) -> None:
    """One prompt to Odile; after `confirm_within` it is worse, and ten minutes later Tam hears of it. The deviation rings both."""
    odile = [body for bell, body in morning.rung if bell == "odile-phone"]
    tam = [body for bell, body in morning.rung if bell == "tam-phone"]
    prompts = [body for body in odile if "step to confirm" in body.splitlines()[0] and "AGAIN" not in body.splitlines()[0]]
    assert len(prompts) == 1
    assert any("step still not confirmed" in body and "WORSE" in body for body in odile)
    assert any("step still not confirmed" in body for body in tam)
    for told in (odile, tam):
        assert any("stabilization limit not met" in body for body in told)
        assert all(len(body.splitlines()[0]) <= 160 for body in told)
    asked = finding(morning, "prompt")
    assert len(asked) == 1
    assert len(finding(morning, "unconfirmed")) == 1
    assert finding(morning, "unconfirmed")[0]["at"] == asked[0]["at"] + 20 * MINUTE


def test_judge_on_what_is_stored_repeats_every_instant(morning: Any, tmp_path: Any) -> None:
    """`larderer judge` on the stored readings and entries: every watch and every alarm as they were found live."""
    with (tmp_path / "readings.csv").open("w", encoding="utf-8", newline="") as out:
        write_csv(out, ((item, None) for item in morning.items()))
    with (tmp_path / "events.csv").open("w", encoding="utf-8", newline="") as out:
        write_events(out, morning.entries())
    command = [sys.executable, "-m", "monitor.cli", "judge", str(morning.folder / "plan.toml"), str(tmp_path / "readings.csv")]
    command += ["--events", str(tmp_path / "events.csv"), "--json", "--at", format_instant(EVENING + 700 * MINUTE)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 1, done.stderr
    again, live = morning.without_predictions(json.loads(done.stdout)), morning.report()
    assert verdicts(again) == verdicts(live)
    assert again["lots"] == live["lots"]
    assert again["alarms"] == live["alarms"]


def test_morning_confirms_with_the_time_it_moved(morning: Any) -> None:
    """A step written in the morning for the night: shown as entered later, the prompt is over, the verdicts follow it by replay."""
    moved = EVENING + 3 * HOUR
    morning.service.desk.step(Hand("Odile Marsh", "operator"), "J-0412", "chill", at=moved)
    morning.tick()
    lot = morning.report()["lots"][0]
    assert lot["steps"] == ["chill"]
    assert not lot["unconfirmed"]
    assert "prompt/J-0412/rest" not in {key for key, one in morning.standing().items() if one["active"]}
    entry = next(one for one in morning.entries() if one.event == "step")
    assert (entry.at, entry.entered) == (moved, morning.clock())
    assert verdicts(morning.report()) == verdicts(morning.judged_again())
    morning.sound()
