"""How many requests one address may send."""

from __future__ import annotations

import asyncio

import httpx

from monitor.api.pace import Pace
from monitor.api.shell import Shell


def test_bucket_fills_again_with_time():
    """So many at once, then as many as the rate allows; another address is not touched."""
    now = [0.0]
    pace = Pace(2.0, 3.0, lambda: now[0])
    assert [pace.wait_s("a") for _ in range(4)] == [0.0, 0.0, 0.0, 0.5]
    assert pace.wait_s("b") == 0.0
    now[0] = 0.5
    assert [pace.wait_s("a") for _ in range(2)] == [0.0, 0.5]


def test_many_addresses_do_not_grow_the_memory():
    """Addresses that are quiet again are forgotten, and a flood of new ones keeps within its bound."""
    now = [0.0]
    pace = Pace(1.0, 2.0, lambda: now[0])
    for n in range(5_000):
        pace.wait_s(f"address-{n}")
    assert len(pace._left) <= 2_000


def test_address_that_sends_too_much_is_told_to_wait_and_may_still_acknowledge(site):
    """429 as a problem document with Retry-After and the headers of every answer; links, readings and this machine are never slowed."""

    async def run():
        app = Shell(site.app, pace=Pace(0.001, 2.0, lambda: 0.0))
        transport = httpx.ASGITransport(app, client=("203.0.113.9", 5000))
        here = httpx.ASGITransport(app, client=("127.0.0.1", 5000))
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            answers = [await client.get("/api/v1/lots") for _ in range(3)]
            link = await client.post("/api/v1/acknowledge/x.y", json={})
            alarm = await client.post("/api/v1/alarms/A1/acknowledge", json={})
        async with httpx.AsyncClient(transport=here, base_url="http://127.0.0.1") as client:
            home = [(await client.get("/api/v1/lots")).status_code for _ in range(4)]
        return answers, link.status_code, alarm.status_code, home

    answers, link, alarm, home = asyncio.run(run())
    assert [one.status_code for one in answers] == [401, 401, 429]
    assert answers[2].headers["retry-after"] == "1000"
    assert answers[2].headers["content-type"] == "application/problem+json"
    assert "content-security-policy" in answers[2].headers
    assert (link, alarm, home) == (403, 401, [401] * 4)
