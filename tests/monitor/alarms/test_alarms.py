"""Alarms on a real database file, with a clock that the test passes in: when they ring, clear, are shelved and end."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sqlalchemy import select

from monitor import ledger
from monitor.alarms.alarms import SHELVE_CRITICAL
from monitor.alarms.causes import Cause
from monitor.alarms.tables import alarm
from monitor.errors import InputError, NotFoundError, RefusedError
from rules.reading import HOUR, MINUTE, SECOND, Instant


def test_alarm_and_its_message_are_stored_together(bench, cooler: Cause, start: Instant) -> None:
    """One transaction: rolled back, neither is there; committed, both are."""
    with bench.store.write_engine.connect() as conn:
        bench.alarms.raise_(conn, cooler, start)
        conn.rollback()
    assert bench.open() == []
    assert bench.rows() == []
    bench.raise_(cooler, start)
    assert bench.letters() == ["B"]
    assert [row["person"] for row in bench.rows()] == ["Odile Marsh"]


def test_one_cause_is_one_alarm_and_one_message(bench, cooler: Cause, start: Instant) -> None:
    """Raised again and by other probes, it stays one alarm and is told once."""
    first = bench.raise_(cooler, start)
    assert bench.raise_(cooler, start + SECOND) == first
    assert bench.raise_(replace(cooler, member="air-2"), start + 2 * SECOND) == first
    assert len(bench.rows()) == 1
    assert bench.open()[0]["members"] == ["air-1", "air-2"]


def test_condition_is_over_once_every_member_has_cleared(bench, cooler: Cause, start: Instant) -> None:
    """One of two probes back in its limit does not end the alarm."""
    bench.raise_(cooler, start)
    bench.raise_(replace(cooler, member="air-2"), start)
    bench.clear(cooler.key, start + MINUTE, "air-1")
    assert bench.letters() == ["B"]
    bench.clear(cooler.key, start + MINUTE, "air-2")
    assert bench.letters() == ["D"]


def test_worse_verdict_rings_again_after_an_acknowledgement(bench, cooler: Cause, start: Instant) -> None:
    """Unproven, acknowledged, then deviated: that is news."""
    number = bench.raise_(replace(cooler, severity=1, what="cooler air unproven"), start)
    bench.acknowledge(number, start + MINUTE)
    assert bench.raise_(cooler, start + 2 * MINUTE) == number
    assert bench.letters() == ["B"]
    assert bench.bodies("alarm")[-1].startswith("MEDIUM WORSE A1: cooler air limit not met")


def test_replayed_finding_raises_nothing_again(bench, cooler: Cause, start: Instant) -> None:
    """After the alarm is over, the same finding told again by a replay is known."""
    number = bench.raise_(cooler, start)
    bench.acknowledge(number, start)
    bench.clear(cooler.key, start + MINUTE)
    assert bench.raise_(cooler, start + HOUR) == number
    assert bench.open() == []


def test_new_excursion_does_not_erase_an_unacknowledged_one(bench, cooler: Cause, start: Instant) -> None:
    """The returned alarm stays beside the new one until it is acknowledged."""
    first = bench.raise_(cooler, start)
    bench.clear(cooler.key, start + HOUR)
    second = bench.raise_(replace(cooler, since=start + 2 * HOUR), start + 2 * HOUR)
    assert second != first
    assert bench.letters() == ["D", "B"]
    assert bench.open()[0]["branch_of"] == f"A{first}"


def test_old_link_does_not_acknowledge_a_newer_excursion(bench, cooler: Cause, start: Instant) -> None:
    """Acknowledging the first leaves the second ringing; acknowledging the second takes the first with it."""
    first = bench.raise_(cooler, start)
    bench.clear(cooler.key, start + HOUR)
    second = bench.raise_(replace(cooler, since=start + 2 * HOUR), start + 2 * HOUR)
    bench.acknowledge(first, start + 2 * HOUR)
    assert bench.letters() == ["B"]
    bench.clear(cooler.key, start + 3 * HOUR)
    third = bench.raise_(replace(cooler, since=start + 4 * HOUR), start + 4 * HOUR)
    bench.acknowledge(third, start + 4 * HOUR)
    assert [a["id"] for a in bench.open()] == [f"A{third}"]
    assert second != third


def test_chattering_cause_is_not_told_at_every_turn(bench, cooler: Cause, start: Instant) -> None:
    """New excursions within the quiet time wait for the rest of it; each is kept."""
    for turn in range(5):
        at = start + turn * MINUTE
        bench.raise_(replace(cooler, since=at), at)
        bench.clear(cooler.key, at + 30 * SECOND)
    assert len(bench.letters()) == 5
    assert len(bench.rows("alarm")) == 1


def test_on_delay_holds_the_bell_and_nothing_else(bench, cooler: Cause, start: Instant) -> None:
    """It rings when the delay is over; the alarm says since when the condition stood."""
    slow = replace(cooler, on_delay=30 * MINUTE)
    bench.raise_(slow, start + MINUTE)
    assert bench.open() == []
    assert bench.due(start + 29 * MINUTE) == start + 30 * MINUTE
    assert bench.rows() == []
    bench.due(start + 30 * MINUTE)
    assert bench.letters() == ["B"]
    assert bench.open()[0]["since"] == "2026-03-02T18:00:00Z"


def test_condition_that_ends_within_its_on_delay_never_rings_but_is_kept(bench, cooler: Cause, start: Instant) -> None:
    """A short one leaves its trace in the history."""
    bench.raise_(replace(cooler, on_delay=30 * MINUTE), start)
    bench.clear(cooler.key, start + 10 * MINUTE)
    bench.due(start + HOUR)
    assert bench.rows() == []
    with bench.store.read() as conn:
        assert conn.execute(select(alarm.c.closed_at)).scalar_one() == start + 10 * MINUTE


def test_off_delay_believes_no_short_return(bench, cooler: Cause, start: Instant) -> None:
    """Back over the limit within the off-delay it is the same alarm, not told again."""
    slow = replace(cooler, off_delay=5 * MINUTE)
    bench.raise_(slow, start)
    bench.clear(cooler.key, start + 10 * MINUTE)
    bench.raise_(replace(slow, since=start + 12 * MINUTE), start + 12 * MINUTE)
    bench.due(start + 20 * MINUTE)
    assert bench.letters() == ["B"]
    bench.clear(cooler.key, start + 30 * MINUTE)
    bench.due(start + 35 * MINUTE)
    assert bench.letters() == ["D"]


def test_acknowledging_twice_is_acknowledging_once(bench, cooler: Cause, start: Instant) -> None:
    """The second changes neither who nor when."""
    number = bench.raise_(cooler, start)
    first = bench.acknowledge(number, start + MINUTE, comment="On my way.")
    again = bench.acknowledge(f"A{number}", start + HOUR, by="Tam Okafor")
    assert again == first
    assert (again["acknowledged_by"], again["comment"]) == ("Odile Marsh", "On my way.")


def test_acknowledgement_needs_a_known_alarm_and_a_name(bench, cooler: Cause, start: Instant) -> None:
    """Each refusal is one sentence."""
    with pytest.raises(NotFoundError, match='there is no alarm "A7"'):
        bench.acknowledge(7, start)
    with pytest.raises(InputError, match="write its number as it stands in the message"):
        bench.acknowledge("seven", start)
    number = bench.raise_(cooler, start)
    with pytest.raises(InputError, match="say who has seen the alarm"):
        bench.acknowledge(number, start, by=" ")


def test_critical_alarm_is_held_until_its_record_is_closed(bench, critical: Cause, start: Instant) -> None:
    """Back in its limit and acknowledged, it stays; the reset by the closer ends it."""
    number = bench.raise_(critical, start)
    bench.clear(critical.key, start + HOUR)
    assert bench.letters() == ["E"]
    bench.acknowledge(number, start + HOUR)
    assert bench.letters() == ["F"]
    assert bench.due(start + 40 * HOUR) is None
    with bench.store.write() as conn:
        bench.alarms.reset(conn, critical.key, "Tam Okafor", start + 41 * HOUR)
    assert bench.open() == []


def test_shelved_alarm_is_silent_until_its_time_and_then_rings_as_new(bench, cooler: Cause, start: Instant) -> None:
    """Hidden it is listed with who, why and until when."""
    number = bench.raise_(cooler, start)
    bench.deliver()
    with bench.store.write() as conn:
        shown = bench.alarms.shelve(conn, number, "Odile Marsh", start, HOUR, "Defrosting.")
    assert shown["letter"] == "G"
    assert shown["hidden"] == {
        "how": "shelved", "since": "2026-03-02T18:00:00Z", "until": "2026-03-02T19:00:00Z", "by": "Odile Marsh", "reason": "Defrosting.",
    }  # fmt: skip
    assert bench.due(start + 59 * MINUTE) == start + HOUR
    assert len(bench.rows()) == 1
    bench.due(start + HOUR)
    assert bench.letters() == ["B"]
    assert len(bench.rows("alarm")) == 2


def test_new_excursion_of_a_shelved_cause_is_silent_too(bench, cooler: Cause, start: Instant) -> None:
    """Shelving holds for the cause, not for one excursion; what still stands at its end rings."""
    number = bench.raise_(cooler, start)
    with bench.store.write() as conn:
        bench.alarms.shelve(conn, number, "Odile Marsh", start, HOUR, "Defrosting.")
    bench.acknowledge(number, start)
    bench.clear(cooler.key, start + MINUTE)
    bench.raise_(replace(cooler, since=start + 2 * MINUTE), start + 2 * MINUTE)
    assert bench.letters() == ["G"]
    assert [r["state"] for r in bench.rows("alarm")] == ["dropped"]
    bench.due(start + HOUR)
    assert bench.letters() == ["B"]


def test_critical_alarm_is_shelved_for_half_an_hour_at_most(bench, critical: Cause, cooler: Cause, start: Instant) -> None:
    """Longer, without a reason or without a name it is refused, and nothing is changed."""
    number = bench.raise_(critical, start)
    for length in (SHELVE_CRITICAL + 1, 0):
        with pytest.raises(RefusedError, match="choose up to 30 min"), bench.store.write() as conn:
            bench.alarms.shelve(conn, number, "Odile Marsh", start, length, "Busy.")
    with pytest.raises(InputError, match="without a reason"), bench.store.write() as conn:
        bench.alarms.shelve(conn, number, "Odile Marsh", start, MINUTE, " ")
    assert bench.letters() == ["B"]
    with bench.store.write() as conn:
        bench.alarms.shelve(conn, number, "Odile Marsh", start, SHELVE_CRITICAL, "Calling.")
    assert bench.letters() == ["G"]
    other = bench.raise_(cooler, start)
    with pytest.raises(RefusedError, match="choose up to 12 h"), bench.store.write() as conn:
        bench.alarms.shelve(conn, other, "Odile Marsh", start, 13 * HOUR, "Night.")


def test_neither_design_nor_maintenance_silences_a_critical_alarm(bench, critical: Cause, cooler: Cause, start: Instant) -> None:
    """A scope over everything hides the operating alarm only."""
    with bench.store.write() as conn:
        bench.alarms.suppress(conn, "verdict/*", "the lot stands between two steps", start)
        bench.alarms.out_of_service(conn, "*", "Odile Marsh", "New cable.", start)
    bench.raise_(critical, start)
    bench.raise_(cooler, start)
    assert bench.letters() == ["B", "H"]
    with bench.store.write() as conn:
        bench.alarms.unsuppress(conn, "verdict/*", start + MINUTE)
    assert bench.letters() == ["B", "I"]
    with bench.store.write() as conn:
        bench.alarms.return_to_service(conn, "*", "Odile Marsh", start + MINUTE)
    assert bench.letters() == ["B", "B"]
    assert bench.bodies("alarm")[-1].startswith("MEDIUM STILL A2")


def test_every_change_is_in_the_ledger_and_the_chain_verifies(bench, critical: Cause, start: Instant) -> None:
    """Raised, rung, acknowledged, shelved and closed, by whom."""
    number = bench.raise_(critical, start)
    bench.acknowledge(number, start + MINUTE, comment="Going.")
    with bench.store.write() as conn:
        bench.alarms.shelve(conn, number, "Odile Marsh", start + MINUTE, MINUTE, "Calling.")
        bench.alarms.reset(conn, critical.key, "Tam Okafor", start + HOUR)
    with bench.store.read() as conn:
        kept = [(e.kind, e.body.get("what") or e.body.get("how"), e.by) for e in ledger.entries(conn)]
        assert ledger.verify(conn) == []
    assert kept == [
        ("alarm", "raised", ""),
        ("alarm", "raise", ""),
        ("alarm", "acknowledge", "Odile Marsh"),
        ("alarm-hidden", "shelved", "Odile Marsh"),
        ("alarm", "reset", "Tam Okafor"),
    ]


def warm(cooler: Cause) -> Cause:
    """The cooler's cause with the levels of its ceiling: 40 °F, half a degree of deadband, an hour forgiven."""
    return replace(cooler, above_c=4.444, back_c=3.944, again_after=HOUR)


def test_room_that_is_cold_again_clears_its_alarm(bench, cooler: Cause, start: Instant) -> None:
    """By a good reading newer than the condition and past the deadband; nothing else."""
    bench.raise_(warm(cooler), start)
    for minutes, celsius, suspect in ((1, 4.4, ""), (2, 4.0, ""), (3, 3.0, "out of the span")):
        bench.read("air-1", start + minutes * MINUTE, celsius, suspect)
        bench.due(start + minutes * MINUTE)
        assert bench.letters() == ["B"]
    bench.due(start + HOUR)
    assert bench.letters() == ["B"]  # silence clears nothing
    bench.read("air-1", start + 2 * HOUR, 3.9)
    bench.due(start + 2 * HOUR)
    assert bench.letters() == ["D"]
    assert [r["person"] for r in bench.rows("clear")] == ["Odile Marsh", "Tam Okafor"]


def test_second_warm_hour_of_a_day_rings_again_after_its_forgiven_time(bench, cooler: Cause, start: Instant) -> None:
    """The day's verdict is found once; the next excursion is an alarm all the same, also after an acknowledgement."""
    number = bench.raise_(warm(cooler), start)
    bench.acknowledge(number, start)
    bench.read("air-1", start + HOUR, 2.0)
    bench.due(start + HOUR)
    assert bench.open() == []
    for minutes in range(0, 61, 10):
        at = start + 2 * HOUR + minutes * MINUTE
        bench.read("air-1", at, 6.0)
        bench.due(at)
        assert bench.letters() == (["B"] if minutes == 60 else [])
    assert bench.open()[0]["since"] == "2026-03-02T20:00:00Z"


def test_short_warm_spell_within_the_forgiven_time_does_not_ring_again(bench, cooler: Cause, start: Instant) -> None:
    """Doors and defrost stay forgiven."""
    bench.acknowledge(bench.raise_(warm(cooler), start), start)
    for minutes, celsius in ((60, 2.0), (120, 6.0), (150, 2.0), (240, 2.0)):
        bench.read("air-1", start + minutes * MINUTE, celsius)
        bench.due(start + minutes * MINUTE)
    assert bench.open() == []
    assert len(bench.rows("alarm")) == 1


def test_alarm_that_nothing_can_change_ends_when_it_is_seen(bench, cooler: Cause, start: Instant) -> None:
    """An operating verdict that stands for ever does not ring for ever."""
    number = bench.raise_(replace(cooler, settled=True), start)
    assert bench.due(start + 9 * MINUTE) == start + 10 * MINUTE
    bench.acknowledge(number, start + 9 * MINUTE)
    assert bench.open() == []
