"""Server-sent events over a real server: what is recorded arrives, and what was missed is sent again."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Iterator
from types import SimpleNamespace

import httpx
import pytest
from fastapi import Request

from monitor import ledger
from monitor.api.events import Feed, events


@pytest.fixture
def client(served: str) -> Iterator[httpx.Client]:
    """A browser with an operator's session."""
    with httpx.Client(base_url=served, timeout=20) as made:
        answer = made.post("/api/v1/session", json={"name": "Odile Marsh", "secret": "juniper-9"})
        made.headers["X-Form-Token"] = answer.json()["form_token"]
        yield made


def listen(client: httpx.Client, count: int, last: str | None = None, greeted: threading.Event | None = None) -> list[dict[str, str]]:
    """The first `count` events of a stream after its greeting."""
    found: list[dict[str, str]] = []
    headers = {} if last is None else {"Last-Event-ID": last}
    with client.stream("GET", "/api/v1/events", headers=headers) as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        event: dict[str, str] = {}
        for line in answer.iter_lines():
            if line:
                name, _, value = line.partition(": ")
                event[name] = value
                continue
            if event.get("event") == "hello":
                if greeted is not None:
                    greeted.set()
            elif "data" in event:
                found.append(event)
            event = {}
            if len(found) >= count:
                break
    return found


def test_new_entry_arrives_with_its_place_in_the_ledger(site, client):
    """A lot started while somebody listens reaches them, under the entry's place."""
    greeted, heard = threading.Event(), []
    listener = threading.Thread(target=lambda: heard.extend(listen(client, 1, greeted=greeted)), daemon=True)
    listener.start()
    assert greeted.wait(20)
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    listener.join(20)
    assert [one["event"] for one in heard] == ["event"]
    body = json.loads(heard[0]["data"])
    assert (body["body"]["lot"], str(body["seq"]), body["by"]) == ("J-1", heard[0]["id"], "Odile Marsh")


def test_stream_resumes_after_the_last_event_seen(site, client):
    """With Last-Event-ID everything recorded since then comes first, in order, without a gap."""
    for lot in ("J-1", "J-2", "J-3"):
        site.desk.start_lot(site.hand(), "juniper-links", lot=lot)
    with site.store.read() as conn:
        places = [entry.seq for entry in ledger.entries(conn, kind="event")]
    heard = listen(client, 2, last=str(places[0]))
    assert [json.loads(one["data"])["body"]["lot"] for one in heard] == ["J-2", "J-3"]
    assert [int(one["id"]) for one in heard] == places[1:]


@pytest.mark.parametrize("last", ["abc", "-1", "9" * 30])
def test_last_event_id_that_is_none_gets_its_sentence(client, last):
    """A resume point that no event had is refused, not guessed."""
    answer = client.get("/api/v1/events", headers={"Last-Event-ID": last})
    assert (answer.status_code, answer.json()["type"]) == (422, "/api/v1/problems/invalid")


def test_listener_that_went_before_its_stream_began_leaves_its_place_to_another(site):
    """A phone that hangs up at once never has its stream read: it must not count as connected for ever."""

    async def come_and_go() -> None:
        feed = Feed(site.desk)
        scope = {
            "type": "http",
            "method": "GET",
            "path": "/api/v1/events",
            "headers": [],
            "app": SimpleNamespace(state=SimpleNamespace(feed=feed)),
        }
        for _ in range(100):
            await events(Request(scope), None)
        feed.close()

    asyncio.run(come_and_go())


def test_open_stream_does_not_keep_the_server_from_stopping(site, client):
    """Closing the feed ends the streams, so that the server can end; the fixture asserts that it does."""
    greeted = threading.Event()
    listener = threading.Thread(target=lambda: listen(client, 1, greeted=greeted), daemon=True)
    listener.start()
    assert greeted.wait(20)
    site.app.state.feed.close()
    listener.join(20)
    assert not listener.is_alive()


def test_stream_ends_when_the_session_does(site, client):
    """Somebody who signed out hears no more."""
    site.app.state.feed.beat_s = 0.05
    greeted = threading.Event()
    listener = threading.Thread(target=lambda: listen(client, 1, greeted=greeted), daemon=True)
    listener.start()
    assert greeted.wait(20)
    with httpx.Client(base_url=client.base_url, cookies=dict(client.cookies), headers=dict(client.headers)) as other:
        assert other.delete("/api/v1/session").status_code == 204
    listener.join(20)
    assert not listener.is_alive()
