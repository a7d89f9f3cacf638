"""Deviations: what went wrong, what was done, and the answers that close a record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any, Final, NamedTuple

from fastapi import APIRouter, Response

from monitor.closing import DISPOSITIONS, Closing
from monitor.errors import InputError
from monitor.page.forms import AGO, Sent, SignedIn, doubled_hour, moment
from monitor.page.shown import REFUSALS, PageRoute, Shown, back, page, sentences, status_of
from rules.quantity import parse_instant
from rules.reading import HOUR

router = APIRouter(route_class=PageRoute, include_in_schema=False)


class Question(NamedTuple):
    """One answer of the closing form: its name in Closing, what is asked, and a hint."""

    name: str
    asks: str
    hint: str = ""


#: 9 CFR 417.3(a) in the order in which somebody at the smoker can answer it.
QUESTIONS: Final = (
    Question("cause", "What made it happen?"),
    Question("removed", "How was that cause removed?"),
    Question("restored", "What was done to regain control?"),
    Question("reading", "Which reading shows it?", "Probe or handheld, value with unit, time."),
    Question("prevention", "What keeps it from happening again?"),
)
#: 9 CFR 417.3(b), where the plan foresaw no action.
UNFORESEEN: Final = (
    Question("acceptability", "What did the review of the product find?"),
    Question("reassessment", "Must the plan change?"),
    Question("trained", "Which trained person judged that?", "Trained under 9 CFR 417.7."),
)


@router.get("/deviations")
def show_all(shown: SignedIn) -> Response:
    """Every record that is open, and those closed lately."""
    return _all(shown)


def _all(
    shown: Shown, status: int = 200, trouble: tuple[str, list[str]] | None = None, values: Mapping[str, str] | None = None
) -> Response:
    records = shown.desk.deviations()
    return page(
        shown, "deviations.html", status=status, open_records=[d for d in records if d["closed"] is None],
        closed=[d for d in records if d["closed"] is not None], lots=[one for one in shown.desk.lots() if one["ended"] is None],
        agos=AGO, doubled=doubled_hour(shown.words.now, shown.words.zone), trouble=trouble, values=values or {},
    )  # fmt: skip


@router.post("/deviations")
def open_one(sent: Sent) -> Response:
    """Open a record for what a person saw and no probe could."""
    shown = sent.shown
    try:
        text = sent.text("text")[:2000]
        if not text:
            raise InputError("what was found is blank; write what went wrong")
        at = moment(sent.values, shown.words.now, shown.words.zone)
        made = shown.desk.open_deviation(sent.hand, text, lot=sent.text("lot"), at=at)
    except REFUSALS as error:
        return _all(shown, status_of(error), ("open", sentences(error)), sent.values)
    return back(f"/deviations/{made['id']}", f"Record {made['id']} is open.")


@router.get("/deviations/{deviation}")
def show(deviation: str, shown: SignedIn) -> Response:
    """One record: what was found, what the plan says to do, what was done, and what closes it."""
    return _one(shown, deviation)


def _one(
    shown: Shown, deviation: str, status: int = 200, trouble: tuple[str, list[str]] | None = None, values: Mapping[str, str] | None = None
) -> Response:
    record = shown.desk.deviation(deviation)
    taken = {one["text"] for one in record["actions"]}
    planned = [(number, text, text in taken) for number, text in enumerate(record["do"], start=1)]
    return page(
        shown, "deviation.html", status=status, d=record, planned=planned,
        together=_of_one_cause(shown, record), shows=_readings(shown, record),
        growth=shown.views.growth(record["lot"], record["step"], record["limit"]) if record["lot"] and record["limit"] else [],
        questions=QUESTIONS, more=UNFORESEEN if record["unforeseen"] else (), dispositions=DISPOSITIONS, agos=AGO,
        doubled=doubled_hour(shown.words.now, shown.words.zone), trouble=trouble, values=values or record["answers"],
        names={q.name: q.asks for q in (*QUESTIONS, *UNFORESEEN)} | {"disposition": "The product", "quantity": "How much", "reason": "Why"},
    )  # fmt: skip


def _of_one_cause(shown: Shown, record: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Other open records that may have the same cause: of the same lot or limit, or opened within the hour."""
    return [
        one
        for one in shown.desk.deviations()
        if one["state"] == "open"
        and one["id"] != record["id"]
        and (
            (one["lot"] and one["lot"] == record["lot"])
            or (one["limit"] and one["limit"] == record["limit"])
            or abs(one["opened_at"] - record["opened_at"]) <= HOUR
        )
    ]


def _readings(shown: Shown, record: Mapping[str, Any]) -> list[str]:
    """What the probes of the record's lots and rooms read now: one of them may be the reading that shows control restored."""
    lots, words = set(record["affected"]), shown.words
    rooms = {record["step"]} if not record["lot"] else set()
    return [
        f"{one['probe']} read {words.temp(one['celsius_c'])} at {words.clock(parse_instant(one['at']))}"
        for one in shown.desk.probes()
        if one["health"] == "good" and one["celsius_c"] is not None and (one["lot"] in lots or one["room"] in rooms)
    ]


@router.post("/deviations/{deviation}/actions")
def act(deviation: str, sent: Sent) -> Response:
    """Write down an action: one of the plan's list by its number, or one's own words."""
    shown = sent.shown
    try:
        number, own = sent.text("planned"), sent.text("own")[:2000]
        if not number.isdigit() and not own:
            raise InputError("no action is chosen; tap one of the plan's list, or write what was done")
        at = moment(sent.values, shown.words.now, shown.words.zone)
        shown.desk.act(sent.hand, deviation, int(number) if number.isdigit() else own, at=at)
    except REFUSALS as error:
        return _one(shown, deviation, status_of(error), ("act", sentences(error)), sent.values)
    return back(f"/deviations/{deviation}#done", "Noted in the record.")


@router.post("/deviations/{deviation}/close")
def close(deviation: str, sent: Sent) -> Response:
    """Answer the record; where something is missing each missing thing is one sentence, and nothing typed is lost."""
    shown = sent.shown
    answers = {field.name: sent.text(field.name)[:2000] for field in fields(Closing)}
    try:
        closed = shown.desk.close_deviation(sent.hand, [deviation, *sent.lists.get("together", [])], answers)["deviations"]
    except REFUSALS as error:
        return _one(shown, deviation, status_of(error), ("close", sentences(error)), sent.values)
    done, names = closed[0], " and ".join(one["id"] for one in closed)
    are = "are" if len(closed) > 1 else "is"
    if done["closed"] is None:
        waits = f"{'They wait' if len(closed) > 1 else 'It waits'} for the review of {' or '.join(done['reviewers'])}."
        return back(f"/deviations/{deviation}", f"{names} {are} answered. {waits}")
    stays = f"Its verdict stays {done['verdict']}." if len(closed) == 1 else "Their verdicts stay what they are."
    return back(f"/deviations/{deviation}", f"{names} {are} closed. {stays}")


@router.post("/deviations/{deviation}/review")
def review(deviation: str, sent: Sent) -> Response:
    """The second person's word: agreed closes the record, else it goes back with the reason."""
    shown = sent.shown
    try:
        agreed = sent.text("agreed") == "yes"
        done = shown.desk.review_deviation(sent.hand, [deviation], sent.text("comment")[:2000], agreed=agreed)["deviations"][0]
    except REFUSALS as error:
        return _one(shown, deviation, status_of(error), ("review", sentences(error)), sent.values)
    return back(f"/deviations/{deviation}", f"{done['id']} is {'closed' if agreed else 'sent back'}.")
