"""What comes late: readings kept by a gateway, entries written for the past, entries taken back. Verdicts follow, records stay."""

import random
from collections.abc import Callable
from typing import Any

import pytest

from monitor.demo.day import verdicts
from monitor.desk import Hand
from monitor.errors import InputError
from rules.errors import EventError
from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE, LotEvent, Reading

EVENING = parse_instant("2026-03-02T19:00:00-06:00")
ODILE = Hand("Odile Marsh", "operator")


@pytest.fixture
def site(plant: Callable[..., Any], cook_plan: str) -> Any:
    """A lot in the house at 19:00."""
    site = plant(cook_plan, start=EVENING).up()
    site.act(LotEvent(EVENING, "start", "J-0412", "juniper-links"))
    site.act(LotEvent(EVENING, "place", "J-0412", "core-1"))
    return site


def verdict(site: Any, limit: str) -> str:
    return str(next(one for one in site.report()["lots"][0]["limits"] if one["limit"] == limit)["verdict"])


def agrees(site: Any) -> None:
    """The live verdicts are those of a clean judge over everything stored; nothing was rewritten."""
    assert verdicts(site.report()) == verdicts(site.judged_again())
    # Growth is predicted from files alone, and decides nothing.
    again = site.judged_again()["lots"]
    for lot in again:
        lot["limits"] = [{k: v for k, v in one.items() if k != "growth"} for one in lot["limits"]]
    assert site.report()["lots"] == again
    site.sound()


def during(night: list[Reading], after: int, until: int) -> list[Reading]:
    return [r for r in night if after * MINUTE < r.at - EVENING <= until * MINUTE]


def test_readings_kept_by_a_gateway_change_verdicts_by_correction(site: Any, night: list[Reading]) -> None:
    """The radio was away over the deadline: unproven; what the gateway kept shows a deviation, and a correction says so."""
    site.hand_over(during(night, -1, 190))
    site.hand_over(during(night, 309, 330))
    site.tick()
    assert verdict(site, "stabilization") == "unproven"
    before = site.records("finding")
    kept = during(night, 190, 309)
    random.Random(4).shuffle(kept)
    for n in range(0, len(kept), 17):
        outcomes = site.service.intake.readings(kept[n : n + 17]).result(30)
        assert {one.what for one in outcomes} <= {"late", "stored"}
    site.tick()
    assert verdict(site, "stabilization") == "deviated"
    assert site.records("finding")[: len(before)] == before, "what was found stays as it was written"
    corrections = site.records("correction")
    assert corrections
    assert all(one["why"] for one in corrections)
    assert corrections[0]["was"] == "unproven"
    assert [one["what"] for one in site.records("finding") if one["limit"] == "stabilization"] == ["unproven", "deviated"]
    assert [one["verdict"] for one in site.service.desk.deviations()] == ["deviated"], "one record, brought up to the worse verdict"
    agrees(site)


def test_readings_in_any_order_end_in_the_verdicts_of_the_right_order(site: Any, night: list[Reading]) -> None:
    """Hours of readings delivered in shuffled bursts."""
    items = during(night, -1, 400)
    chance = random.Random(9)
    bursts = [items[n : n + 40] for n in range(0, len(items), 40)]
    for a in range(0, len(bursts) - 1, 2):
        bursts[a], bursts[a + 1] = bursts[a + 1], bursts[a]
    site.clock.move(EVENING + 400 * MINUTE)
    for burst in bursts:
        chance.shuffle(burst)
        site.service.intake.readings(burst).result(30)
    site.tick()
    assert verdict(site, "lethality") == "met"
    assert verdict(site, "stabilization") == "deviated"
    agrees(site)


def test_step_written_for_the_past_is_judged_where_it_belongs(site: Any, night: list[Reading]) -> None:
    """Moved to the cooler hours ago, written now: shown with both times, and judged as if it had been written then."""
    site.hand_over(during(night, -1, 300))
    moved = EVENING + 2 * HOUR
    site.service.desk.step(ODILE, "J-0412", "chill", at=moved)
    entry = site.entries()[-1]
    assert (entry.at, entry.entered) == (moved, site.clock())
    assert site.report()["lots"][0]["steps"] == ["chill"]
    agrees(site)
    site.hand_over(during(night, 300, 400))
    agrees(site)


def test_undo_takes_an_entry_back_and_keeps_both_on_record(site: Any, night: list[Reading]) -> None:
    """The lot was ended by mistake while it cooled; taken back, it is judged on, and the ledger holds both entries."""
    site.hand_over(during(night, -1, 150))
    site.service.desk.end(ODILE, "J-0412")
    ended = site.entries()[-1].at
    site.hand_over(during(night, 150, 160))
    assert verdict(site, "stabilization") != "open"
    before = site.records("lot-event")
    site.service.desk.undo(ODILE, "J-0412", ended)
    assert verdict(site, "stabilization") == "open"
    assert [one["event"] for one in site.records("lot-event")][-2:] == ["end", "undo"]
    assert site.records("lot-event")[: len(before)] == before
    assert site.records("correction"), "a verdict was withdrawn, and it says so"
    agrees(site)
    site.hand_over(during(night, 160, 300))
    assert verdict(site, "stabilization") == "deviated"
    agrees(site)


def test_entry_that_cannot_be_is_refused_and_changes_nothing(site: Any, night: list[Reading]) -> None:
    """Back-dated into a time where it makes no sense, or ahead of the clock: one sentence, and everything as it was."""
    site.hand_over(during(night, -1, 100))
    before = site.report()
    with pytest.raises(EventError, match="was not started"):
        site.service.desk.step(ODILE, "J-0412", "chill", at=EVENING - HOUR)
    with pytest.raises(InputError, match="still to come"):
        site.service.desk.step(ODILE, "J-0412", "chill", at=site.clock() + HOUR)
    with pytest.raises(EventError):
        site.service.desk.undo(ODILE, "J-0412", site.entries()[0].at)
    assert site.report() == before
    agrees(site)
