"""Requests generated from the API's own description, by every role: nothing fails, and every answer is as described."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any, NamedTuple

import pytest
import requests
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.config import GenerationConfig, ProjectConfig, ProjectsConfig, SchemathesisConfig
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from monitor.api.app import describe
from monitor.links import make_link

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
ROLES = ("nobody", "operator", "reviewer", "inspector", "probe", "metrics")
#: Open to whoever holds a signed link.
LINKED = ("GET /api/v1/acknowledge/{token}", "POST /api/v1/acknowledge/{token}")
#: The stream has no end, and signing out ends what the next request needs; both have tests of their own.
ELSEWHERE = {("GET", "/api/v1/events"), ("DELETE", "/api/v1/session")}


class Drawn(NamedTuple):
    """One operation of the description, with what draws requests that fit it and requests that break it."""

    label: str
    good: st.SearchStrategy[Any]
    bad: st.SearchStrategy[Any] | None


@pytest.fixture(scope="module")
def drawn() -> dict[str, list[Drawn]]:
    """Kept for all roles, since making the strategies takes longer than asking."""
    return {}


def operations(site, kept: dict[str, list[Drawn]]) -> list[Drawn]:
    """Every operation of the description."""
    if "all" not in kept:
        generation = GenerationConfig(with_security_parameters=False)
        config = SchemathesisConfig(projects=ProjectsConfig(default=ProjectConfig(generation=generation)))
        found = [one.ok() for one in schemathesis.openapi.from_dict(describe(site.app), config=config).get_all_operations()]
        kept["all"] = [draw_from(one) for one in found if (one.method.upper(), one.path) not in ELSEWHERE]
    return kept["all"]


def draw_from(operation: Any) -> Drawn:
    """The strategies of one operation."""
    breakable = bool(operation.body) or bool(list(operation.iter_parameters()))
    good = operation.as_strategy(generation_mode=schemathesis.GenerationMode.POSITIVE)
    bad = operation.as_strategy(generation_mode=schemathesis.GenerationMode.NEGATIVE) if breakable else None
    return Drawn(operation.label, good, bad)


@pytest.fixture
def stocked(site) -> dict[str, list[str]]:
    """Names that exist: a lot with readings beyond its limit, its alarm and record, a signed link."""
    hand = site.hand()
    site.desk.start_lot(hand, "juniper-links", lot="J-1")
    site.desk.place(hand, "J-1", "core-1")
    for _ in range(3):
        site.clock.pass_(30_000_000)
        site.read("core-1", 55.0)
    alarms = [one["id"] for one in site.desk.alarms()]
    records = [one["id"] for one in site.desk.deviations()]
    assert alarms
    assert records
    return {
        "lot": ["J-1"], "alarm": alarms, "deviation": records, "day": ["2026-03-02"], "slug": ["busy"],
        "token": [make_link(site.link_secret, alarms[0], "Odile Marsh", site.clock())],
        "product": ["juniper-links"], "probe": ["core-1", "core-2"], "step": ["grind", "rest"], "deviations": records,
    }  # fmt: skip


def aimed(data: st.DataObject, known: dict[str, list[str]], given_: Any) -> Any:
    """The generated values, some of them replaced by names that exist, or requests would seldom get past "not found"."""
    if not isinstance(given_, dict):
        return given_
    swapped = dict(given_)
    for name, names in known.items():
        if name in swapped and data.draw(st.booleans()):
            value = data.draw(st.sampled_from(names))
            swapped[name] = [value] if isinstance(swapped[name], list) else value
    return swapped


def run_role(site, drawn, address: str, known: dict[str, list[str]], role: str, examples: int) -> dict[str, set[int]]:
    """Generated requests at every operation under one role; the statuses seen at each."""
    session = requests.Session()
    if role != "nobody":
        client = asyncio.run(site.signed_in(role))
        session.headers.update({k: v for k, v in client.headers.items() if k in ("authorization", "x-form-token")})
        session.cookies.update(dict(client.cookies))
    seen: dict[str, set[int]] = {}
    for one in operations(site, drawn):
        seen[one.label] = set()
        knock(one, lambda case, label=one.label: seen[label].add(answer(case, session, address)), known, examples)
    session.close()
    return seen


def answer(case: Any, session: requests.Session, address: str) -> int:
    """Send one case; its status, after every check of what came back."""
    response = case.call(base_url=address, session=session)
    case.validate_response(response, checks=CHECKS)
    return int(response.status_code)


def knock(one: Drawn, send: Callable[[Any], None], known: dict[str, list[str]], examples: int) -> None:
    """Draw `examples` cases of one operation, some of them breaking its schema on purpose, and send each."""

    @settings(max_examples=examples, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck))
    @given(st.data())
    def each(data: st.DataObject) -> None:
        case = data.draw(one.bad if one.bad is not None and data.draw(st.integers(0, 3)) == 0 else one.good)
        case.path_parameters = aimed(data, known, case.path_parameters)
        case.query, case.body = aimed(data, known, case.query), aimed(data, known, case.body)
        send(case)

    each()


@pytest.mark.parametrize("role", ROLES)
def test_generated_requests_get_described_answers(site, drawn, stocked, served, role):
    """Every operation, a few generated requests each: no 5xx, and only answers that the description holds."""
    seen = run_role(site, drawn, served, stocked, role, 4 if role == "operator" else 2)
    assert all(seen.values())
    if role == "nobody":
        assert {label for label, statuses in seen.items() if min(statuses) < 400} <= {"GET /api/v1/health", *LINKED}


@pytest.mark.full
@pytest.mark.parametrize("role", ROLES)
def test_many_generated_requests_get_described_answers(site, drawn, stocked, served, role):
    """The same with a hundred at every operation."""
    run_role(site, drawn, served, stocked, role, 100)
