"""Who may call what: every route names the roles it serves, and an app with a route that does not is not built."""

from __future__ import annotations

import hmac
from collections.abc import Iterator
from typing import cast

from fastapi import FastAPI, Request
from fastapi.dependencies.models import Dependant
from fastapi.routing import iter_route_contexts

from monitor.api.problems import NOT_SIGNED_IN, Problem
from monitor.people import People, Who

COOKIE = "larderer_session"
FORM_HEADER = "X-Form-Token"
_SAFE = ("GET", "HEAD", "OPTIONS")


class Allow:
    """A dependency that lets the named roles through and gives the route a Who; no roles: open to everybody."""

    def __init__(self, *roles: str) -> None:
        self.roles = frozenset(roles)

    async def __call__(self, request: Request) -> Who:
        """Who is asking; refused with a Problem when nobody is signed in, or the role may not."""
        if not self.roles:
            return Who("", "")
        who = who_asks(request)
        if who is None:
            raise Problem("not-signed-in", NOT_SIGNED_IN, {"WWW-Authenticate": "Bearer"})
        if who.role not in self.roles:
            raise Problem("not-allowed", f"{who.name} is {_a(who.role)}; this is for {_a(' or '.join(sorted(self.roles)))}")
        if not who.device and request.method not in _SAFE and not form_token_fits(who, request.headers.get(FORM_HEADER, "")):
            raise Problem("not-allowed", f"the header {FORM_HEADER} is missing or is not this session's; GET /api/v1/session gives it")
        return who


OPEN = Allow()
READ = Allow("operator", "reviewer", "inspector")
WORK = Allow("operator", "reviewer")
REVIEW = Allow("reviewer")
PUSH = Allow("probe", "operator", "reviewer")
METRICS = Allow("metrics", "operator", "reviewer", "inspector")


def who_asks(request: Request) -> Who | None:
    """Who the request's bearer token or session cookie belongs to, or None; pages may call it too."""
    people = cast(People, request.app.state.people)
    scheme, _, token = request.headers.get("Authorization", "").partition(" ")
    if scheme:
        return people.by_bearer(token.strip()) if scheme.lower() == "bearer" else None
    cookie = request.cookies.get(COOKIE)
    return people.by_session(cookie) if cookie else None


def may_know(request: Request) -> bool:
    """Whether the sender may be told what is wrong with the body: somebody who is known, or anybody at an open route."""
    dependant = getattr(request.scope.get("route"), "dependant", None)
    rule = _rule(dependant) if isinstance(dependant, Dependant) else None
    return (rule is not None and not rule.roles) or who_asks(request) is not None


def form_token_fits(who: Who, given: str) -> bool:
    """Whether a form brought back this session's token: another site's page cannot know it."""
    return bool(who.form_token) and hmac.compare_digest(who.form_token, given)


def remote_of(request: Request) -> str:
    """The address the request came from; blank where there is none."""
    return request.client.host if request.client else ""


def rules_of(app: FastAPI) -> Iterator[tuple[str, str, Allow | None]]:
    """Method, path and rule of every route of the app; None where a route has no rule."""
    for route in iter_route_contexts(app.routes):
        path = str(getattr(route, "path", "") or "")
        dependant = getattr(route, "dependant", None)
        rule = _rule(dependant) if isinstance(dependant, Dependant) else None
        for method in sorted(getattr(route, "methods", None) or {"*"}):
            yield method, path, rule


def check_rules(app: FastAPI) -> None:
    """Raise if any route under /api has no rule; called when the app is built."""
    bare = [f"{method} {path}" for method, path, rule in rules_of(app) if rule is None and path.startswith("/api")]
    if bare:
        raise RuntimeError(f"routes without an access rule: {', '.join(bare)}; add Depends(OPEN | READ | WORK | REVIEW | PUSH | METRICS)")


def _rule(dependant: Dependant) -> Allow | None:
    for one in dependant.dependencies:
        found = one.call if isinstance(one.call, Allow) else _rule(one)
        if found is not None:
            return found
    return None


def _a(word: str) -> str:
    return ("an " if word[:1] in "aeiou" else "a ") + word
