"""One lot: how it stands, and everything a hand does to it: start, move, place, take out, check, measure, end, take back."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Any, Final

from fastapi import APIRouter, Response
from markupsafe import Markup

from monitor.errors import InputError, NotFoundError, RefusedError
from monitor.page.forms import AGO, Posted, Sent, SignedIn, doubled_hour, moment, typed_temperature
from monitor.page.now import told_lot
from monitor.page.shown import REFUSALS, PageRoute, Shown, back, page, sentences, status_of
from monitor.page.telling import tell_limits
from rules.quantity import parse_instant
from rules.reading import REMOVAL_REASONS

router = APIRouter(route_class=PageRoute, include_in_schema=False)

#: What is measured of a lot, as the plan's conditions name it, and how people say it.
MEASURES: Final = {
    "weight_kg": "weight of the meat block, kg",
    "pH": "pH",
    "nitrite_ppm": "ingoing nitrite, ppm",
    "erythorbate_ppm": "erythorbate or ascorbate, ppm",
    "salt_pct": "salt, %",
    "moisture_pct": "moisture, %",
    "brine_pct": "brine concentration, %",
    "water_activity": "water activity",
    "cure_g": "curing salt weighed, g",
    "cure_nitrite_pct": "nitrite in the curing salt, %",
    "humid_min": "minutes of steam or sealed oven",
}
REASONS: Final = {"moved": "moved elsewhere", "slipped": "it slipped out", "failed": "it failed", "done": "done with it"}
PLACES_BY_HAND: Final = {
    "core": "core of the meat",
    "chamber": "chamber air",
    "cooler": "cooler air",
    "room": "room air",
    "wet-bulb": "wet bulb",
}
assert set(REASONS) == set(REMOVAL_REASONS)


# ---- starting one ----


@router.get("/lots/new")
def show_new(shown: SignedIn) -> Response:
    """Start a lot: of each product the same as last time, or with everything chosen."""
    return _new(shown)


@router.post("/lots/new")
def start(sent: Sent) -> Response:
    """Start a lot, with the probes of last time or those that were ticked."""
    shown, desk = sent.shown, sent.shown.desk
    again = sent.text("same") == "1"
    try:
        if not sent.text("product"):
            raise InputError("no product is chosen; choose what the lot is made of")
        at = moment(sent.values, shown.words.now, shown.words.zone)
        answer = desk.start_lot(sent.part(0), sent.text("product"), lot=sent.text("lot"), at=at, same_as_last=again)
    except REFUSALS as error:
        return _new(
            shown, status=status_of(error), trouble=("start", sentences(error)), values=sent.values, ticked=sent.lists.get("probe", [])
        )
    said = [f"{answer['lot']} has started.", *(f"{_upper(note)}." for note in answer.get("notes", ()))]
    placed = list(answer.get("placed", ()))
    for number, probe in enumerate([] if again else sent.lists.get("probe", []), start=1):
        try:
            desk.place(sent.part(number), answer["lot"], probe, at=at)
            placed.append(probe)
        except REFUSALS as error:
            said += [f"{probe} was not placed.", *sentences(error)]
    said += [f"In it: {', '.join(placed)}."] if placed else ["No probe is in it yet: place one before it is heated or cooled."]
    return back(f"/lots/{answer['lot']}", *said)


def _new(shown: Shown, status: int = 200, trouble: tuple[str, list[str]] | None = None, values: Mapping[str, str] | None = None,
         ticked: list[str] | None = None) -> Response:  # fmt: skip
    desk = shown.views
    lots, probes = desk.lots(), desk.probes()
    last: dict[str, dict[str, Any]] = {}
    for one in sorted(lots, key=lambda one: one["started"] or "", reverse=True):
        last.setdefault(one["product"], one)
    served = {code: _served(desk.lot(one["lot"])["entries"]) for code, one in last.items()}
    free = [p for p in probes if p["place"] == "core" and not p["lot"]]
    return page(
        shown, "new.html", status=status, products=desk.plan.products, last=last, served=served, free=free,
        busy=[p for p in probes if p["place"] == "core" and p["lot"]], agos=AGO, ticked=ticked or [],
        doubled=doubled_hour(shown.words.now, shown.words.zone), trouble=trouble, values=values or {},
    )  # fmt: skip


def _served(entries: list[dict[str, Any]]) -> list[str]:
    return list(dict.fromkeys(e["name"] for e in entries if e["event"] == "place" and not e["undone"]))


# ---- one lot ----


@router.get("/lots/{lot}")
def show(lot: str, shown: SignedIn) -> Response:
    """One lot: its step, its limits and verdicts, its picture, what can be done, and its record."""
    return _lot(shown, lot)


@router.get("/lots/{lot}/picture")
def show_picture(lot: str, shown: SignedIn) -> Response:
    """The lot's chart large, with the same in words."""
    known, svg = _known(shown, lot), shown.views.chart(lot)
    described = re.search(r"<desc[^>]*>(.*?)</desc>", svg, re.DOTALL)
    # The drawing escapes every text of its own and holds no script; it is laid into the page as it is.
    return page(shown, "picture.html", lot=known, svg=Markup(svg), in_words=Markup(described[1]) if described else "")


def _known(shown: Shown, lot: str) -> dict[str, Any]:
    try:
        return shown.views.lot(lot)
    except NotFoundError:
        raise NotFoundError(f'there is no lot "{lot[:60]}"; the list of lots shows those there are') from None


def _lot(
    shown: Shown, lot: str, status: int = 200, trouble: tuple[str, list[str]] | None = None, values: Mapping[str, str] | None = None
) -> Response:
    desk, words = shown.views, shown.words
    view = _known(shown, lot)
    probes = desk.probes()
    return page(
        shown, "lot.html", status=status, lot=view, told=told_lot(shown, view, probes, {lot: view["limits"]}),
        limits=tell_limits(view, view["limits"], desk.plan, probes, words),
        free=[p for p in probes if p["probe"] in view["free_probes"]],
        following=_following(view), measures=MEASURES, reasons=REASONS, places=PLACES_BY_HAND, agos=AGO,
        doubled=doubled_hour(words.now, words.zone), trouble=trouble, values=values or {},
        deviations=[one for one in desk.deviations() if lot in one["affected"]], alarms=[one for one in desk.alarms() if one["lot"] == lot],
        papers=desk.papers(lot), materials=_materials(desk.lots(), view["product"], desk),
    )  # fmt: skip


def _materials(lots: list[dict[str, Any]], product: str, desk: Any) -> dict[str, Any]:
    """What was received last for this product, so that nobody writes the same supplier twice."""
    for one in sorted((x for x in lots if x["product"] == product), key=lambda x: x["started"] or "", reverse=True)[:3]:
        good = [r for r in desk.papers(one["lot"])["receipts"] if not r["withdrawn"]]
        if good:
            return {"material": good[-1]["material"], "supplier": good[-1]["supplier"]}
    return {}


def _following(view: Mapping[str, Any]) -> str:
    """The step that comes next, blank after the last."""
    steps = list(view["steps"])
    at = steps.index(view["step"]) if view["step"] in steps else -1
    return view["awaits"] or (steps[at + 1] if 0 <= at < len(steps) - 1 else "")


def _entered(sent: Posted, lot: str, form: str, enter: Callable[[], dict[str, Any]], done: Callable[[dict[str, Any]], str]) -> Response:
    """Make one entry, then show the lot and say so; where it is refused, show the form again with all that was typed."""
    try:
        answer = enter()
    except NotFoundError:
        _known(sent.shown, lot)
        raise
    except REFUSALS as error:
        return _lot(sent.shown, lot, status_of(error), (form, sentences(error)), sent.values)
    found = [f"{one['limit']}: {one['text']}." if one["limit"] else f"{_upper(one['text'])}." for one in answer.get("findings", ())]
    where = sent.text("next")
    return back("/" if where == "/" else f"/lots/{lot}", done(answer), *found)


def _at(sent: Posted) -> int | None:
    return moment(sent.values, sent.shown.words.now, sent.shown.words.zone)


def _told(sent: Posted, answer: Mapping[str, Any]) -> str:
    words = sent.shown.words
    at = words.clock(parse_instant(answer["at"]))
    return f"at {at}" + (f" (written at {words.clock(parse_instant(answer['entered']))})" if answer.get("entered") else "")


@router.post("/lots/{lot}/step")
def move(lot: str, sent: Sent) -> Response:
    """Enter a step, or say where the lot is when the monitor asks."""
    step, seen = sent.text("step"), sent.text("seen")
    desk = sent.shown.desk

    def enter() -> dict[str, Any]:
        answer = desk.step(sent.hand, lot, step, at=_at(sent))
        if seen:  # whoever answers the question has seen the alarm that asked it
            with suppress(NotFoundError, RefusedError, InputError):
                desk.acknowledge(sent.part(1), seen, f"answered: {lot} is in {step}")
        return answer

    return _entered(sent, lot, "step", enter, lambda a: f"{lot} is in {step}, {_told(sent, a)}.")


@router.post("/lots/{lot}/place")
def place(lot: str, sent: Sent) -> Response:
    """Put a core probe in."""
    probe, desk = sent.text("probe"), sent.shown.desk
    return _entered(
        sent, lot, "place", lambda: desk.place(sent.hand, lot, probe, at=_at(sent)), lambda a: f"{probe} is in {lot}, {_told(sent, a)}."
    )


@router.post("/lots/{lot}/remove")
def remove(lot: str, sent: Sent) -> Response:
    """Take a core probe out, with the reason."""
    probe, reason, desk = sent.text("probe"), sent.text("reason"), sent.shown.desk
    again = reason == "another-link"  # out of one and into the next: two entries, one tap

    def enter() -> dict[str, Any]:
        at = _at(sent)
        answer = desk.remove(sent.part(0), lot, probe, "moved" if again else reason, at=at)
        if again:
            answer = answer | {"findings": [*answer["findings"], *desk.place(sent.part(1), lot, probe, at=at)["findings"]]}
        return answer

    def told(a: Mapping[str, Any]) -> str:
        then = f" {probe} is in another link of {lot}." if again else ""
        return f"{probe} is out of {lot} ({a['value']}), {_told(sent, a)}.{then}"

    return _entered(sent, lot, "remove", enter, told)


@router.post("/lots/{lot}/check")
def check(lot: str, sent: Sent) -> Response:
    """Note a temperature taken by hand."""
    desk, place_ = sent.shown.desk, sent.text("place")

    def enter() -> dict[str, Any]:
        value = typed_temperature(sent.text("value"), sent.text("unit"), desk.plan.site.unit)
        return desk.check(sent.hand, lot, place_, value, at=_at(sent))

    return _entered(sent, lot, "check", enter, lambda a: f"Hand check noted: {place_} {a['value']}, {_told(sent, a)}.")


@router.post("/lots/{lot}/measure")
def measure(lot: str, sent: Sent) -> Response:
    """Note a measured value."""
    desk, name, value = sent.shown.desk, sent.text("name"), sent.text("value").replace(",", ".")
    return _entered(
        sent, lot, "measure", lambda: desk.measure(sent.hand, lot, name, value, at=_at(sent)),
        lambda a: f"Noted: {MEASURES.get(name, name)} {value}, {_told(sent, a)}.",
    )  # fmt: skip


@router.post("/lots/{lot}/receive")
def receive(lot: str, sent: Sent) -> Response:
    """Write down what was received for the lot."""
    desk = sent.shown.desk

    def enter() -> dict[str, Any]:
        reads = typed_temperature(sent.text("temperature"), sent.text("unit"), desk.plan.site.unit)
        return desk.receive(
            sent.hand, lot, sent.text("material"), sent.text("supplier"), sent.text("supplier_lot"), reads,
            sent.text("weight_kg").replace(",", "."), accepted=sent.text("accepted") != "no", note=sent.text("note"), at=_at(sent),
        )  # fmt: skip

    return _entered(sent, lot, "receive", enter, _receipt_words)


def _receipt_words(one: Mapping[str, Any]) -> str:
    came = f"{_upper(one['what'])}: {one['material']} of {one['supplier']}, lot {one['supplier_lot']}"
    return f"{came}, {one['temperature']}, {one['weight_kg']} kg."


@router.post("/lots/{lot}/withdraw")
def withdraw(lot: str, sent: Sent) -> Response:
    """Take back one receipt; both stay on record."""
    desk, number = sent.shown.desk, sent.text("receipt")

    def enter() -> dict[str, Any]:
        if not number.isdecimal():
            raise InputError(f'receipt is "{number[:20]}"; take it back from the list of what was received')
        return desk.withdraw_receipt(sent.hand, lot, int(number), sent.text("why"))

    return _entered(sent, lot, "withdraw", enter, lambda a: "What was received is taken back. Both stay on record.")


@router.post("/lots/{lot}/release")
def release(lot: str, sent: Sent) -> Response:
    """Sign the release of the lot, where nothing holds it."""
    desk = sent.shown.desk
    return _entered(
        sent, lot, "release", lambda: desk.release(sent.hand, lot, sent.text("comment")), lambda a: f"{lot} is released by {a['by']}."
    )


@router.get("/lots/{lot}/hold-tag")
def show_hold_tag(lot: str, shown: SignedIn) -> Response:
    """A tag to print and hang on the rack of a lot that is on hold."""
    view = _known(shown, lot)
    records = [one for one in shown.views.deviations() if lot in one["affected"] and one["closed"] is None]
    return page(shown, "hold_tag.html", lot=view, records=records)


@router.post("/lots/{lot}/end")
def end(lot: str, sent: Sent) -> Response:
    """End the lot."""
    desk = sent.shown.desk

    def enter() -> dict[str, Any]:
        if sent.text("sure") != "yes":
            raise InputError("the box is not ticked; tick it to end the lot, since what its limits still lack is decided then")
        return desk.end(sent.hand, lot, at=_at(sent))

    return _entered(sent, lot, "end", enter, lambda a: f"{lot} has ended, {_told(sent, a)}.")


@router.post("/lots/{lot}/undo")
def undo(lot: str, sent: Sent) -> Response:
    """Take back one entry; both stay on record."""
    desk = sent.shown.desk
    return _entered(
        sent, lot, "undo", lambda: desk.undo(sent.hand, lot, parse_instant(sent.text("at"))),
        lambda a: "The entry is taken back. Both stay on record.",
    )  # fmt: skip


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]
