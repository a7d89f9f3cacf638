"""Every task with plain HTML: forms posted as a browser without JavaScript does."""

from __future__ import annotations

import html
import math
import re
from typing import Any

import httpx
import pytest

from monitor import ledger
from monitor.errors import RefusedError
from monitor.links import link_key, make_link
from rules.reading import HOUR, MINUTE

ANSWERS = {
    "cause": "The door stood open.",
    "removed": "Door closed, latch mended.",
    "restored": "Moved into the coldest cooler.",
    "reading": "core-3, 36.5 °F at 10:50",
    "prevention": "Latch looked at each morning.",
    "disposition": "released",
    "quantity": "42 kg",
    "reason": "Evaluated by its curve.",
}


def text_of(page: Any) -> str:
    """The page's words with single spaces."""
    plain = re.sub(r"<[^>]+>", " ", re.sub(r"<(script|style|title).*?</\1>", " ", page.text, flags=re.DOTALL))
    return re.sub(r"\s+", " ", html.unescape(plain))


def test_stranger_is_led_to_the_door_and_back(reader: Any) -> None:
    """Every page asks for a sign-in and then shows what was asked for."""
    page = reader.get("/probes")
    assert page.url.path == "/sign-in"
    page = reader.send("/sign-in", name="Odile Marsh", secret="juniper-9")
    assert page.url.path == "/probes"


def test_door_never_leads_to_another_site(full_site: Any) -> None:
    """A link to the door with somebody else's address in it leads to our first page."""
    with httpx.Client(base_url=full_site.url) as stranger:
        for target in ("https://elsewhere.example/", "//elsewhere.example/", "/\\elsewhere.example"):
            page = stranger.get("/sign-in", params={"next": target})
            assert '<input type="hidden" name="next" value="/">' in page.text


def test_wrong_pin_gets_a_sentence_and_keeps_the_name(reader: Any) -> None:
    """Only the secret is asked again."""
    reader.get("/sign-in")
    page = reader.send("/sign-in", name="Odile Marsh", secret="wrong-pin")
    assert page.status_code == 401
    assert "is not right" in text_of(page)
    assert 'value="Odile Marsh"' in page.text
    assert "wrong-pin" not in page.text


def test_first_run_code_makes_the_first_reviewer(empty_site: Any) -> None:
    """The code printed at the start, a name and a PIN written twice let the first person in; a wrong code does not."""
    code = empty_site.people.first_run_code()
    with httpx.Client(base_url=empty_site.url, follow_redirects=True) as phone:
        page = phone.get("/")
        assert page.url.path == "/first-run"
        assert "Nobody can sign in yet" in page.text
        form = {"name": "Tam Okafor", "secret": "sage-1234", "again": "sage-1234"}
        assert phone.post("/first-run", data=form | {"code": "WRONGCODE2"}).status_code == 401
        page = phone.post("/first-run", data=form | {"code": code, "again": "sage-9999"})
        assert page.status_code == 422
        assert f'value="{code}"' in page.text
        page = phone.post("/first-run", data=form | {"code": code})
        assert page.url.path == "/"
        assert "signed in as Tam Okafor (reviewer)" in text_of(page)


def test_lot_is_started_moved_probed_checked_and_ended(site: Any, plain: Any) -> None:
    """The whole life of a lot with forms alone; a back-dated entry shows when it was written."""
    site.read(core_1=31, core_2=31)
    plain.sign_in("operator")
    plain.get("/lots/new")
    page = plain.send("/lots/new", product="juniper-links", lot="J-0412", probe=["core-1"], ago="")
    assert page.url.path == "/lots/J-0412"
    assert "J-0412 has started." in page.text
    assert "In it: core-1." in page.text
    site.wait(20)
    page = plain.send("/lots/J-0412/step", step="cook", ago="15")
    assert "J-0412 is in cook, at 08:05 (written at 08:20)." in page.text
    assert "written later" in page.text
    page = plain.send("/lots/J-0412/place", probe="core-2")
    assert "core-2 is in J-0412, at 08:20." in page.text
    page = plain.send("/lots/J-0412/remove", probe="core-2", reason="slipped")
    assert "core-2 is out of J-0412 (slipped)" in page.text
    page = plain.send("/lots/J-0412/check", place="core", value="61,5", unit="F", when="2026-03-02T08:19")
    assert "Hand check noted: core 61.5 °F, at 08:19" in page.text
    page = plain.send("/lots/J-0412/measure", name="nitrite_ppm", value="120")
    assert "Noted: ingoing nitrite, ppm 120" in page.text
    page = plain.send("/lots/J-0412/end", ago="")
    assert "The box is not ticked" in text_of(page)
    page = plain.send("/lots/J-0412/end", sure="yes")
    assert "J-0412 has ended" in page.text
    assert "J-0412 ended at" in text_of(page)


def test_refused_entry_keeps_what_was_typed(reader: Any) -> None:
    """A bad value is one sentence beside its form, and the form still holds it."""
    reader.sign_in("operator")
    reader.get("/lots/J-0412")
    page = reader.send("/lots/J-0412/check", place="chamber", value="warm", unit="C", ago="30")
    assert page.status_code == 422
    assert 'Temperature is "warm"; write a number such as 33.5, and its unit beside it.' in page.text.replace("&#34;", '"')
    assert 'value="warm"' in page.text
    assert '<option value="chamber" selected>' in page.text
    assert '<option value="C" selected>' in page.text
    assert '<option value="30" selected>' in page.text


def test_entry_taken_back_stays_visible(site: Any, plain: Any) -> None:
    """An undo is an entry too; what it took back is still there and says so."""
    plain.sign_in("operator")
    plain.get("/lots/new")
    plain.send("/lots/new", product="juniper-links", lot="J-0412")
    site.wait(5)
    page = plain.send("/lots/J-0412/step", step="cook")
    page = plain.send("/lots/J-0412/undo")
    assert "The entry is taken back" in page.text
    assert "taken back" in text_of(page)
    assert "took back the entry of 08:05" in text_of(page)
    assert "J-0412 is in grind" in text_of(page)


def test_same_form_sent_twice_is_one_entry(site: Any, plain: Any) -> None:
    """A phone that sends again after losing the answer makes no second entry; a corrected form is a new one."""
    plain.sign_in("operator")
    plain.get("/lots/new")
    plain.send("/lots/new", product="juniper-links", lot="J-0412")
    form = plain.hidden("/lots/J-0412/measure") | {"name": "pH", "value": "5.2"}
    plain.http.post("/lots/J-0412/measure", data=form)
    plain.http.post("/lots/J-0412/measure", data=form)
    plain.http.post("/lots/J-0412/measure", data=form | {"value": "5.3"})
    noted = [e["value"] for e in site.desk.lot("J-0412")["entries"] if e["event"] == "measure"]
    assert noted == ["5.2", "5.3"]


def test_form_of_another_site_changes_nothing(full_site: Any, reader: Any) -> None:
    """A form without this session's token is refused with a sentence."""
    reader.sign_in("operator")
    answer = reader.http.post("/lots/new", data={"product": "juniper-links", "lot": "J-0666", "form_token": "guess"})
    assert answer.status_code == 403
    assert "Nothing was done" in answer.text
    assert "J-0666" not in {one["lot"] for one in full_site.desk.lots()}


def test_inspector_reads_and_changes_nothing(reader: Any) -> None:
    """An inspector sees every page, is shown no form that changes a record, and is refused where one is made up."""
    reader.sign_in("inspector")
    for path in (
        "/",
        "/lots",
        "/lots/T-0301",
        "/lots/new",
        "/alarms",
        "/alarms/A1",
        "/deviations",
        "/deviations/D1",
        "/probes",
        "/days/2026-03-02",
    ):
        page = reader.get(path)
        assert page.status_code == 200, path
        assert set(re.findall(r'<form method="post" action="([^"]+)"', page.text)) == {"/look", "/sign-out"}, path
    form = {"form_token": re.findall(r'name="form_token" value="([^"]+)"', reader.page.text)[0]}
    answer = reader.http.post("/deviations/D1/actions", data=form | {"own": "Nothing at all."})
    assert answer.status_code == 403
    assert "only reads here" in answer.text


def test_question_is_answered_with_one_tap(site: Any, plain: Any) -> None:
    """After its hold the lot straddles; the first page asks, the answer moves it and has seen the alarm that asked."""
    site.cooked()
    plain.sign_in("operator")
    page = plain.get("/")
    assert "Has J-0412 gone from cook to chill ?" in text_of(page)
    page = plain.send("/lots/J-0412/step", ago="5")
    assert page.url.path == "/"
    assert "J-0412 is in chill" in page.text
    assert "Has J-0412 gone" not in text_of(page)
    assert not [a for a in site.desk.alarms() if a["key"].startswith("prompt/")]


def test_cooling_lot_says_what_is_due_and_what_it_reads(site: Any, plain: Any) -> None:
    """The first page leads with the sentence that the operator needs."""
    site.cooked()
    site.desk.step(site.hand(), "J-0412", "chill")
    site.run(40, 60, core_1=(147, 100), core_2=(147, 104))
    plain.sign_in("operator")
    told = text_of(plain.get("/"))
    assert re.search(r"stabilization : 80 °F is due in \d+ (min|h)", told), told
    assert re.search(r"core-2 reads 104\.0 °F , 0 s ago ; core-1 reads 100\.0 °F , 0 s ago", told), told
    assert "✓ met grind cold, lethality, come-up." in told


def test_missed_cooling_says_since_when_and_what_the_core_reads(site: Any, plain: Any) -> None:
    """The card and the lot's page say how late a mark is and how far above it the core is, before what went wrong in the grinder."""
    site.cooked()
    site.desk.step(site.hand(), "J-0412", "chill")
    site.run(110, 120, core_1=(147, 84), core_2=(147, 79))
    plain.sign_in("operator")
    told = text_of(plain.get("/"))
    assert re.search(r"stabilization : 80 °F is due in \d+ min.*?core-1 reads 84\.0 °F", told), "core-2, which is there, has 40 °F to reach"
    site.run(15, 60, core_1=(84, 82.4), core_2=(79, 75))
    for path in ("/", "/lots/J-0412"):
        told = text_of(plain.get(path))
        found = re.search(
            r"80 °F not reached by its deadline: it was due at (\d\d:\d\d) , (.+?) ago; core-1 reads 82\.4 °F , 2\.4 °F above it, 0 s ago",
            told,
        )
        assert found, told
        assert f"core-1: ✕ deviated 80 °F not reached by its deadline: it was due at {found[1]}" in told or path == "/"
        assert " short" not in told


def test_operating_deviation_of_a_past_step_is_short_and_last(site: Any, plain: Any) -> None:
    """While the lot is in its step it leads the card with its reason; afterwards it stands in a line behind what is judged now."""
    site.read(core_1=31)
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-0412")
    site.desk.place(site.hand(), "J-0412", "core-1")
    site.run(8, 120, core_1=(31, 38))
    plain.sign_in("operator")
    assert re.search(r"✕ deviated grind cold \(operating\): \S+ °F, with its uncertainty", text_of(plain.get("/lots")))
    site.desk.step(site.hand(), "J-0412", "cook")
    site.run(8, 120, core_1=(38, 60), house_air=(160, 160))
    told = text_of(plain.get("/lots"))
    assert re.search(r"come-up : .*?core-1 reads 60\.0 °F.*?✕ deviated earlier, operating: grind cold 08:\d\d \.", told), told
    assert "where at most 34 °F" not in told


def test_one_page_asks_the_judging_once(site: Any, plain: Any) -> None:
    """However much a page shows, all of it speaks of one report."""
    site.cooked()
    plain.sign_in("reviewer")
    pipeline, asked = site.service.pipeline, []
    report = pipeline.report
    pipeline.report = lambda: asked.append(1) or report()
    try:
        for path in ("/", "/lots", "/lots/J-0412", "/lots/new", "/probes", "/days/2026-03-02"):
            asked.clear()
            assert plain.get(path).status_code == 200
            assert len(asked) == 1, path
    finally:
        del pipeline.report


def test_asked_step_is_the_one_big_button(reader: Any) -> None:
    """The lot's page asks whether it is in chill: one big yes, and every other step folded behind a no."""
    reader.sign_in("operator")
    text = reader.get("/lots/J-0412").text
    form = re.search(r'<form method="post" action="/lots/J-0412/step">.*?</form>', text, re.DOTALL)
    assert form is not None
    asked, no, others = form[0].partition("<summary>No, still in cook, or elsewhere</summary>")
    assert no
    assert re.findall(r'<button name="step" value="([^"]+)"( class="big")?>([^<]+)', asked) == [
        ("chill", ' class="big"', "Yes, it is in chill")
    ]
    assert re.findall(r'<button name="step" value="([^"]+)"( class="big")?>([^<]+)', others) == [
        ("grind", "", "It is in grind"), ("cook", "", "No, still in cook"),
    ]  # fmt: skip


def test_every_page_has_its_sign_and_its_cautions(reader: Any) -> None:
    """The icon answers with no sign-in also where a browser guesses its address; the footer's first sentence is never folded."""
    icon = reader.http.get("/favicon.ico")
    assert icon.status_code == 200
    assert icon.headers["content-type"].startswith("image/svg+xml")
    assert icon.text.startswith("<svg")
    footer = reader.get("/sign-in").text.partition("<footer>")[2]
    before, folded, rest = footer.partition("<details")
    assert folded
    assert "This tool supports a HACCP plan and does not replace one." in before
    for caution in ("validated for your own products", "the inspector decide", "last calibration", "toxic in excess"):
        assert caution in rest


def test_page_never_says_safe(reader: Any) -> None:
    """A limit was met or it was not; no page words it otherwise."""
    reader.sign_in("reviewer")
    for path in ("/", "/lots", "/lots/J-0412", "/lots/T-0301", "/lots/new", "/alarms", "/deviations/D1", "/probes", "/days/2026-03-02"):
        assert not re.search(r"\bsafe", text_of(reader.get(path)), re.IGNORECASE), path


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


def test_source_of_a_limit_shows_how_it_was_verified(reader: Any) -> None:
    """A figure not read in the original is marked so on the lot's page, with who confirmed it."""
    reader.sign_in("operator")
    told = text_of(reader.get("/lots/J-0412"))
    assert "FSIS-GD-2021-14 (2021-12-14), p. 35" in told
    assert "read in the issuing body's own text (mark O)" in told.replace("&#39;", "'")
    assert "Figures of FSIS-GD-2021-13 FROM MEMORY, partly corroborated by something read (mark M+), confirmed by O. Marsh" in told
    assert "Confirmed by O. Marsh, 2026-01-12" in told


def test_figure_from_memory_is_told_on_every_page_that_shows_its_limit(site: Any, plain: Any) -> None:
    """First page, lot, alarm and deviation; a limit whose figures were read in the original has no such words."""
    site.cooked()
    site.desk.step(site.hand(), "J-0412", "chill")
    site.run(40, 60, core_1=(147, 100), core_2=(147, 104))
    plain.sign_in("operator")
    short = "figures FROM MEMORY, partly corroborated by something read (mark M+), confirmed"
    whole = "Figures of FSIS-GD-2021-13 FROM MEMORY, partly corroborated by something read (mark M+), confirmed by O. Marsh"
    told = text_of(plain.get("/"))
    assert told.count(short) == 1, "the cooling's, while it is judged"
    site.run(100, 60, core_1=(100, 90), core_2=(104, 91))
    told = text_of(plain.get("/"))
    assert short in told
    assert whole in told, "beside the alarm's limit"
    assert told.count("figures ") == 1, "the lethality rows were read in the original"
    alarm = next(a for a in site.desk.alarms() if "stabilization" in a["what"])
    assert alarm["doubt"].startswith(whole), "as the API gives it"
    assert whole in text_of(plain.get(f"/alarms/{alarm['id']}"))
    link = make_link(link_key(site.service.config.data / "keys"), alarm["id"], "Odile Marsh", site.clock())
    assert whole in text_of(plain.get(f"/a/{link}")), "behind the link of the message, too"
    record = text_of(plain.get("/deviations/D1"))
    assert "FROM MEMORY, partly corroborated by something read (mark M+)" in record
    assert "confirmed by O. Marsh" in record
    (cooling,) = [one for one in site.desk.lot("J-0412")["limits"] if one["limit"] == "stabilization"]
    assert {s["mark"] for s in cooling["sources"]} == {"M+", "S"}


def test_same_as_last_time_places_the_same_probes(site: Any, plain: Any) -> None:
    """One tap starts the product's next lot with the probes of its last."""
    site.cooked()
    site.desk.end(site.hand(), "J-0412")
    plain.sign_in("operator")
    plain.get("/lots/new")
    page = plain.send("/lots/new")
    assert "In it: core-1, core-2." in text_of(page)


def test_unknown_things_get_a_sentence(reader: Any) -> None:
    """A lot, alarm, deviation or day that is none is told in words, as a page."""
    reader.sign_in("operator")
    for path, words in {
        "/lots/X": 'There is no lot "X"',
        "/alarms/A99": "A99",
        "/deviations/D99": 'There is no deviation "D99"',
        "/days/someday": "write a date such as",
    }.items():
        page = reader.get(path)
        assert page.status_code in (404, 422), path
        assert words in text_of(page).replace("&#34;", '"'), path


def test_page_is_small_and_asks_nobody_else(reader: Any) -> None:
    """The first load stays under 60 kB and every address in it is our own; nothing is inline."""
    reader.sign_in("operator")
    page = reader.get("/")
    assets = re.findall(r'(?:src|href)="(/static/[^"]+)"', page.text)
    assert len(assets) == 4
    size = len(page.content) + sum(len(reader.http.get(asset).content) for asset in assets)
    assert size < 60_000
    for path in ("/", "/lots/J-0412", "/lots/J-0412/picture", "/deviations/D1"):
        text = reader.get(path).text
        assert not re.search(r'(?:src|href|action)="(?:https?:)?//', text), path
        assert not re.search(r"\sstyle=|<style|\son\w+=|<script(?! src)", text), path


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


def test_running_lot_is_not_released(site: Any, plain: Any) -> None:
    """What is still being judged cannot be signed away."""
    site.read(core_1=31)
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-0412")
    with pytest.raises(RefusedError, match="it has not ended"):
        site.desk.release(site.hand("reviewer"), "J-0412")


def test_receipt_taken_back_stays_visible(site: Any, plain: Any) -> None:
    """What was received is an entry of the ledger; taken back with its reason, both are there."""
    site.read(core_1=31)
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-0412")
    site.wait(60)
    plain.sign_in("operator")
    plain.get("/lots/J-0412")
    came = {"material": "Pork trim", "supplier": "Alder Farm (invented)", "supplier_lot": "A-9", "unit": "F", "ago": "45"}
    page = plain.send("/lots/J-0412/receive", **came, temperature="44", weight_kg="30", accepted="no")
    assert "write why it was not accepted" in text_of(page)
    page = plain.send("/lots/J-0412/receive", **came, temperature="44", weight_kg="30", accepted="no", note="Too warm, sent back.")
    assert "Not taken in: Pork trim from Alder Farm (invented), lot A-9 : 44 °F, 30 kg" in text_of(page)
    assert "Written later, at 09:00 ." in text_of(page)
    page = plain.send("/lots/J-0412/withdraw", why="Wrong label read.")
    assert "Taken back: Wrong label read." in text_of(page)
    with site.service.store.read() as conn:
        kept = [(e.body["what"], e.body.get("late_s")) for e in ledger.entries(conn, kind="receipt")]
    assert kept == [("refused", 45 * 60), ("withdrawn", None)]


def test_files_and_charts_come_packed_and_are_the_same(reader: Any) -> None:
    """Who takes gzip gets it, who does not gets the same plain; a page with its token is never packed."""
    reader.sign_in("operator")
    page = reader.get("/lots/J-0412")
    assert "Content-Encoding" not in page.headers
    chart = "/api/v1/lots/J-0412/chart.svg?width=360"
    for path in (*re.findall(r'href="(/static/[^"]+[.]css)"', page.text), chart):
        told = [reader.http.get(path, headers={"Accept-Encoding": way}) for way in ("gzip", "identity")]
        assert [one.headers.get("Content-Encoding") for one in told] == ["gzip", None], path
        assert told[0].content == told[1].content, path
        assert int(told[0].headers["Content-Length"]) < int(told[1].headers["Content-Length"]) / 2, path
    again = reader.http.get(chart, headers={"If-None-Match": reader.http.get(chart).headers["ETag"]})
    assert again.status_code == 304


def test_chart_of_a_running_lot_shows_where_it_is_heading(site: Any, plain: Any) -> None:
    """While the core cools towards its mark the picture goes on past now; when nothing fresh is read it does not."""
    site.cooked()
    site.desk.step(site.hand(), "J-0412", "chill")
    begins = site.clock()
    for minute in range(1, 41):  # an approach to the cooler's 38 °F, reading by reading
        core = 38 + 108 * math.exp(-minute / 60)
        site.clock.now = begins + minute * MINUTE
        site.read(core_1=core, core_2=core + 1, cooler_air=38.0)
    assert site.desk.lot("J-0412")["forecasts"], "there is a forecast"
    plain.sign_in("operator")
    chart = "/api/v1/lots/J-0412/chart.svg?width=360"
    assert "expected, not measured" in plain.get(chart).text
    site.wait(10)
    assert "expected, not measured" not in plain.get(chart).text
