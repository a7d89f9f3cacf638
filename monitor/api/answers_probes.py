"""What is answered about probes, their checks and recalls, pushed readings, and the service itself."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from pydantic import BaseModel, Field

from monitor.api.answers import Answer, Next, Provisional, When, shown

_CHECK = {
    "id": 12, "probe": "core-1", "at": "2026-03-02T13:00:00Z", "entered": None, "method": "ice-point", "reference": "ice point",
    "reference_c": 0.0, "indicated_c": 0.22, "error_c": 0.22, "tolerance_c": 0.5, "within": True, "as_left_c": None, "left_error_c": 0.22,
    "good": True, "offset_was_c": 0.0, "offset_c": None, "since": None, "by": "Odile Marsh", "comment": "Crushed ice, stirred.",
}  # fmt: skip
_PROBE = {
    "probe": "core-1", "place": "core", "room": "", "at": "2026-03-02T19:04:10Z", "age_s": 2.5, "celsius_c": 62.9, "humidity_pct": None,
    "raw_c": 63.1, "offset_c": -0.2, "suspect": "", "fault": "", "fault_at": None, "health": "good", "lot": "J-0412",
    "checked": _CHECK | {"last_good": "2026-03-02T13:00:00Z"}, "check_due_at": "2026-04-01T13:00:00Z", "check_overdue": False,
}  # fmt: skip
_CHANGE = {
    "lot": "J-0411", "product": "juniper-links", "step": "cook", "limit": "lethality", "probe": "core-1", "critical": True, "was": "met",
    "was_at": "2026-03-01T19:04:10Z", "now": "deviated", "now_at": "2026-03-01T19:30:00Z", "reason": "200 s of 240 s held", "day": "",
    "better": False, "note": "",
}  # fmt: skip
_EFFECT = {
    "probe": "core-1", "check": _CHECK, "after": None, "until": "2026-03-02T13:00:00Z", "added_c": -1.1, "lots": ["J-0411"],
    "changes": [_CHANGE], "days": ["2026-03-01"], "text": "core-1 read 2.0 °F too high.",
}  # fmt: skip
_RECALL = {
    "id": 1, "probe": "core-1", "after": None, "until": "2026-03-02T13:00:00Z", "added_c": -1.1, "calibration": 12,
    "at": "2026-03-02T14:00:00Z", "by": "Tam Okafor",
}  # fmt: skip
_LATE = {
    "probe": "core-1", "count": 120, "from": "2026-02-27T10:00:00Z", "to": "2026-02-27T12:00:00Z",
    "received_from": "2026-03-02T13:00:00Z", "received_to": "2026-03-02T13:01:00Z",
}  # fmt: skip


class CheckMade(Answer):
    """A check of a probe against a reference."""

    model_config = shown(_CHECK)
    id: int
    probe: str
    at: When
    entered: When | None
    method: str
    reference: str
    reference_c: float
    indicated_c: float
    error_c: float
    tolerance_c: float
    within: bool = Field(description="As found, the error was within the tolerance.")
    as_left_c: float | None
    left_error_c: float
    good: bool = Field(description="As left, the error is within the tolerance.")
    offset_was_c: float
    offset_c: float | None = Field(description="The correction in force from then on; null: unchanged.")
    since: When | None
    by: str
    comment: str


class CheckStanding(CheckMade):
    """A probe's last check, and the instant of its last good one."""

    model_config = shown(_CHECK | {"last_good": "2026-03-02T13:00:00Z"})
    last_good: When | None


class ProbeLine(Answer):
    """A probe: what it last told, how old that is, where it is."""

    model_config = shown(_PROBE)
    probe: str
    place: str
    room: str
    at: When | None
    age_s: float | None
    celsius_c: float | None = Field(description="With its offset added.")
    humidity_pct: float | None
    raw_c: float | None
    offset_c: float | None
    suspect: str
    fault: str
    fault_at: When | None
    health: Literal["good", "suspect", "fault", "silent", "never heard", "not in the plan"]
    lot: str
    checked: CheckStanding | None
    check_due_at: When | None
    check_overdue: bool


class ProbeList(Answer):
    """Every probe."""

    model_config = shown({"probes": [_PROBE]})
    probes: list[ProbeLine]


class CheckList(Answer):
    """A page of checks."""

    model_config = shown({"calibrations": [_CHECK], "next": None})
    calibrations: list[CheckMade]
    next: Next


class ChangeLine(Answer):
    """One verdict that is another after a recall, with both."""

    model_config = shown(_CHANGE)
    lot: str
    product: str
    step: str
    limit: str
    probe: str
    critical: bool
    was: str
    was_at: When | None
    now: str
    now_at: When | None
    reason: str
    day: str = Field(description="Of a room's standing limit; `lot` is blank then and `step` the room.")
    better: bool
    note: str


class RecallPreview(Answer):
    """What recalling a probe changes."""

    model_config = shown(_EFFECT)
    probe: str
    check: CheckMade
    after: When | None = Field(description="Since when it is doubted; null: since its first reading.")
    until: When
    added_c: float
    lots: list[str]
    changes: list[ChangeLine]
    days: list[str] = Field(description="Days whose export is then another.")
    text: str


class RecallDone(RecallPreview):
    """A recall carried out."""

    model_config = shown(_EFFECT | {"recall": 1, "by": "Tam Okafor", "at": "2026-03-02T14:00:00Z"})
    recall: int
    by: str
    at: When


class RecallLine(Answer):
    """A recall as lists show it."""

    model_config = shown(_RECALL)
    id: int
    probe: str
    after: When | None
    until: When
    added_c: float
    calibration: int
    at: When
    by: str


class RecallList(Answer):
    """A page of recalls."""

    model_config = shown({"recalls": [_RECALL], "next": None})
    recalls: list[RecallLine]
    next: Next


class PushedItem(Answer):
    """What became of one item of a push."""

    item: int = Field(ge=0, description="Its place in the body, from 0.")
    outcome: Literal["stored", "duplicate", "late", "future", "unknown-probe", "refused"]
    detail: str = ""


class PushOutcome(Answer):
    """What became of every item of a push, once it is durable."""

    model_config = shown(
        {"items": [{"item": 0, "outcome": "stored"}, {"item": 1, "outcome": "unknown-probe", "detail": 'no probe "x" in the plan'}]}
        | {"counts": {"stored": 1, "unknown-probe": 1}}
    )
    items: list[PushedItem]
    counts: dict[str, int]


class RejudgingWaits(Answer):
    """What is being judged anew."""

    since: When
    why: str


class LateLine(Answer):
    """Readings of one probe that came too late to be judged by themselves."""

    model_config = shown(_LATE)
    probe: str
    count: int
    since: When = Field(alias="from")
    to: When
    received_from: When
    received_to: When


class LateShown(Answer):
    """What came late."""

    model_config = shown({"waiting": None, "unjudged": [_LATE]})
    waiting: RejudgingWaits | None
    unjudged: list[LateLine]


class RejudgingAsked(Answer):
    """What was asked to be judged anew."""

    model_config = shown(
        {"since": "2026-02-27T00:00:00Z", "reason": "The gateway was found unplugged.", "readings": 120, "by": "Odile Marsh"}
        | {"waiting": True}
    )
    since: When
    reason: str
    readings: int
    by: str
    waiting: bool


class SessionShown(Answer):
    """Who is signed in."""

    model_config = shown({"name": "Odile Marsh", "role": "operator", "form_token": "…"})
    name: str
    role: str
    form_token: str = Field(description="What changes bring back in X-Form-Token; blank for a bearer token.")


class HealthShown(Answer):
    """How the service is."""

    model_config = shown({"status": "ok", "newest_reading_age_s": 1.2, "provisional": "", "version": "0.1.0"})
    status: Literal["ok", "trouble"]
    newest_reading_age_s: float | None
    provisional: Provisional
    version: str


class ClockShown(Answer):
    """What time it is here."""

    model_config = shown({"now": "2026-12-01T15:30:00Z", "provisional": "", "by": ""})
    now: When
    provisional: Provisional
    by: str = Field(description="Who said the time, while it is counted from there; blank where the system's clock is followed.")


class ClockSaid(Answer):
    """What time it is from now on, and what it was taken for."""

    model_config = shown({"at": "2026-12-01T15:30:00Z", "was": "2026-11-28T15:30:00Z", "by_s": 259200.0, "by": "Tam Okafor"})
    at: When
    was: When
    by_s: float
    by: str


class ProblemKind(Answer):
    """What a kind of problem means."""

    model_config = shown(
        {"type": "/api/v1/problems/busy", "title": "Busy", "status": 503, "help": "Nothing was taken. Send again after Retry-After."}
    )
    type: str
    title: str
    status: int
    help: str


ROUTES: Mapping[str, type[BaseModel]] = {
    "GET /probes": ProbeList,
    "POST /calibrations": CheckMade,
    "GET /calibrations": CheckList,
    "GET /recalls/preview": RecallPreview,
    "POST /recalls": RecallDone,
    "GET /recalls": RecallList,
    "POST /readings": PushOutcome,
    "GET /rejudgements": LateShown,
    "POST /rejudgements": RejudgingAsked,
    "GET /session": SessionShown,
    "POST /session": SessionShown,
    "GET /health": HealthShown,
    "GET /clock": ClockShown,
    "POST /clock": ClockSaid,
    "GET /problems/{slug}": ProblemKind,
}
