"""Who may call what: every route of the app against every role, and the ways in."""

from __future__ import annotations

import asyncio

import pytest
from fastapi import APIRouter

from monitor.api.access import rules_of
from monitor.api.app import create_app

READERS = {"operator", "reviewer", "inspector"}
WORKERS = {"operator", "reviewer"}
EVERYBODY = {"nobody", "operator", "reviewer", "inspector", "probe", "metrics"}

#: Who gets through each door. A new route without a line here fails the first test.
MATRIX = {
    "GET /api/v1/session": EVERYBODY - {"nobody"},
    "POST /api/v1/session": EVERYBODY,
    "DELETE /api/v1/session": EVERYBODY - {"nobody"},
    "POST /api/v1/readings": {"operator", "reviewer", "probe"},
    "GET /api/v1/probes": READERS,
    "GET /api/v1/calibrations": READERS,
    "POST /api/v1/calibrations": WORKERS,
    "GET /api/v1/recalls": READERS,
    "GET /api/v1/recalls/preview": READERS,
    "POST /api/v1/recalls": WORKERS,
    "GET /api/v1/lots": READERS,
    "POST /api/v1/lots": WORKERS,
    "GET /api/v1/lots/{lot}": READERS,
    "GET /api/v1/lots/{lot}/chart.svg": READERS,
    "POST /api/v1/lots/{lot}/steps": WORKERS,
    "POST /api/v1/lots/{lot}/placements": WORKERS,
    "POST /api/v1/lots/{lot}/measures": WORKERS,
    "POST /api/v1/lots/{lot}/checks": WORKERS,
    "POST /api/v1/lots/{lot}/undo": WORKERS,
    "POST /api/v1/lots/{lot}/end": WORKERS,
    "GET /api/v1/lots/{lot}/papers": READERS,
    "POST /api/v1/lots/{lot}/receipts": WORKERS,
    "POST /api/v1/lots/{lot}/receipts/{receipt}/withdraw": WORKERS,
    "POST /api/v1/lots/{lot}/release": {"reviewer"},
    "GET /api/v1/alarms": READERS,
    "POST /api/v1/alarms/{alarm}/acknowledge": WORKERS,
    "POST /api/v1/alarms/{alarm}/shelve": WORKERS,
    "POST /api/v1/alarms/{alarm}/out-of-service": WORKERS,
    "POST /api/v1/alarms/{alarm}/in-service": WORKERS,
    "GET /api/v1/acknowledge/{token}": EVERYBODY,
    "POST /api/v1/acknowledge/{token}": EVERYBODY,
    "GET /api/v1/deviations": READERS,
    "POST /api/v1/deviations": WORKERS,
    "GET /api/v1/deviations/{deviation}": READERS,
    "POST /api/v1/deviations/close": WORKERS,
    "POST /api/v1/deviations/{deviation}/actions": WORKERS,
    "POST /api/v1/deviations/{deviation}/close": WORKERS,
    "POST /api/v1/deviations/{deviation}/review": {"reviewer"},
    "GET /api/v1/clock": READERS,
    "POST /api/v1/clock": WORKERS,
    "GET /api/v1/rejudgements": READERS,
    "POST /api/v1/rejudgements": WORKERS,
    "GET /api/v1/days/{day}": READERS,
    "POST /api/v1/days/{day}/review": {"reviewer"},
    "GET /api/v1/days/{day}/export.zip": READERS,
    "GET /api/v1/events": READERS,
    "GET /api/v1/health": EVERYBODY,
    "GET /api/v1/metrics": READERS | {"metrics"},
    "GET /api/v1/openapi.json": READERS,
    "GET /api/v1/problems/{slug}": READERS,
}
VALUES = {"{lot}": "J-1", "{alarm}": "A1", "{token}": "x.y", "{deviation}": "D1", "{day}": "2026-03-02", "{slug}": "busy", "{receipt}": "1"}


def doors(app) -> list[str]:
    """Every method and path of the app, HEAD aside."""
    return sorted(f"{method} {path}" for method, path, _ in rules_of(app) if method != "HEAD")


def test_every_route_has_its_line_in_the_matrix(site):
    """No route exists that the matrix does not name, and none is named that does not exist."""
    assert doors(site.app) == sorted(MATRIX)


@pytest.mark.parametrize("role", sorted(EVERYBODY))
def test_each_role_gets_through_its_own_doors_only(site, role):
    """401 for strangers and 403 for the wrong role, at every route but those the matrix opens."""

    async def knock() -> dict[str, int]:
        found = {}
        for door in doors(site.app):
            if door in ("GET /api/v1/events", "DELETE /api/v1/session", "POST /api/v1/session"):
                continue  # the stream never ends under this transport, and the session is what is being used
            client = site.client() if role == "nobody" else shared
            method, path = door.split(" ", 1)
            for name, value in VALUES.items():
                path = path.replace(name, value)
            answer = await client.request(method, path, json={} if method == "POST" else None)
            kind = answer.json().get("type", "") if "problem" in answer.headers.get("content-type", "") else ""
            link = path.startswith("/api/v1/acknowledge/")  # a bad link is told apart from a role that may not
            found[door] = answer.status_code if kind.endswith(("not-signed-in", "not-allowed")) and not link else 0
        return found

    async def run() -> dict[str, int]:
        nonlocal shared
        if role != "nobody":
            shared = await site.signed_in(role)
        return await knock()

    shared = site.client()
    found = asyncio.run(run())
    shut = 401 if role == "nobody" else 403
    assert found == {door: 0 if role in MATRIX[door] else shut for door in found}
    assert len(found) == len(MATRIX) - 3


@pytest.mark.parametrize(("role", "status"), [("nobody", 401), ("probe", 403), ("metrics", 403)])
def test_event_stream_is_shut_to_strangers_and_probes(site, role, status):
    """The stream asks the same questions before it starts."""

    async def run() -> int:
        client = site.client() if role == "nobody" else await site.signed_in(role)
        return (await client.get("/api/v1/events")).status_code

    assert asyncio.run(run()) == status


def test_route_without_a_rule_stops_the_app_from_being_built(site):
    """Forgetting the rule is found at start, not by a stranger."""
    bare = APIRouter(prefix="/api/v1")

    @bare.get("/secrets")
    def secrets() -> dict[str, str]:
        return {}

    with pytest.raises(RuntimeError, match=r"GET /api/v1/secrets"):
        create_app(site.desk, site.people, intake=site.intake, export=lambda _: site.folder, pages=[bare])


def test_stranger_with_a_broken_body_is_told_to_sign_in(site):
    """The body is not judged before the person is known."""

    async def run():
        return await site.client().post("/api/v1/lots", content=b"{", headers={"Content-Type": "application/json"})

    answer = asyncio.run(run())
    assert (answer.status_code, answer.json()["type"]) == (401, "/api/v1/problems/not-signed-in")


def test_change_without_the_form_token_is_refused(site):
    """A page of another site can make the browser send the cookie, but not the token."""

    async def run():
        client = await site.signed_in("operator")
        del client.headers["X-Form-Token"]
        missing = await client.post("/api/v1/lots", json={"product": "juniper-links"})
        wrong = await client.post("/api/v1/lots", json={"product": "juniper-links"}, headers={"X-Form-Token": "0" * 64})
        return missing.status_code, wrong.status_code

    assert asyncio.run(run()) == (403, 403)
    assert site.desk.lots() == []


def test_session_cookie_is_closed_to_scripts_and_other_sites(site):
    """The cookie is HttpOnly and SameSite=Strict, and Secure over HTTPS."""

    async def run():
        plain = await site.client().post("/api/v1/session", json={"name": "odile  marsh", "secret": "juniper-9"})
        client = site.client()
        client.base_url = "https://larderer.test"
        return plain.headers["set-cookie"].lower(), (
            await client.post("/api/v1/session", json={"name": "Odile Marsh", "secret": "juniper-9"})
        ).headers["set-cookie"].lower()

    plain, secure = asyncio.run(run())
    assert "httponly" in plain
    assert "samesite=strict" in plain
    assert "secure" not in plain
    assert "secure" in secure


def test_signed_out_session_opens_nothing(site):
    """After signing out the same cookie is worth nothing, at once."""

    async def run():
        client = await site.signed_in("operator")
        cookie = dict(client.cookies)
        assert (await client.delete("/api/v1/session")).status_code == 204
        again = site.client()
        again.cookies.update(cookie)
        return (await again.get("/api/v1/lots")).status_code

    assert asyncio.run(run()) == 401


def test_too_many_tries_are_told_how_long_to_wait(site):
    """Wrong secrets are answered 401, then 429 with Retry-After."""

    async def run():
        client = site.client()
        return [(await client.post("/api/v1/session", json={"name": "Odile Marsh", "secret": "wrong-one"})) for _ in range(6)]

    answers = asyncio.run(run())
    assert [a.status_code for a in answers] == [401, 401, 401, 429, 429, 429]
    assert int(answers[-1].headers["Retry-After"]) >= 1


def test_every_answer_carries_the_policy(site):
    """Pages, errors and data alike forbid scripts and frames of others, and API answers are not kept."""

    async def run():
        client = site.client()
        return [await client.get(path) for path in ("/api/v1/health", "/api/v1/lots", "/nowhere")]

    for answer in asyncio.run(run()):
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        if "/api/" in str(answer.url):
            assert answer.headers["cache-control"] == "no-store"
