"""Problem documents (RFC 9457): every error answer has this one shape.

`{"type", "title", "status", "detail", "errors"}`: `detail` is one sentence for a person; `errors` lists each
mistake in the body as `{"pointer", "detail"}`, with a JSON pointer (RFC 6901), and is empty otherwise.
"""

from __future__ import annotations

import http
import math
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from sqlalchemy.exc import SQLAlchemyError
from starlette.exceptions import HTTPException

from monitor import errors as ours
from probes.errors import ProbeError, TooLarge
from rules.errors import EventError, RulesError
from rules.reading import SECOND

BASE = "/api/v1/problems/"
MEDIA_TYPE = "application/problem+json"


class Kind(NamedTuple):
    """One kind of problem: its status, its title, and what a client may do about it."""

    status: int
    title: str
    help: str


KINDS: Mapping[str, Kind] = {
    "unreadable": Kind(400, "Body is not readable", "The body is not what its Content-Type names. Correct it and send again."),
    "not-signed-in": Kind(401, "Not signed in", "Open a session with POST /api/v1/session, or send a bearer token."),
    "not-allowed": Kind(403, "Not allowed", "This person or token may not do this; somebody with the role named in the detail may."),
    "not-found": Kind(404, "Not found", "There is nothing at this address or under this name."),
    "method": Kind(405, "Method not allowed", "The address exists and does not take this method."),
    "refused": Kind(409, "Refused", "What was asked contradicts what is recorded. Nothing was changed; the detail says what to do."),
    "too-large": Kind(413, "Body is too large", "Send the body in several parts."),
    "media-type": Kind(415, "Media type not taken", "Send JSON, or SenML with its own Content-Type where readings are taken."),
    "invalid": Kind(422, "Body is not valid", "`errors` lists each mistake with its place."),
    "key-reused": Kind(422, "Idempotency key used before", "The key came earlier with another request. Use a new key for a new request."),
    "too-many-tries": Kind(429, "Too many tries", "Wait as long as Retry-After says."),
    "internal": Kind(500, "Internal error", "Something is wrong with the service; its journal says what."),
    "busy": Kind(503, "Busy", "Nothing was taken. Send again after Retry-After; keep the data until it is answered with success."),
    "not-stored": Kind(503, "Not stored", "The store refused the record; nothing was taken. Look to the disk, keep the data, send again."),
}  # fmt: skip


def problem(slug: str, detail: str, *, errors: Sequence[Mapping[str, str]] = (), headers: Mapping[str, str] | None = None) -> JSONResponse:
    """The response for one problem."""
    kind = KINDS[slug]
    body = {"type": BASE + slug, "title": kind.title, "status": kind.status, "detail": detail, "errors": [dict(e) for e in errors]}
    return JSONResponse(body, kind.status, headers=dict(headers or {}), media_type=MEDIA_TYPE)


class Problem(Exception):
    """Raised inside the API where the answer is a problem and no deeper error says so."""

    def __init__(self, slug: str, detail: str, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(detail)
        self.slug, self.detail, self.headers = slug, detail, headers


def of_error(error: Exception) -> JSONResponse:
    """The problem that an error of ours stands for."""
    text = str(error)
    if isinstance(error, ours.NotClosable):
        return problem(
            "refused",
            f"the record cannot be closed yet: {'; '.join(error.missing)}",
            errors=[{"pointer": "", "detail": one} for one in error.missing],
        )
    if isinstance(error, ours.SignInError) and error.wait:
        return problem("too-many-tries", text, headers={"Retry-After": str(max(1, math.ceil(error.wait / SECOND)))})
    for kind, slug in _SLUGS:
        if isinstance(error, kind):
            headers = {"Retry-After": "1"} if slug == "busy" else None
            return problem(slug, text, headers=headers)
    return problem("not-stored", text, headers={"Retry-After": "5"})


_SLUGS: tuple[tuple[type[Exception], str], ...] = (
    (ours.SignInError, "not-signed-in"),
    (ours.LinkError, "not-allowed"),
    (ours.NotFoundError, "not-found"),
    (ours.RefusedError, "refused"),
    (ours.KeyReuseError, "key-reused"),
    (ours.BusyError, "busy"),
    (ours.InputError, "invalid"),
    (ours.TextRefused, "invalid"),  # a client told to come back would come back with the same text for ever
    (ours.ExportError, "refused"),  # the detail says why; the records themselves are kept
)


def install(app: FastAPI, may_know: Callable[[Request], bool]) -> None:
    """Make every error of the app answer as a problem document.

    A body is read before anybody asks who is there; only those for whom `may_know` is true are told what is wrong with it.
    """

    async def on_ours(_: Request, error: Exception) -> JSONResponse:
        return of_error(error)

    async def on_probes(_: Request, error: Exception) -> JSONResponse:
        return problem("too-large" if isinstance(error, TooLarge) else "unreadable", str(error))

    async def on_rules(_: Request, error: Exception) -> JSONResponse:
        # An event the lot's state does not allow contradicts the record; every other kind is a value that cannot be read.
        return problem("refused" if isinstance(error, EventError) else "invalid", str(error))

    async def on_problem(_: Request, error: Exception) -> JSONResponse:
        assert isinstance(error, Problem)
        return problem(error.slug, error.detail, headers=error.headers)

    async def on_http(request: Request, error: Exception) -> JSONResponse:
        assert isinstance(error, HTTPException)
        if error.status_code == 400 and not may_know(request):
            return problem("not-signed-in", NOT_SIGNED_IN)
        return _of_http(request, error)

    async def on_validation(request: Request, error: Exception) -> JSONResponse:
        assert isinstance(error, RequestValidationError)
        if not may_know(request):
            return problem("not-signed-in", NOT_SIGNED_IN)
        return _of_validation(error)

    async def on_store(_: Request, error: Exception) -> JSONResponse:
        return problem("not-stored", "the store did not answer; nothing was changed, try again shortly", headers={"Retry-After": "5"})

    async def on_any(_: Request, error: Exception) -> JSONResponse:
        return problem("internal", "the service failed at this request; its journal says where, and nothing of it was recorded")

    app.add_exception_handler(ours.MonitorError, on_ours)
    app.add_exception_handler(RulesError, on_rules)
    app.add_exception_handler(ProbeError, on_probes)
    app.add_exception_handler(Problem, on_problem)
    app.add_exception_handler(HTTPException, on_http)
    app.add_exception_handler(RequestValidationError, on_validation)
    app.add_exception_handler(SQLAlchemyError, on_store)
    app.add_exception_handler(Exception, on_any)


NOT_SIGNED_IN = "nobody is signed in; open a session with POST /api/v1/session or send a bearer token"


def _of_http(request: Request, error: HTTPException) -> JSONResponse:
    path = request.url.path
    if error.status_code == 404:
        return problem("not-found", f"there is nothing at {path}; /api/v1/openapi.json lists what there is")
    if error.status_code == 405:
        return problem("method", f"{path} does not take {request.method}", headers=error.headers)
    if error.status_code == 413:
        return problem("too-large", str(error.detail))
    if error.status_code < 500:
        return problem("unreadable", "the body could not be read; send it again as JSON in UTF-8")
    phrase = http.HTTPStatus(error.status_code).phrase
    return problem("internal", f"the service answered {error.status_code} {phrase} to this request")


def _of_validation(error: RequestValidationError) -> JSONResponse:
    found = error.errors()
    if any(e["type"] == "json_invalid" for e in found):
        where = next((e["loc"][-1] for e in found if e["type"] == "json_invalid"), 0)
        return problem("unreadable", f"the body is not JSON: it breaks off or goes wrong at character {where}")
    if any(tuple(e["loc"]) == ("body",) and isinstance(e.get("input"), bytes) for e in found):
        return problem("media-type", "the Content-Type does not say that the body is JSON; send it with Content-Type: application/json")
    listed = [{"pointer": _pointer(e["loc"]), "detail": _sentence(e)} for e in found]
    detail = listed[0]["detail"]
    if len(listed) > 1:
        detail += f" (and {len(listed) - 1} more, listed in errors)"
    return problem("invalid", detail, errors=listed)


#: What pydantic names where this sentence has named the field already.
_SUBJECT = re.compile(r"^(Input|String|List|Number|Value|Value error,) (?=should |must |is )")


def _pointer(loc: Sequence[Any]) -> str:
    parts = [str(p).replace("~", "~0").replace("/", "~1") for p in loc if p != "body"]
    return "/" + "/".join(parts) if parts else ""


def _sentence(error: Mapping[str, Any]) -> str:
    loc, kind = error["loc"], error["type"]
    name = str(loc[-1])
    if kind == "missing":
        return "the body is missing; send a JSON object" if tuple(loc) == ("body",) else f'"{name}" is missing; add it'
    if kind == "extra_forbidden":
        return f'"{name}" is not known here; leave it out'
    shown = repr(error.get("input"))
    shown = shown if len(shown) <= 60 else shown[:57] + "..."
    if kind == "value_error":
        return str(error["ctx"]["error"]) if "ctx" in error else str(error["msg"])
    if tuple(loc) == ("body",):
        return f"the body is {shown}; send a JSON object"
    wanted = _SUBJECT.sub("", str(error["msg"]))
    return f'"{name}" is {shown}; it {wanted}'
