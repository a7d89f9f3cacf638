"""What is answered about lots: how each stands, what became of an entry, and its papers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import BaseModel, Field

from monitor.api.answers import Answer, Next, Provisional, Verdict, When, shown

_FORECAST = {
    "step": "cook", "limit": "lethality", "kind": "lethality", "probe": "core-1", "to_c": 62.778, "expected": "2026-03-02T19:20:00Z",
    "earliest": "2026-03-02T19:15:00Z", "latest": "2026-03-02T19:31:00Z", "due": None, "hold_s": 240.0, "air_c": 76.5,
    "read": "2026-03-02T19:00:00Z", "text": "core-1 is expected to reach 145.0 °F at 13:20.",
}  # fmt: skip
_LINE = {
    "lot": "J-0412", "product": "juniper-links", "product_name": "Juniper venison-and-pork links", "started": "2026-03-02T14:00:00Z",
    "ended": None, "step": "cook", "step_since": "2026-03-02T17:30:00Z", "steps_now": ["cook"], "awaits": "", "asked": None,
    "verdict": "open", "provisional": "", "summary": "lethality: 120 s of 240 s held", "forecasts": [_FORECAST],
}  # fmt: skip
_WATCH = {
    "probe": "core-1", "verdict": "met", "at": "2026-03-02T19:04:10Z", "margin": {"seconds": 95},
    "reason": "240 s at 62.8 °C or more, of 145 s needed", "evidence": {"highest_c": 64.2},
}  # fmt: skip
_LIMIT = {
    "step": "cook", "limit": "lethality", "kind": "lethality", "class": "critical", "verdict": "met",
    "book": "us-inspected-2021/meat-6.5-log", "watches": [_WATCH],
}  # fmt: skip
_ENTRY = {
    "seq": 1, "at": "2026-03-02T14:00:00Z", "entered": None, "event": "start", "name": "juniper-links", "value": "",
    "by": "Odile Marsh", "undone": False,
}  # fmt: skip
_PREDICTION = {
    "model": "an invented model", "organism": "Clostridium perfringens", "matrix": "cooked meat", "log10": 0.412, "outside_log10": 0.0,
    "upper_bound": True, "mark": "M", "notes": [],
}  # fmt: skip
_GROWTH = {
    "probe": "core-1", "from_at": "2026-03-02T20:00:00Z", "to_at": "2026-03-03T04:00:00Z", "unmeasured_s": 0, "cured": True,
    "predictions": [_PREDICTION], "refused": [], "notes": ["A prediction proves nothing."], "step": "chill", "limit": "stabilization",
    "sentences": ["At most 0.4 log10 of growth is predicted."],
}  # fmt: skip
_FINDING = {
    "at": "2026-03-02T19:04:10Z", "what": "met", "lot": "J-0412", "step": "cook", "limit": "lethality", "probe": "core-1",
    "text": "240 s at 62.8 °C or more",
}  # fmt: skip
_ENTERED = {
    "lot": "J-0412", "event": "step", "name": "cook", "value": "", "at": "2026-03-02T17:30:00Z", "entered": None, "by": "Odile Marsh",
    "findings": [_FINDING],
}  # fmt: skip
_RECEIPT = {
    "seq": 41, "at": "2026-03-02T13:10:00Z", "entered": None, "by": "Odile Marsh", "withdrawn": "", "what": "received",
    "material": "venison trim", "supplier": "Hollin Bank Game", "supplier_lot": "HB-77", "temperature": "36 °F", "weight_kg": "42.5",
    "text": "",
}  # fmt: skip
_RELEASED = {"at": "2026-03-03T15:00:00Z", "by": "Tam Okafor", "text": "Records read through.", "own_records": False, "lot": "J-0412"}


class ForecastLine(Answer):
    """When a probe in the core is expected to get where a limit wants it. A forecast decides nothing."""

    model_config = shown(_FORECAST)
    step: str
    limit: str
    kind: str
    probe: str
    to_c: float
    expected: When | None
    earliest: When | None
    latest: When | None = Field(description="null: perhaps never.")
    due: When | None = Field(description="By when the limit wants it; null: at no fixed time.")
    hold_s: float = Field(description="How long it then has to stay there.")
    air_c: float
    read: When = Field(description="The instant of the reading that it was made from.")
    text: str


class LotLine(Answer):
    """A lot as lists show it."""

    model_config = shown(_LINE)
    lot: str
    product: str
    product_name: str
    started: When | None
    ended: When | None
    step: str
    step_since: When | None = Field(description="null where it advanced by itself.")
    steps_now: list[str] = Field(description="Two while it straddles two steps.")
    awaits: str = Field(description="The step that a person must confirm, or blank.")
    asked: When | None
    verdict: Verdict
    provisional: Provisional
    summary: str
    forecasts: list[ForecastLine]


class SourceLine(Answer):
    """Where a limit's figures are published, and how far that was read in the original."""

    document: str
    section: str
    date: str
    mark: str
    verified: str


class WatchShown(Answer):
    """One probe's word on one limit."""

    model_config = shown(_WATCH)
    probe: str
    verdict: Verdict
    at: When | None
    margin: dict[str, Any] = Field(description="How far from the limit, in units of its kind: `seconds`, keys ending `_c`, and others.")
    reason: str
    evidence: dict[str, Any] = Field(description="What it was judged from; `remedy` says what would still meet it.")
    counted: bool = Field(default=True, description="False: the limit goes by another probe.")


class LimitShown(Answer):
    """One limit of one step, as the Judge JSON gives it."""

    model_config = shown(_LIMIT)
    step: str
    limit: str
    kind: str
    limit_class: Literal["critical", "operating"] = Field(alias="class")
    verdict: Verdict
    book: str = ""
    source: str = ""
    confirmed: str = ""
    doubt: str = ""
    sources: list[SourceLine] = Field(default_factory=list)
    reason: str = ""
    watches: list[WatchShown]


class PredictionLine(Answer):
    """What one published model predicts."""

    model: str
    organism: str
    matrix: str
    log10: float
    outside_log10: float = Field(description="How much of it lies outside the range in which the model was measured.")
    upper_bound: bool
    mark: str
    notes: list[str]


class GrowthShown(Answer):
    """Growth predicted over the lot's own curve, for the corrective action."""

    model_config = shown(_GROWTH)
    probe: str
    step: str
    limit: str
    from_at: When | None = None
    to_at: When | None = None
    unmeasured_s: float = 0
    cured: bool = False
    predictions: list[PredictionLine]
    refused: list[str]
    notes: list[str]
    sentences: list[str]


class LotEntryLine(Answer):
    """One entry of a lot."""

    model_config = shown(_ENTRY)
    seq: int
    at: When
    entered: When | None = Field(description="When it was written down, if later.")
    event: str
    name: str
    value: str
    by: str
    undone: bool


class LotShown(LotLine):
    """A lot with its verdicts, its probes and every entry."""

    model_config = shown(
        _LINE
        | {
            "placed": {"core-1": "2026-03-02T14:05:00Z"}, "free_probes": ["core-2"], "steps": ["grind", "cook", "chill"],
            "limits": [_LIMIT], "entries": [_ENTRY], "growth": [],
        }
    )  # fmt: skip
    placed: dict[str, When] = Field(description="Each probe in it, and since when.")
    free_probes: list[str] = Field(description="Core probes that are in no lot.")
    steps: list[str]
    limits: list[LimitShown]
    entries: list[LotEntryLine]
    growth: list[GrowthShown]


class LotList(Answer):
    """A page of lots."""

    model_config = shown({"lots": [_LINE], "next": None})
    lots: list[LotLine]
    next: Next


class FindingLine(Answer):
    """What the engine found."""

    model_config = shown(_FINDING)
    at: When
    what: str
    lot: str
    step: str
    limit: str
    probe: str
    text: str


class EntryMade(Answer):
    """An entry as it was recorded, and what was found at it."""

    model_config = shown(_ENTERED)
    lot: str
    event: str
    name: str
    value: str
    at: When
    entered: When | None
    by: str
    findings: list[FindingLine]


class LotStarted(EntryMade):
    """The start of a lot; with `same_as_last`, which probes were placed again, and in `notes` which could not be."""

    model_config = shown(
        _ENTERED
        | {"event": "start", "name": "juniper-links", "findings": [], "product": "juniper-links", "same_as_last": "J-0411"}
        | {"placed": ["core-1"], "notes": []}
    )
    product: str
    placed: list[str]
    notes: list[str]
    same_as_last: str | None = Field(default=None, description="The lot whose probes were placed again; null: there was none.")


class ReceiptLine(Answer):
    """What was received for a lot."""

    model_config = shown(_RECEIPT)
    seq: int = Field(description="Names the receipt.")
    at: When
    entered: When | None
    by: str
    withdrawn: str = Field(description="Why it was taken back; blank: it stands.")
    what: Literal["received", "refused"]
    material: str
    supplier: str
    supplier_lot: str
    temperature: str
    weight_kg: str
    text: str


class ReceiptWithdrawn(Answer):
    """A receipt taken back."""

    model_config = shown({"lot": "J-0412", "receipt": 41, "withdrawn": "The weight is that of another delivery."})
    lot: str
    receipt: int
    withdrawn: str


class ReleaseSigned(Answer):
    """A release as it was signed."""

    model_config = shown(_RELEASED)
    at: When
    by: str
    text: str
    own_records: bool = Field(description="Whether the signer made entries of this lot.")
    lot: str


class PapersShown(Answer):
    """The papers of a lot."""

    model_config = shown(
        {"lot": "J-0412", "receipts": [_RECEIPT], "on_hold": [], "missing": [], "gone": [], "released": _RELEASED}
        | {"release_again": False, "verdict": "met"}
    )
    lot: str
    receipts: list[ReceiptLine]
    on_hold: list[str] = Field(description="Deviations that hold it.")
    missing: list[str] = Field(description="What a release still waits for, one phrase each.")
    gone: list[str] = Field(description="Product that is no longer there, as the deviations say.")
    released: ReleaseSigned | None
    release_again: bool = Field(description="True: a deviation was opened after the release.")
    verdict: Verdict


ROUTES: Mapping[str, type[BaseModel]] = {
    "GET /lots": LotList,
    "POST /lots": LotStarted,
    "GET /lots/{lot}": LotShown,
    "POST /lots/{lot}/steps": EntryMade,
    "POST /lots/{lot}/placements": EntryMade,
    "POST /lots/{lot}/measures": EntryMade,
    "POST /lots/{lot}/checks": EntryMade,
    "POST /lots/{lot}/undo": EntryMade,
    "POST /lots/{lot}/end": EntryMade,
    "GET /lots/{lot}/papers": PapersShown,
    "POST /lots/{lot}/receipts": ReceiptLine,
    "POST /lots/{lot}/receipts/{receipt}/withdraw": ReceiptWithdrawn,
    "POST /lots/{lot}/release": ReleaseSigned,
}
