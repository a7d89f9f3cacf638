"""Checking a probe, with what to do in plain words; how each probe stands; and the recall of one that read wrong."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

from fastapi import APIRouter, Response

from monitor import calibrations
from monitor.calibrations import parse_height, parse_pressure
from monitor.check_desk import ProbeCheck, known
from monitor.errors import InputError
from monitor.page.forms import AGO, Posted, Sent, SignedIn, doubled_hour, moment, typed_temperature
from monitor.page.shown import REFUSALS, PageRoute, Shown, back, page, sentences, status_of
from rules.quantity import parse_temperature
from rules.wording import difference

router = APIRouter(route_class=PageRoute, include_in_schema=False)


class Way(NamedTuple):
    """One way to check a thermometer: its name on the page, what to do, step by step, and what to know."""

    name: str
    steps: tuple[str, ...]
    note: str = ""


#: After a county health department's leaflet and a meat plant's procedure (both read as copies), in our own words.
WAYS: Final[Mapping[str, Way]] = {
    "ice-point": Way(
        "Melting ice",
        (
            "Fill a jug to the top with crushed ice.",
            "Pour clean cold water over it until it just covers the ice. Stir.",
            "Put the tip of the probe in the middle, under water. It must not touch the jug.",
            "Wait at least a minute, until the number here stands still. Stir now and then.",
            "Write down what it reads.",
        ),
        "It ought to read 32 °F (0 °C) wherever you are. Much water and little ice reads too warm; salt or dirt too cold.",
    ),
    "boiling-point": Way(
        "Boiling water",
        (
            "Bring a deep pot of water to a rolling boil.",
            "Hold the tip at least 2 inches (5 cm) deep. It must not touch the pot.",
            "Wait at least half a minute, until the number here stands still.",
            "Write down what it reads.",
        ),
        "Water boils cooler the higher you are, and with the weather. Of a weather report take the station pressure, not the one reduced "
        "to sea level.",
    ),
    "comparison": Way(
        "Beside a reference thermometer",
        (
            "Put both tips side by side in stirred water, near the temperature that this probe is used at.",
            "Wait until both stand still.",
            "Write down what each reads.",
        ),
        "A reference is certified anew each year; write its number, so that it can be found.",
    ),
}


@router.get("/probes/{probe}/check")
def show_check(probe: str, shown: SignedIn) -> Response:
    """How to check a probe, the form for it, and the checks there were."""
    return _check(shown, probe)


def _check(
    shown: Shown, probe: str, status: int = 200, trouble: tuple[str, list[str]] | None = None, values: Mapping[str, str] | None = None
) -> Response:
    planned = known(shown.desk.plan, probe)
    method = (values or {}).get("method") or shown.request.query_params.get("way", "ice-point")
    if method not in WAYS:
        method = "ice-point"
    line = next(one for one in shown.views.probes() if one["probe"] == probe)
    altitude = shown.desk.plan.site.altitude_m
    basis = calibrations.right_value("boiling-point", shown.desk.plan.site) if method == "boiling-point" and altitude is not None else None
    return page(
        shown, "check.html", status=status, p=line, ways=WAYS, method=method, way=WAYS[method], basis=basis,
        checks=shown.views.calibrations(probe), recalls=shown.views.recalls(probe), allowed=calibrations.allowed_c(planned),
        allowed_source=calibrations.allowed_source(planned), every=calibrations.interval_words(planned), agos=AGO,
        doubled=doubled_hour(shown.words.now, shown.words.zone), trouble=trouble, values=values or {},
    )  # fmt: skip


@router.post("/probes/{probe}/check")
def check(probe: str, sent: Sent) -> Response:
    """Record a check."""
    shown = sent.shown
    try:
        made = shown.desk.calibrate(sent.hand, _told(sent, probe))
    except REFUSALS as error:
        return _check(shown, probe, status_of(error), ("check", sentences(error)), sent.values)
    unit = shown.words.unit
    error_c = float(made["error_c"])
    way = "reads right" if abs(error_c) < 0.05 else f"read {difference(abs(error_c), unit)} too {'high' if error_c > 0 else 'low'}"
    said = f"{probe} {way}; {difference(made['tolerance_c'], unit)} is allowed."
    if made["offset_c"] is not None:
        said += f" From now on {difference(made['offset_c'], unit)} is added to what it reads."
    return back(f"/probes/{probe}/check" if made["within"] else f"/probes/{probe}/recall?check={made['id']}", said)


def _told(sent: Posted, probe: str) -> ProbeCheck:
    """The check that the form tells."""
    site_unit, unit = sent.shown.words.unit, sent.text("unit")

    def celsius(name: str, what: str) -> float | None:
        if not sent.text(name):
            return None
        try:
            return parse_temperature(typed_temperature(sent.text(name), unit, site_unit))
        except InputError as error:
            raise InputError(str(error).replace("temperature is", f"{what} is", 1)) from error

    method, done = sent.text("method"), sent.text("done")
    indicated, left = celsius("indicated", "what it read"), celsius("as_left", "what it reads now")
    if indicated is None:
        raise InputError('what it read is blank; write the number that stands there, such as "32.4", before anything is changed')
    if done == "adjusted" and left is None:
        raise InputError("what it reads now is blank; write what the probe reads after it was adjusted, in the same ice or water")
    pressure = sent.text("pressure") if method == "boiling-point" else ""
    when = moment(sent.values, sent.shown.words.now, sent.shown.words.zone)
    height = sent.text("altitude") if method == "boiling-point" else ""
    return ProbeCheck(
        probe, method, indicated, celsius("reference", "what the reference read") if method == "comparison" else None,
        sent.text("reference_name")[:200], parse_pressure(pressure) if pressure else None, parse_height(height) if height else None,
        left if done == "adjusted" else None, correct=done == "correct", at=when,
        comment=sent.text("comment")[:2000],
    )  # fmt: skip


@router.get("/probes/{probe}/recall")
def show_recall(probe: str, shown: SignedIn) -> Response:
    """What a recall would change, to be looked at before it is carried out."""
    return _recall(shown, probe)


def _recall(shown: Shown, probe: str, status: int = 200, trouble: tuple[str, list[str]] | None = None) -> Response:
    found = shown.desk.recall_preview(probe, _number(shown.request.query_params.get("check", "")))
    return page(shown, "recall.html", status=status, found=found, trouble=trouble)


@router.post("/probes/{probe}/recall")
def recall(probe: str, sent: Sent) -> Response:
    """Carry a recall out."""
    try:
        done = sent.shown.desk.recall(sent.hand, probe, _number(sent.text("check")))
    except REFUSALS as error:
        return page(sent.shown, "trouble.html", status=status_of(error), told=sentences(error))
    days = f" Export these days anew: {', '.join(done['days'])}." if done["days"] else ""
    return back(f"/probes/{probe}/check", f"Recall {done['recall']} of {probe} is carried out. {done['text']}{days}")


def _number(text: str) -> int | None:
    if not text:
        return None
    if not text.isdecimal() or len(text) > 15:
        raise InputError(f'check is "{text[:20]}"; write its number, such as 12')
    return int(text)
