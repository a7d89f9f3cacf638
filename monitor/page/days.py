"""The day: its lots, what is still to be done, the pre-shipment review, and the file it becomes."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from fastapi import APIRouter, Response
from fastapi.responses import RedirectResponse

from monitor.days import day_of
from monitor.page.forms import Sent, SignedIn
from monitor.page.now import limits_of, told_lot
from monitor.page.shown import REFUSALS, PageRoute, Shown, back, page, sentences, status_of
from rules.quantity import parse_instant

router = APIRouter(route_class=PageRoute, include_in_schema=False)


@router.get("/days")
def show_today(shown: SignedIn) -> Response:
    """Today."""
    return RedirectResponse(f"/days/{_today(shown)}", 303)


def _today(shown: Shown) -> str:
    return day_of(shown.words.now + 1, shown.words.zone)


@router.get("/days/{day}")
def show(day: str, shown: SignedIn) -> Response:
    """One local day."""
    return _day(shown, day)


def _day(shown: Shown, day: str, status: int = 200, trouble: tuple[str, list[str]] | None = None, values: Any = None) -> Response:
    desk = shown.views
    view = desk.day(day)
    probes, limits = desk.probes(), limits_of(shown)
    chosen = date.fromisoformat(view["day"])
    begins, ends = parse_instant(view["begins"]), parse_instant(view["ends"])
    names = {one["lot"] for one in view["lots"]}
    return page(
        shown, "day.html", status=status, day=view, lots=[told_lot(shown, one, probes, limits) for one in view["lots"]],
        hours=(ends - begins) // 3_600_000_000, begun=begins <= shown.words.now, over=ends <= shown.words.now, today=_today(shown),
        before=(chosen - timedelta(days=1)).isoformat(), after=(chosen + timedelta(days=1)).isoformat(),
        deviations=[d for d in desk.deviations() if d["lot"] in names or begins < d["opened_at"] <= ends],
        trouble=trouble, values=values or {},
    )  # fmt: skip


@router.post("/days/{day}/review")
def review(day: str, sent: Sent) -> Response:
    """Sign the day's review."""
    try:
        sent.shown.desk.review_day(sent.hand, day, sent.text("comment")[:2000])
    except REFUSALS as error:
        return _day(sent.shown, day, status_of(error), ("review", sentences(error)), sent.values)
    return back(f"/days/{day}", f"{sent.hand.by} has signed the review of {day}.")
