"""What is answered about alarms, deviation records and days."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import BaseModel, Field

from monitor.api.answers import Answer, Next, When, shown
from monitor.api.answers_lots import GrowthShown, LotLine

_HIDDEN = {
    "how": "shelved", "since": "2026-03-02T19:05:00Z", "until": "2026-03-02T19:35:00Z", "by": "Odile Marsh",
    "reason": "Defrost of cooler-1.",
}  # fmt: skip
_ALARM = {
    "id": "A17", "number": 17, "key": "limit/J-0412/grind/grind cold", "text": "J-0412 grind: grind cold deviated",
    "what": "grind cold deviated", "where": "J-0412 grind", "detail": "core-1 read 41.2 °F, above 40 °F", "limit": "at most 40 °F",
    "doubt": "", "do": ["Stop and re-chill the meat."], "lot": "J-0412", "members": ["core-1"], "priority": "critical", "critical": True,
    "latched": True, "letter": "G", "state": "shelved", "active": True, "unacknowledged": True, "open": True,
    "since": "2026-03-02T19:04:00Z", "raised": "2026-03-02T19:04:00Z", "rang": "2026-03-02T19:04:00Z", "returned": None,
    "acknowledged": None, "acknowledged_by": "", "comment": "", "closed": None, "branch_of": None, "told": True, "standing": False,
    "hidden": _HIDDEN,
}  # fmt: skip
_SEEN = {
    "at": "2026-03-02T19:04:00Z", "probe": "core-1", "verdict": "deviated", "text": "41.2 °F, above 40 °F", "from": "2026-03-02T18:00:00Z",
    "to": "2026-03-02T19:04:00Z", "margin": {"worst_c": -0.7}, "readings": 64, "lowest_c": 1.1, "lowest_at": "2026-03-02T18:01:00Z",
    "highest_c": 5.111, "highest_at": "2026-03-02T19:04:00Z", "worst_c": 5.111, "worst_at": "2026-03-02T19:04:00Z",
}  # fmt: skip
_ACTION = {
    "at": "2026-03-02T19:10:00Z", "entered": "2026-03-02T19:10:00Z", "by": "Odile Marsh", "kind": "action",
    "text": "Moved all racks to cooler-2 and spread them.", "planned": False,
}  # fmt: skip
_DEVIATION = {
    "id": "D3", "number": 3, "lot": "J-0412", "product": "juniper-links", "product_name": "Juniper venison-and-pork links",
    "step": "grind", "limit": "grind cold", "limit_text": "at most 40 °F", "source": "common practice", "hazard": "",
    "do": ["Stop and re-chill the meat."], "plan": "9f2b", "observed": [_SEEN], "affected": ["J-0412"],
    "text": "J-0412 grind grind cold: 41.2 °F, above 40 °F", "verdict": "deviated", "state": "open", "unforeseen": False,
    "probes": ["core-1"], "at": "2026-03-02T19:04:00Z", "opened": "2026-03-02T19:04:01Z", "opened_at": 1772478241000000, "on_hold": True,
    "actions": [_ACTION], "answers": {}, "answered": None, "answered_by": "", "reviewers": [], "reviewed_by": "", "review": "",
    "closed": None, "closed_at": None,
}  # fmt: skip
_REVIEW = {"at": "2026-03-03T15:00:00Z", "by": "Tam Okafor", "comment": "Read through.", "own_records": False, "ledger_seq": 412}


class HiddenLine(Answer):
    """Why an alarm makes no sound although it runs."""

    model_config = shown(_HIDDEN)
    how: str
    since: When
    until: When | None
    by: str
    reason: str


class AlarmShown(Answer):
    """One alarm. `letter` is the standard's, `state` says it in words."""

    model_config = shown(_ALARM)
    id: str
    number: int
    key: str
    text: str
    what: str
    where: str
    detail: str
    limit: str
    doubt: str
    do: list[str]
    lot: str
    members: list[str]
    priority: Literal["critical", "high", "medium", "low"]
    critical: bool
    latched: bool
    letter: str = Field(pattern="^[A-I]$")
    state: str
    active: bool
    unacknowledged: bool
    open: bool
    since: When
    raised: When
    rang: When | None
    returned: When | None
    acknowledged: When | None
    acknowledged_by: str
    comment: str
    closed: When | None
    branch_of: str | None
    told: bool
    standing: bool
    hidden: HiddenLine | None


class AlarmList(Answer):
    """A page of open alarms."""

    model_config = shown({"alarms": [_ALARM], "next": None})
    alarms: list[AlarmShown]
    next: Next


class LinkedAlarm(Answer):
    """The alarm that a signed link is for."""

    model_config = shown({"alarm": _ALARM, "person": "Odile Marsh", "expires": "2026-03-03T19:04:00Z"})
    alarm: AlarmShown
    person: str
    expires: When


class ObservedLine(Answer):
    """What was observed of one probe; what a person saw has its text alone."""

    model_config = shown(_SEEN)
    at: When
    probe: str
    verdict: str
    text: str
    since: When | None = Field(default=None, alias="from")
    to: When | None = None
    margin: dict[str, Any] = Field(default_factory=dict)
    readings: int = 0
    lowest_c: float | None = None
    lowest_at: When | None = None
    highest_c: float | None = None
    highest_at: When | None = None
    worst_c: float | None = None
    worst_at: When | None = None


class ActionLine(Answer):
    """One thing that was done or written about a record."""

    model_config = shown(_ACTION)
    at: When
    entered: When
    by: str
    kind: str
    text: str
    planned: bool


class DeviationShown(Answer):
    """One deviation record."""

    model_config = shown(_DEVIATION)
    id: str
    number: int
    lot: str
    product: str
    product_name: str
    step: str
    limit: str
    limit_text: str
    source: str
    hazard: str
    do: list[str]
    plan: str = Field(description="SHA-256 of the plan in force.")
    observed: list[ObservedLine]
    affected: list[str]
    text: str
    verdict: str
    state: str
    unforeseen: bool = Field(description="True: the plan names no action for it.")
    probes: list[str]
    at: When
    opened: When
    opened_at: int = Field(description="`opened` in microseconds since 1970.")
    on_hold: bool
    actions: list[ActionLine]
    answers: dict[str, str] = Field(description="As closing gave them; empty: not answered yet.")
    answered: When | None
    answered_by: str
    reviewers: list[str] = Field(description="Who may give the second word; empty: none is needed.")
    reviewed_by: str
    review: str
    closed: When | None
    closed_at: int | None = Field(description="`closed` in microseconds since 1970.")


class DeviationWithGrowth(DeviationShown):
    """A deviation record and, of a cooling or come-up, the growth that models predict."""

    model_config = shown(_DEVIATION | {"growth": []})
    growth: list[GrowthShown]


class DeviationList(Answer):
    """A page of records."""

    model_config = shown({"deviations": [_DEVIATION], "next": None})
    deviations: list[DeviationShown]
    next: Next


class DeviationsClosed(Answer):
    """The records that were answered together."""

    model_config = shown({"deviations": [_DEVIATION]})
    deviations: list[DeviationShown]


class ReviewSigned(Answer):
    """A pre-shipment review as it was signed."""

    model_config = shown(_REVIEW)
    at: When
    by: str
    comment: str
    own_records: bool = Field(description="Whether the signer made records of this day.")
    ledger_seq: int


class DayShown(Answer):
    """The record of one local day, which can last 23 or 25 hours."""

    model_config = shown(
        {"day": "2026-03-02", "begins": "2026-03-02T06:00:00Z", "ends": "2026-03-03T06:00:00Z", "lots": [], "records": {"event": 12}}
        | {"reviews": [_REVIEW], "reviewed_to": 412, "since_review": 0, "open_matters": [], "makers": ["Odile Marsh"]}
    )
    day: str
    begins: When
    ends: When
    lots: list[LotLine]
    records: dict[str, int] = Field(description="Ledger entries by kind.")
    reviews: list[ReviewSigned]
    reviewed_to: int | None = Field(description="Ledger place of the last review.")
    since_review: int | None = Field(description="Records of the day made after it.")
    open_matters: list[str] = Field(description="What keeps it from being signed, one phrase each.")
    makers: list[str]


ROUTES: Mapping[str, type[BaseModel]] = {
    "GET /alarms": AlarmList,
    "POST /alarms/{alarm}/acknowledge": AlarmShown,
    "POST /alarms/{alarm}/shelve": AlarmShown,
    "POST /alarms/{alarm}/out-of-service": AlarmShown,
    "POST /alarms/{alarm}/in-service": AlarmShown,
    "GET /acknowledge/{token}": LinkedAlarm,
    "POST /acknowledge/{token}": AlarmShown,
    "GET /deviations": DeviationList,
    "POST /deviations": DeviationShown,
    "POST /deviations/close": DeviationsClosed,
    "GET /deviations/{deviation}": DeviationWithGrowth,
    "POST /deviations/{deviation}/actions": DeviationShown,
    "POST /deviations/{deviation}/close": DeviationShown,
    "POST /deviations/{deviation}/review": DeviationShown,
    "GET /days/{day}": DayShown,
    "POST /days/{day}/review": ReviewSigned,
}
