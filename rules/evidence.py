"""Evidence across probes: what one probe's reading says about another's. Asked only where a reading may change an answer.

A track says between which values (`low`, `high`) and up to when (`due_at`) its readings need no question; `doubt` sets both anew.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rules.meat import MeatRule
from rules.reading import Reading
from rules.stuck import StuckRule
from rules.track import NEVER, Track

if TYPE_CHECKING:
    from rules.engine import Engine


class Evidence:
    """The rules by which a reading becomes suspect because of others: stuck, out of the meat; and the core never put in."""

    def __init__(self, engine: Engine) -> None:
        self.stuck = StuckRule(engine)
        self.meat = MeatRule(engine)

    def doubt(self, track: Track, r: Reading) -> str:
        """Why a good reading, newer than all of its probe, is judged as if absent, or ""."""
        why = self.stuck.doubt(track, r) if track.still_at != NEVER else ""
        if not why and track.meat_at != NEVER:
            why = self.meat.doubt(track, r)
        track.due()
        return why

    def state(self) -> dict[str, Any]:
        """The running state as JSON-able values."""
        return {"stuck": self.stuck.state(), "meat": self.meat.state()}

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave."""
        self.stuck.restore(state["stuck"])
        self.meat.restore(state["meat"])
