"""A restart in the middle of a lot: the time nobody watched is on record, has rung, and counts against the lot."""

from collections.abc import Callable
from typing import Any

from monitor.demo.day import verdicts
from rules.quantity import format_instant, parse_instant
from rules.reading import MINUTE, LotEvent, Reading

EVENING = parse_instant("2026-03-02T19:00:00-06:00")


def begun(plant: Callable[..., Any], cook_plan: str, night: list[Reading], minutes: int) -> Any:
    """The site with a lot in it, so many minutes on."""
    site = plant(cook_plan, start=EVENING).up()
    site.act(LotEvent(EVENING, "start", "J-0412", "juniper-links"))
    site.act(LotEvent(EVENING, "place", "J-0412", "core-1"))
    upto(site, night, -1, minutes)
    return site


def upto(site: Any, night: list[Reading], after: int, minutes: int) -> None:
    """The readings of the minutes (after, minutes], and a tick."""
    site.hand_over([r for r in night if after * MINUTE < r.at - EVENING <= minutes * MINUTE])
    site.tick()


def told(site: Any) -> list[tuple[str, str]]:
    """What each telephone got; two that ring at once are numbered as it happens."""
    return sorted((bell, body.rsplit(", message", 1)[0]) for bell, body in site.rung)


def test_blind_time_is_recorded_rung_and_held_against_the_lot(plant: Callable[..., Any], cook_plan: str, night: list[Reading]) -> None:
    """Down for 41 minutes of the cooling: longer than its `max_gap`, so what was not measured was not controlled."""
    site = begun(plant, cook_plan, night, 150)
    site.down()
    down_at = EVENING + 150 * MINUTE
    site.clock.move(EVENING + 191 * MINUTE)
    site.up()
    site.tick()
    assert site.records("blind") == [{"from": format_instant(down_at), "to": format_instant(site.clock())}]
    rung = [body for bell, body in site.rung if bell == "odile-phone" and "blind for 41 min" in body]
    assert len(rung) == 1
    assert rung[0].startswith("HIGH")
    upto(site, night, 190, 700)
    site.act(LotEvent(site.clock() + MINUTE, "end", "J-0412"))
    site.hand_over([Reading("core-1", site.clock() + MINUTE, 3.0)])
    cooling = next(one for one in site.report()["lots"][0]["limits"] if one["limit"] == "stabilization")
    assert cooling["verdict"] == "deviated", "80 °F was missed by a reading, gap or no gap"
    assert verdicts(site.report()) == verdicts(site.judged_again())
    assert site.report()["lots"] == site.judged_again()["lots"]
    site.sound()


def test_gap_that_hides_a_deadline_leaves_the_limit_unproven(plant: Callable[..., Any], cook_plan: str, night: list[Reading]) -> None:
    """Down over the deadline itself and cold at the next reading: nobody can say which, and the record that opens says so."""
    site = begun(plant, cook_plan, night, 190)
    site.down()
    site.clock.move(EVENING + 310 * MINUTE)
    site.up()
    upto(site, night, 309, 320)
    watch = next(one for one in site.report()["lots"][0]["limits"] if one["limit"] == "stabilization")["watches"][0]
    assert watch["verdict"] == "unproven"
    assert [one["verdict"] for one in site.service.desk.deviations()] == ["unproven"]
    assert verdicts(site.report()) == verdicts(site.judged_again())
    site.sound()


def test_restart_without_a_gap_changes_nothing(plant: Callable[..., Any], cook_plan: str, night: list[Reading]) -> None:
    """Restarted between two readings, again and again: findings, alarms and verdicts are those of an uninterrupted service."""
    whole = begun(plant, cook_plan, night, 0)
    parted = begun(plant, cook_plan, night, 0)
    for minute in range(0, 300, 25):
        upto(whole, night, minute, minute + 25)
        upto(parted, night, minute, minute + 25)
        if minute in (75, 100, 200):
            parted.down()
            parted.up()
    assert parted.report() == whole.report()
    assert list(parted.records("finding")) == list(whole.records("finding"))
    assert parted.standing().keys() == whole.standing().keys()
    assert told(parted) == told(whole)
    parted.sound()
