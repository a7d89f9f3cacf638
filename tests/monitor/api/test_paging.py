"""Long lists a page at a time, and answers that the sender has already."""

from __future__ import annotations

import asyncio
import os


def start(site, count: int) -> None:
    """So many lots, the newest last."""
    for n in range(count):
        site.clock.pass_(1_000_000)
        site.desk.start_lot(site.hand(), "juniper-links", lot=f"J-{n}")


def test_pages_together_are_the_whole_list_once(site):
    """Following `next` gives every lot once, in order, also when one is started meanwhile."""
    start(site, 5)

    async def run():
        client = await site.signed_in("inspector")
        seen, after = [], ""
        while after is not None:
            answer = (await client.get("/api/v1/lots", params={"limit": 2, "after": after})).json()
            seen.append([one["lot"] for one in answer["lots"]])
            after = answer["next"]
            if len(seen) == 1:
                site.clock.pass_(1_000_000)
                site.desk.start_lot(site.hand(), "juniper-links", lot="J-new")
        return seen

    assert asyncio.run(run()) == [["J-4", "J-3"], ["J-2", "J-1"], ["J-0"]]


def test_place_that_is_not_in_the_list_is_one_sentence(site):
    """Neither an empty page nor the first one is given for it."""

    async def run():
        client = await site.signed_in("inspector")
        return [await client.get(f"/api/v1/{what}?after=nowhere") for what in ("lots", "alarms", "deviations", "calibrations", "recalls")]

    for answer in asyncio.run(run()):
        assert answer.status_code == 422
        assert "not in this list" in answer.json()["detail"]


def test_unchanged_lot_and_export_are_not_sent_again_and_the_same_export_packed_anew_neither(site):
    """The tag is of what is sent: the packed day has another time at each asking, and the same content."""
    start(site, 1)

    async def run():
        client = await site.signed_in("operator")
        found = []
        for path in ("/api/v1/lots/J-0", "/api/v1/days/2026-03-02/export.zip"):
            first = await client.get(path)
            if path.endswith("zip"):
                os.utime(site.folder / "2026-03-02.zip", (1, 1))
            again = await client.get(path, headers={"If-None-Match": first.headers["etag"]})
            other = await client.get(path, headers={"If-None-Match": '"other"'})
            found.append((first.status_code, again.status_code, again.content, other.content == first.content))
            assert (first.headers["cache-control"], again.headers["etag"]) == ("private, no-cache", first.headers["etag"])
        held = (await client.get("/api/v1/lots/J-0")).headers["etag"]
        site.desk.place(site.hand(), "J-0", "core-1")
        return found, await client.get("/api/v1/lots/J-0", headers={"If-None-Match": held})

    found, changed = asyncio.run(run())
    assert found == [(200, 304, b"", True)] * 2
    assert (changed.status_code, set(changed.json()["placed"])) == (200, {"core-1"})


def test_unchanged_chart_and_description_are_not_sent_again(site):
    """If-None-Match is answered 304 with no body until the content is another."""
    start(site, 1)

    async def run():
        client = await site.signed_in("operator")
        found = []
        for path in ("/api/v1/openapi.json", "/api/v1/lots/J-0/chart.svg"):
            first = await client.get(path)
            again = await client.get(path, headers={"If-None-Match": f'"other", W/{first.headers["etag"]}'})
            found.append((first.status_code, again.status_code, again.content, again.headers["etag"] == first.headers["etag"]))
        held = first.headers["etag"]
        site.desk.place(site.hand(), "J-0", "core-1")
        site.read("core-1", 35.0)
        changed = await client.get("/api/v1/lots/J-0/chart.svg", headers={"If-None-Match": held})
        return found, changed.status_code

    found, changed = asyncio.run(run())
    assert found == [(200, 304, b"", True)] * 2
    assert changed == 200
