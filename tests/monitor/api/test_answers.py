"""What each route answers is described, by example too, and real answers of a site are as described."""

from __future__ import annotations

import asyncio
from typing import Any, cast

import jsonschema_rs
import pytest

from monitor.alarms.causes import Cause
from monitor.api.app import create_app, describe
from monitor.api.describing import JSON, OTHER, operations
from monitor.api.problems import KINDS
from monitor.links import make_link

NO_BODY = {"DELETE /session"}
#: What this site cannot do, since its pipeline is a double: recalls are held to their schemas in the tests of the checks.
ELSEWHERE = {"POST /recalls", "GET /recalls/preview", "POST /rejudgements", "POST /clock"}
ANSWERS = {
    "cause": "The rack stood on the counter.", "removed": "Back in the cold.", "restored": "Re-chilled.",
    "reading": "core-1 read 33 °F at 14:00.", "prevention": "A timer.", "disposition": "destroyed", "quantity": "18 kg",
    "reason": "The limit was not met.",
}  # fmt: skip
UNFORESEEN = {"acceptability": "The product is cold.", "reassessment": "No change is needed.", "trained": "Tam Okafor"}
RECEIVED = {
    "material": "venison trim", "supplier": "Hollin Bank Game", "supplier_lot": "HB-77", "temperature": "36 °F", "weight_kg": 42.5,
}  # fmt: skip


@pytest.fixture(scope="module")
def made() -> dict[str, Any]:
    """The description; it needs no store, no people, no probes."""
    nothing = cast(Any, None)
    return describe(create_app(nothing, nothing, intake=nothing, export=nothing))


def fits(made: dict[str, Any], schema: dict[str, Any], value: Any) -> list[str]:
    """What is wrong with a value, by the JSON Schema dialect of OpenAPI 3.1."""
    validator = jsonschema_rs.Draft202012Validator({**schema, "components": made["components"]})
    return [f"{'/'.join(map(str, e.instance_path))}: {e.message}" for e in validator.iter_errors(value)]


def resolved(made: dict[str, Any], part: dict[str, Any]) -> dict[str, Any]:
    """What a reference of the description points to."""
    while "$ref" in part:
        found: Any = made
        for step in part["$ref"].removeprefix("#/").split("/"):
            found = found[step]
        part = found
    return part


def success(operation: dict[str, Any]) -> dict[str, Any]:
    """The answer that a route gives when all is well."""
    return next(answer for status, answer in operation["responses"].items() if status.startswith("2"))


def test_every_route_has_a_described_answer_with_an_example(made):
    """JSON answers name a schema whose fields are all listed; the example fits it. Others name their media type."""
    labels = set()
    for label, _, operation in operations(made):
        labels.add(label)
        answer = success(operation)
        assert answer["description"], label
        if label in NO_BODY:
            assert "content" not in answer, label
            continue
        [(media, content)] = answer["content"].items()
        schema = resolved(made, content["schema"])
        if media == "application/json":
            assert (schema["type"], schema["additionalProperties"]) == ("object", False), label
            assert schema["examples"], label
        for value in schema.get("examples", []):
            assert fits(made, schema, value) == [], label
    assert labels == {*JSON, *OTHER, *NO_BODY}


def test_every_problem_of_every_route_is_a_problem_document(made):
    """RFC 9457, section 3 (2023): each status above 399 has the shape, with an example of each kind; each kind is named by some route."""
    named = set()
    for label, _, operation in operations(made):
        assert "default" in operation["responses"], label
        for status, answer in operation["responses"].items():
            if status != "default" and int(status) < 400:
                continue
            described = resolved(made, answer)
            content = described["content"]["application/problem+json"]
            assert content["schema"] == {"$ref": "#/components/schemas/Problem"}, label
            for slug, one in content.get("examples", {}).items():
                if slug not in named:
                    assert fits(made, content["schema"], one["value"]) == []
                named.add(slug)
                assert one["value"]["status"] == KINDS[slug].status == int(status)
    assert named == KINDS.keys() - {"method"}


def test_schema_finds_a_field_that_is_missing_or_not_described(made):
    """The checks below can fail."""
    schema = made["components"]["schemas"]["FindingLine"]
    good = schema["examples"][0]
    assert fits(made, schema, good) == []
    assert fits(made, schema, {k: v for k, v in good.items() if k != "what"})
    assert fits(made, schema, good | {"more": 1})


def worked_day(site) -> list[tuple[str, str, str, Any]]:
    """Requests of a day's work, each as role, label, path, body: two lots, an alarm, a record closed by two, a probe checked."""
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-0")
    site.desk.place(site.hand(), "J-0", "core-1")
    for _ in range(3):
        site.clock.pass_(30_000_000)
        site.read("core-1", 55.0)
    alarm = site.desk.alarms()[0]["id"]
    cause = Cause("source/bus", "source bus is gone", "probes", site.clock(), "It does not answer.", "high")
    bus = f"A{site.writer.submit(lambda conn: site.pipeline.alarms.raise_(conn, cause, site.clock())).result(10)}"
    record = site.desk.deviations()[0]["id"]
    token = make_link(site.link_secret, alarm, "Odile Marsh", site.clock())
    work, sign = "operator", "reviewer"
    check = {"probe": "core-1", "method": "ice-point", "indicated": "38 °F", "correct": True}
    return [
        (work, "GET /session", "/session", None),
        (work, "GET /problems/{slug}", "/problems/busy", None),
        (work, "GET /alarms", "/alarms", None),
        (work, "GET /acknowledge/{token}", f"/acknowledge/{token}", None),
        (work, "POST /acknowledge/{token}", f"/acknowledge/{token}", {}),
        (work, "POST /alarms/{alarm}/acknowledge", f"/alarms/{alarm}/acknowledge", {"comment": "Going."}),
        (work, "POST /alarms/{alarm}/shelve", f"/alarms/{alarm}/shelve", {"minutes": 5, "reason": "Defrost."}),
        (work, "POST /alarms/{alarm}/out-of-service", f"/alarms/{bus}/out-of-service", {"reason": "A new cable."}),
        (work, "GET /alarms", "/alarms", None),
        (work, "POST /alarms/{alarm}/in-service", f"/alarms/{bus}/in-service", None),
        (work, "GET /deviations", "/deviations", None),
        (work, "GET /deviations/{deviation}", f"/deviations/{record}", None),
        (work, "POST /deviations/{deviation}/actions", f"/deviations/{record}/actions", {"planned": 1}),
        (work, "POST /deviations/{deviation}/close", f"/deviations/{record}/close", ANSWERS),
        (sign, "POST /deviations/{deviation}/review", f"/deviations/{record}/review", {"agreed": True}),
        (work, "GET /lots", "/lots", None),
        (work, "GET /lots/{lot}", "/lots/J-0", None),
        (work, "POST /lots/{lot}/steps", "/lots/J-0/steps", {"step": "rest"}),
        (work, "POST /lots/{lot}/measures", "/lots/J-0/measures", {"name": "pH", "value": 5.2}),
        (work, "POST /lots/{lot}/undo", "/lots/J-0/undo", None),
        (work, "POST /lots/{lot}/checks", "/lots/J-0/checks", {"place": "core", "value": "33.5 °F"}),
        (work, "POST /lots/{lot}/receipts", "/lots/J-0/receipts", RECEIVED),
        (work, "POST /lots/{lot}/receipts/{receipt}/withdraw", "/lots/J-0/receipts/{seq}/withdraw", {"reason": "Another delivery's."}),
        (work, "POST /lots/{lot}/placements", "/lots/J-0/placements", {"probe": "core-1", "reason": "done"}),
        (work, "POST /lots/{lot}/end", "/lots/J-0/end", {}),
        (work, "GET /lots/{lot}", "/lots/J-0", None),
        (work, "POST /deviations/close", "/deviations/close", ANSWERS | UNFORESEEN | {"deviations": ["D2"]}),
        (sign, "POST /deviations/{deviation}/review", "/deviations/D2/review", {"agreed": True}),
        (sign, "POST /lots/{lot}/release", "/lots/J-0/release", {"comment": "Nothing is left of it but the trim."}),
        (work, "GET /lots/{lot}/papers", "/lots/J-0/papers", None),
        (work, "POST /lots", "/lots", {"product": "juniper-links", "lot": "J-1", "same_as_last": True}),
        (work, "POST /readings", "/readings", [{"probe": "core-1", "value": 1.2}, {"probe": "nobody", "value": 1}, {"probe": "core-1"}]),
        (work, "POST /deviations", "/deviations", {"text": "A rack was found on the floor.", "lot": "J-1"}),
        (work, "POST /calibrations", "/calibrations", check),
        (work, "GET /probes", "/probes", None),
        (work, "GET /calibrations", "/calibrations?limit=1", None),
        (work, "GET /rejudgements", "/rejudgements", None),
        (work, "GET /days/{day}", "/days/2026-03-02", None),
        (work, "GET /recalls", "/recalls", None),
        (sign, "POST /days/{day}/review", "/days/2026-03-01/review", {}),
        (work, "GET /days/{day}", "/days/2026-03-01", None),
        (work, "GET /health", "/health", None),
        (work, "GET /clock", "/clock", None),
        (sign, "POST /session", "/session", {"name": "Tam Okafor", "secret": "sage-1234"}),
    ]  # fmt: skip


def test_real_answers_of_a_day_are_as_described(site, made):
    """What was asked goes through, and no field is missing, of another type, or not described."""
    described = {label: success(operation) for label, _, operation in operations(made)}
    asked = worked_day(site)

    async def run():
        clients = {role: await site.signed_in(role) for role in ("operator", "reviewer")}
        found, last = [], {"seq": 0, "at": ""}
        for role, label, path, body in asked:
            site.clock.pass_(1_000_000)
            method = label.partition(" ")[0]
            named = path.format(**last)
            sent = {"at": last["at"]} if label.endswith("/undo") else body
            answer = await clients[role].request(method, f"/api/v1{named}", json=sent)
            last |= {name: answer.json()[name] for name in last if name in answer.json()}
            found.append((label, answer))
        return found

    wrong = {}
    for label, answer in asyncio.run(run()):
        assert answer.status_code < 300, (label, answer.text)
        if bad := fits(made, described[label]["content"]["application/json"]["schema"], answer.json()):
            wrong[label] = bad
    assert wrong == {}
    assert {label for _, label, _, _ in asked} >= set(JSON) - ELSEWHERE
