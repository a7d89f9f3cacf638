"""The door: signing in and out, the first run's code, the look of the page, and the page's own files."""

from __future__ import annotations

import gzip
from functools import lru_cache
from typing import Annotated, cast

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import JSONResponse, RedirectResponse

from monitor.api.access import COOKIE, form_token_fits, remote_of, who_asks
from monitor.api.session import set_cookie
from monitor.errors import InputError, SignInError
from monitor.page.forms import read_form
from monitor.page.shown import PageRoute, Shown, anybody, back, page, sentences, set_look, static_file, static_path
from monitor.people import LEAST_SECRET, People, list_people

router = APIRouter(route_class=PageRoute, include_in_schema=False)

Anybody = Annotated[Shown, Depends(anybody)]
_LONG = "public, max-age=31536000, immutable"


@router.get("/sign-in")
def show_door(shown: Anybody) -> Response:
    """The door; at the first run it leads to where the first person is made."""
    if _nobody_yet(shown):
        return RedirectResponse("/first-run", 303)
    return page(shown, "door.html", following=_local(shown.request.query_params.get("next", "/")), first_run=False)


@router.get("/first-run")
def show_first_run(shown: Anybody) -> Response:
    """Where a code (printed at the first start, or an invitation) and a name make a secret of one's own."""
    return page(shown, "door.html", following="/", first_run=True, nobody=_nobody_yet(shown), least=LEAST_SECRET)


@router.post("/sign-in")
async def sign_in(request: Request, shown: Anybody) -> Response:
    """Open a session."""
    values, _ = await read_form(request)
    return await _in_thread(_enter, shown, values, False)


@router.post("/first-run")
async def first_run(request: Request, shown: Anybody) -> Response:
    """Take the code, set the secret, and open a session."""
    values, _ = await read_form(request)
    return await _in_thread(_enter, shown, values, True)


async def _in_thread(work: object, *given: object) -> Response:
    from starlette.concurrency import run_in_threadpool

    return cast(Response, await run_in_threadpool(work, *given))  # type: ignore[arg-type]  # a function of ours


def _enter(shown: Shown, values: dict[str, str], first: bool) -> Response:
    request = shown.request
    people = cast(People, request.app.state.people)
    name, secret, following = values.get("name", ""), values.get("secret", ""), _local(values.get("next", "/"))
    try:
        # A page of another site could sign this phone in as somebody else; browsers say where a form comes from.
        if request.headers.get("Sec-Fetch-Site", "same-origin") not in ("same-origin", "none"):
            raise SignInError("this form came from another site; open this page itself and sign in here")
        if not name.strip() or not secret:
            raise InputError("name or PIN is blank; write both")
        if first and secret != values.get("again", ""):
            raise InputError("the two PINs differ; write the same PIN or password twice")
        way = {"scheme": request.url.scheme, "remote": remote_of(request)}
        if first:
            token, who = people.claim(values.get("code", ""), name, secret, **way)
        else:
            token, who = people.sign_in(name, secret, **way)
    except (SignInError, InputError) as error:
        facts = {"following": following, "first_run": first, "nobody": _nobody_yet(shown), "least": LEAST_SECRET}
        kept = {"name": name, "code": values.get("code", "")}
        status = 429 if isinstance(error, SignInError) and error.wait else 401 if isinstance(error, SignInError) else 422
        return page(shown, "door.html", status=status, trouble=("door", sentences(error)), values=kept, **facts)
    response = back(following, f"You are signed in as {who.name} ({who.role}).")
    set_cookie(request, response, token)
    return response


@router.post("/sign-out")
async def sign_out(request: Request, shown: Anybody) -> Response:
    """End the session."""
    values, _ = await read_form(request)
    who, token = who_asks(request), request.cookies.get(COOKIE)
    response = back("/sign-in", "You are signed out.")
    if who is not None and token and form_token_fits(who, values.get("form_token", "")):
        from starlette.concurrency import run_in_threadpool

        await run_in_threadpool(cast(People, request.app.state.people).sign_out, token)
        response.delete_cookie(COOKIE)
    return response


@router.post("/look")
async def change_look(request: Request) -> Response:
    """Dark for smoke, bright for sun; remembered on this phone."""
    values, _ = await read_form(request)
    response = RedirectResponse(_local(values.get("next", "/")), 303)
    set_look(response, sun=values.get("look") == "sun")
    return response


@router.get("/favicon.ico")
def give_icon() -> Response:
    """The page's sign, for browsers that show what names none, such as a chart or an export."""
    data, media, _ = cast(tuple[bytes, str, str], static_file("mark.svg"))
    return Response(data, media_type=media, headers={"Cache-Control": "public, max-age=86400"})


@router.get("/manifest.webmanifest")
def give_manifest(shown: Anybody) -> Response:
    """What a phone asks for to put the page on its home screen (W3C Web Application Manifest)."""
    site = shown.desk.plan.site
    icons = [
        {"src": static_path("mark.svg"), "sizes": "any", "type": "image/svg+xml", "purpose": "any"},
        {"src": static_path("mark-192.png"), "sizes": "192x192", "type": "image/png", "purpose": "any"},
        {"src": static_path("mark-512.png"), "sizes": "512x512", "type": "image/png", "purpose": "any maskable"},
    ]
    told = {
        "id": "/", "name": f"Larderer, {site.name}", "short_name": "Larderer", "lang": "en", "start_url": "/", "scope": "/",
        "display": "standalone", "background_color": "#15110d", "theme_color": "#15110d", "icons": icons,
    }  # fmt: skip
    return JSONResponse(told, media_type="application/manifest+json", headers={"Cache-Control": "no-cache"})


@router.get("/static/{mark}/{name}")
def give_file(mark: str, name: str, request: Request) -> Response:
    """One of the page's own files; its address names its content, so it may be kept for ever."""
    found = static_file(name)
    if found is None:
        return Response(status_code=404)
    data, media, fingerprint = found
    headers = {"Cache-Control": _LONG if mark == fingerprint else "no-cache"}
    if media == "image/png" or "gzip" not in request.headers.get("Accept-Encoding", ""):
        return Response(data, media_type=media, headers=headers | {"Vary": "Accept-Encoding"})
    return Response(packed(data), media_type=media, headers=headers | {"Vary": "Accept-Encoding", "Content-Encoding": "gzip"})


# Pages themselves are not packed: the length of what holds a token beside words that others chose would tell about the token.
@lru_cache(maxsize=16)
def packed(data: bytes) -> bytes:
    """A file as gzip (RFC 1952, 1996), which bad Wi-Fi carries sooner."""
    return gzip.compress(data, mtime=0)


def _nobody_yet(shown: Shown) -> bool:
    with shown.desk.store.read() as conn:
        return not any(one["can_sign_in"] for one in list_people(conn))


def _local(path: str) -> str:
    """A path of this site, or the first page."""
    good = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable() and len(path) < 200
    return path if good else "/"
