"""What the engine says: verdicts, findings, problems."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, NamedTuple

from rules.reading import Instant


class Verdict(StrEnum):
    """The state of a watch, a limit or a lot. Never "safe": a limit was met or it was not."""

    OPEN = "open"
    MET = "met"
    DEVIATED = "deviated"
    UNPROVEN = "unproven"


#: Worst first; a limit is as bad as its worst watch, a lot as its worst critical limit.
WORST_FIRST = (Verdict.DEVIATED, Verdict.UNPROVEN, Verdict.OPEN, Verdict.MET)


def worst(verdicts: list[Verdict]) -> Verdict:
    """The worst of some verdicts; `open` of none."""
    return next((v for v in WORST_FIRST if v in verdicts), Verdict.OPEN)


class Finding(NamedTuple):
    """Something the engine found, dated in event time. `what` is one of WHAT.

    `known_at` is the reading, event or Tick that made it known; it is not part of any verdict.
    """

    at: Instant
    what: str
    lot: str
    step: str
    limit: str
    probe: str
    critical: bool
    text: str
    known_at: Instant = 0


#: met, deviated, unproven: a watch's verdict changed. left-short: a step ended with lethality short.
#: warming: the core warms while a cooling mark is outstanding. prompt: a person must confirm a step;
#: unconfirmed: nobody did within `confirm_within`. advanced: a step entered by itself.
#: pulled-early: the core fell fast with its lethality open. check-due: a hand check is due.
#: not-in-the-meat: the air has been hot for 20 min and the core has not warmed.
#: heading-out: the forecast of a pending mark lies past its deadline as a whole.
#: off, back: the chamber leaves its schedule's tolerance, and is within it again; fire-out: it falls fast inside a stage.
#: standing verdicts use the room's name as `step` and "" as `lot`.
WHAT = (
    "met", "deviated", "unproven", "left-short", "warming", "prompt", "unconfirmed", "advanced", "pulled-early", "not-in-the-meat",
    "check-due", "heading-out", "off", "back", "fire-out",
)  # fmt: skip


class Problem(NamedTuple):
    """Evidence or an event that could not be used as it stands; told, never dropped in silence."""

    at: Instant
    what: str
    probe: str
    text: str


@dataclass(slots=True)
class WatchReport:
    """One watch as it stands: what `larderer judge --json` prints for it.

    `margin` holds `seconds` (positive: time to spare or beyond the need; negative: short) and/or
    `temperature_c`; `governing_at` and `governing_c` name the reading that decided.
    """

    probe: str
    verdict: Verdict
    at: Instant | None
    reason: str
    margin: dict[str, float] = field(default_factory=dict)
    evidence: dict[str, Any] = field(default_factory=dict)
    counted: bool = True
