"""A lot on the page without JavaScript: started, moved, probed, asked about and ended."""

from __future__ import annotations

import math
import re
from typing import Any

from monitor import ledger
from rules.reading import MINUTE
from tests.monitor.page.plain_text import text_of


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


def test_same_as_last_time_places_the_same_probes(site: Any, plain: Any) -> None:
    """One tap starts the product's next lot with the probes of its last."""
    site.cooked()
    site.desk.end(site.hand(), "J-0412")
    plain.sign_in("operator")
    plain.get("/lots/new")
    page = plain.send("/lots/new")
    assert "In it: core-1, core-2." in text_of(page)


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
