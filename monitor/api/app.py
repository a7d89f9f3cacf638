"""The one ASGI app: the API's routers, the page's, and what surrounds them."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Depends, FastAPI, Request
from fastapi.openapi.utils import get_openapi
from fastapi.responses import Response

from monitor.api import alarms, clock, days, deviations, events, health, lots, papers, probes, problems, readings, rejudgements, session
from monitor.api.access import COOKIE, FORM_HEADER, READ, check_rules, may_know
from monitor.api.paging import tagged
from monitor.api.shell import Shell
from monitor.clock_desk import ClockDesk
from monitor.desk import Desk
from monitor.people import People

VERSION = "0.1.0"
#: Threads for the routes that block: each holds a stack, and two cores make no use of more.
_THREADS = 8


def create_app(
    desk: Desk,
    people: People,
    *,
    intake: readings.Intake,
    export: Callable[[str], Path],
    trouble: Callable[[], str] = lambda: "",
    pages: Sequence[APIRouter] = (),
    clock_desk: ClockDesk | None = None,
    version: str = VERSION,
) -> FastAPI:
    """The app over a desk.

    `export` makes a day's ZIP and gives its path (blocking). `trouble` is a sentence while the service is not well.
    `pages` are further routers, served by the same app. `clock_desk`: where the board's time can be said (None: the system's is followed).
    `app.state.feed.changed()` wakes the event streams and `app.state.feed.close()` must be called before the server is asked to
    stop, or it waits for them.
    """
    app = FastAPI(title="Larderer", version=version, openapi_url=None, docs_url=None, redoc_url=None, lifespan=_lifespan)
    state = app.state
    state.desk, state.people, state.intake, state.export, state.trouble = desk, people, intake, export, trouble
    state.clock = ClockDesk(desk) if clock_desk is None else clock_desk
    state.feed = events.Feed(desk)
    problems.install(app, may_know)
    modules = (session, readings, probes, lots, papers, alarms, deviations, days, rejudgements, clock, events, health)
    for router in (*(module.router for module in modules), _about(app), *pages):
        # As they are: include_router() would make each route, with a model for each of its parameters, a second time.
        app.router.routes.extend(router.routes)
    app.add_middleware(Shell)
    check_rules(app)
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    import anyio.to_thread

    anyio.to_thread.current_default_thread_limiter().total_tokens = _THREADS
    yield
    app.state.feed.close()


def _about(app: FastAPI) -> APIRouter:
    router = APIRouter(prefix="/api/v1", tags=["service"])

    @router.get("/openapi.json", include_in_schema=False, dependencies=[Depends(READ)])
    def openapi(request: Request) -> Response:
        """The description of this API (OpenAPI 3.1)."""
        return tagged(request, json.dumps(describe(app), ensure_ascii=False), "application/json")

    @router.get("/problems/{slug}", dependencies=[Depends(READ)])
    def explain(slug: str) -> dict[str, Any]:
        """What a kind of problem means and what to do about it."""
        kind = problems.KINDS.get(slug)
        if kind is None:
            raise problems.Problem("not-found", f'there is no problem "{slug}"; there are {", ".join(problems.KINDS)}')
        return {"type": problems.BASE + slug, "title": kind.title, "status": kind.status, "help": kind.help}

    return router


def describe(app: FastAPI) -> dict[str, Any]:
    """The OpenAPI description, made at the first call."""
    if app.openapi_schema:
        return app.openapi_schema
    from monitor.api.describing import describe_answers, operations

    made = get_openapi(title=app.title, version=app.version, description=_DESCRIPTION, routes=app.routes)
    made["paths"] = {path: item for path, item in made["paths"].items() if path.startswith("/api/")}
    parts = made.setdefault("components", {})
    parts["securitySchemes"] = {
        "session": {"type": "apiKey", "in": "cookie", "name": COOKIE},
        "bearer": {"type": "http", "scheme": "bearer"},
    }
    schemas = parts.setdefault("schemas", {})
    schemas["Problem"], schemas["PushedReading"] = _PROBLEM, readings.PUSHED_READING
    for name in ("HTTPValidationError", "ValidationError"):
        schemas.pop(name, None)
    content = {problems.MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    answer = {"description": "A problem document (RFC 9457).", "content": content}
    describe_answers(made, _OPEN)
    for _, path, operation in operations(made):
        operation["responses"]["default"] = answer
        operation["security"] = [] if path in _OPEN else [{"session": []}, {"bearer": []}]
    app.openapi_schema = made
    return made


_OPEN = ("/api/v1/health", "/api/v1/acknowledge/{token}")
_DESCRIPTION = (
    "Watches food temperatures against published limits, lot by lot. Instants are ISO 8601, temperatures °C under keys ending `_c`. "
    f"Changes made under a session cookie bring back its form token in {FORM_HEADER}; writes take an Idempotency-Key. "
    "Long lists come a page at a time: `next` of one page is `after` of the following. Answers with an ETag are not sent again to whoever "
    "names it in If-None-Match. The event stream is taken up again with Last-Event-ID."
)
_PROBLEM: dict[str, Any] = {
    "type": "object",
    "required": ["type", "title", "status", "detail", "errors"],
    "additionalProperties": False,
    "properties": {
        "type": {"type": "string", "format": "uri-reference"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string", "description": "One sentence for a person."},
        "errors": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["pointer", "detail"],
                "properties": {"pointer": {"type": "string", "description": "JSON pointer (RFC 6901)."}, "detail": {"type": "string"}},
            },
        },
    },
}
