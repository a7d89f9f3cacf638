"""An address at which there is nothing, opened in a browser: a small page in place of the API's problem document."""

from __future__ import annotations

from collections.abc import MutableMapping
from typing import Any

from fastapi import APIRouter, Request, Response
from starlette.datastructures import Headers
from starlette.routing import Match

from monitor.api.access import who_asks
from monitor.page.shown import PageRoute, anybody, page


class BrowserRoute(PageRoute):
    """A route for what a browser opens outside the API, and for nothing else: programs keep their problem document."""

    def matches(self, scope: MutableMapping[str, Any]) -> tuple[Match, MutableMapping[str, Any]]:
        """As any route where a browser asks for a page; else no match, so that the app answers as if this route were not there."""
        path = str(scope.get("path", ""))
        asked = scope["type"] == "http" and scope["method"] == "GET" and "text/html" in Headers(scope=scope).get("accept", "")
        # One slash too many is led to the page without it, as elsewhere.
        if not asked or path.startswith(("/api/", "/static/")) or path.endswith("/"):
            return Match.NONE, {}
        return super().matches(scope)


router = APIRouter(route_class=BrowserRoute, include_in_schema=False)


@router.get("/{path:path}")
def show(request: Request) -> Response:
    """That there is nothing here, and the way on."""
    shown, who = anybody(request), who_asks(request)
    return page(shown._replace(who=who) if who else shown, "nowhere.html", status=404)
