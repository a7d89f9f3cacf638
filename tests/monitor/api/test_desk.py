"""The desk: entries become records once, refused ones change nothing, and what people are shown agrees with them."""

from __future__ import annotations

import asyncio
import re

import pytest

from monitor import ledger, lot_results
from monitor.alarms.causes import Cause
from monitor.check_desk import ProbeCheck
from monitor.errors import InputError, KeyReuseError, NotClosable, NotFoundError, RefusedError
from monitor.links import make_link
from monitor.once import Key
from rules.errors import EventError
from rules.quantity import format_instant
from rules.reading import HOUR, MINUTE, SECOND

ANSWERS = {
    "cause": "The rack stood on the counter.",
    "removed": "Back in the cold.",
    "restored": "Re-chilled.",
    "reading": "core-1 read 33 °F at 14:00.",
    "prevention": "A timer.",
    "disposition": "destroyed",
    "quantity": "18 kg",
    "reason": "The limit was not met.",
}


def test_started_lot_is_shown_in_its_first_step(site):
    """A lot just started stands in its product's first step and is open."""
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    shown = site.desk.lot("J-1")
    assert (shown["step"], shown["verdict"], shown["ended"]) == ("grind", "open", None)
    assert shown["entries"][0]["by"] == "Odile Marsh"


def test_blank_lot_gets_an_id_of_product_and_day_and_the_second_another(site):
    """Two lots of one product on one day get two ids."""
    first = site.desk.start_lot(site.hand(), "juniper-links")["lot"]
    second = site.desk.start_lot(site.hand(), "juniper-links")["lot"]
    assert (first, second) == ("JL-260302", "JL-260302-2")


def test_same_as_last_time_places_the_probes_of_the_last_lot(site):
    """The probes that served the product's last lot are placed again."""
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    site.desk.place(site.hand(), "J-1", "core-1")
    site.desk.place(site.hand(), "J-1", "core-2")
    site.clock.pass_(HOUR)
    site.desk.end(site.hand(), "J-1")
    site.clock.pass_(HOUR)
    answer = site.desk.start_lot(site.hand(), "juniper-links", same_as_last=True)
    assert (answer["same_as_last"], answer["placed"], answer["notes"]) == ("J-1", ["core-1", "core-2"], [])
    assert set(site.desk.lot(answer["lot"])["placed"]) == {"core-1", "core-2"}


def test_same_as_last_time_tells_which_probe_is_still_elsewhere(site):
    """A probe that is still in the last lot is not placed, and the answer says so; the lot is started all the same."""
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    site.desk.place(site.hand(), "J-1", "core-1")
    site.clock.pass_(HOUR)
    answer = site.desk.start_lot(site.hand(), "juniper-links", lot="J-2", same_as_last=True)
    assert answer["placed"] == []
    assert "core-1" in answer["notes"][0]
    assert "J-1" in answer["notes"][0]
    assert site.desk.lot("J-2")["started"] is not None


def test_back_dated_entry_shows_when_it_was_written(site):
    """An entry for an earlier instant carries both instants."""
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    site.clock.pass_(HOUR)
    moved = site.clock() - 20 * MINUTE
    answer = site.desk.step(site.hand(), "J-1", "rest", at=moved)
    assert answer["at"] == format_instant(moved)
    assert answer["entered"] == format_instant(site.clock())


def test_entry_for_a_time_to_come_is_refused(site):
    """Nobody can write down what has not happened."""
    with pytest.raises(InputError, match="still to come"):
        site.desk.start_lot(site.hand(), "juniper-links", lot="J-1", at=site.clock() + HOUR)
    assert site.desk.lots() == []


def test_undone_entry_stays_visible_and_no_longer_counts(site):
    """After an undo the placement is marked, and the probe is free."""
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    site.clock.pass_(MINUTE)
    placed = site.desk.place(site.hand(), "J-1", "core-1")
    site.clock.pass_(MINUTE)
    site.desk.undo(site.hand(), "J-1", site.clock() - MINUTE)
    shown = site.desk.lot("J-1")
    assert [e["undone"] for e in shown["entries"] if e["at"] == placed["at"]] == [True]
    assert shown["placed"] == {}
    assert "core-1" in shown["free_probes"]


def test_two_entries_of_one_minute_can_be_undone_apart(site):
    """Back-dated entries written for the same minute stand at different instants."""
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    site.clock.pass_(HOUR)
    minute = site.clock() - 30 * MINUTE
    first = site.desk.place(site.hand(), "J-1", "core-1", at=minute)
    second = site.desk.place(site.hand(), "J-1", "core-2", at=minute)
    assert first["at"] != second["at"]


def test_engine_refusal_leaves_no_entry(site):
    """What the judging refuses is neither stored nor recorded."""
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    with pytest.raises(EventError):
        site.desk.remove(site.hand(), "J-1", "core-1", "done")
    assert [e["event"] for e in site.desk.lot("J-1")["entries"]] == ["start"]
    with site.store.read() as conn:
        assert sum(1 for e in ledger.entries(conn) if e.kind == "event") == 1


def test_same_key_and_request_is_done_once(site):
    """A request sent twice with one key starts one lot and gets one answer."""
    key = Key("k1", "same")
    first = site.desk.start_lot(site.hand(key=key), "juniper-links")
    again = site.desk.start_lot(site.hand(key=key), "juniper-links")
    assert first == again
    assert len(site.desk.lots()) == 1


def test_same_key_with_another_request_is_refused(site):
    """A key that comes back with something else changes nothing."""
    site.desk.start_lot(site.hand(key=Key("k1", "one")), "juniper-links")
    with pytest.raises(KeyReuseError, match="k1"):
        site.desk.start_lot(site.hand(key=Key("k1", "two")), "juniper-links")
    assert len(site.desk.lots()) == 1


def test_keys_of_two_people_do_not_meet(site):
    """The same key by another person is another request."""
    site.desk.start_lot(site.hand(key=Key("k1", "one")), "juniper-links")
    site.desk.start_lot(site.hand("reviewer", key=Key("k1", "two")), "juniper-links")
    assert len(site.desk.lots()) == 2


def test_retry_of_same_as_last_time_gets_the_whole_first_answer(site):
    """The answer kept for a lot started like the last one names the probes placed."""
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    site.desk.place(site.hand(), "J-1", "core-1")
    site.clock.pass_(HOUR)
    site.desk.end(site.hand(), "J-1")
    site.clock.pass_(HOUR)
    key = Key("k2", "same")
    first = site.desk.start_lot(site.hand(key=key), "juniper-links", same_as_last=True)
    assert site.desk.start_lot(site.hand(key=key), "juniper-links", same_as_last=True) == first
    assert first["placed"] == ["core-1"]


def test_inspector_makes_no_entries(site):
    """The desk itself refuses an inspector's hand, whatever route it came by."""
    with pytest.raises(RefusedError, match="only reads"):
        site.desk.start_lot(site.hand("inspector"), "juniper-links")


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda d, h: d.start_lot(h, "goose-links"), 'product is "goose-links"; this plan has juniper-links'),
        (lambda d, h: d.start_lot(h, "juniper-links", lot="../x"), "write up to 40 letters"),
        (lambda d, h: d.step(h, "J-1", "smoke"), 'step is "smoke"; juniper-links has grind, rest'),
        (lambda d, h: d.place(h, "J-1", "house-air"), "core probes of this plan are core-1, core-2"),
        (lambda d, h: d.remove(h, "J-1", "core-1", "lost"), "write one of moved, slipped, failed, done"),
        (lambda d, h: d.check(h, "J-1", "attic", "34 °F"), "write one of core, chamber"),
        (lambda d, h: d.check(h, "J-1", "core", "999 °F"), "which no handheld reads"),
        (lambda d, h: d.measure(h, "J-1", "pH", "sour"), "write the number that was measured"),
        (lambda d, h: d.calibrate(h, ProbeCheck("core-9", "ice-point", 0.1)), 'probe is "core-9"'),
        (lambda d, h: d.calibrate(h, ProbeCheck("core-1", "guess", 0.1)), "write one of ice-point"),
    ],
)
def test_bad_entry_gets_one_sentence(site, call, words):
    """Each mistake names the value and what to write, and nothing is stored."""
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    with pytest.raises(InputError) as caught:
        call(site.desk, site.hand())
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert len(site.desk.lot("J-1")["entries"]) == 1


def test_unknown_lot_is_not_found(site):
    """An entry for a lot that does not exist says so."""
    with pytest.raises(NotFoundError, match="J-9"):
        site.desk.end(site.hand(), "J-9")


def spoil(site) -> None:
    """A lot whose grind is read above its limit."""
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    site.desk.place(site.hand(), "J-1", "core-1")
    for fahrenheit in (38, 50):
        site.clock.pass_(MINUTE)
        site.read("core-1", fahrenheit)


def test_deviation_needs_somebody_until_it_is_closed(site):
    """A broken limit asks for its alarm and its record; both gone, nobody is needed."""
    spoil(site)
    kinds = [one["kind"] for one in site.desk.now_view()["needs"]]
    assert kinds[:2] == ["alarm", "deviation"]
    with pytest.raises(NotClosable):
        site.desk.close_deviation(site.hand(), ["D1"], {"cause": "Left out."})
    site.desk.close_deviation(site.hand(), ["D1"], ANSWERS)
    waiting = site.desk.now_view()["needs"]
    assert any(one["kind"] == "deviation" and "Tam Okafor" in one["text"] for one in waiting)
    site.desk.review_deviation(site.hand("reviewer"), ["D1"])
    assert [one["kind"] for one in site.desk.now_view()["needs"] if one["kind"] in ("alarm", "deviation")] == []


def test_acknowledged_alarm_no_longer_asks(site):
    """Acknowledging takes the alarm from what needs somebody; the deviation stays."""
    spoil(site)
    (alarm,) = site.desk.alarms()
    done = site.desk.acknowledge(site.hand(), alarm["id"], "On it.")
    assert (done["acknowledged_by"], done["unacknowledged"]) == ("Odile Marsh", False)
    assert [one["kind"] for one in site.desk.now_view()["needs"]] == ["deviation"]


def test_day_with_an_open_deviation_cannot_be_signed(site):
    """The review is refused with what is still to be done, and accepted afterwards."""
    spoil(site)
    with pytest.raises(RefusedError, match=r"D1 of lot J-1 is not closed"):
        site.desk.review_day(site.hand("reviewer"), "2026-03-02")
    site.desk.close_deviation(site.hand(), ["D1"], ANSWERS)
    site.desk.review_deviation(site.hand("reviewer"), ["D1"])
    signed = site.desk.review_day(site.hand("reviewer"), "2026-03-02", "Read it all.")
    assert (signed["by"], signed["own_records"]) == ("Tam Okafor", True)
    shown = site.desk.day("2026-03-02")
    assert (shown["since_review"], shown["open_matters"], [one["lot"] for one in shown["lots"]]) == (0, [], ["J-1"])


def test_records_after_the_review_are_counted(site):
    """What is entered after the signature shows as not reviewed."""
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    signed = site.desk.review_day(site.hand("reviewer"), "2026-03-02")
    assert signed["own_records"] is False
    site.clock.pass_(MINUTE)
    site.desk.step(site.hand(), "J-1", "rest")
    assert site.desk.day("2026-03-02")["since_review"] == 1


def test_operator_does_not_sign_the_day(site):
    """Only a reviewer signs."""
    with pytest.raises(RefusedError, match="not a reviewer"):
        site.desk.review_day(site.hand(), "2026-03-02")


def test_day_that_has_not_begun_is_not_signed(site):
    """Tomorrow cannot be reviewed."""
    with pytest.raises(InputError, match="has not begun"):
        site.desk.review_day(site.hand("reviewer"), "2026-03-03")


def test_yesterday_waits_for_its_review(site):
    """A day with lots and no signature asks for one on the next."""
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    site.clock.pass_(24 * HOUR)
    assert [one["id"] for one in site.desk.now_view()["needs"] if one["kind"] == "review"] == ["2026-03-02"]


def test_probes_tell_their_health(site):
    """Heard just now, silent, never heard: each is told apart."""
    site.read("core-1", 38)
    site.clock.pass_(90 * SECOND)
    site.read("core-2", 38)
    site.clock.pass_(60 * SECOND)
    health = {one["probe"]: one["health"] for one in site.desk.probes()}
    assert health == {"core-1": "silent", "core-2": "good", "house-air": "never heard"}
    assert site.desk.newest_age_s() == 60.0


def test_calibration_is_recorded_with_its_error(site):
    """A check gives the error, a ledger entry, and shows beside its probe."""
    made = site.desk.calibrate(site.hand(), ProbeCheck("core-1", "ice-point", 0.25, comment="Crushed ice."))
    assert made["error_c"] == 0.25
    with site.store.read() as conn:
        assert [e.by for e in ledger.entries(conn, kind="calibration")] == ["Odile Marsh"]
    shown = next(one for one in site.desk.probes() if one["probe"] == "core-1")["checked"]
    assert shown.items() >= made.items()


def test_chart_draws_the_lot(site):
    """The chart of a lot with readings is SVG that names the lot."""
    spoil(site)
    assert site.desk.chart("J-1").startswith("<svg")
    assert "J-1" in site.desk.chart("J-1")


def test_chart_is_made_for_the_width_that_is_asked(site):
    """A wide chart has a wider box and its letters keep their size, so that it is no blown-up small one."""
    spoil(site)
    small, wide = site.desk.chart("J-1"), site.desk.chart("J-1", 1200)
    assert 'viewBox="0 0 360 ' in small
    assert 'viewBox="0 0 1200 ' in wide
    assert set(re.findall(r'font-size="([^"]+)"', small)) == set(re.findall(r'font-size="([^"]+)"', wide))


def test_still_desk_makes_one_report_for_all_that_is_asked(site):
    """However many views a page asks for, the lots are reported once; the next page reports them anew."""
    spoil(site)
    asked = []
    report = site.pipeline.report
    site.pipeline.report = lambda: asked.append(1) or report()
    try:
        still = site.desk.still()
        still.now_view(), still.lots(), still.probes(), still.lot("J-1"), still.day("2026-03-02"), still.still().counts()
        assert len(asked) == 1
        site.desk.now_view()
        assert len(asked) == 2
    finally:
        del site.pipeline.report


def test_lot_the_engine_has_let_go_of_is_shown_as_it_was_kept(site):
    """An old lot keeps its verdict, its limits and its chart."""
    spoil(site)
    site.clock.pass_(MINUTE)
    site.desk.end(site.hand(), "J-1")
    (result,) = site.pipeline.report()["lots"]
    site.writer.submit(lambda conn: lot_results.keep(conn, result, site.clock())).result(10)
    before, chart = site.desk.lot("J-1"), site.desk.chart("J-1")
    del site.pipeline.engine.lots["J-1"]
    assert site.desk.lot("J-1") == before
    assert site.desk.chart("J-1") == chart
    assert [one["verdict"] for one in site.desk.lots()] == ["deviated"]
    assert [one["verdict"] for one in site.desk.day("2026-03-02")["lots"]] == ["deviated"]


def test_lot_of_which_nothing_was_kept_claims_no_verdict_but_unproven(site):
    """Without its result an old lot is not shown as met, and says where to look."""
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-1")
    site.clock.pass_(MINUTE)
    site.desk.end(site.hand(), "J-1")
    del site.pipeline.engine.lots["J-1"]
    shown = site.desk.lot("J-1")
    assert shown["verdict"] == "unproven"
    assert "larderer judge" in shown["summary"]


def test_alarm_is_out_of_service_until_somebody_returns_it(site):
    """With a name and a reason, shown as such; it rings as new if it still stands; one of a critical limit is refused."""
    spoil(site)
    (critical,) = site.desk.alarms()
    with pytest.raises(RefusedError, match=r"A1 is critical, and no maintenance silences it"):
        site.desk.out_of_service(site.hand(), critical["id"], "The evaporator is being changed.")
    cause = Cause("source/bus", "source bus is gone", "probes", site.clock(), "It does not answer.", "high")
    number = site.writer.submit(lambda conn: site.pipeline.alarms.raise_(conn, cause, site.clock())).result(10)
    with pytest.raises(InputError, match="reason"):
        site.desk.out_of_service(site.hand(), f"A{number}", "  ")
    out = site.desk.out_of_service(site.hand(), f"A{number}", "The evaporator is being changed.")
    assert (out["letter"], out["hidden"]["by"], out["hidden"]["until"]) == ("I", "Odile Marsh", None)
    assert site.desk.in_service(site.hand(), f"A{number}")["letter"] == "B"


def test_no_lockout_blocks_an_acknowledgement(site):
    """While the sign-in of a person has to wait after wrong PINs, the link in that person's message acknowledges at once."""
    spoil(site)
    link = make_link(site.link_secret, "A1", "Odile Marsh", site.clock())

    async def run():
        client = site.client()
        wrong = {"name": "Odile Marsh", "secret": "000000"}
        statuses = [(await client.post("/api/v1/session", json=wrong)).status_code for _ in range(20)]
        return statuses, await client.post(f"/api/v1/acknowledge/{link}", json={"comment": "coming"})

    statuses, answer = asyncio.run(run())
    assert statuses[-1] == 429, "the sign-in does wait"
    assert answer.status_code == 200
    assert answer.json()["acknowledged_by"] == "Odile Marsh"
