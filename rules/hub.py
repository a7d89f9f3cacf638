"""What a lot asks of the engine."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

from rules.finding import Finding
from rules.limits.watch import Watch
from rules.plan import Probe
from rules.reading import Instant, Reading

if TYPE_CHECKING:
    from rules.evidence import Evidence
    from rules.run import Run


class Hub(Protocol):
    """What the engine does for a lot."""

    now: Instant
    evidence: Evidence

    def attach(self, watch: Watch, owner: Any) -> None:
        """Feed the watch with its probe's readings from now on, and with one that stands at this very instant."""

    def around(self, probes: list[Probe], at: Instant) -> list[float]:
        """What these fixed probes read before the last whole half minute, in °C."""

    def detach(self, watch: Watch) -> None:
        """Feed it no more."""

    def later(self, at: Instant, lot: str, kind: str, arg: str) -> None:
        """Call the lot's `timer` when time has come to `at`."""

    def closing(self, at: Instant, owner: Any, run: Run, watch: Watch | None, how: str) -> None:
        """Close the watch once every reading at `at` has been taken."""

    def ends(self, watch: Watch) -> bool:
        """Whether its lethality, met at this very instant, makes the watch final."""

    def keep(self, watch: Watch) -> None:
        """Take back a closing asked for at this very instant: the watch goes on."""

    def newest(self, probe: str) -> Reading | None:
        """The probe's newest good reading."""

    def problem(self, at: Instant, what: str, probe: str, text: str) -> None:
        """Tell of evidence that could not be used as it stands."""

    def say(self, finding: Finding) -> None:
        """Give a finding out."""

    def cross(self, at: Instant) -> None:
        """Something has happened at `at` that other probes' readings depend on."""
