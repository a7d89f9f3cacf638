"""Who may open and send what on the page: every page of the running service against every role."""

from __future__ import annotations

import httpx
import pytest

from monitor import people as staff
from monitor.api.access import rules_of

#: Open to everybody: the door, the page's own files and look, and the signed link, which asks its own questions.
OPEN = {
    "GET /sign-in", "POST /sign-in", "GET /first-run", "POST /first-run", "POST /sign-out", "POST /look",
    "GET /favicon.ico", "GET /manifest.webmanifest", "GET /static/{mark}/{name}", "GET /a/{token}", "POST /a/{token}",
    "GET /{path:path}",  # an address at which there is nothing
}  # fmt: skip
#: Whoever is signed in may read these.
READ = {
    "GET /", "GET /alarms", "GET /alarms/{alarm}", "GET /days", "GET /days/{day}", "GET /deviations", "GET /deviations/{deviation}",
    "GET /clock",
    "GET /late", "GET /live", "GET /lots", "GET /lots/new", "GET /lots/{lot}", "GET /lots/{lot}/picture", "GET /lots/{lot}/hold-tag",
    "GET /probes",
    "GET /probes/{probe}/check", "GET /probes/{probe}/recall", "GET /pin",
}  # fmt: skip
#: Entries: never by an inspector.
WORK = {
    "POST /alarms/{alarm}/acknowledge", "POST /alarms/{alarm}/shelve", "POST /deviations", "POST /deviations/{deviation}/actions",
    "POST /deviations/{deviation}/close", "POST /clock", "POST /late", "POST /lots/new", "POST /lots/{lot}/check", "POST /lots/{lot}/end",
    "POST /lots/{lot}/measure", "POST /lots/{lot}/place", "POST /lots/{lot}/remove", "POST /lots/{lot}/step", "POST /lots/{lot}/undo",
    "POST /lots/{lot}/receive", "POST /lots/{lot}/withdraw", "POST /probes/{probe}/check", "POST /probes/{probe}/recall", "POST /pin",
}  # fmt: skip
#: Signatures and set-up: by a reviewer alone.
REVIEW = {
    "POST /days/{day}/review", "POST /lots/{lot}/release", "POST /deviations/{deviation}/review",
    "POST /set-up/people", "POST /set-up/people/{person}", "POST /set-up/people/{person}/code", "POST /set-up/people/{person}/remove",
    "POST /set-up/bells", "POST /set-up/bells/{bell}/test", "POST /set-up/probes",
}  # fmt: skip
#: Read by a reviewer alone.
REVIEWER_READS = {"GET /set-up", "GET /set-up/people", "GET /set-up/people/{person}", "GET /set-up/bells", "GET /set-up/probes"}
#: These have no end.
STREAMS = {"GET /live"}
VALUES = {"{lot}": "J-0412", "{alarm}": "A1", "{token}": "x.y", "{deviation}": "D1", "{day}": "2026-03-02", "{probe}": "core-1",
          "{mark}": "x", "{name}": "none.css", "{person}": "Odile Marsh", "{bell}": "no-bell"}  # fmt: skip


def doors(site) -> list[str]:
    """Every method and path of the page, as the app itself lists them."""
    return sorted(f"{m} {p}" for m, p, _ in rules_of(site.service.app) if m != "HEAD" and not p.startswith("/api/"))


def knock(http: httpx.Client, door: str, form: dict[str, str]) -> httpx.Response:
    """Open a page, or send a form to it."""
    method, path = door.split(" ", 1)
    for name, value in VALUES.items():
        path = path.replace(name, value)
    if method == "GET":
        return http.get(path, follow_redirects=False)
    return http.post(path, data=form, follow_redirects=False)


def form_token(browser) -> str:
    """The token of the browser's session."""
    return str(browser.http.get("/api/v1/session").json()["form_token"])


def written(site) -> int:
    """How many entries the ledger holds."""
    return int(site.desk.counts()["ledger_entries"])


def test_every_page_has_its_line(full_site):
    """No page exists that these lists do not name, and none is named that does not exist."""
    named = OPEN | READ | WORK | REVIEW | REVIEWER_READS
    assert (set(doors(full_site)) - named, named - set(doors(full_site))) == (set(), set())


@pytest.mark.parametrize("device", ["", "probe", "metrics", "inspector"])
def test_strangers_and_machines_are_led_to_the_door(full_site, reader, device):
    """Without a person's session every page but the open ones answers with the way in, and nothing is written."""
    if device:
        name, now = f"page-{device}", full_site.clock()
        token = full_site.service.writer.submit(lambda conn: staff.add_device(conn, name, device, now)).result(10)
        reader.http.headers["Authorization"] = f"Bearer {token}"
    before = written(full_site)
    for door in doors(full_site):
        answer = knock(reader.http, door, {"once": "x"})
        if door in OPEN:
            assert not answer.headers.get("location", "").startswith("/sign-in?next="), door
        else:
            assert answer.status_code == 401 or answer.headers.get("location", "").startswith("/sign-in"), door
    assert written(full_site) == before


@pytest.mark.parametrize("role", ["operator", "reviewer", "inspector"])
def test_form_without_the_session_token_does_nothing(full_site, reader, role):
    """A form that another site made the browser send is refused for every role, at every form but the open ones."""
    reader.sign_in(role)
    before = written(full_site)
    refused = {door: knock(reader.http, door, {"form_token": "0" * 64}).status_code for door in sorted(WORK | REVIEW)}
    assert set(refused.values()) == {403}, refused
    assert written(full_site) == before


@pytest.mark.parametrize(("role", "shut"), [("inspector", WORK | REVIEW), ("operator", REVIEW)])
def test_role_that_may_not_is_refused(full_site, reader, role, shut):
    """An inspector enters nothing, an operator signs nothing."""
    reader.sign_in(role)
    token, before = form_token(reader), written(full_site)
    for door in sorted(shut):
        assert knock(reader.http, door, {"form_token": token, "once": "x"}).status_code == (409 if role == "operator" else 403), door
    assert written(full_site) == before


@pytest.mark.parametrize("role", ["operator", "reviewer", "inspector"])
def test_everybody_signed_in_reads_every_page(full_site, reader, role):
    """No page but those of the set-up asks for more than a session to be read."""
    reader.sign_in(role)
    for door in sorted(READ - STREAMS):
        answer = knock(reader.http, door, {})
        assert answer.status_code in (200, 303, 404, 409), door  # 409: there is nothing to recall
        assert not answer.headers.get("location", "").startswith("/sign-in"), door


def test_set_up_is_read_by_a_reviewer_alone(full_site, reader):
    """Who works here and how they are reached is nobody else's."""
    for role, status in (("operator", 409), ("inspector", 409), ("reviewer", 200)):
        reader.sign_in(role)
        assert {knock(reader.http, door, {}).status_code for door in REVIEWER_READS} == {status}, role


@pytest.mark.parametrize(("role", "lets"), [("operator", WORK), ("reviewer", WORK | REVIEW)])
def test_role_that_may_is_let_through(site, plain, role, lets):
    """The same forms are looked at when the right person sends them: what is wrong with them is told, not who sent them."""
    plain.sign_in(role)
    token = form_token(plain)
    for door in sorted(lets):
        answer = knock(plain.http, door, {"form_token": token, "once": "x"})
        assert answer.status_code != 403, door
        assert "only reads here" not in answer.text, door
        assert not answer.headers.get("location", "").startswith("/sign-in"), door
