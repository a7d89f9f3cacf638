"""What people do with a lot, by thumb, in a real headless Chromium of phone size, with and without JavaScript."""

from __future__ import annotations

import json
from collections.abc import Iterator
from itertools import count
from typing import Any

import pytest
from selenium.webdriver.common.by import By

from monitor.links import link_key, make_link
from rules.quantity import local
from rules.reading import HOUR
from tests.monitor.page.conftest import Plain
from tests.monitor.page.plain_text import ANSWERS
from tests.monitor.page.thumb import Phone, until

_NUMBERS = count(501)
#: What a record also asks where the plan foresaw no action.
_UNFORESEEN = {"acceptability": "Looked through.", "reassessment": "No.", "trained": "Tam Okafor"}

#: A first load over bad Wi-Fi: everything that the browser fetches before a hand has touched anything.
FIRST_LOAD = 60_000


@pytest.fixture
def lot(shop: Any) -> Iterator[str]:
    """The number of a lot that no other test of this file touches.

    Afterwards it is ended, its alarms are seen and its records closed, so that the next test finds its probes free and a quiet page.
    """
    number = f"L-{next(_NUMBERS)}"
    yield number
    for one in shop.desk.lots():
        if one["ended"] is None:
            shop.desk.end(shop.hand(), one["lot"])
    for alarm in shop.desk.alarms():
        if alarm["unacknowledged"]:
            shop.desk.acknowledge(shop.hand(), alarm["id"], "")
    if left := [one["id"] for one in shop.desk.deviations() if one["state"] == "open"]:
        shop.desk.close_deviation(shop.hand(), left, ANSWERS | _UNFORESEEN)
    if left := [one["id"] for one in shop.desk.deviations() if one["state"] == "answered"]:
        shop.desk.review_deviation(shop.hand("reviewer"), left)
    shop.wait(1)


def started(site: Any, lot: str, *probes: str) -> None:
    """A lot of juniper links with these probes in it."""
    site.read(core_1=31, core_2=31)
    site.desk.start_lot(site.hand(), "juniper-links", lot=lot)
    for probe in probes:
        site.desk.place(site.hand(), lot, probe)


def entries(site: Any, event: str, lot: str) -> list[dict[str, Any]]:
    return [e for e in site.desk.lot(lot)["entries"] if e["event"] == event]


def clock(site: Any) -> str:
    """The site's time of day, as its pages write it."""
    return f"{local(site.clock(), site.desk.plan.site.zone):%H:%M}"


def alarm_of(site: Any, lot: str) -> str:
    return next(str(a["id"]) for a in site.desk.alarms() if a["lot"] == lot and a["unacknowledged"])


def record_of(site: Any, lot: str) -> str:
    return next(str(d["id"]) for d in site.desk.deviations() if lot in d["affected"])


def test_lot_is_started_with_everything_chosen(shop: Any, screen: Any, lot: str) -> None:
    """What it is, its number and its probe, from the first page."""
    shop.read(core_3=37)
    phone = Phone(screen, shop)
    phone.sign_in("Odile Marsh")
    phone.tap("Start a lot", "a")
    phone.tap("Sage turkey links", ".sheet label")
    phone.write("lot", lot)
    phone.tap("core-3", "label")
    phone.tap("Start it")
    phone.says(f"{lot} has started.")
    phone.says("In it: core-3.")
    assert (shop.desk.lot(lot)["product"], list(shop.desk.lot(lot)["placed"])) == ("sage-turkey", ["core-3"])


def test_lot_like_last_time_starts_in_two_taps(shop: Any, screen: Any, lot: str) -> None:
    """From the first page: start a lot, same as last time; its probes are in it again."""
    started(shop, lot, "core-1", "core-2")
    shop.desk.end(shop.hand(), lot)
    shop.wait(10)
    shop.read(core_1=31, core_2=31)
    before = {one["lot"] for one in shop.desk.lots()}
    phone = Phone(screen, shop)
    phone.sign_in("Odile Marsh")
    phone.tap("Start a lot", "a")
    phone.tap("Juniper venison-and-pork links, same as last time")
    assert phone.taps == 2
    phone.says("In it: core-1, core-2.")
    (newest,) = {one["lot"] for one in shop.desk.lots()} - before
    assert sorted(shop.desk.lot(newest)["placed"]) == ["core-1", "core-2"]


def test_probe_goes_in_and_comes_out_in_three_taps_each(shop: Any, screen: Any, lot: str) -> None:
    """From the first page: the lot, put a probe in, which. And the lot, take it out, why."""
    started(shop, lot, "core-2")
    phone = Phone(screen, shop)
    phone.sign_in("Odile Marsh")
    phone.tap(lot, "h3 a")
    phone.tap("Put a probe in", "summary")
    phone.tap("core-1")
    assert phone.taps == 3
    phone.says(f"core-1 is in {lot}")
    assert sorted(shop.desk.lot(lot)["placed"]) == ["core-1", "core-2"]
    shop.wait(2)
    phone.open("/")
    phone.tap(lot, "h3 a")
    phone.tap("Take core-1 out", "summary")
    phone.tap("it slipped out")
    assert phone.taps == 6
    phone.says(f"core-1 is out of {lot} (slipped)")
    assert [(e["name"], e["value"]) for e in entries(shop, "remove", lot)] == [("core-1", "slipped")]
    assert list(shop.desk.lot(lot)["placed"]) == ["core-2"]


def test_probe_moved_to_another_link_in_three_taps(shop: Any, screen: Any, lot: str) -> None:
    """From the first page: the lot, the probe, that it went to another link; it is in the lot again, and the record shows both."""
    started(shop, lot, "core-1")
    shop.wait(5)
    phone = Phone(screen, shop)
    phone.sign_in("Odile Marsh")
    phone.tap(lot, "h3 a")
    phone.tap("Take core-1 out", "summary")
    phone.tap("moved to another link of this lot")
    assert phone.taps == 3
    phone.says(f"core-1 is out of {lot} (moved)")
    phone.says(f"core-1 is in another link of {lot}")
    assert [(e["name"], e["value"]) for e in entries(shop, "remove", lot)] == [("core-1", "moved")]
    assert [e["name"] for e in entries(shop, "place", lot)] == ["core-1", "core-1"]
    assert list(shop.desk.lot(lot)["placed"]) == ["core-1"]


def test_automatic_advance_is_confirmed_in_one_tap(shop: Any, screen: Any, lot: str) -> None:
    """The page asks whether the lot has gone on; one tap answers, and the question is gone."""
    shop.cooked(lot)
    phone = Phone(screen, shop)
    phone.sign_in("Odile Marsh")
    phone.says(f"Has {lot} gone from cook to chill?")
    phone.tap("Yes, just now")
    assert phone.taps == 1
    phone.says(f"{lot} is in chill")
    assert "gone from cook" not in phone.text()
    assert shop.desk.lot(lot)["awaits"] == ""


def test_hand_check_is_noted_and_a_step_made_as_it_happens(shop: Any, screen: Any, lot: str) -> None:
    """What is no temperature is told in a sentence with what was typed kept; the number and the step are then on record."""
    started(shop, lot, "core-1")
    shop.wait(5)
    phone = Phone(screen, shop)
    phone.sign_in("Odile Marsh")
    phone.open(f"/lots/{lot}")
    phone.tap("Hand check", "summary")
    phone.write("check-value", "cold")
    phone.tap("Note it")
    phone.says('Temperature is "cold"; write a number such as 33.5')
    field = screen.find_element(By.ID, "check-value")
    assert field.get_attribute("value") == "cold"
    field.clear()
    phone.write("check-value", "32,5")
    phone.tap("Note it")
    phone.says("Hand check noted: core 32.5 °F")
    assert [(e["name"], e["by"]) for e in entries(shop, "check", lot)] == [("core", "Odile Marsh")]
    phone.tap("Move it on to cook", "summary")
    phone.tap("It is in cook")
    phone.says(f"{lot} is in cook, at {clock(shop)}")
    assert shop.desk.lot(lot)["step"] == "cook"


def test_entry_is_written_later_and_one_is_taken_back(shop: Any, screen: Any, lot: str) -> None:
    """A step of a quarter of an hour ago says when it was written; taken back, both stay to be seen."""
    started(shop, lot, "core-1")
    shop.wait(15)
    then = clock(shop)
    shop.wait(15)
    now = clock(shop)
    phone = Phone(screen, shop)
    phone.sign_in("Odile Marsh")
    phone.open(f"/lots/{lot}")
    phone.tap("Move it on to cook", "summary")
    phone.tap("15 min ago", "#step-ago option")
    phone.tap("It is in cook")
    phone.says(f"{lot} is in cook, at {then} (written at {now})")
    phone.says(f"written later, at {now}")
    phone.tap("Take it back", "summary")
    phone.tap(f"Take back “{then}")
    phone.says("The entry is taken back. Both stay on record.")
    phone.says(f"took back the entry of {then}")
    assert [e["undone"] for e in entries(shop, "step", lot)] == [True]
    assert shop.desk.lot(lot)["step"] == "grind"


def test_meat_received_is_written_down_once_and_remembered(shop: Any, screen: Any, lot: str) -> None:
    """Supplier's lot, temperature and weight are on the lot's page and in the ledger; the next lot knows the supplier."""
    started(shop, lot)
    phone = Phone(screen, shop)
    phone.sign_in("Odile Marsh")
    phone.open(f"/lots/{lot}")
    phone.tap("Meat or spice received", "summary")
    for name, text in {
        "material": "Venison trim",
        "supplier": f"Hollow Beck Game {lot} (invented)",
        "lot": "HB-77",
        "weight": "41,5",
    }.items():
        screen.find_element(By.ID, f"receive-{name}").clear()  # the last lot's supplier may stand there
        phone.write(f"receive-{name}", text)
    phone.write("receive-temperature", "lukewarm")
    phone.tap("Write it down")
    phone.says('Temperature is "lukewarm"; write a number such as 33.5')
    field = screen.find_element(By.ID, "receive-temperature")
    assert screen.find_element(By.ID, "receive-lot").get_attribute("value") == "HB-77"
    field.clear()
    phone.write("receive-temperature", "36.5")
    phone.tap("Write it down")
    phone.says(f"Received: Venison trim of Hollow Beck Game {lot} (invented), lot HB-77, 36.5 °F, 41.5 kg.")
    phone.says("What was received for it")
    assert [(r["supplier_lot"], r["by"]) for r in shop.desk.papers(lot)["receipts"]] == [("HB-77", "Odile Marsh")]
    shop.desk.start_lot(shop.hand(), "juniper-links", lot=f"{lot}-next")
    phone.open(f"/lots/{lot}-next")
    phone.tap("Meat or spice received", "summary")
    assert screen.find_element(By.ID, "receive-supplier").get_attribute("value") == f"Hollow Beck Game {lot} (invented)"


def test_hold_tag_and_corrective_action_by_thumb(shop: Any, screen: Any, lot: str) -> None:
    """From the lot its tag to print, then the record: what was done is picked from the plan's list."""
    shop.too_warm(lot)
    phone = Phone(screen, shop)
    phone.sign_in("Odile Marsh")
    phone.open(f"/lots/{lot}")
    phone.tap("Print its hold tag", "a")
    phone.says("ON HOLD")
    phone.says(record_of(shop, lot))
    assert screen.find_element(By.CSS_SELECTOR, ".tag-lot").text == lot
    phone.tap(f"Back to {lot}", "a")
    phone.tap(f"Deviation {record_of(shop, lot)} is not closed", "a")
    phone.tap("Put it into the cooler.")
    phone.says("(from the plan)")
    actions = shop.desk.deviation(record_of(shop, lot))["actions"]
    assert [(a["text"], a["by"]) for a in actions] == [("Put it into the cooler.", "Odile Marsh")]
    phone.tap(f"Close {record_of(shop, lot)}")
    phone.says("It cannot be closed yet:")
    for name, text in ANSWERS.items():
        if name == "disposition":
            phone.tap(text, "label")
        else:
            phone.write(name, text)
    phone.tap(f"Close {record_of(shop, lot)}")
    phone.says("It waits for the review of Tam Okafor.")
    assert shop.desk.deviation(record_of(shop, lot))["state"] == "answered"


def test_two_people_at_once_see_each_other(shop: Any, screen: Any, lot: str, request: pytest.FixtureRequest) -> None:
    """What the second phone did shows on the first (without JavaScript once renewed); what cannot be twice is told in a sentence."""
    shop.too_warm(lot)
    alarm = alarm_of(shop, lot)
    phone = Phone(screen, shop)
    phone.sign_in("Odile Marsh")
    phone.says(f"All about {alarm}")
    second = Plain(shop)
    try:
        second.sign_in("reviewer")
        second.get(f"/alarms/{alarm}")
        second.send(f"/alarms/{alarm}/acknowledge", comment="on my way")
        if "without" in request.node.callspec.params["screen"]:
            assert f"All about {alarm}" in phone.text()
            phone.tap("renew it", "a")
        phone.says(f"{alarm} {lot} ")
        until(lambda: f"All about {alarm}" not in phone.text(), f"{alarm} off the list of what needs somebody")
        phone.open(f"/lots/{lot}")
        phone.tap("Take core-3 out", "summary")
        second.get(f"/lots/{lot}")
        second.send(f"/lots/{lot}/remove", probe="core-3", reason="slipped")
        phone.tap("it failed")
        phone.says("Nothing was changed; what you wrote is still here.")
        assert [e["value"] for e in entries(shop, "remove", lot)] == ["slipped"]
    finally:
        second.http.close()


def test_wrong_pin_and_expired_link_are_told(shop: Any, screen: Any, lot: str) -> None:
    """A wrong PIN is one sentence and keeps the name; a link that has run out leads to the door."""
    shop.too_warm(lot)
    phone = Phone(screen, shop)
    phone.open("/sign-in")
    phone.write("name", "Odile Marsh")
    phone.write("secret", "wrong-pin")
    phone.tap("Sign in")
    phone.says("is not right")
    assert screen.find_element(By.ID, "name").get_attribute("value") == "Odile Marsh"
    alarm, key = alarm_of(shop, lot), link_key(shop.service.config.data / "keys")
    phone.open(f"/a/{make_link(key, alarm, 'Odile Marsh', shop.clock() - 30 * 24 * HOUR)}")
    phone.says("expired")
    assert not [b for b in screen.find_elements(By.TAG_NAME, "button") if "I have seen it" in b.text]
    phone.open(f"/a/{make_link(key, alarm, 'Odile Marsh', shop.clock())}")
    phone.tap("I am Odile Marsh, I have seen it")
    until(lambda: alarm not in [a["id"] for a in shop.desk.alarms() if a["unacknowledged"]], f"{alarm} is seen")


def test_age_of_every_number_goes_on(shop: Any, chromium: Any, lot: str) -> None:
    """Cut off, each number still says how old it is, and the age grows by itself."""
    started(shop, lot, "core-1")
    phone = Phone(chromium, shop)
    phone.sign_in("Odile Marsh")
    phone.open("/probes")
    phone.says("Live, as of")
    age = "return document.querySelector('#core-1 time.age').textContent"
    network = {"latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
    phone.browser.execute_cdp_cmd("Network.enable", {})
    try:
        phone.browser.execute_cdp_cmd("Network.emulateNetworkConditions", network | {"offline": True})
        phone.says("Connection lost. What you see is")
        before = phone.browser.execute_script(age)
        assert before.endswith(" ago")
        until(lambda: phone.browser.execute_script(age) != before, "the age goes on")
    finally:
        phone.browser.execute_cdp_cmd("Network.emulateNetworkConditions", network | {"offline": False})


def test_first_load_is_small_and_asks_nobody_else(full_site: Any, chromium: Any, capsys: Any) -> None:
    """With an empty cache each page and all that it fetches stay under 60 kB, and every request goes to our own host."""
    phone = Phone(chromium, full_site)
    phone.sign_in("Odile Marsh")
    run = phone.browser.execute_cdp_cmd
    run("Network.enable", {})
    sizes = {}
    for path in ("/", "/lots/J-0412", "/lots/new", "/probes", "/deviations/D1"):
        run("Network.clearBrowserCache", {})
        phone.open(path)
        fetched = "return [...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]"
        until(lambda: phone.browser.execute_script("return [...document.images].every(i => i.complete)"), "all is loaded")
        found = phone.browser.execute_script(fetched + ".map(r => [r.name, r.transferSize])")
        strangers = [name for name, _ in found if not name.startswith(full_site.url + "/")]
        assert strangers == []
        sizes[path] = sum(size for _, size in found)
        assert any(name.endswith(".css") and size > 1000 for name, size in found), "the cache was empty"
    with capsys.disabled():
        print("\nfirst load, bytes:", json.dumps(sizes))
    assert max(sizes.values()) < FIRST_LOAD, sizes


def test_page_can_be_put_on_the_home_screen(full_site: Any, chromium: Any) -> None:
    """Chromium itself reads the manifest and finds no fault with it; the icons are there."""
    phone = Phone(chromium, full_site)
    phone.open("/sign-in")
    told = phone.browser.execute_cdp_cmd("Page.getAppManifest", {})
    assert told["errors"] == []
    manifest = json.loads(told["data"])
    assert (manifest["display"], manifest["start_url"]) == ("standalone", "/")
    ask = (
        "const [src, done] = arguments; const i = new Image(); "
        "i.onload = () => done(i.naturalWidth); i.onerror = () => done(0); i.src = src;"
    )
    wide = {one["sizes"]: phone.browser.execute_async_script(ask, one["src"]) for one in manifest["icons"]}
    assert (wide["192x192"], wide["512x512"]) == (192, 512)
    assert phone.browser.execute_cdp_cmd("Page.getInstallabilityErrors", {})["installabilityErrors"] == []
