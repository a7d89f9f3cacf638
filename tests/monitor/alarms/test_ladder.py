"""Who is told what, when and how often, on a real database file, with a clock that the test passes in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from sqlalchemy import text

from monitor.alarms.causes import Cause
from monitor.alarms.ladder import link_maker
from monitor.config import AlarmsConfig, Rung, Server
from monitor.errors import LinkError
from monitor.links import read_link
from rules.reading import HOUR, MINUTE, SECOND, Instant


def test_ladder_climbs_until_somebody_acknowledges(bench, critical: Cause, start: Instant) -> None:
    """Odile and the siren at once, Tam after ten minutes, everybody again after another fifteen, nobody after that."""
    number = bench.raise_(critical, start)
    assert [(r["person"], r["routes"]) for r in bench.rows()] == [
        ("Odile Marsh", '["odile-phone", "odile-mail"]'),
        ("", '["siren"]'),
        ("", '["lamp"]'),
    ]
    bench.deliver()
    assert bench.due(start + 9 * MINUTE) == start + 10 * MINUTE
    assert bench.due(start + 10 * MINUTE) == start + 25 * MINUTE
    assert bench.rows()[-1]["person"] == "Tam Okafor"
    bench.deliver()
    bench.due(start + 25 * MINUTE)
    assert sorted(str(r["person"]) for r in bench.rows("alarm")[4:]) == ["", "", "Odile Marsh", "Tam Okafor"]
    assert "CRITICAL AGAIN A1:" in bench.bodies()[4]
    bench.acknowledge(number, start + 26 * MINUTE)
    count = len(bench.rows("alarm"))
    assert bench.due(start + 20 * HOUR) is None
    assert len(bench.rows("alarm")) == count


def test_rungs_missed_while_the_service_was_down_are_told_at_once(bench, critical: Cause, start: Instant) -> None:
    """An hour later every rung is due together, each person once."""
    bench.raise_(critical, start)
    bench.deliver()
    bench.due(start + HOUR)
    assert [r["person"] for r in bench.rows("alarm")[3:]] == ["Tam Okafor"]


def test_low_priority_does_not_climb_to_the_second_person(bench, cooler: Cause, start: Instant) -> None:
    """A rung from medium up is not for a low alarm."""
    bench.raise_(replace(cooler, priority="low"), start)
    bench.deliver()
    bench.due(start + 10 * MINUTE)
    assert {r["person"] for r in bench.rows()} == {"Odile Marsh"}


def test_undelivered_message_is_brought_up_to_date_instead_of_repeated(bench, critical: Cause, start: Instant) -> None:
    """After a night without network a phone gets an alarm once, under its first message id."""
    bench.raise_(critical, start)
    first = bench.rows()[0]["message_id"]
    for minutes in range(10, 600, 5):
        bench.due(start + minutes * MINUTE)
    waiting = [r for r in bench.rows("alarm") if r["state"] == "waiting"]
    assert len([r for r in waiting if r["person"] == "Odile Marsh"]) == 1
    assert waiting[0]["message_id"] == first
    assert "AGAIN" in waiting[0]["body"]


def test_clock_put_back_neither_silences_nor_hurries_the_ladder(bench, critical: Cause, start: Instant) -> None:
    """A clock three days ahead is put right: the second person is told ten minutes after the first, all the same."""
    wrong = start + 72 * HOUR
    bench.raise_(critical, wrong)
    bench.deliver()
    assert bench.due(start) == start + 10 * MINUTE
    bench.due(start + 9 * MINUTE)
    assert "Tam Okafor" not in [r["person"] for r in bench.rows()]
    bench.due(start + 10 * MINUTE)
    assert bench.rows()[-1]["person"] == "Tam Okafor"


def test_acknowledged_alarm_that_still_stands_rings_as_new(bench, cooler: Cause, start: Instant) -> None:
    """Re-alarm after two hours; a critical deviation waits for its record instead and does not nag."""
    number = bench.raise_(cooler, start)
    bench.deliver()
    assert bench.acknowledge(number, start)["letter"] == "C"
    bench.due(start + 2 * HOUR)
    assert bench.letters() == ["B"]
    assert "MEDIUM STILL A1" in bench.bodies("alarm")[-1]


def test_latched_alarm_that_nobody_saw_goes_on_ringing_after_its_return(bench, critical: Cause, start: Instant) -> None:
    """A deviation does not go quiet because the temperature came back."""
    bench.raise_(critical, start)
    bench.clear(critical.key, start + MINUTE)
    bench.due(start + 10 * MINUTE)
    assert bench.rows()[-1]["person"] == "Tam Okafor"


def test_all_clear_is_told_once_the_last_told_cause_is_over(bench, cooler: Cause, start: Instant) -> None:
    """Not while another told alarm stands; then to everybody who was told, naming what is not acknowledged."""
    other = replace(cooler, key="verdict/room/freezer-1/freezer air", what="freezer air limit not met", where="room freezer-1")
    bench.raise_(cooler, start)
    number = bench.raise_(other, start)
    bench.clear(cooler.key, start + MINUTE)
    assert bench.rows("clear") == []
    bench.acknowledge(number, start + 2 * MINUTE)
    bench.clear(other.key, start + 3 * MINUTE)
    (row,) = bench.rows("clear")
    assert row["person"] == "Odile Marsh"
    assert row["body"].startswith(
        "ALL CLEAR Mar 2 12:03-06:00: A1 cooler air limit not met, A2 freezer air limit not met. Not yet acknowledged: A1."
    )


def test_no_all_clear_while_a_lot_is_on_hold(bench, critical: Cause, cooler: Cause, start: Instant) -> None:
    """A latched deviation stands until its record is closed; the closing is the all-clear."""
    number = bench.raise_(critical, start)
    bench.acknowledge(number, start)
    bench.raise_(cooler, start)
    bench.clear(cooler.key, start + MINUTE)
    assert bench.rows("clear") == []
    with bench.store.write() as conn:
        bench.alarms.reset(conn, critical.key, "Tam Okafor", start + HOUR)
    assert len(bench.rows("clear")) == 1


def test_others_who_were_told_hear_of_the_acknowledgement(bench, critical: Cause, start: Instant) -> None:
    """So that the second person need not drive in."""
    number = bench.raise_(critical, start)
    bench.due(start + 10 * MINUTE)
    bench.acknowledge(number, start + 11 * MINUTE)
    (row,) = bench.rows("acknowledged")
    assert row["person"] == "Tam Okafor"
    assert row["body"].startswith("ACKNOWLEDGED A1: Odile Marsh has seen it at Mar 2 12:11-06:00")


def test_siren_goes_off_when_acknowledged_and_the_lamp_when_cleared(bench, critical: Cause, start: Instant) -> None:
    """The siren calls somebody; the lamp shows that it stands."""
    plain = replace(critical, latched=False)
    number = bench.raise_(plain, start)
    assert [(r["routes"], r["body"]) for r in bench.rows("alarm")[1:]] == [('["siren"]', "on"), ('["lamp"]', "on")]
    bench.acknowledge(number, start + MINUTE)
    assert [(r["routes"], r["body"]) for r in bench.rows("quiet")] == [('["siren"]', "off")]
    bench.clear(plain.key, start + 2 * MINUTE)
    assert [(r["routes"], r["body"]) for r in bench.rows("quiet")][1:] == [('["lamp"]', "off")]


def test_siren_stays_on_while_another_alarm_needs_it(bench, critical: Cause, start: Instant) -> None:
    """Acknowledging one of two leaves it on."""
    first = bench.raise_(critical, start)
    second = bench.raise_(replace(critical, key="verdict/J-0413/chill/stabilization", lot="J-0413"), start)
    bench.acknowledge(first, start)
    assert bench.rows("quiet") == []
    bench.acknowledge(second, start)
    assert '["siren"]' in [r["routes"] for r in bench.rows("quiet")]


def test_momentary_cause_is_told_once_and_stays_until_seen(bench, start: Instant) -> None:
    """A restart is over when it is known; once somebody has the message it is not escalated, and it is not forgotten."""
    cause = Cause("restart", "monitor was down", "the monitor", start - HOUR, "Blind for 1 h.", "high", momentary=True)
    number = bench.raise_(cause, start)
    bench.deliver()
    bench.due(start + 5 * HOUR)
    assert bench.letters() == ["D"]
    assert len(bench.rows("alarm")) == 1
    bench.acknowledge(number, start + 6 * HOUR)
    assert bench.open() == []


def test_momentary_cause_is_told_although_its_first_rung_has_to_be_waited_for(make_bench: Callable, start: Instant) -> None:
    """Whose ladder begins after ten minutes hears of a restart after ten minutes, once; unless somebody has seen it before."""
    bench = make_bench(escalation=(Rung(10 * MINUTE, persons=("Tam Okafor",)),))
    cause = Cause("restart", "monitor was down", "the monitor", start - HOUR, "Blind for 1 h.", "high", momentary=True)
    bench.raise_(cause, start)
    assert bench.due(start) == start + 10 * MINUTE
    assert bench.rows() == []
    bench.due(start + 10 * MINUTE)
    bench.due(start + 9 * HOUR)
    assert [str(row["person"]) for row in bench.rows("alarm")] == ["Tam Okafor"]
    bench.acknowledge(1, start + 9 * HOUR)
    bench.acknowledge(bench.raise_(replace(cause, since=start + 10 * HOUR), start + 10 * HOUR), start + 10 * HOUR)
    bench.due(start + 11 * HOUR)
    assert len(bench.rows("alarm")) == 1


def test_momentary_cause_that_reaches_nobody_climbs_rung_by_rung_and_stops(bench, start: Instant) -> None:
    """Odile's telephone takes nothing for hours: Tam is told after his ten minutes, once, and her message goes on waiting."""
    bench.raise_(Cause("restart", "monitor was down", "the monitor", start - HOUR, "Blind for 1 h.", "high", momentary=True), start)
    bench.due(start + 9 * MINUTE)
    assert [str(row["person"]) for row in bench.rows("alarm")] == ["Odile Marsh"]
    for hours in range(1, 9):
        bench.due(start + hours * HOUR)
    assert [(str(row["person"]), row["state"]) for row in bench.rows("alarm")] == [("Odile Marsh", "waiting"), ("Tam Okafor", "waiting")]


def test_siren_that_sounded_is_nobody_reached(bench, start: Instant) -> None:
    """It tells nobody what happened: the second person is told all the same."""
    bench.raise_(Cause("clock", "clock stepped", "the monitor", start, "By a day.", "critical", momentary=True), start)
    with bench.store.write() as conn:
        conn.execute(text("UPDATE outbox SET state = 'sent', bell = 'siren' WHERE person = ''"))
    bench.due(start + 11 * MINUTE)
    assert "Tam Okafor" in {str(row["person"]) for row in bench.rows("alarm")}


def test_momentary_cause_that_comes_again_within_the_quiet_time_is_told_at_its_end(bench, start: Instant) -> None:
    """Three more restarts within it are one more message, with the newest words; each is kept."""
    quiet = bench.config.alarms.quiet
    for n in range(4):
        at = start + n * MINUTE
        bench.raise_(Cause("restart", f"monitor was down, time {n}", "the monitor", at, "Blind.", "high", momentary=True), at)
        bench.deliver()
    assert len(bench.rows("alarm")) == 1
    bench.due(start + quiet + 10 * MINUTE)
    bench.deliver()
    bench.due(start + 9 * HOUR)
    more = bench.bodies("alarm")[1:]
    assert more, "the later ones are told"
    assert all("time 3" in body for body in more), "with the newest words"
    assert len(more) == 1
    assert len(bench.open()) == 4


def test_daily_word_says_how_things_stand(make_bench: Callable, cooler: Cause, start: Instant) -> None:
    """At seven local time, once a day, also across the change to summer time on 2026-03-08; not on the first start."""
    bench = make_bench(alarms=AlarmsConfig(all_well=7 * 60))
    seven = start + 19 * HOUR
    assert bench.due(start) == seven
    bench.due(seven - SECOND)
    assert bench.rows("well") == []
    assert bench.due(seven) == seven + 24 * HOUR
    assert bench.bodies("well")[0].startswith("ALL WELL Mar 3 07:00-06:00: 0 alarms open.")
    bench.raise_(cooler, seven)
    for hours in range(1, 6 * 24 + 1):
        bench.due(seven + hours * HOUR)
    words = bench.bodies("well")
    assert words[1].startswith("NOT ALL WELL Mar 4 07:00-06:00: 1 alarm open. A1 room cooler-1: cooler air limit not met")
    assert words[-1].startswith("NOT ALL WELL Mar 9 07:00-05:00")
    assert len(words) == 7


def test_alarm_without_a_ladder_is_shown_and_told_to_nobody(make_bench: Callable, cooler: Cause, start: Instant) -> None:
    """No escalation configured: it is on the page."""
    bench = make_bench(escalation=())
    bench.raise_(cooler, start)
    assert bench.due(start + HOUR) is None
    assert bench.letters() == ["B"]


def test_bell_that_belongs_to_one_person_speaks_to_that_person(make_bench: Callable, cooler: Cause, start: Instant) -> None:
    """So that its message can carry that person's acknowledge link."""
    bench = make_bench(link=lambda n, who, _now: f"https://larder.example/{n}/{who}", escalation=(Rung(0, bells=("tam-phone",)),))
    bench.raise_(cooler, start)
    (row,) = bench.rows()
    assert row["person"] == "Tam Okafor"
    assert "I have seen it: https://larder.example/1/Tam Okafor" in row["body"]


def test_message_carries_a_link_for_this_alarm_and_person_that_expires(make_bench: Callable, cooler: Cause, start: Instant) -> None:
    """Read back by the same key it names both; after its time it opens nothing. Without a public address there is none."""
    config = make_bench(server=Server(public_url="https://larder.example")).config
    bench = make_bench(link=link_maker(config, b"k" * 32))
    bench.raise_(cooler, start)
    address = bench.bodies()[0].split("I have seen it: https://larder.example/a/")[1].split()[0]
    assert read_link(b"k" * 32, address, start + HOUR)[:2] == ("A1", "Odile Marsh")
    with pytest.raises(LinkError, match="expired"):
        read_link(b"k" * 32, address, start + 13 * HOUR)
    assert link_maker(bench.config, b"k" * 32) is None
