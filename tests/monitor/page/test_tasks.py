"""What people do with a lot, by thumb, in a real headless Chromium of phone size."""

from __future__ import annotations

import json
from typing import Any

from selenium.webdriver.common.by import By

from monitor.links import link_key, make_link
from rules.reading import HOUR
from tests.monitor.page.thumb import Phone, until

#: A first load over bad Wi-Fi: everything that the browser fetches before a hand has touched anything.
FIRST_LOAD = 60_000


def started(site: Any, lot: str = "J-0412", *probes: str) -> None:
    """A lot of juniper links with these probes in it."""
    site.read(core_1=31, core_2=31)
    site.desk.start_lot(site.hand(), "juniper-links", lot=lot)
    for probe in probes:
        site.desk.place(site.hand(), lot, probe)


def entries(site: Any, event: str, lot: str = "J-0412") -> list[dict[str, Any]]:
    return [e for e in site.desk.lot(lot)["entries"] if e["event"] == event]


def test_lot_like_last_time_starts_in_two_taps(site: Any, chromium: Any) -> None:
    """From the first page: start a lot, same as last time; its probes are in it again."""
    started(site, "J-0412", "core-1", "core-2")
    site.desk.end(site.hand(), "J-0412")
    site.wait(30)
    site.read(core_1=31, core_2=31)
    phone = Phone(chromium, site)
    phone.sign_in("Odile Marsh")
    phone.tap("Start a lot", "a")
    phone.tap("Juniper venison-and-pork links, same as last time")
    phone.says("In it: core-1, core-2.")
    newest = site.desk.lots()[0]
    assert newest["lot"] != "J-0412"
    assert sorted(site.desk.lot(newest["lot"])["placed"]) == ["core-1", "core-2"]


def test_probe_goes_in_in_three_taps(site: Any, chromium: Any) -> None:
    """From the first page: the lot, put a probe in, which."""
    started(site, "J-0412", "core-2")
    phone = Phone(chromium, site)
    phone.sign_in("Odile Marsh")
    phone.tap("J-0412", "h3 a")
    phone.tap("Put a probe in", "summary")
    phone.tap("core-1")
    phone.says("core-1 is in J-0412")
    assert sorted(site.desk.lot("J-0412")["placed"]) == ["core-1", "core-2"]


def test_probe_moved_to_another_link_in_three_taps(site: Any, chromium: Any) -> None:
    """From the first page: the lot, the probe, that it went to another link; it is in the lot again, and the record shows both."""
    started(site, "J-0412", "core-1")
    site.wait(5)
    phone = Phone(chromium, site)
    phone.sign_in("Odile Marsh")
    phone.tap("J-0412", "h3 a")
    phone.tap("Take core-1 out", "summary")
    phone.tap("moved to another link of this lot")
    phone.says("core-1 is out of J-0412 (moved)")
    phone.says("core-1 is in another link of J-0412")
    assert [(e["name"], e["value"]) for e in entries(site, "remove")] == [("core-1", "moved")]
    assert [e["name"] for e in entries(site, "place")] == ["core-1", "core-1"]
    assert list(site.desk.lot("J-0412")["placed"]) == ["core-1"]


def test_automatic_advance_is_confirmed_in_one_tap(site: Any, chromium: Any) -> None:
    """The page asks whether the lot has gone on; one tap answers, and the question is gone."""
    site.cooked()
    phone = Phone(chromium, site)
    phone.sign_in("Odile Marsh")
    phone.says("Has J-0412 gone from cook to chill?")
    phone.tap("Yes, just now")
    phone.says("J-0412 is in chill")
    assert "gone from cook" not in phone.text()
    assert site.desk.lot("J-0412")["awaits"] == ""


def test_entry_is_written_later_and_one_is_taken_back(site: Any, chromium: Any) -> None:
    """A step of a quarter of an hour ago says when it was written; taken back, both stay to be seen."""
    started(site, "J-0412", "core-1")
    site.wait(30)
    phone = Phone(chromium, site)
    phone.sign_in("Odile Marsh")
    phone.open("/lots/J-0412")
    phone.tap("Move it on to cook", "summary")
    phone.tap("15 min ago", "#step-ago option")
    phone.tap("It is in cook")
    phone.says("J-0412 is in cook, at 08:15 (written at 08:30)")
    phone.says("written later, at 08:30")
    phone.tap("Take it back", "summary")
    phone.tap("Take back “08:15")
    phone.says("The entry is taken back. Both stay on record.")
    phone.says("took back the entry of 08:15")
    assert [e["undone"] for e in entries(site, "step")] == [True]
    assert site.desk.lot("J-0412")["step"] == "grind"


def test_meat_received_is_written_down_once_and_remembered(site: Any, chromium: Any) -> None:
    """Supplier's lot, temperature and weight are on the lot's page and in the ledger; the next lot knows the supplier."""
    started(site)
    phone = Phone(chromium, site)
    phone.sign_in("Odile Marsh")
    phone.open("/lots/J-0412")
    phone.tap("Meat or spice received", "summary")
    for name, text in {"material": "Venison trim", "supplier": "Hollow Beck Game (invented)", "lot": "HB-77", "weight": "41,5"}.items():
        phone.write(f"receive-{name}", text)
    phone.write("receive-temperature", "lukewarm")
    phone.tap("Write it down")
    phone.says('Temperature is "lukewarm"; write a number such as 33.5')
    field = phone.browser.find_element(By.ID, "receive-temperature")
    assert phone.browser.find_element(By.ID, "receive-lot").get_attribute("value") == "HB-77"
    field.clear()
    phone.write("receive-temperature", "36.5")
    phone.tap("Write it down")
    phone.says("Received: Venison trim of Hollow Beck Game (invented), lot HB-77, 36.5 °F, 41.5 kg.")
    phone.says("What was received for it")
    assert [(r["supplier_lot"], r["by"]) for r in site.desk.papers("J-0412")["receipts"]] == [("HB-77", "Odile Marsh")]
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-0413")
    phone.open("/lots/J-0413")
    phone.tap("Meat or spice received", "summary")
    assert phone.browser.find_element(By.ID, "receive-supplier").get_attribute("value") == "Hollow Beck Game (invented)"


def test_two_people_at_once_see_each_other(site: Any, chromium: Any, plain: Any) -> None:
    """What the second phone did shows on the first by itself; what cannot be twice is told in a sentence."""
    site.too_warm()
    phone = Phone(chromium, site)
    phone.sign_in("Odile Marsh")
    phone.says("Seen, I am on it")
    plain.sign_in("reviewer")
    alarm = next(a["id"] for a in site.desk.alarms() if a["unacknowledged"])
    plain.get(f"/alarms/{alarm}")
    plain.send(f"/alarms/{alarm}/acknowledge", comment="on my way")
    phone.says("Seen and not over yet")
    phone.open("/lots/T-0301")
    phone.tap("Take core-3 out", "summary")
    plain.get("/lots/T-0301")
    plain.send("/lots/T-0301/remove", probe="core-3", reason="slipped")
    phone.tap("it failed")
    phone.says("Nothing was changed; what you wrote is still here.")
    assert [e["value"] for e in entries(site, "remove", "T-0301")] == ["slipped"]


def test_wrong_pin_and_expired_link_are_told(site: Any, chromium: Any) -> None:
    """A wrong PIN is one sentence and keeps the name; a link that has run out leads to the door."""
    site.too_warm()
    phone = Phone(chromium, site)
    phone.open("/sign-in")
    phone.write("name", "Odile Marsh")
    phone.write("secret", "wrong-pin")
    phone.tap("Sign in")
    phone.says("is not right")
    assert phone.browser.find_element(By.ID, "name").get_attribute("value") == "Odile Marsh"
    alarm = site.desk.alarms()[0]["id"]
    link = make_link(link_key(site.service.config.data / "keys"), alarm, "Odile Marsh", site.clock())
    phone.open(f"/a/{link}")
    phone.find("I am Odile Marsh, I have seen it")
    site.clock.now += 30 * 24 * HOUR
    phone.open(f"/a/{link}")
    phone.says("expired")
    assert not [b for b in phone.browser.find_elements(By.TAG_NAME, "button") if "I have seen it" in b.text]


def test_age_of_every_number_goes_on(site: Any, chromium: Any) -> None:
    """Cut off, each number still says how old it is, and the age grows by itself."""
    started(site, "J-0412", "core-1")
    phone = Phone(chromium, site)
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
