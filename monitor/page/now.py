"""The first page: what needs somebody now, then each lot in a paragraph. And the stream that keeps every page fresh."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping
from typing import Any, Final, cast

from fastapi import APIRouter, Request, Response
from fastapi.responses import StreamingResponse

from monitor.api.access import who_asks
from monitor.api.events import Feed
from monitor.page.forms import SignedIn
from monitor.page.shown import PageRoute, Shown, page
from monitor.page.telling import step_sentence, tell_limits

router = APIRouter(route_class=PageRoute, include_in_schema=False)
#: The page renews itself at least this often, since readings alone are no ledger entries.
_BEAT_S = 5.0


@router.get("/")
def show_now(shown: SignedIn) -> Response:
    """What needs me now, and how each lot stands."""
    desk = shown.views
    view = desk.now_view()
    alarms = {str(one["id"]): one for one in desk.alarms()}
    probes = desk.probes()
    needs = gathered(view["needs"], alarms, {str(one["id"]): one for one in desk.deviations()})
    limits = limits_of(shown)
    return page(
        shown,
        "now.html",
        needs=needs,
        tally=tally(needs),
        waiting=[one for one in alarms.values() if not one["unacknowledged"]],
        lots=[told_lot(shown, one, probes, limits) for one in view["lots"]],
        asked={one["lot"]: one for one in view["lots"] if one["awaits"]},
        holds=(holds := desk.holds()),
        on_hold={one["lot"] for one in holds},
        rooms=[p for p in probes if p["place"] not in ("core", "")],
    )


def gathered(
    needs: list[dict[str, Any]], alarms: Mapping[str, dict[str, Any]], records: Mapping[str, dict[str, Any]]
) -> list[dict[str, Any]]:
    """What needs somebody, with one slip for one matter.

    A question and the alarm that it rang are one slip, so that answering the question has seen the alarm; probes
    that do not answer are one slip together.
    """
    asked = {one["lot"] for one in needs if one["kind"] == "confirm"}
    slips: list[dict[str, Any]] = []
    silent: list[dict[str, Any]] = []
    over: list[dict[str, Any]] = []  # what has returned to normal and only wants to be seen comes last
    for one in needs:
        alarm = alarms.get(str(one["id"])) if one["kind"] == "alarm" else None
        if one["kind"] == "probe":
            silent.append(one)
        elif one["kind"] == "confirm":
            rung = next((a for a in alarms.values() if _asks(a) and a["lot"] == one["lot"]), None)
            slips.append({**one, "alarm": rung})
        elif one["kind"] == "deviation":
            slips.append({**one, "alarm": None, "record": records[str(one["id"])]})
        elif one["kind"] != "alarm" or not (alarm and _asks(alarm) and alarm["lot"] in asked):
            (over if alarm and not (alarm["active"] or alarm["latched"]) else slips).append({**one, "alarm": alarm})
    if silent:
        slips.append({"kind": "probes", "probes": silent, "alarm": None, "lot": "", "id": "probes", "text": ""})
    return slips + over


def _asks(alarm: Mapping[str, Any]) -> bool:
    return str(alarm["key"]).startswith("prompt/")


_COUNTED: Final = (
    ("alarm", "1 alarm", "{} alarms"),
    ("confirm", "1 question", "{} questions"),
    ("deviation", "1 deviation", "{} deviations"),
    ("probes", "probes to look at", "probes to look at"),
    ("review", "a day to sign", "{} days to sign"),
)


def tally(needs: list[dict[str, Any]]) -> list[str]:
    """How much there is to do, in a few words: "2 alarms", "1 question"; empty where nothing is."""
    counts = {kind: sum(1 for one in needs if one["kind"] == kind) for kind, _, _ in _COUNTED}
    told = [one if counts[kind] == 1 else many.format(counts[kind]) for kind, one, many in _COUNTED if counts[kind]]
    return [text.replace(" ", "\N{NO-BREAK SPACE}") for text in told]


@router.get("/lots")
def show_lots(shown: SignedIn) -> Response:
    """Every lot: those open, then those that ended last."""
    lots = shown.views.lots()
    probes, limits = shown.views.probes(), limits_of(shown)
    return page(
        shown,
        "lots.html",
        open_lots=[told_lot(shown, one, probes, limits) for one in lots if one["ended"] is None],
        ended=[one for one in lots if one["ended"] is not None],
        on_hold={one["lot"] for one in shown.views.holds()},
    )


@router.get("/probes")
def show_probes(shown: SignedIn) -> Response:
    """Every probe: what it reads, how old that is, its health, where it is."""
    silent = {p.id: p.silent_after for p in shown.desk.plan.probes}
    return page(shown, "probes.html", probes=shown.views.probes(), silent=silent)


def limits_of(shown: Shown) -> dict[str, list[dict[str, Any]]]:
    """The judged limits of every lot that the engine holds."""
    return {one["lot"]: one["limits"] for one in shown.views.pipeline.report()["lots"]}


def told_lot(
    shown: Shown, line: Mapping[str, Any], probes: list[dict[str, Any]], judged: Mapping[str, list[dict[str, Any]]]
) -> dict[str, Any]:
    """One lot as a paragraph: where it is, what is judged now, what was decided."""
    limits = judged.get(line["lot"])
    if limits is None:
        limits = shown.views.lot(line["lot"])["limits"]
    told = tell_limits(line, limits, shown.desk.plan, probes, shown.words)
    return {
        "line": line,
        "sentence": step_sentence(line, shown.words),
        "now": [one for one in told if one.current],
        "wrong": [one for one in told if one.wrong and not one.past],
        "past": [one for one in told if one.past],
        "met": [one for one in told if one.verdict == "met"],
        "inside": [p for p in probes if p["lot"] == line["lot"]],
    }


@router.get("/live")
async def live(request: Request, shown: SignedIn) -> StreamingResponse:
    """Server-sent events that say when to renew the page: something was recorded, or a few seconds have passed."""
    feed = cast(Feed, request.app.state.feed)
    bell = feed.join()
    return StreamingResponse(_beats(feed, bell, request), media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})


async def _beats(feed: Feed, bell: asyncio.Event, request: Request) -> AsyncIterator[str]:
    try:
        yield "retry: 3000\ndata: hello\n\n"
        while not feed.closed:
            bell.clear()
            try:
                await asyncio.wait_for(bell.wait(), _BEAT_S)
                yield "data: changed\n\n"
                await asyncio.sleep(0.5)  # what is recorded together is shown together
            except TimeoutError:
                yield "data: beat\n\n"
            if who_asks(request) is None:
                return
    finally:
        feed.leave(bell)
