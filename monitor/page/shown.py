"""How a page is made: who is asking, the template, what was just done, and errors as pages in place of problem documents."""

from __future__ import annotations

import base64
import hashlib
import secrets
from collections.abc import Callable, Coroutine, Mapping
from functools import cache
from importlib import resources
from typing import Any, NamedTuple, cast
from urllib.parse import quote

from fastapi import Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from fastapi.routing import APIRoute
from jinja2 import Environment, PackageLoader, StrictUndefined
from sqlalchemy.exc import SQLAlchemyError

from monitor import errors as ours
from monitor.api.access import who_asks
from monitor.api.problems import Problem
from monitor.desk import Desk
from monitor.page.telling import HAPPENINGS, deviation_words, entry_words, reads
from monitor.page.words import LOT_MEANINGS, VERDICTS, Words, instant
from monitor.people import Who
from monitor.provisional import doubt
from probes.errors import ProbeError
from rules.errors import EventError, RulesError

_SAID = "larderer_said"
_LOOK = "larderer_look"
_REVIEWER = ("operator", "reviewer")
#: What a person can be told in one sentence; anything else is a fault of the program.
REFUSALS = (ours.MonitorError, RulesError, ProbeError)

_STATUS: tuple[tuple[type[Exception], int], ...] = (
    (ours.SignInError, 401),
    (ours.LinkError, 403),
    (ours.NotFoundError, 404),
    (ours.RefusedError, 409),
    (EventError, 409),
    (ours.BusyError, 503),
    (ours.StoreError, 503),
    (ours.InputError, 422),
    (RulesError, 422),
)


class NotSignedIn(Exception):
    """Nobody is signed in; the page leads to the door."""


class Shown(NamedTuple):
    """What every handler is given: the request, who is asking, the desk and the site's words at this instant.

    Entries are made at `desk`; `views` is the same desk over one report, for what a page shows.
    """

    request: Request
    who: Who
    desk: Desk
    views: Desk
    words: Words

    @property
    def works(self) -> bool:
        """Whether this person makes entries."""
        return self.who.role in _REVIEWER


def desk_of(request: Request) -> Desk:
    """The app's desk."""
    return cast(Desk, request.app.state.desk)


def words_of(desk: Desk) -> Words:
    """The site's words, now."""
    return Words(desk.plan.site.zone, desk.plan.site.unit, desk.clock())


def signed_in(request: Request) -> Shown:
    """A dependency: the page's inputs for whoever is signed in; leads strangers to the door."""
    who = who_asks(request)
    if who is None or who.device:
        raise NotSignedIn
    request.state.who = who
    desk = desk_of(request)
    return Shown(request, who, desk, desk.still(), words_of(desk))


def anybody(request: Request) -> Shown:
    """A dependency: the page's inputs where no sign-in is asked."""
    desk = desk_of(request)
    return Shown(request, Who("", ""), desk, desk.still(), words_of(desk))


# ---- templates ----


@cache
def _environment() -> Environment:
    made = Environment(loader=PackageLoader("monitor.page"), autoescape=True, undefined=StrictUndefined)
    made.globals["verdicts"] = VERDICTS
    made.globals["static"] = static_path
    made.globals |= {
        "instant": instant, "reads": reads, "entry_words": entry_words, "deviation_words": deviation_words,
        "happenings": HAPPENINGS, "lot_meanings": LOT_MEANINGS,
    }  # fmt: skip
    made.filters["upper_first"] = lambda text: text[:1].upper() + text[1:]
    made.filters["url"] = lambda text: quote(str(text), safe="")
    return made


def page(shown: Shown, template: str, *, status: int = 200, **facts: Any) -> HTMLResponse:
    """A page; with `?part=1`, only its live part, for the script that renews it."""
    request = shown.request
    context = {
        "site": shown.desk.plan.site,
        "who": shown.who,
        "works": shown.works,
        "w": shown.words,
        "now_ms": shown.words.now // 1000,
        "path": request.url.path,
        "once": secrets.token_hex(12),
        "sun": request.cookies.get(_LOOK) == "sun",
        "said": (),
        "trouble": None,
        "values": {},
        "counts": {},
        "provisional": doubt(shown.desk.clock),
    } | facts
    made = _environment().get_template(template)
    if request.query_params.get("part"):
        text = "".join(made.blocks["live"](made.new_context(context)))
        clock = shown.words.clock(shown.words.now)
        return HTMLResponse(text, status, headers={"Cache-Control": "no-store", "X-Now": str(context["now_ms"]), "X-Clock": clock})
    said = _said(request)
    response = HTMLResponse(made.render(context | {"said": said}), status, headers={"Cache-Control": "no-store"})
    if said:
        response.delete_cookie(_SAID)
    return response


def back(path: str, *said: str) -> RedirectResponse:
    """After something was done: to a page that says so (so that reloading repeats nothing)."""
    response = RedirectResponse(path, 303)
    text = "\n".join(one for one in said if one)[:1500]
    if text:
        packed = base64.urlsafe_b64encode(text.encode()).decode()
        response.set_cookie(_SAID, packed, max_age=60, httponly=True, samesite="strict")
    return response


def _said(request: Request) -> list[str]:
    try:
        return base64.urlsafe_b64decode(request.cookies.get(_SAID, "").encode()).decode().splitlines()
    except ValueError:
        return []


def set_look(response: Response, *, sun: bool) -> None:
    """Remember whether this phone is read in the sun."""
    response.set_cookie(_LOOK, "sun" if sun else "smoke", max_age=365 * 24 * 3600, httponly=True, samesite="strict")


# ---- what the page serves besides ----

_TYPES: Mapping[str, str] = {"larderer.css": "text/css", "larderer.js": "text/javascript", "mark.svg": "image/svg+xml",
                              "mark-192.png": "image/png", "mark-512.png": "image/png"}  # fmt: skip


@cache
def static_file(name: str) -> tuple[bytes, str, str] | None:
    """The bytes, media type and fingerprint of one of the page's own files."""
    if name not in _TYPES:
        return None
    data = resources.files("monitor.page").joinpath("static", name).read_bytes()
    return data, _TYPES[name], hashlib.sha256(data).hexdigest()[:12]


def static_path(name: str) -> str:
    """The address of one of the page's own files, which changes when the file does."""
    found = static_file(name)
    assert found is not None, name
    return f"/static/{found[2]}/{name}"


# ---- errors ----


def status_of(error: Exception) -> int:
    """The HTTP status that an error of ours stands for."""
    return next((status for kind, status in _STATUS if isinstance(error, kind)), 422)


def sentences(error: Exception) -> list[str]:
    """An error's sentences as people read them."""
    if isinstance(error, ours.NotClosable):
        return [_plain(one) for one in error.missing]
    return [_plain(one) for one in str(error).splitlines() if one.strip()]


def _plain(text: str) -> str:
    """A sentence without the API's own hints, begun large and ended with a full stop."""
    kept, mark, hint = text.partition("; GET /")
    text = kept if mark and hint else text
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "?", "!")) else text + "."


class PageRoute(APIRoute):
    """A route whose errors are pages: the door for strangers, one sentence for everything else."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Wrap the route's own handler."""
        handle = super().get_route_handler()

        async def guarded(request: Request) -> Response:
            try:
                return await handle(request)
            except NotSignedIn:
                if request.query_params.get("part"):
                    return Response(status_code=401)
                following = request.url.path if request.method == "GET" else "/"
                return RedirectResponse(f"/sign-in?next={quote(following, safe='/')}", 303)
            except Problem as error:
                return _trouble(request, 403 if error.slug == "not-allowed" else 503, [error.detail])
            except REFUSALS as error:
                return _trouble(request, status_of(error), sentences(error))
            except SQLAlchemyError:
                return _trouble(request, 503, ["The store did not answer. Nothing was changed; try again shortly."])

        return guarded


def _trouble(request: Request, status: int, told: list[str]) -> Response:
    shown = anybody(request)
    who = who_asks(request)
    return page(shown._replace(who=who) if who else shown, "trouble.html", status=status, told=told)
