"""What a lot says: the news of its watches made findings, with what would still meet the limit, kept for the report."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rules.finding import Finding, Verdict
from rules.limits.watch import News, Watch
from rules.plan import Limit
from rules.reading import Instant
from rules.remedy import LEAD
from rules.remedy import facts as remedy_facts
from rules.remedy import words as remedy_words
from rules.run import Run

if TYPE_CHECKING:
    from rules.lot import Lot


class LotSays:
    """The findings of one lot; `said` holds all of them, in the order in which they became known."""

    def __init__(self, lot: Lot) -> None:
        self.lot = lot
        self.said: list[Finding] = []

    def news(self, run: Run | None, watch: Watch, item: News) -> None:
        """What a watch has to say about its limit."""
        limit, straddling = watch.limit, self.lot.advance.straddling
        step = run.key.split("/", 1)[0] if run else ""
        old = straddling["from"] if straddling else ""
        if straddling and item.at > straddling["since"] and not limit.critical and step == old:
            return  # suppressed by design: the meat has left that step, nobody has confirmed it yet
        self.tell(item.at, item.what, step, limit, watch.probe, item.text + self._remedy(watch, item))

    def _remedy(self, watch: Watch, item: News) -> str:
        """What would still meet the limit, for a finding that says it is short."""
        asked = item.what in ("left-short", "warming") or (item.what == "unproven" and item.text.startswith("withdrawn"))
        remedy = watch.remedy() if asked and self.lot.ended is None else None
        if remedy is None:
            return ""
        unit = self.lot.unit
        told = remedy_words(remedy_facts(remedy, unit), unit, self.lot.plan.site.zone, item.at)
        return LEAD + told if told else ""

    def tell(self, at: Instant, what: str, step: str, limit: Limit | None, probe: str, text: str) -> None:
        """Give a finding out and keep it for the report."""
        name, critical = (limit.name, limit.critical) if limit else ("", False)
        finding = Finding(at, what, self.lot.id, step, name, probe, critical, text, self.lot.hub.now)
        self.said.append(finding)
        self.lot.hub.say(finding)

    def uncovered(self, run: Run, at: Instant) -> None:
        """Say, once, what time without any watch makes of a limit as a whole."""
        run = self.lot.runs[run.key]
        verdict, reason = self.lot.limit_verdict(run)
        step = run.key.split("/", 1)[0]
        if verdict is not Verdict.UNPROVEN or not reason:
            return
        if not any(f.what == "unproven" and not f.probe and f.limit == run.limit.name and f.step == step for f in self.said):
            self.tell(at, "unproven", step, run.limit, "", reason)
