"""What requests are answered: one problem shape, one sentence each, readings item by item, each write once."""

from __future__ import annotations

import asyncio
import json

import pytest

from monitor import links
from rules.quantity import format_instant
from rules.reading import HOUR, MINUTE

JSON = {"Content-Type": "application/json"}
CHECK = {"probe": "core-1", "method": "ice-point", "reference": "32 °F", "indicated": "32.4 °F"}


def ask(site, role, *requests, headers=None):
    """The answers to requests `(method, path, json or bytes)` sent one after another by one role."""

    async def run():
        client = site.client() if role == "nobody" else await site.signed_in(role)
        client.headers.update(headers or {})
        answers = []
        for method, path, body in requests:
            if isinstance(body, bytes):
                answers.append(await client.request(method, path, content=body))
            else:
                answers.append(await client.request(method, path, json=body))
        return answers

    return asyncio.run(run())


def check_problem(answer, status, slug):
    """The one shape, exactly."""
    body = answer.json()
    assert answer.status_code == status, body
    assert answer.headers["content-type"] == "application/problem+json"
    assert list(body) == ["type", "title", "status", "detail", "errors"]
    assert (body["type"], body["status"]) == (f"/api/v1/problems/{slug}", status)
    assert body["detail"]
    assert "\n" not in body["detail"]
    assert all(set(one) == {"pointer", "detail"} for one in body["errors"])
    return body


@pytest.mark.parametrize(
    ("method", "path", "body", "status", "slug", "words"),
    [
        ("GET", "/nowhere", None, 404, "not-found", "there is nothing at /nowhere"),
        ("GET", "/api/v1/lots/J-9", None, 404, "not-found", 'there is no lot "J-9"'),
        ("GET", "/api/v1/lots/J-9/chart.svg", None, 404, "not-found", 'there is no lot "J-9"'),
        ("GET", "/api/v1/lots/J-9/chart.svg?width=239", None, 422, "invalid", "it should be greater than or equal to 240"),
        ("GET", "/api/v1/lots/J-9/chart.svg?width=1201", None, 422, "invalid", "it should be less than or equal to 1200"),
        ("GET", "/api/v1/lots/J-9/chart.svg?width=wide", None, 422, "invalid", "it should be a valid integer"),
        ("PUT", "/api/v1/lots", {}, 405, "method", "does not take PUT"),
        ("POST", "/api/v1/lots", b'{"product": ', 400, "unreadable", "the body is not JSON"),
        ("POST", "/api/v1/lots", b"\xff\xfe", 400, "unreadable", "the body is not JSON"),
        ("POST", "/api/v1/lots", {}, 422, "invalid", '"product" is missing; add it'),
        ("POST", "/api/v1/lots", [1], 422, "invalid", "the body is [1]; send a JSON object"),
        ("POST", "/api/v1/lots", {"product": "juniper-links", "prodct": 1}, 422, "invalid", '"prodct" is not known here; leave it out'),
        ("POST", "/api/v1/lots", {"product": "juniper-links", "at": "yesterday"}, 422, "invalid", "write ISO 8601 with its offset"),
        ("POST", "/api/v1/lots", {"product": "juniper-links", "at": 5}, 422, "invalid", "write ISO 8601 with its offset"),
        ("POST", "/api/v1/lots", {"product": "goose-links"}, 422, "invalid", "this plan has juniper-links"),
        ("POST", "/api/v1/lots", {"product": 7}, 422, "invalid", '"product" is 7; it should be a valid string'),
        ("POST", "/api/v1/alarms/A9/acknowledge", {}, 404, "not-found", "A9"),
        ("POST", "/api/v1/alarms/siren/acknowledge", {}, 422, "invalid", "siren"),
        ("POST", "/api/v1/alarms/A1/shelve", {"minutes": 0, "reason": "x"}, 422, "invalid", '"minutes" is 0'),
        ("POST", "/api/v1/calibrations", CHECK | {"reference": "32"}, 422, "invalid", "write a number with its unit"),
        ("GET", "/api/v1/days/today", None, 422, "invalid", "write a date such as 2026-03-02"),
        ("GET", "/api/v1/days/2026-02-30", None, 422, "invalid", "write a date such as 2026-03-02"),
        ("GET", "/api/v1/days/2030-01-01/export.zip", None, 422, "invalid", "has not begun"),
        ("GET", "/api/v1/deviations/D7", None, 404, "not-found", "D7"),
        ("GET", "/api/v1/problems/none", None, 404, "not-found", "there is no problem"),
    ],
)  # fmt: skip
def test_each_mistake_gets_one_sentence_in_the_one_shape(site, method, path, body, status, slug, words):
    """Whatever goes wrong is answered as a problem document whose detail says what to write."""
    (answer,) = ask(site, "operator", (method, path, body), headers=JSON if isinstance(body, bytes) else None)
    assert words in check_problem(answer, status, slug)["detail"]


@pytest.mark.parametrize("path", ["/api/v1/calibrations?probe=%00", "/api/v1/recalls?probe=core-1%00"])
def test_text_that_a_database_cannot_look_for_is_a_mistake_in_the_request(site, engine, path):
    """PostgreSQL knows no text with NUL: that is no trouble of the store, and no reason to send the same again; SQLite finds nothing."""
    (answer,) = ask(site, "operator", ("GET", path, None))
    if engine == "sqlite":
        assert answer.json()[path[8:].partition("?")[0]] == []
    else:
        assert "leave that character out" in check_problem(answer, 422, "invalid")["detail"]


def test_broken_sign_in_body_is_told_to_anybody(site):
    """Where nobody has to be signed in, a broken body gets its own sentence."""
    (answer,) = ask(site, "nobody", ("POST", "/api/v1/session", b"{"), headers=JSON)
    check_problem(answer, 400, "unreadable")


def test_all_mistakes_of_a_body_are_listed(site):
    """Several mistakes are listed with their places; the sentence tells the first and how many more."""
    (answer,) = ask(site, "operator", ("POST", "/api/v1/alarms/A1/shelve", {"minutes": 0, "x/y": 1}))
    body = check_problem(answer, 422, "invalid")
    assert {one["pointer"] for one in body["errors"]} == {"/minutes", "/reason", "/x~1y"}
    assert "and 2 more" in body["detail"]


def test_program_error_is_a_problem_too_and_tells_no_secret(site, monkeypatch):
    """A bug answers in the same shape, without its inside."""
    monkeypatch.setattr(site.desk, "lots", lambda: 1 / 0)
    (answer,) = ask(site, "operator", ("GET", "/api/v1/lots", None))
    assert "division" not in check_problem(answer, 500, "internal")["detail"]


def test_refusal_by_the_judging_is_a_conflict(site):
    """What the lot's state does not allow is 409 and changes nothing."""
    answers = ask(
        site,
        "operator",
        ("POST", "/api/v1/lots", {"product": "juniper-links", "lot": "J-1"}),
        ("POST", "/api/v1/lots", {"product": "juniper-links", "lot": "J-1"}),
        ("POST", "/api/v1/lots/J-1/placements", {"probe": "core-1", "reason": "done"}),
    )
    assert answers[0].status_code == 201
    check_problem(answers[1], 409, "refused")
    check_problem(answers[2], 409, "refused")


def test_a_lot_runs_from_start_to_end_over_http(site):
    """Start, place, check, measure, step, undo, end: each is answered 201 and shows in the lot."""

    async def run():
        client = await site.signed_in("operator")

        async def post(path, **body):
            site.clock.pass_(MINUTE)
            answer = await client.post(f"/api/v1/lots{path}", json=body)
            assert answer.status_code == 201, answer.text
            return answer.json()

        await post("", product="juniper-links", lot="J-1")
        await post("/J-1/placements", probe="core-1")
        await post("/J-1/checks", place="core", value="33.5 °F")
        await post("/J-1/measures", name="pH", value=5.2)
        moved = await post("/J-1/steps", step="rest")
        await post("/J-1/undo", at=moved["at"])
        await post("/J-1/placements", probe="core-1", reason="done")
        await post("/J-1/end")
        return (await client.get("/api/v1/lots/J-1")).json(), (await client.get("/api/v1/lots/J-1/chart.svg?width=480"))

    shown, chart = asyncio.run(run())
    assert [e["event"] for e in shown["entries"]] == ["start", "place", "check", "measure", "step", "undo", "remove", "end"]
    assert [e["event"] for e in shown["entries"] if e["undone"]] == ["step"]
    assert shown["ended"] is not None
    assert chart.headers["content-type"].startswith("image/svg+xml")
    assert 'viewBox="0 0 480 ' in chart.text


def test_key_makes_a_repeated_request_one(site):
    """The same key and body is carried out once and answered alike; another body under it is refused."""
    first, again, other = ask(
        site,
        "operator",
        ("POST", "/api/v1/lots", {"product": "juniper-links"}),
        ("POST", "/api/v1/lots", {"product": "juniper-links"}),
        ("POST", "/api/v1/lots", {"product": "juniper-links", "lot": "J-2"}),
        headers={"Idempotency-Key": '"6f1c2a54"'},
    )
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.json() == again.json()
    check_problem(other, 422, "key-reused")
    assert len(site.desk.lots()) == 1


def test_unprintable_key_is_refused(site):
    """A key that is no key gets its sentence."""
    (answer,) = ask(site, "operator", ("POST", "/api/v1/lots", {"product": "juniper-links"}), headers={"Idempotency-Key": '""'})
    check_problem(answer, 422, "invalid")


def test_readings_are_answered_item_by_item_once_durable(site):
    """One list holds a good reading, a duplicate, an unknown probe, an unreadable item and a fault; each has its outcome."""
    at = format_instant(site.clock())
    body = [
        {"probe": "core-1", "value": 38.3, "unit": "F", "time": at},
        {"probe": "core-1", "value": 38.3, "unit": "F", "time": at},
        {"probe": "core-7", "value": 4},
        {"probe": "core-1", "value": 4, "temp": 5},
        {"probe": "core-2", "value": "ERR"},
        {"probe": "core-2", "value": 3, "time": format_instant(site.clock() + HOUR)},
    ]
    (answer,) = ask(site, "probe", ("POST", "/api/v1/readings", body))
    assert answer.status_code == 200
    outcomes = [one["outcome"] for one in answer.json()["items"]]
    assert outcomes == ["stored", "duplicate", "unknown-probe", "refused", "stored", "future"]
    assert answer.json()["counts"]["stored"] == 2
    assert all("detail" in one for one in answer.json()["items"] if one["outcome"] != "stored")
    shown = {one["probe"]: one for one in site.desk.probes()}
    assert shown["core-1"]["celsius_c"] == pytest.approx(3.5)
    assert shown["core-2"]["health"] == "fault"


def test_one_reading_may_come_without_a_list(site):
    """A single object is one item."""
    (answer,) = ask(site, "probe", ("POST", "/api/v1/readings", {"probe": "core-1", "value": 3.5}))
    assert [one["outcome"] for one in answer.json()["items"]] == ["stored"]


def test_senml_pack_is_taken(site):
    """RFC 8428, section 4.1: base fields apply to the records that follow; here base name, unit and time."""
    base = site.clock() // 1_000_000 - 60
    pack = [{"bn": "core-1", "bu": "Cel", "bt": base, "v": 3.5}, {"t": 5, "v": 3.6}]
    (answer,) = ask(
        site, "probe", ("POST", "/api/v1/readings", json.dumps(pack).encode()), headers={"Content-Type": "application/senml+json"}
    )
    assert [one["outcome"] for one in answer.json()["items"]] == ["stored", "stored"]
    shown = {one["probe"]: one for one in site.desk.probes()}
    assert (shown["core-1"]["celsius_c"], shown["core-1"]["at"]) == (3.6, format_instant((base + 5) * 1_000_000))


@pytest.mark.parametrize(
    ("content_type", "body", "status", "slug"),
    [
        ("application/json", b"[1, 2", 400, "unreadable"),
        ("application/json", b"7", 422, "invalid"),
        ("application/json", b'{"probe": "core-1"}', 422, "invalid"),
        ("application/json", b'[{"probe": "", "value": 1}, {"value": 1}]', 422, "invalid"),
        ("application/senml+json", b'[{"bver": 99, "n": "core-1", "u": "Cel", "v": 1}]', 400, "unreadable"),
        ("text/csv", b"core-1,3", 415, "media-type"),
        ("application/json", b'"' + b"x" * 1_100_000 + b'"', 413, "too-large"),
        ("application/json", b"[" + b'{"probe":"core-1","value":1},' * 6000 + b'{"probe":"core-1","value":1}]', 413, "too-large"),
    ],
)
def test_unreadable_push_stores_nothing_and_says_why(site, content_type, body, status, slug):
    """A body of which nothing can be used is a problem, and nothing of it is stored."""
    (answer,) = ask(site, "probe", ("POST", "/api/v1/readings", body), headers={"Content-Type": content_type})
    check_problem(answer, status, slug)
    assert site.desk.newest_age_s() is None


def test_too_long_body_without_a_length_is_stopped(site):
    """A chunked body is counted as it comes."""

    async def chunks():
        for _ in range(20):
            yield b"x" * 100_000

    async def run():
        client = await site.signed_in("probe")
        return await client.post("/api/v1/readings", content=chunks(), headers=JSON)

    check_problem(asyncio.run(run()), 413, "too-large")


def test_push_with_a_key_is_answered_alike_when_repeated(site):
    """With a key the repeated push gets the first answer; without, the items are duplicates."""
    body = {"probe": "core-1", "value": 3.5, "time": format_instant(site.clock())}
    first, again = ask(
        site, "probe", ("POST", "/api/v1/readings", body), ("POST", "/api/v1/readings", body), headers={"Idempotency-Key": "a1"}
    )
    (bare,) = ask(site, "probe", ("POST", "/api/v1/readings", body))
    assert first.json() == again.json()
    assert [one["outcome"] for one in bare.json()["items"]] == ["duplicate"]


@pytest.mark.parametrize("count", [0, 1, 3, 501])
def test_push_without_a_key_is_answered_to_the_byte_as_one_with_a_key(site, count):
    """Nearly every push takes a shorter way; its sender sees no difference."""
    since = site.clock() // 1_000_000 - 5000

    def body(first):
        return [{"probe": "core-1", "value": 3.5, "time": since + first + n} for n in range(count)]

    (with_key,) = ask(site, "probe", ("POST", "/api/v1/readings", body(0)), headers={"Idempotency-Key": "a1"})
    (without,) = ask(site, "probe", ("POST", "/api/v1/readings", body(1000)))
    assert (without.status_code, without.content) == (with_key.status_code, with_key.content)
    assert without.headers["content-type"] == with_key.headers["content-type"]
    assert without.json() == {
        "items": [{"item": n, "outcome": "stored"} for n in range(count)],
        "counts": {"stored": count} if count else {},
    }


def test_full_queue_turns_a_push_away(site, monkeypatch):
    """When too much waits for the store the sender keeps its readings: 503 with Retry-After, and nothing is taken."""
    monkeypatch.setattr(site.intake, "_queued", 10_001)
    (answer,) = ask(site, "probe", ("POST", "/api/v1/readings", {"probe": "core-1", "value": 3.5}))
    check_problem(answer, 503, "busy")
    assert answer.headers["Retry-After"]
    assert site.desk.newest_age_s() is None


def ring(site) -> str:
    """An alarm by a reading above the limit; its id."""
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    site.desk.place(site.hand(), "J-1", "core-1")
    site.clock.pass_(MINUTE)
    site.read("core-1", 50)
    (alarm,) = site.desk.alarms()
    return str(alarm["id"])


def test_signed_link_shows_on_get_and_acknowledges_on_post(site):
    """A previewer's GET changes nothing; the POST acknowledges as the person the link was made for, with no sign-in."""
    token = links.make_link(site.link_secret, ring(site), "Odile Marsh", site.clock())
    path = f"/api/v1/acknowledge/{token}"
    (seen,) = ask(site, "nobody", ("GET", path, None))
    assert seen.json()["alarm"]["unacknowledged"] is True
    assert site.desk.alarms()[0]["unacknowledged"] is True
    (done,) = ask(site, "nobody", ("POST", path, {"comment": "Going."}))
    assert (done.status_code, done.json()["acknowledged_by"]) == (200, "Odile Marsh")
    (bare,) = ask(site, "nobody", ("POST", path, None))
    assert bare.status_code == 200


@pytest.mark.parametrize("spoil", [lambda t: t[:-2] + ("AA" if t[-2:] != "AA" else "BB"), lambda t: t.partition(".")[0], lambda t: "x" + t])
def test_altered_link_is_refused(site, spoil):
    """A link that was changed acknowledges nothing."""
    token = links.make_link(site.link_secret, ring(site), "Odile Marsh", site.clock())
    (answer,) = ask(site, "nobody", ("POST", f"/api/v1/acknowledge/{spoil(token)}", {}))
    check_problem(answer, 403, "not-allowed")
    assert site.desk.alarms()[0]["unacknowledged"] is True


def test_expired_link_is_refused(site):
    """After its time a link acknowledges nothing and says so."""
    token = links.make_link(site.link_secret, ring(site), "Odile Marsh", site.clock(), lasts=HOUR)
    site.clock.pass_(HOUR + 1)
    (answer,) = ask(site, "nobody", ("POST", f"/api/v1/acknowledge/{token}", {}))
    assert "expired" in check_problem(answer, 403, "not-allowed")["detail"]


def test_locked_out_person_can_still_acknowledge_by_link(site):
    """Mistyping the PIN too often never keeps anybody from answering an alarm."""
    token = links.make_link(site.link_secret, ring(site), "Odile Marsh", site.clock())
    wrong = ("POST", "/api/v1/session", {"name": "Odile Marsh", "secret": "wrong-one"})
    *_, last, done = ask(site, "nobody", *[wrong] * 6, ("POST", f"/api/v1/acknowledge/{token}", {}))
    assert (last.status_code, done.status_code) == (429, 200)


def test_deviation_is_closed_over_http_with_what_is_missing_told(site):
    """An incomplete closing lists each missing thing; complete, it waits for the reviewer, whose word closes it."""
    ring(site)
    answers = {
        "cause": "Left out.", "removed": "Back in the cold.", "restored": "Re-chilled.", "reading": "core-1 33 °F at 14:00.",
        "prevention": "A timer.", "disposition": "destroyed", "quantity": "18 kg", "reason": "Not met.",
    }  # fmt: skip
    short, acted, answered = ask(
        site,
        "operator",
        ("POST", "/api/v1/deviations/D1/close", {"cause": "Left out."}),
        ("POST", "/api/v1/deviations/D1/actions", {"planned": 1}),
        ("POST", "/api/v1/deviations/D1/close", answers),
    )
    assert len(check_problem(short, 409, "refused")["errors"]) == 7
    assert acted.json()["actions"][0]["planned"] is True
    assert answered.json()["state"] == "answered"
    (closed,) = ask(site, "reviewer", ("POST", "/api/v1/deviations/D1/review", {"agreed": True}))
    assert closed.json()["state"] == "closed"


def test_person_opens_a_record_for_what_no_probe_saw(site):
    """A record opened by hand names its finder and lot."""
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    (made,) = ask(site, "operator", ("POST", "/api/v1/deviations", {"lot": "J-1", "text": "A rack on the floor."}))
    assert (made.status_code, made.json()["unforeseen"], made.json()["lot"]) == (201, True, "J-1")


def test_export_is_made_and_handed_over(site):
    """The day's ZIP comes from the export given to the app."""
    (answer,) = ask(site, "inspector", ("GET", "/api/v1/days/2026-03-02/export.zip", None))
    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/zip")
    assert answer.content.startswith(b"PK")
    assert site.exported == ["2026-03-02"]


def test_health_is_open_and_names_nobody(site):
    """Strangers learn status, age and version, and nothing more."""
    site.read("core-1", 38)
    site.clock.pass_(MINUTE)
    (answer,) = ask(site, "nobody", ("GET", "/api/v1/health", None))
    assert answer.json() == {"status": "ok", "newest_reading_age_s": 60.0, "provisional": "", "version": site.app.version}


def test_trouble_shows_in_health_without_its_words(site):
    """In trouble health is 503, and the sentence, which may hold paths, stays inside."""
    site.app.state.trouble = lambda: "no room left on /var"
    (answer,) = ask(site, "nobody", ("GET", "/api/v1/health", None))
    assert (answer.status_code, answer.json()["status"]) == (503, "trouble")
    assert "/var" not in answer.text


def test_metrics_are_openmetrics(site):
    """The numbers parse as OpenMetrics and agree with the site."""
    from prometheus_client.openmetrics.parser import text_string_to_metric_families

    ring(site)
    (answer,) = ask(site, "inspector", ("GET", "/api/v1/metrics", None))
    assert answer.headers["content-type"].startswith("application/openmetrics-text")
    values = {
        (s.name, s.labels.get("probe", "")): s.value for family in text_string_to_metric_families(answer.text) for s in family.samples
    }
    assert values["larderer_probe_celsius", "core-1"] == pytest.approx(10.0)
    assert values["larderer_alarms_unacknowledged", ""] == 1
    assert values["larderer_lots_open", ""] == 1


def test_description_names_every_route_with_an_example_where_it_takes_a_body(site):
    """OpenAPI describes what there is, the problem shape as the default answer, and how bodies look."""
    (answer,) = ask(site, "operator", ("GET", "/api/v1/openapi.json", None))
    made = answer.json()
    assert "/api/v1/readings" in made["paths"]
    for path, item in made["paths"].items():
        for method, operation in item.items():
            assert operation["responses"]["default"]["content"], (method, path)
            if method == "post":
                content = operation.get("requestBody", {"content": {}})["content"]
                for media in content.values():
                    schema = media["schema"]
                    parts = [schema, *schema.get("anyOf", [])]
                    named = [made["components"]["schemas"][p["$ref"].rsplit("/", 1)[1]] for p in parts if "$ref" in p]
                    assert media.get("examples") or any(n.get("examples") for n in named), (method, path)
    assert made["paths"]["/api/v1/health"]["get"]["security"] == []
    assert made["paths"]["/api/v1/lots"]["get"]["security"] != []


def test_body_under_another_content_type_is_told_so(site):
    """JSON sent as a form or as nothing at all is named for what it is."""
    (answer,) = ask(site, "operator", ("POST", "/api/v1/lots", b'{"product": "juniper-links"}'), headers={"Content-Type": "text/plain"})
    check_problem(answer, 415, "media-type")
