"""Signing in and out. The cookie is HttpOnly and SameSite=Strict; changes also bring back the form token."""

from __future__ import annotations

from typing import Any, cast

from fastapi import APIRouter, Depends, Request, Response

from monitor.api.access import COOKIE, OPEN, Allow, remote_of
from monitor.api.bodies import SignIn
from monitor.people import LONGEST, People, Who
from rules.reading import SECOND

router = APIRouter(prefix="/api/v1/session", tags=["session"])
ANYBODY = Allow("operator", "reviewer", "inspector", "probe", "metrics")


@router.get("")
def get_session(who: Who = Depends(ANYBODY)) -> dict[str, Any]:
    """Who is signed in, and the form token that changes must bring back in X-Form-Token."""
    return _shown(who)


@router.post("", dependencies=[Depends(OPEN)])
def sign_in(body: SignIn, request: Request, response: Response) -> dict[str, Any]:
    """Sign in; with an invitation code, or the one printed at first start, set the secret first."""
    people = cast(People, request.app.state.people)
    way = {"scheme": request.url.scheme, "remote": remote_of(request)}
    if body.code:
        token, who = people.claim(body.code, body.name, body.secret, **way)
    else:
        token, who = people.sign_in(body.name, body.secret, **way)
    set_cookie(request, response, token)
    return _shown(who)


@router.delete("", status_code=204)
def sign_out(request: Request, response: Response, who: Who = Depends(ANYBODY)) -> None:
    """Sign out."""
    token = request.cookies.get(COOKIE)
    if token and not who.device:
        cast(People, request.app.state.people).sign_out(token)
    response.delete_cookie(COOKIE)


def set_cookie(request: Request, response: Response, token: str) -> None:
    """Give the browser its session; over HTTPS the cookie never travels without it."""
    response.set_cookie(COOKIE, token, max_age=LONGEST // SECOND, httponly=True, samesite="strict", secure=request.url.scheme == "https")


def _shown(who: Who) -> dict[str, Any]:
    return {"name": who.name, "role": who.role, "form_token": who.form_token}
