"""The pure life cycle, transition by transition (letters of ISA-18.2 from memory; latching per OPC UA Part 9)."""

from __future__ import annotations

import pytest

from monitor.alarms.life import LATCHING, PLAIN, Happening, Hidden, Life, State, letter


@pytest.mark.parametrize(
    ("start", "happening", "end"),
    [
        ("A", "raise", "B"), ("B", "acknowledge", "C"), ("C", "clear", "A"), ("B", "clear", "D"), ("D", "acknowledge", "A"),
        ("D", "raise", "B"), ("C", "raise", "B"), ("C", "realarm", "B"),
    ],
)  # fmt: skip
def test_plain_alarm_moves_as_the_standard_says(start: str, happening: str, end: str) -> None:
    """Each named transition of an alarm that does not latch."""
    assert Life(State(start)).after(Happening(happening)).state == end


def test_latched_alarm_does_not_return_to_normal_without_a_reset() -> None:
    """Cleared and acknowledged in either order, it is held until it is reset."""
    life = Life(latched=True).after(Happening.RAISE)
    for order in ((Happening.CLEAR, Happening.ACKNOWLEDGE), (Happening.ACKNOWLEDGE, Happening.CLEAR)):
        held = life.after(order[0]).after(order[1])
        assert held.state is State.LATCHED_ACKNOWLEDGED
        assert held.after(Happening.RESET).over


def test_reset_does_not_stand_for_an_acknowledgement() -> None:
    """A latched alarm that nobody saw is still unacknowledged after its reset."""
    assert Life(State.LATCHED_UNACKNOWLEDGED, True).after(Happening.RESET).unacknowledged


def test_acknowledging_never_clears_and_clearing_never_acknowledges() -> None:
    """In no state does one do the other's work."""
    for latched, table in ((False, PLAIN), (True, LATCHING)):
        for state, happening in table:
            before, after = Life(state, latched), Life(state, latched).after(happening)
            if happening is Happening.ACKNOWLEDGE:
                assert after.active == before.active
            if happening is Happening.CLEAR:
                assert after.unacknowledged == before.unacknowledged


def test_what_the_tables_do_not_name_changes_nothing() -> None:
    """Acknowledging twice, clearing what is clear, resetting what does not latch."""
    for state in State:
        for happening in Happening:
            if (state, happening) not in PLAIN:
                assert Life(state).after(happening).state is state


def test_hidden_alarm_shows_why_it_is_hidden() -> None:
    """The letter of the hiding outranks the state underneath."""
    assert letter(State.UNACKNOWLEDGED, Hidden.SHELVED) == "G"
    assert letter(State.UNACKNOWLEDGED, None) == "B"
