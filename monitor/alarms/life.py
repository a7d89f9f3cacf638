"""The life cycle of one alarm, pure: a state, an event, the next state.

States and their letters follow ISA-18.2 / IEC 62682 (letters from memory, unverified: the paid standards were
not readable); latching, shelving, suppression and out of service follow OPC UA Part 9 (10000-9), which was
read: a hidden alarm still runs underneath. `hidden` is therefore kept beside the state, never instead of it.
"""

from __future__ import annotations

from enum import StrEnum
from types import MappingProxyType
from typing import Final, NamedTuple


class State(StrEnum):
    """Where an alarm is; the value is the standard's letter."""

    NORMAL = "A"
    UNACKNOWLEDGED = "B"
    ACKNOWLEDGED = "C"
    RETURNED = "D"  # returned to normal, unacknowledged
    LATCHED_UNACKNOWLEDGED = "E"  # back to normal but held: the record is not complete
    LATCHED_ACKNOWLEDGED = "F"


class Hidden(StrEnum):
    """Why an alarm makes no sound although it runs; the value is the standard's letter."""

    SHELVED = "G"
    SUPPRESSED = "H"
    OUT_OF_SERVICE = "I"


class Happening(StrEnum):
    """What can happen to an alarm."""

    RAISE = "raise"  # the condition begins, begins again or grows worse
    CLEAR = "clear"  # the condition is over
    ACKNOWLEDGE = "acknowledge"  # somebody has seen it
    REALARM = "realarm"  # it still stands, too long after it was acknowledged
    RESET = "reset"  # what held a latched alarm is complete


WORDS: Final = MappingProxyType(
    {
        "A": "normal",
        "B": "unacknowledged",
        "C": "acknowledged",
        "D": "returned to normal, unacknowledged",
        "E": "latched, unacknowledged",
        "F": "latched, acknowledged",
        "G": "shelved",
        "H": "suppressed by design",
        "I": "out of service",
    }
)

_A, _B, _C, _D = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.RETURNED
_E, _F = State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED

#: Every transition of an alarm that does not latch. What is absent changes nothing.
PLAIN: Final = MappingProxyType(
    {
        (_A, Happening.RAISE): _B,
        (_B, Happening.CLEAR): _D,
        (_B, Happening.ACKNOWLEDGE): _C,
        (_C, Happening.CLEAR): _A,
        (_C, Happening.RAISE): _B,
        (_C, Happening.REALARM): _B,
        (_D, Happening.RAISE): _B,
        (_D, Happening.ACKNOWLEDGE): _A,
    }
)
#: The differences of one that latches: it returns to normal only through a reset.
LATCHING: Final = MappingProxyType(
    {
        **PLAIN,
        (_B, Happening.CLEAR): _E,
        (_C, Happening.CLEAR): _F,
        (_E, Happening.ACKNOWLEDGE): _F,
        (_E, Happening.RAISE): _B,
        (_F, Happening.RAISE): _B,
        (_E, Happening.RESET): _D,
        (_F, Happening.RESET): _A,
        # The deviation is closed: its verdict stands for ever, but nothing is left to do about it.
        (_B, Happening.RESET): _D,
        (_C, Happening.RESET): _A,
    }
)


class Life(NamedTuple):
    """An alarm's state and what it does on a clear: `latched` ones are held until reset."""

    state: State = State.NORMAL
    latched: bool = False

    def after(self, happening: Happening) -> Life:
        """The life after something happened; a transition the tables do not name changes nothing."""
        table = LATCHING if self.latched else PLAIN
        return self._replace(state=table.get((self.state, happening), self.state))

    @property
    def unacknowledged(self) -> bool:
        """True while nobody has said that they saw it."""
        return self.state in (_B, _D, _E)

    @property
    def active(self) -> bool:
        """True while the condition stands."""
        return self.state in (_B, _C)

    @property
    def over(self) -> bool:
        """True once nothing is left to see or do."""
        return self.state is _A


def letter(state: State, hidden: Hidden | None) -> str:
    """The letter to show: the reason for hiding outranks the state underneath."""
    return (hidden or state).value
