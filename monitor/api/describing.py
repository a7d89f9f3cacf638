"""The description of every answer: its schema and example, the problems it can be instead, and the headers that matter.

Made when somebody first asks for the description, so that no schema of an answer costs the service anything before.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from monitor.api import answers_lots, answers_probes, answers_records
from monitor.api.problems import BASE, KINDS, MEDIA_TYPE

_PREFIX = "/api/v1"
JSON = {**answers_lots.ROUTES, **answers_records.ROUTES, **answers_probes.ROUTES}
_SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 360 300"></svg>'
_EVENT = 'id: 413\nevent: event\ndata: {"seq": 413, "at": "2026-03-02T19:04:10Z", "kind": "event", "by": "Odile Marsh", "body": {}}\n\n'
_NUMBERS = "# TYPE larderer_lots_open gauge\nlarderer_lots_open 2.0\n# EOF\n"
#: Answers that are not JSON: their media type, their schema, what they are.
OTHER: Mapping[str, tuple[str, dict[str, Any], str]] = {
    "GET /lots/{lot}/chart.svg": ("image/svg+xml", {"type": "string", "examples": [_SVG]}, "The chart."),
    "GET /days/{day}/export.zip": ("application/zip", {"type": "string", "contentMediaType": "application/zip"}, "The day's folder."),
    "GET /events": (
        "text/event-stream",
        {"type": "string", "examples": [_EVENT]},
        "A stream without an end. Each event has the `id` of its ledger entry, its kind as `event`, and as `data` an object of `seq, at, "
        "kind, by, body`; `hello` comes first. A listener that was cut off sends the last `id` as Last-Event-ID and misses nothing.",
    ),
    "GET /metrics": ("application/openmetrics-text", {"type": "string", "examples": [_NUMBERS]}, "OpenMetrics text."),
}
#: Answers that bear a tag, and are not sent again to whoever holds them.
TAGGED = ("GET /lots/{lot}", "GET /lots/{lot}/chart.svg", "GET /days/{day}/export.zip")
_HELD = {
    "name": "If-None-Match", "in": "header", "required": False, "schema": {"type": "string", "examples": ['"9f86d081884c7d65"']},
    "description": "The ETag of the answer held; 304 without a body while it still fits (RFC 9110, 13.1.2).",
}  # fmt: skip
_TAG = {"ETag": {"description": "Names this content (RFC 9110, 8.8.3).", "required": True, "schema": {"type": "string"}}}
_WAIT = {"Retry-After": {"description": "Seconds to wait.", "required": True, "schema": {"type": "string", "pattern": "^[0-9]+$"}}}


def describe_answers(made: dict[str, Any], open_paths: tuple[str, ...]) -> None:
    """Write into an OpenAPI document what each route answers. `open_paths` ask for no sign-in."""
    parts = made["components"]
    schemas = _schemas()
    taken = sorted(schemas.keys() & parts["schemas"].keys())
    if taken:
        raise RuntimeError(f"{', '.join(taken)} would describe both a body and an answer; name one of them otherwise")
    parts["schemas"] |= schemas
    parts["responses"] = {f"Problem{status}": _problems(status) for status in sorted({k.status for k in KINDS.values()})}
    for label, path, operation in operations(made):
        answers = operation["responses"]
        answers.pop("422", None)
        for status in sorted(_statuses(label, operation, is_open=path in open_paths)):
            answers[str(status)] = {"$ref": f"#/components/responses/Problem{status}"}
        _success(label, operation)
    for status in {k.status for k in KINDS.values()} - _named(made):
        del parts["responses"][f"Problem{status}"]


def operations(made: Mapping[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Every operation of a description: its label such as `GET /lots`, its path, itself."""
    for path, item in made["paths"].items():
        for method, operation in item.items():
            yield f"{method.upper()} {path.removeprefix(_PREFIX)}", path, operation


def _schemas() -> dict[str, Any]:
    models: list[tuple[type[BaseModel], Any]] = [(model, "serialization") for model in dict.fromkeys(JSON.values())]
    _, made = models_json_schema(models, by_alias=True, ref_template="#/components/schemas/{model}")
    found: dict[str, Any] = made["$defs"]
    return found


def _success(label: str, operation: dict[str, Any]) -> None:
    answers = operation["responses"]
    status = next(one for one in answers if one.startswith("2"))
    if label in JSON:
        model = JSON[label]
        content = {"application/json": {"schema": {"$ref": f"#/components/schemas/{model.__name__}"}}}
        answers[status] = {"description": (model.__doc__ or "").partition("\n")[0], "content": content}
    elif label in OTHER:
        media, schema, what = OTHER[label]
        answers[status] = {"description": what, "content": {media: {"schema": schema}}}
    if label == "GET /health":  # in trouble the same is said under 503; a store that does not answer is a problem document as everywhere
        unwell = _problems(503)
        content = answers[status]["content"] | unwell["content"]
        answers["503"] = {"description": "The service is in trouble, or its store does not answer.", "content": content}
    if label in TAGGED:
        answers[status]["headers"] = _TAG
        answers["304"] = {"description": "What If-None-Match names still fits; no body.", "headers": _TAG}
        operation["parameters"] = [*operation.get("parameters", []), _HELD]


def _statuses(label: str, operation: Mapping[str, Any], *, is_open: bool) -> set[int]:
    """The problems that a route may answer with, by what it takes."""
    method = label.partition(" ")[0]
    found = {500, 503}
    if not is_open:
        found |= {401, 403}
    if "{" in label:
        found.add(404)
    if operation.get("parameters"):
        found.add(422)
    if method == "POST":
        found |= {400, 409, 413, 415, 422}
    if label not in ("GET /health", "POST /readings"):
        found.add(429)
    if label.endswith("/acknowledge/{token}"):
        found.add(403)  # a link that is spoilt or has expired
    if label == "POST /session":
        found.add(401)
    if label.endswith("export.zip"):
        found.add(409)
    return found


def _problems(status: int) -> dict[str, Any]:
    """The kinds of problem of one status, with an example of each."""
    kinds = {slug: kind for slug, kind in KINDS.items() if kind.status == status}
    examples = {
        slug: {"value": {"type": BASE + slug, "title": kind.title, "status": status, "detail": kind.help, "errors": []}}
        for slug, kind in kinds.items()
    }
    content = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}, "examples": examples}}
    made: dict[str, Any] = {"description": " / ".join(kind.title for kind in kinds.values()), "content": content}
    return made | {"headers": _WAIT} if status in (429, 503) else made


def _named(made: Mapping[str, Any]) -> set[int]:
    return {int(s) for _, _, o in operations(made) for s, answer in o["responses"].items() if "$ref" in answer and s.isdigit()}
