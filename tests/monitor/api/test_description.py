"""The description of the API, held true: its examples fit its schemas, and errors of the framework look like ours."""

from __future__ import annotations

import asyncio
from typing import Any

import jsonschema_rs
import pytest

from monitor.api.app import describe
from monitor.api.problems import KINDS


def validator(made: dict[str, Any], schema: dict[str, Any]) -> Any:
    """A JSON Schema 2020-12 validator (the dialect of OpenAPI 3.1) of one schema of the description."""
    return jsonschema_rs.Draft202012Validator({**schema, "components": made["components"]})


def shown(made: dict[str, Any]) -> list[tuple[str, dict[str, Any], Any]]:
    """Every example of the description: where, its schema, its value."""
    found = []
    for name, schema in made["components"]["schemas"].items():
        found += [(name, schema, value) for value in schema.get("examples", [])]
        for field, part in schema.get("properties", {}).items():
            found += [(f"{name}.{field}", part, value) for value in part.get("examples", [])]
    for path, item in made["paths"].items():
        for method, operation in item.items():
            label = f"{method.upper()} {path}"
            for media in operation.get("requestBody", {}).get("content", {}).values():
                found += [(label, media["schema"], one["value"]) for one in media.get("examples", {}).values()]
            for parameter in operation.get("parameters", []):
                found += [(label, parameter["schema"], value) for value in parameter["schema"].get("examples", [])]
    return found


def test_every_example_fits_its_own_schema(site):
    """What the description shows could be sent."""
    made = describe(site.app)
    examples = shown(made)
    assert len(examples) > 25
    wrong = {where: str(e) for where, schema, value in examples for e in validator(made, schema).iter_errors(value)}
    assert wrong == {}


def test_an_example_that_does_not_fit_would_be_found(site):
    """The check above can fail."""
    made = describe(site.app)
    schema = made["components"]["schemas"]["StartLot"]
    assert not validator(made, schema).is_valid({"lot": "J-1"})


@pytest.mark.parametrize(
    ("method", "path", "body", "slug"),
    [
        ("GET", "/nowhere", None, "not-found"),
        ("GET", "/api/v1/nowhere", None, "not-found"),
        ("PUT", "/api/v1/lots", None, "method"),
        ("DELETE", "/api/v1/lots/J-1", None, "method"),
        ("POST", "/api/v1/lots", b"{", "unreadable"),
        ("POST", "/api/v1/lots", b'{"product": 1}', "invalid"),
        ("POST", "/api/v1/lots", b"\xff\xfe", "unreadable"),
        ("GET", "/api/v1/lots/J-1/chart.svg?width=x", None, "invalid"),
        ("POST", "/api/v1/readings", b"null", "invalid"),
    ],
)
def test_every_error_is_a_problem_document(site, method, path, body, slug):
    """RFC 9457, section 3 (2023), also where the framework refuses; a 405 says what is taken (RFC 9110, 15.5.6, 2022)."""

    async def run():
        client = await site.signed_in("reviewer")
        return await client.request(method, path, content=body, headers={"Content-Type": "application/json"})

    answer = asyncio.run(run())
    made = describe(site.app)
    assert answer.headers["content-type"] == "application/problem+json"
    assert list(validator(made, made["components"]["schemas"]["Problem"]).iter_errors(answer.json())) == []
    assert (answer.json()["type"], answer.status_code) == (f"/api/v1/problems/{slug}", KINDS[slug].status)
    assert answer.status_code != 405 or answer.headers["allow"]
