"""The page in a real headless Chromium of phone size, on a real server with a real store."""

from __future__ import annotations

from typing import Any

from selenium.webdriver.common.by import By

from tests.monitor.page.thumb import Phone, until

PATHS = (
    "/", "/lots", "/lots/J-0412", "/lots/T-0301", "/lots/J-0412/picture", "/lots/new", "/alarms", "/alarms/A1", "/deviations",
    "/deviations/D1", "/probes", "/days/2026-03-02", "/lots/nowhere",
)  # fmt: skip

#: What cannot be tapped with a wet finger: links and controls smaller than 48 px that are shown.
SMALL = """
const found = [];
for (const one of document.querySelectorAll('a, button, input, select, textarea, summary')) {
  if (one.type === 'hidden' || one.closest('.skip') || !one.getClientRects().length) continue;
  const box = one.getBoundingClientRect();
  if (box.height < 47.5 || box.width < 47.5) found.push(one.outerHTML.slice(0, 120) + ' ' + box.width + 'x' + box.height);
}
return found;
"""
UNLABELLED = """
const found = [];
for (const one of document.querySelectorAll('input, select, textarea'))
  if (one.type !== 'hidden' && ![...(one.labels || [])].some(l => l.textContent.trim())) found.push(one.outerHTML.slice(0, 120));
for (const one of document.querySelectorAll('button, a, summary'))
  if (!one.textContent.trim() && !one.querySelector('img[alt]')) found.push(one.outerHTML.slice(0, 120));
return found;
"""
#: Text smaller than 18 px, and pairs of text and ground below 4.5:1 (WCAG 2.2, 1.4.3).
UNREADABLE = """
const found = [];
function light(c) {
  const v = c.map(x => { x /= 255; return x <= .04045 ? x / 12.92 : ((x + .055) / 1.055) ** 2.4; });
  return .2126 * v[0] + .7152 * v[1] + .0722 * v[2];
}
function rgb(text) { return text.match(/[\\d.]+/g).map(Number); }
const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walk.nextNode()) {
  const one = walk.currentNode.parentElement;
  if (!walk.currentNode.textContent.trim() || !one.getClientRects().length || one.closest('svg, .skip, option')) continue;
  const style = getComputedStyle(one);
  if (parseFloat(style.fontSize) < 17.95) found.push('small: ' + style.fontSize + ' ' + walk.currentNode.textContent.trim().slice(0, 40));
  let ground = one, colour;
  do {
    colour = rgb(getComputedStyle(ground).backgroundColor);
    ground = ground.parentElement;
  } while (ground && colour.length > 3 && colour[3] === 0);
  const a = light(rgb(style.color)), b = light(colour);
  const ratio = (Math.max(a, b) + .05) / (Math.min(a, b) + .05);
  if (ratio < 4.5) found.push('faint: ' + ratio.toFixed(2) + ' ' + walk.currentNode.textContent.trim().slice(0, 40));
}
return found;
"""
WIDER = "return document.documentElement.scrollWidth - document.documentElement.clientWidth"


def test_a_day_by_thumb(site: Any, chromium: Any) -> None:
    """Sign in, start a lot, place a probe, acknowledge an alarm, fill and close a deviation, review the day."""
    phone = Phone(chromium, site)
    site.read(core_1=37, core_3=37, house_air=160, cooler_air=38)
    phone.sign_in("Odile Marsh")
    phone.says("Nothing needs you now")

    phone.tap("Start a lot", "a")
    phone.tap("Sage turkey links", "label")
    phone.write("lot", "T-0301")
    phone.tap("Start it")
    phone.says("T-0301 has started.")
    phone.says("No probe is in it yet")
    phone.tap("core-3")
    phone.says("core-3 is in T-0301")

    # The meat warms while the page is open: it says so by itself.
    phone.open("/")
    phone.says("core-3 reads 37.0 °F")
    site.run(8, 120, core_3=(37, 43))
    phone.says("rest cold limit not met")
    phone.says("Put it into the cooler.")
    phone.tap("Seen, I am on it")
    phone.says("is acknowledged by Odile Marsh.")
    until(lambda: not any(a["unacknowledged"] for a in site.desk.alarms()), "the alarm is acknowledged")

    phone.tap("Write what was done", "a")
    phone.tap("Put it into the cooler.")
    phone.says("(from the plan), by Odile Marsh")
    phone.write("cause", "The door stood open.")
    phone.tap("Close D1")
    phone.says("It cannot be closed yet:")
    phone.says("How the cause was removed is missing")
    assert phone.browser.find_element(By.ID, "cause").get_attribute("value") == "The door stood open."
    for name, text in {
        "removed": "Latch mended.", "restored": "Moved into the cooler.", "reading": "core-3, 36.5 °F at 08:40",
        "prevention": "Latch looked at each morning.", "quantity": "42 kg", "reason": "Evaluated by its curve.",
    }.items():  # fmt: skip
        phone.write(name, text)
    phone.tap("released", "label")
    phone.tap("Close D1")
    phone.says("It waits for the review of Tam Okafor.")
    phone.tap("Sign out")
    phone.says("You are signed out.")

    phone.sign_in("Tam Okafor")
    phone.tap("Read and review it", "a")
    phone.tap("I agree: close it")
    phone.says("D1 is closed.")
    phone.open("/days")
    phone.tap("I, Tam Okafor, have reviewed 2026-03-02")
    phone.says("Tam Okafor has signed the review of 2026-03-02.")
    assert [one["by"] for one in site.desk.day("2026-03-02")["reviews"]] == ["Tam Okafor"]
    assert refused_by_policy(phone) == []


def test_every_page_fits_a_wet_thumb(full_site: Any, chromium: Any) -> None:
    """At 360 px nothing overflows; all targets are 48 px, all text 18 px and 4.5:1, every control labelled, in smoke and sun."""
    phone = Phone(chromium, full_site)
    size = {"width": 360, "height": 740, "deviceScaleFactor": 1, "mobile": True}
    phone.browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    try:
        phone.open("/first-run")
        assert faults(phone, "/first-run") == []
        phone.sign_in("Odile Marsh")
        for path in PATHS:
            phone.open(path)
            phone.browser.execute_script("document.querySelectorAll('details').forEach(d => { d.open = true; })")
            assert faults(phone, path) == []
        phone.tap("Bright page for sunlight")
        for path in ("/", "/lots/T-0301", "/deviations/D1"):
            phone.open(path)
            assert faults(phone, path + " in the sun") == []
        assert refused_by_policy(phone) == []
    finally:
        phone.browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size | {"width": 390, "height": 844})


def faults(phone: Phone, path: str) -> list[str]:
    """What is wrong with the page that is open."""
    run = phone.browser.execute_script
    wider = run(WIDER)
    found = [f"{wider} px too wide"] if wider > 0 else []
    return [f"{path}: {one}" for one in (*found, *run(SMALL), *run(UNLABELLED), *run(UNREADABLE))]


def refused_by_policy(phone: Phone) -> list[str]:
    """What the content security policy refused, and the page's own script errors."""
    messages = [str(one["message"]) for one in phone.browser.get_log("browser") if one["level"] == "SEVERE"]
    return [one for one in messages if "the server responded with a status of" not in one]


def test_chart_is_there_before_anybody_scrolls(full_site: Any, chromium: Any) -> None:
    """The phone gets a chart made for its width, at once; until it is drawn its place is as dark as the page."""
    phone = Phone(chromium, full_site)
    phone.sign_in("Odile Marsh")
    phone.open("/lots/J-0412")
    find = "const i = document.querySelector('figure img'); "
    until(lambda: phone.browser.execute_script(find + "return i.complete && i.naturalWidth > 0"), "the chart is drawn")
    assert phone.browser.execute_script(find + "return i.currentSrc").endswith("/chart.svg?width=360")
    assert phone.browser.execute_script(find + "return getComputedStyle(i).backgroundColor") == "rgb(33, 26, 20)"


def test_cautions_are_unfolded_on_paper(full_site: Any, chromium: Any) -> None:
    """What the footer folds on the screen is printed, with no hand to tap it; the screen is as it was afterwards."""
    phone = Phone(chromium, full_site)
    phone.sign_in("Odile Marsh")
    phone.open("/lots/T-0301")
    find = "const d = document.querySelector('footer details'); "
    shown = find + "return d.querySelector('p').getBoundingClientRect().height > 20 && d.querySelector('p').checkVisibility()"
    note = "() => heard.push(document.querySelector('footer details').open)"
    heard = f"window.heard = []; for (const k of ['beforeprint', 'afterprint']) addEventListener(k, {note})"
    assert not phone.browser.execute_script(find + "return d.querySelector('p').checkVisibility({contentVisibilityAuto: true})")
    phone.browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        assert phone.browser.execute_script(shown), "by the style sheet alone"
    finally:
        phone.browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    phone.browser.execute_script(heard)
    phone.browser.print_page()
    assert phone.browser.execute_script("return heard") == [True, False]


def test_lost_connection_is_told_and_nothing_typed_is_lost(site: Any, chromium: Any) -> None:
    """The page says that it is cut off and how old it is; a form sent meanwhile stays as it was, and works afterwards."""
    phone = Phone(chromium, site)
    site.read(core_1=31)
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-0412")
    phone.sign_in("Odile Marsh")
    phone.open("/lots/J-0412")
    phone.says("Live, as of")
    network = {"latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
    phone.tap("Hand check", "summary")
    phone.write("check-value", "33.5")
    phone.browser.execute_cdp_cmd("Network.enable", {})
    try:
        phone.browser.execute_cdp_cmd("Network.emulateNetworkConditions", network | {"offline": True})
        phone.says("Connection lost. What you see is")
        phone.says("Alarms still ring by their bells.")
        phone.tap("Note it")
        phone.says("No connection: nothing was sent. What you wrote is still here")
        assert phone.browser.find_element(By.ID, "check-value").get_attribute("value") == "33.5"
    finally:
        phone.browser.execute_cdp_cmd("Network.emulateNetworkConditions", network | {"offline": False})
    phone.says("Live, as of")
    phone.tap("Note it")
    phone.says("Hand check noted: core 33.5 °F")


def test_probe_comes_out_in_three_taps(site: Any, chromium: Any) -> None:
    """From the first page: the lot, the probe, the reason."""
    phone = Phone(chromium, site)
    site.read(core_1=31)
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-0412")
    site.desk.place(site.hand(), "J-0412", "core-1")
    phone.sign_in("Odile Marsh")
    phone.tap("J-0412", "h3 a")
    phone.tap("Take core-1 out", "summary")
    phone.tap("it slipped out")
    phone.says("core-1 is out of J-0412 (slipped)")
    removed = [e for e in site.desk.lot("J-0412")["entries"] if e["event"] == "remove"]
    assert [(e["name"], e["value"]) for e in removed] == [("core-1", "slipped")]


def test_finger_on_the_page_is_not_disturbed(site: Any, chromium: Any) -> None:
    """While a control of the live part has the focus it is not replaced; afterwards the page catches up."""
    phone = Phone(chromium, site)
    site.too_warm()
    phone.sign_in("Odile Marsh")
    phone.says("Seen, I am on it")
    phone.browser.execute_script("document.querySelector('#live .big').focus()")
    site.desk.start_lot(site.hand(), "juniper-links", lot="J-0999")
    until(
        lambda: phone.browser.execute_script("return performance.getEntriesByType('resource').some(r => r.name.includes('part=1'))"),
        "a renewal",
    )
    assert phone.browser.execute_script("return document.activeElement.textContent.includes('Seen, I am on it')")
    phone.says("Held still while you are on it")
    phone.browser.execute_script("document.activeElement.blur()")
    phone.says("J-0999")
