"""What came for a lot, and its release, through the API."""

from __future__ import annotations

import asyncio

CAME = {
    "material": "Venison trim",
    "supplier": "Hollow Beck Game (invented)",
    "supplier_lot": "HB-77",
    "temperature": "36 °F",
    "weight_kg": 42.5,
}


def started(site) -> None:
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    site.clock.pass_(1_000_000)


def ask(site, role, *requests):
    async def run():
        client = await site.signed_in(role)
        return [await client.request(method, path, json=body) for method, path, body in requests]

    return asyncio.run(run())


def test_what_came_for_a_lot_is_written_down_and_taken_back(site):
    """Both stay on record; the papers show the receipt, and that it was withdrawn."""
    started(site)
    [made] = ask(site, "operator", ("POST", "/api/v1/lots/J-1/receipts", CAME))
    assert (made.status_code, made.json()["weight_kg"], made.json()["by"]) == (201, "42.5", "Odile Marsh")
    seq = made.json()["seq"]
    gone, again, papers = ask(
        site, "operator",
        ("POST", f"/api/v1/lots/J-1/receipts/{seq}/withdraw", {"reason": "Another delivery's weight."}),
        ("POST", f"/api/v1/lots/J-1/receipts/{seq}/withdraw", {"reason": "Once more."}),
        ("GET", "/api/v1/lots/J-1/papers", None),
    )  # fmt: skip
    assert (gone.status_code, again.status_code) == (201, 409)
    assert [(r["seq"], r["withdrawn"]) for r in papers.json()["receipts"]] == [(seq, "Another delivery's weight.")]


def test_receipt_that_cannot_be_is_refused_in_one_sentence(site):
    """What, which value, and what to write instead; nothing is written down."""
    started(site)
    wrong = [
        {"temperature": "36"},
        {"weight_kg": "0"},
        {"weight_kg": 1e30},
        {"accepted": False},
        {"supplier": " "},
        {"temperature": "200 °F"},
    ]
    answers = ask(site, "operator", *(("POST", "/api/v1/lots/J-1/receipts", CAME | one) for one in wrong))
    assert [a.status_code for a in answers] == [422] * len(wrong)
    assert all(a.json()["detail"] for a in answers)
    [unknown] = ask(site, "operator", ("POST", "/api/v1/lots/J-9/receipts", CAME))
    assert unknown.status_code == 404
    assert site.desk.papers("J-1")["receipts"] == []


def test_same_key_writes_one_receipt(site):
    """A delivery sent twice over bad Wi-Fi came once."""
    started(site)

    async def run():
        client = await site.signed_in("operator")
        return [await client.post("/api/v1/lots/J-1/receipts", json=CAME, headers={"Idempotency-Key": "one"}) for _ in range(2)]

    first, second = asyncio.run(run())
    assert first.json() == second.json()
    assert len(site.desk.papers("J-1")["receipts"]) == 1


def test_lot_on_hold_is_released_only_once_nothing_holds_it(site):
    """The refusal names the deviation; an ended lot that nothing holds is signed by a reviewer, once."""
    started(site)
    found = site.desk.open_deviation(site.hand(), "A rack was found on the floor.", lot="J-1")["id"]
    [running] = ask(site, "reviewer", ("POST", "/api/v1/lots/J-1/release", {}))
    assert running.status_code == 409
    assert f"it has not ended; deviation {found} is not closed" in running.json()["detail"]
    [papers] = ask(site, "inspector", ("GET", "/api/v1/lots/J-1/papers", None))
    assert papers.json()["on_hold"] == [found]
    site.desk.end(site.hand(), "J-1")
    held = [one["id"] for one in site.desk.deviations() if "J-1" in one["affected"]]
    answers = dict.fromkeys(("cause", "removed", "restored", "prevention", "reason", "acceptability", "trained"), "Odile Marsh saw to it.")
    answers |= {"reading": "core-1 read 36 °F at 13:20", "quantity": "42 kg", "reassessment": "The plan stays as it is."}
    body = answers | {"disposition": "released", "deviations": held}
    closed, reviewed = ask(site, "operator", ("POST", "/api/v1/deviations/close", body), ("POST", "/api/v1/lots/J-1/release", {}))
    assert (closed.status_code, reviewed.status_code) == (200, 403), closed.text
    waiting = [("POST", f"/api/v1/deviations/{one}/review", {"agreed": True}) for one in held]
    *_, signed, again = ask(
        site,
        "reviewer",
        *waiting,
        ("POST", "/api/v1/lots/J-1/release", {"comment": "Read through."}),
        ("POST", "/api/v1/lots/J-1/release", {}),
    )
    assert (signed.status_code, signed.json()["by"], signed.json()["text"]) == (201, "Tam Okafor", "Read through."), signed.text
    assert again.status_code == 409
