"""The page as a browser without JavaScript sees it: the door, refusals, what every page carries."""

from __future__ import annotations

import re
from typing import Any

import httpx

from monitor.links import link_key, make_link
from tests.monitor.page.plain_text import text_of


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
