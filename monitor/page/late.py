"""Late readings: what is being judged anew, and what a person must ask for."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Response

from monitor.errors import InputError
from monitor.moments import local_instant
from monitor.page.forms import Sent, SignedIn
from monitor.page.shown import REFUSALS, PageRoute, Shown, back, page, sentences, status_of
from rules.quantity import local, parse_instant

router = APIRouter(route_class=PageRoute, include_in_schema=False)


@router.get("/late")
def show(shown: SignedIn) -> Response:
    """The list and the form."""
    return _late(shown)


def _late(shown: Shown, status: int = 200, trouble: tuple[str, list[str]] | None = None, values: Any = None) -> Response:
    found = shown.desk.late()
    first = min((one["from"] for one in found["unjudged"]), default=None)
    begin = "" if first is None else f"{local(parse_instant(first), shown.words.zone):%Y-%m-%dT%H:%M}"
    return page(shown, "late.html", status=status, late=found, begin=begin, trouble=trouble, values=values or {})


@router.post("/late")
def ask(sent: Sent) -> Response:
    """Have them judged."""
    shown = sent.shown
    try:
        when = sent.text("when")
        if not when:
            raise InputError("the time from which they are to be judged is blank; write it")
        since = local_instant(when, shown.words.zone, second=sent.text("fold") == "second")
        made = shown.desk.rejudge(sent.hand, since, sent.text("reason")[:2000])
    except REFUSALS as error:
        return _late(shown, status_of(error), ("late", sentences(error)), sent.values)
    told = "they are being judged now, beside what goes on" if made["waiting"] else "they are judged"
    count = "1 reading counts" if made["readings"] == 1 else f"{made['readings']} readings count"
    return back("/late", f"{count} from now on: {told}.")
