"""What a person's name under an entry means: 21 CFR 11.50(a)(3) asks for it beside the name and the time (read in a secondary copy).

Every entry with a name carries it, so that ledger, export and PDF show it without knowing this table.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

#: By kind, or by kind and what was done.
_MEANINGS: Final[Mapping[tuple[str, str], str]] = {
    ("access", "signed in"): "has shown who they are, and answers for what follows under this name",
    ("access", "signed out"): "has ended their session",
    ("alarm", ""): "saw to the alarm",
    ("alarm", "acknowledge"): "has seen the alarm and sees to it",
    ("alarm", "shelve"): "is responsible for its silence",
    ("alarm-hidden", ""): "is responsible for its silence",
    ("configuration", ""): "changed how this place is set up",
    ("calibration", ""): "made this check and read these values",
    ("deviation", "opened"): "found this and wrote it down",
    ("deviation", "action"): "did this, or saw it done",
    ("deviation", "answered"): "answers for cause, control, prevention and disposition",
    ("deviation", "closed"): "agrees that the record is complete",
    ("deviation", "sent-back"): "has reviewed the answers and does not agree",
    ("lot-event", ""): "made this entry",
    ("person", ""): "changed who may work here",
    ("receipt", ""): "received this, or saw it received",
    ("receipt", "withdrawn"): "takes back what was written about it",
    ("recall", ""): "is responsible for this recall",
    ("release", ""): "has reviewed the records of this lot and releases it",
    ("review", ""): "has reviewed these records before shipment",
}
OTHERS: Final = "made this entry"


def meaning(kind: str, body: Mapping[str, Any]) -> str:
    """The meaning of a name under an entry of this kind, in words that follow the name."""
    return _MEANINGS.get((kind, str(body.get("what", ""))), _MEANINGS.get((kind, ""), OTHERS))
