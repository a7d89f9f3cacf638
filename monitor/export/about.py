"""Which records of the ledger are about a day: what happened on it, what befell its lots, and what followed from either."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from monitor.charts.lot_chart import instant
from rules.errors import QuantityError
from rules.reading import Instant

#: Kinds that tell nothing about a day's work.
_UPKEEP = ("seal", "export", "monitoring", "retention", "check", "backup", "restore-rehearsal")
#: Records of a lot as a whole.
_PAPERS = ("receipt", "release")


class About:
    """Asked for each ledger entry in order, says whether it concerns the day.

    A deviation or alarm that began on the day, or with one of its lots, keeps concerning it: its corrective action and
    closing belong to the day's record however late they are written.
    """

    def __init__(self, day: str, since: Instant, until: Instant, lots: Collection[str]) -> None:
        self.day, self.since, self.until, self.lots = day, since, until, set(lots)
        self._followed: set[str] = set()

    def __call__(self, entry: Mapping[str, Any]) -> bool:
        """Whether this entry, the next in order, concerns the day."""
        if entry["kind"] in _UPKEEP:
            return False
        body = entry["body"]
        at = happened_at(entry)
        own = self.since < at <= self.until or body.get("day") == self.day or (body.get("lot") in self.lots and at <= self.until)
        if entry["kind"] in _PAPERS:  # what came for a lot and its release belong to the lot, however late they are written
            own = own or body.get("lot") in self.lots
        if entry["kind"] == "recall":  # it concerns every day that the probe was found to have read wrong on
            after, until = instant(body.get("after")), instant(body.get("until"))
            own = own or ((after is None or after < self.until) and until is not None and until > self.since)
        name = body.get("deviation") or body.get("alarm")
        if own and name:
            self._followed.add(str(name))
        return own or str(name) in self._followed


def happened_at(entry: Mapping[str, Any]) -> Instant:
    """When what an entry tells happened: its own words on that, else when it was entered as happening."""
    body = entry["body"]
    observed = body.get("observed")
    told = observed[0].get("at") if isinstance(observed, list) and observed and isinstance(observed[0], dict) else body.get("at")
    try:
        at = instant(told)
    except QuantityError:
        at = None
    return int(entry["at"]) if at is None else at
