"""Deviations, alarms, the day and the release on the page without JavaScript."""

from __future__ import annotations

import re
from typing import Any

import httpx
import pytest

from monitor import ledger
from monitor.errors import RefusedError
from monitor.links import link_key, make_link
from rules.reading import HOUR
from tests.monitor.page.plain_text import ANSWERS, text_of


def test_deviation_names_everything_missing_and_loses_nothing(site: Any, plain: Any) -> None:
    """An incomplete closing lists each missing thing as a sentence; answered whole it waits for the second person, who closes it."""
    site.too_warm()
    plain.sign_in("operator")
    page = plain.get("/deviations/D1")
    assert "T-0301 is on hold" in page.text
    page = plain.send("/deviations/D1/actions", planned="1")
    assert "Put it into the cooler. (from the plan) , by Odile Marsh" in text_of(page)
    page = plain.send("/deviations/D1/actions", own="Asked for an evaluation.", ago="2")
    assert "Asked for an evaluation." in page.text
    page = plain.send("/deviations/D1/close", cause="The door stood open.", quantity="some")
    assert page.status_code == 409
    told = text_of(page)
    assert "It cannot be closed yet:" in told
    for missing in (
        "How the cause was removed is missing",
        "How control was restored is missing",
        "What prevents it",
        "What became of the product",
    ):
        assert missing in told
    assert 'Quantity is "some"' in told.replace("&#34;", '"')
    assert "The door stood open.</textarea>" in page.text
    page = plain.send("/deviations/D1/close", **ANSWERS)
    assert "It waits for the review of Tam Okafor." in text_of(page)
    plain.http.cookies.clear()
    plain.sign_in("reviewer")
    plain.get("/deviations/D1")
    page = plain.send("/deviations/D1/review", agreed="yes")
    assert "D1 is closed." in page.text
    assert site.desk.deviation("D1")["closed"] is not None


def test_day_is_signed_only_when_nothing_is_left(site: Any, plain: Any) -> None:
    """An open record keeps the day from being signed, with the reason; then a reviewer signs it."""
    site.too_warm()
    plain.sign_in("reviewer")
    page = plain.get("/days")
    assert page.url.path == "/days/2026-03-02"
    assert "Before it can be signed:" in page.text
    page = plain.send("/days/2026-03-02/review", comment="Read through.")
    assert page.status_code == 409
    assert "Deviation D1 of lot T-0301 is not closed" in text_of(page)
    assert ">Read through.</textarea>" in page.text
    site.desk.close_deviation(site.hand(), ["D1"], ANSWERS)
    site.desk.review_deviation(site.hand("reviewer"), ["D1"])
    plain.get("/days/2026-03-02")
    page = plain.send("/days/2026-03-02/review", comment="Read through.")
    assert "Tam Okafor has signed the review of 2026-03-02." in page.text
    assert "“Read through.”" in page.text


def test_link_shows_on_get_and_acknowledges_on_post(site: Any) -> None:
    """A previewer that fetches the link acknowledges nothing; a tap does, without a sign-in; an old link says so."""
    site.too_warm()
    alarm = site.desk.alarms()[0]
    secret = link_key(site.service.config.data / "keys")
    token = make_link(secret, alarm["id"], "Odile Marsh", site.clock())
    with httpx.Client(base_url=site.url) as phone:
        page = phone.get(f"/a/{token}")
        assert "I am Odile Marsh, I have seen it" in page.text
        assert site.desk.alarms()[0]["unacknowledged"]
        page = phone.post(f"/a/{token}", data={"comment": "Going."})
        assert "Odile Marsh has seen it" in page.text
        assert not site.desk.alarms()[0]["unacknowledged"]
        site.clock.now += 49 * HOUR
        page = phone.get(f"/a/{token}")
        assert page.status_code == 403
        assert "expired" in page.text
        assert phone.get("/a/nonsense").status_code == 403


def test_alarm_is_silenced_only_with_a_reason(site: Any, plain: Any) -> None:
    """Shelving asks for a reason and keeps to its bounds; the page says that it is judged on underneath."""
    site.too_warm()
    plain.sign_in("operator")
    plain.get("/alarms/A1")
    page = plain.send("/alarms/A1/shelve", minutes="120", reason="Defrost.")
    assert page.status_code == 409
    assert "choose up to 30 min" in page.text
    assert 'value="Defrost."' in page.text
    page = plain.send("/alarms/A1/shelve", minutes="20", reason="Defrost.")
    assert "A1 is silent for 20 min." in page.text
    assert "It makes no sound: shelved by Odile Marsh" in text_of(page)


def test_records_of_one_cause_are_closed_with_one_answer(site: Any, plain: Any) -> None:
    """Ticked beside the first, the other record gets the same answers; without the tick it stays open."""
    site.too_warm()
    plain.sign_in("operator")
    plain.get("/deviations")
    made = plain.send("/deviations", text="The cooler's door stood open all night.", lot="T-0301")
    assert "Record D2 is open." in made.text
    page = plain.get("/deviations/D1")
    assert "Has this the same cause?" in text_of(page)
    more = {"acceptability": "Warm.", "reassessment": "No.", "trained": "Tam Okafor"}
    page = plain.send("/deviations/D1/close", **ANSWERS, together="D2")
    assert page.status_code == 409, "the second asks more, so neither is closed"
    page = plain.send("/deviations/D1/close", **ANSWERS, **more, together="D2")
    assert "D1 and D2 are answered. They wait for the review of Tam Okafor." in text_of(page)
    assert [site.desk.deviation(d)["answers"]["cause"] for d in ("D1", "D2")] == [ANSWERS["cause"]] * 2


def test_reading_that_shows_control_restored_is_offered(site: Any, plain: Any) -> None:
    """What the lot's probes read now can be tapped; a word without a number is sent back."""
    site.too_warm()
    plain.sign_in("operator")
    page = plain.get("/deviations/D1")
    assert re.search(r'<option value="core-\d read [\d.]+ °F at [^"]+">', page.text)
    page = plain.send("/deviations/D1/close", **(ANSWERS | {"reading": "it is cold again"}))
    assert "write what it read, with its unit, and when" in text_of(page)
    assert 'value="it is cold again"' in page.text


def test_lot_on_hold_is_not_released_until_its_deviation_is_closed(site: Any, plain: Any) -> None:
    """The page says why; the tag can be printed; closed, a reviewer's name stands under the release, and it is on record."""
    site.too_warm()
    site.desk.end(site.hand(), "T-0301")
    plain.sign_in("operator")
    page = plain.get("/lots/T-0301")
    assert "On hold: nothing of T-0301 leaves here." in page.text
    assert "It cannot be released yet" in text_of(page)
    assert "Deviation D1 is not closed." in text_of(page)
    page = plain.get("/lots/T-0301/hold-tag")
    assert "ON HOLD" in page.text
    assert "D1 , since" in text_of(page)
    token = plain.http.get("/api/v1/session").json()["form_token"]
    answer = plain.http.post("/lots/T-0301/release", data={"form_token": token, "once": "r1"})
    assert answer.status_code == 409
    assert "is not a reviewer" in text_of(answer)

    plain.sign_in("reviewer")
    token = plain.http.get("/api/v1/session").json()["form_token"]
    answer = plain.http.post("/lots/T-0301/release", data={"form_token": token, "once": "r2"})
    assert answer.status_code == 409
    assert "T-0301 cannot be released yet: deviation D1 is not closed" in text_of(answer)
    site.desk.close_deviation(site.hand(), ["D1"], ANSWERS)
    site.desk.review_deviation(site.hand("reviewer"), ["D1"])
    plain.get("/lots/T-0301")
    page = plain.send("/lots/T-0301/release", comment="Looked through.")
    assert "T-0301 is released by Tam Okafor." in page.text
    assert "Released by Tam Okafor, " in text_of(page)
    assert "is not on hold" in text_of(plain.get("/lots/T-0301/hold-tag"))
    with site.service.store.read() as conn:
        signed = [(e.by, e.body["lot"], e.body["meaning"]) for e in ledger.entries(conn, kind="release")]
    assert signed == [("Tam Okafor", "T-0301", "has reviewed the records of this lot and releases it")]


def test_lot_on_hold_is_marked_in_words_until_it_is_released(site: Any, plain: Any) -> None:
    """On the first page and among the lots: while its record is open, when it is closed, and no more once it is released."""
    site.too_warm()
    site.desk.start_lot(site.hand(), "sage-turkey", lot="T-0302")
    plain.sign_in("reviewer")
    page = text_of(plain.get("/"))
    assert "1 lot on hold T-0301 ■ on hold Since 08:" in page
    assert "Open: D1." in page
    assert page.count("It does not leave until a reviewer has released it.") == 1, "the other lot is not on hold"
    assert "■ on hold It does not leave" in text_of(plain.get("/lots"))
    site.desk.end(site.hand(), "T-0301")
    site.desk.close_deviation(site.hand(), ["D1"], ANSWERS)
    site.desk.review_deviation(site.hand("reviewer"), ["D1"])
    page = text_of(plain.get("/"))
    assert "D1 is closed; a reviewer has not released it yet." in page
    assert "deviated ■ on hold" in text_of(plain.get("/lots"))
    site.desk.release(site.hand("reviewer"), "T-0301")
    assert "on hold" not in text_of(plain.get("/")) + text_of(plain.get("/lots"))
    assert site.desk.holds() == []


def test_lot_of_which_product_was_destroyed_is_released_only_with_what_is_left(site: Any, plain: Any) -> None:
    """The page says what is gone; without a word on what is left nothing is signed."""
    site.too_warm()
    site.desk.end(site.hand(), "T-0301")
    site.desk.close_deviation(site.hand(), ["D1"], ANSWERS | {"disposition": "destroyed", "quantity": "18 kg", "reason": "Too warm."})
    site.desk.review_deviation(site.hand("reviewer"), ["D1"])
    plain.sign_in("reviewer")
    page = plain.get("/lots/T-0301")
    assert "D1 says: 18 kg destroyed" in text_of(page)
    answer = plain.send("/lots/T-0301/release", comment=" ")
    assert "write what is left of T-0301 to be released" in text_of(answer)
    assert site.desk.papers("T-0301")["released"] is None
    plain.get("/lots/T-0301")
    assert "T-0301 is released by Tam Okafor." in plain.send("/lots/T-0301/release", comment="The other 24 kg.").text


def test_running_lot_is_not_released(site: Any, plain: Any) -> None:
    """What is still being judged cannot be signed away."""
    site.read(core_1=31)
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-0412")
    with pytest.raises(RefusedError, match="it has not ended"):
        site.desk.release(site.hand("reviewer"), "J-0412")
