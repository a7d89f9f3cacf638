"""Late readings and live judging side by side: a backlog, what it corrects, a restart in the middle, stamps ahead, and 48 h."""

import pytest

from monitor.desk import Hand
from monitor.errors import RefusedError
from monitor.replay import Replay
from rules.quantity import fahrenheit
from rules.reading import HOUR, MINUTE, SECOND, Fault, LotEvent, Reading
from tests.monitor.late.rig import ENTRIES, START, Rig, cook, send_all, split

ODILE = Hand("Odile Marsh", "operator")


@pytest.fixture
def away(rig: Rig, never_at_once: None) -> tuple[Rig, list[Reading | Fault]]:
    """A lot cooked and cooled while the gateway of core-1 was away for four hours; and what that gateway kept."""
    for event in ENTRIES[:3]:
        rig.enter(event)
    cold = [r._replace(celsius=min(r.celsius, 3.5)) if isinstance(r, Reading) and r.probe == "cooler-air" else r for r in cook(1)]
    live, kept = split(cold, "core-1", 170, 410)
    send_all(rig, [r for r in live if START < r.at < ENTRIES[3].at])
    rig.enter(ENTRIES[3])
    send_all(rig, [r for r in live if ENTRIES[3].at <= r.at < START + 450 * MINUTE])
    rig.tick()
    return rig, kept


def test_live_judging_goes_on_while_a_backlog_is_judged(away: tuple[Rig, list[Reading | Fault]]) -> None:
    """A breach in the cooler is told between two slices, before the re-judgement is through, and stays told once."""
    rig, kept = away
    assert set(rig.send(kept)) == {"late"}
    assert rig.service.judging.late is not None
    told = len(rig.records("finding"))
    Replay.step.__defaults__ = (20,)
    try:
        slices = 0
        while rig.slice():
            slices += 1
            rig.now += SECOND
            rig.send([Reading("cooler-air", rig.now, fahrenheit(50.0 if slices == 3 else 38.0))])
            if slices == 3:
                new = rig.records("finding")[told:]
                assert [one["what"] for one in new] == ["deviated"]
                assert new[0]["step"] == "cooler-1"
                assert rig.service.judging.late is not None, "the backlog is still being judged"
        assert slices > 10
    finally:
        Replay.step.__defaults__ = (500,)
    rig.agrees()
    assert [one["step"] for one in rig.records("finding") if one["what"] == "deviated"].count("cooler-1") == 1


def test_correction_names_the_late_readings_and_both_verdicts(away: tuple[Rig, list[Reading | Fault]]) -> None:
    """Which probe, from when to when, received when; the verdict before and after; and one record of the whole re-judgement."""
    rig, kept = away
    before = rig.records("finding")
    rig.send(kept)
    assert rig.records("correction") == [], "nothing is corrected before all of it is judged"
    rig.catch_up()
    assert rig.records("finding")[: len(before)] == before, "what was found stays as it was written"
    corrections = rig.records("correction")
    assert {(one["was"], one["probe"]) for one in corrections} == {("unproven", "core-1")}
    assert all(one["now"] != "unproven" for one in corrections)
    assert "late readings of core-1 from 2026-03-02T16:50:00Z to 2026-03-02T20:49:00Z, received 2026-03-02T" in corrections[0]["why"]
    (done,) = rig.records("rejudged")
    assert done["why"] == corrections[0]["why"]
    assert [(c["was"], c["now"]) for c in done["changed"]] == [(c["was"], c["now"]) for c in corrections]
    rig.agrees()


def test_backlog_in_many_batches_is_judged_once(away: tuple[Rig, list[Reading | Fault]]) -> None:
    """Batches that come before the second engine has passed their instant join it; one record, not one a batch."""
    rig, kept = away
    for n in range(0, len(kept), 10):
        rig.send(kept[n : n + 10])
    rig.catch_up()
    assert len(rig.records("rejudged")) == 1
    rig.agrees()


def test_late_readings_behind_the_second_engine_set_it_back(away: tuple[Rig, list[Reading | Fault]]) -> None:
    """Oldest last: what it has passed already is judged all the same, and nothing is told twice."""
    rig, kept = away
    Replay.step.__defaults__ = (20,)
    try:
        for part in (kept[160:], kept[80:160], kept[:80]):
            rig.send(part)
            for _ in range(9):
                rig.slice()
    finally:
        Replay.step.__defaults__ = (500,)
    rig.catch_up()
    rig.agrees()
    found = [(f["at"], f["what"], f["limit"], f["probe"]) for f in rig.records("finding")]
    assert len(found) == len(set(found))


def test_rejudgement_that_a_restart_cuts_off_is_done_after_it(away: tuple[Rig, list[Reading | Fault]]) -> None:
    """It is owed still, live judging goes on at once, and the reason is not lost."""
    rig, kept = away
    rig.send(kept)
    Replay.step.__defaults__ = (20,)
    for _ in range(5):
        rig.slice()
    Replay.step.__defaults__ = (500,)
    rig.restart()
    owed = rig.service.judging.late
    assert owed is not None
    assert "late readings of core-1" in owed.why()
    rig.now += MINUTE
    rig.send([Reading("cooler-air", rig.now, fahrenheit(55.0))])
    assert rig.records("finding")[-1]["step"] == "cooler-1"
    rig.catch_up()
    rig.agrees()


def test_entry_made_while_a_backlog_is_judged_is_in_it(away: tuple[Rig, list[Reading | Fault]]) -> None:
    """A check written for a time that the second engine has passed, and the lot's end: both count once it has taken over."""
    rig, kept = away
    rig.send(kept)
    Replay.step.__defaults__ = (20,)
    try:
        for _ in range(20):
            rig.slice()
        rig.enter(LotEvent(START + 200 * MINUTE, "remove", "J-0412", "core-2", "moved", rig.now))
        rig.enter(LotEvent(START + 210 * MINUTE, "place", "J-0412", "core-2", "", rig.now))
        rig.enter(LotEvent(rig.now, "end", "J-0412"))
        rig.catch_up()
    finally:
        Replay.step.__defaults__ = (500,)
    rig.agrees()
    assert rig.service.pipeline.report()["lots"][0]["ended"]


def test_small_lateness_is_judged_at_once(rig: Rig) -> None:
    """A few rows to replay are replayed in the transaction that stores what is late."""
    send_all(rig, [r for r in cook(1) if r.at < START + HOUR])
    rig.send([Reading("cooler-air", START + 30 * MINUTE + 1, fahrenheit(50.0))])
    assert rig.service.judging.late is None
    assert [one["what"] for one in rig.records("finding")] == ["deviated"]
    rig.agrees()


def test_stamp_ahead_of_the_clock_is_not_judged_when_its_time_comes(rig: Rig) -> None:
    """Stored, never judged, also after its time and after a restart; the same sent in good time is another reading, and counts."""
    wrong = Reading("cooler-air", START + HOUR, fahrenheit(60.0))
    assert rig.send([wrong]) == ["future"]
    rig.tick()
    assert rig.service.judging.engine.now < START + HOUR, "it moves no time on"
    rig.now = START + 2 * HOUR
    rig.send([Reading("cooler-air", rig.now, fahrenheit(38.0))])
    rig.tick()
    assert rig.records("finding") == []
    rig.restart()
    rig.agrees()
    assert rig.records("finding") == []
    assert rig.send([wrong]) == ["late"]
    assert [one["what"] for one in rig.records("finding")] == ["deviated"]
    rig.agrees()


def test_readings_more_than_48_h_late_wait_for_a_person(rig: Rig) -> None:
    """Stored, listed, judged by nobody, neither live nor after a restart nor in a recomputation, until somebody asks."""
    rows = cook(1)
    live, kept = split(rows, "cooler-air", 100, 200)
    kept = [Reading("cooler-air", r.at, fahrenheit(55.0)) for r in kept]
    send_all(rig, live)
    rig.now = START + 60 * HOUR
    rig.send([Reading("cooler-air", rig.now, fahrenheit(38.0))])
    assert set(rig.send(kept)) == {"late"}
    assert "too-late" in rig.standing()
    before = rig.service.pipeline.report()["standing"]
    rig.restart()
    rig.agrees()
    assert rig.service.pipeline.report()["standing"][: len(before)] == before
    desk = rig.service.desk
    (listed,) = desk.late()["unjudged"]
    assert (listed["probe"], listed["count"]) == ("cooler-air", len(kept))
    with pytest.raises(RefusedError, match="waits to be judged"):
        desk.rejudge(ODILE, START + 210 * MINUTE, "found in a drawer")
    asked = desk.rejudge(ODILE, START + 150 * MINUTE, "the gateway was found unplugged")
    assert asked["readings"] == 50
    rig.catch_up()
    rig.agrees()
    assert any(one["step"] == "cooler-1" and one["what"] == "deviated" for one in rig.records("finding"))
    assert desk.late()["unjudged"][0]["count"] == 50, "those before the time named still wait"
    (record,) = rig.records("rejudge-asked")
    wanted = {"since": "2026-03-02T16:30:00Z", "reason": "the gateway was found unplugged", "readings": 50}
    assert wanted.items() <= record.items()
    desk.rejudge(ODILE, START, "and the rest")
    rig.catch_up()
    rig.restart()
    rig.agrees()
    assert desk.late()["unjudged"] == []
    assert "too-late" not in rig.standing()


def test_clock_that_was_ahead_and_came_back_helps_no_lot_and_hides_no_dead_probe(rig: Rig) -> None:
    """Stamps a month ahead stay in the store: what comes by the right time is judged, and who sends nothing by it rings."""
    for event in ENTRIES[:3]:
        rig.enter(event)
    rig.send([Reading(probe, START + 3, fahrenheit(60.0)) for probe in ("core-1", "core-2")])
    rig.now = START + 30 * 24 * HOUR
    rig.send([Reading(probe, rig.now, fahrenheit(60.0)) for probe in ("core-1", "core-2")])
    rig.tick()
    rig.now = START + MINUTE
    rig.restart()
    for _ in range(6):
        rig.now += MINUTE
        rig.send([Reading("core-2", rig.now, fahrenheit(151.0)), Reading("cooler-air", rig.now, fahrenheit(50.0))])
        rig.tick()
    rig.catch_up()
    assert {"verdict/room/cooler-1/cooler air", "probe/core-1/silent"} <= rig.standing()
    assert "probe/core-2/silent" not in rig.standing()
    assert rig.records("clock") == [{"from": "2026-04-01T14:00:00Z", "to": "2026-03-02T14:01:00Z"}]
    rig.send([Reading("core-1", rig.now, fahrenheit(100.0))])
    assert "probe/core-1/silent" not in rig.standing()
