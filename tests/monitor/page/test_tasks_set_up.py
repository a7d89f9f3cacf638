"""By thumb, with and without JavaScript: people, bells and probes are set up, a hold is released, a probe is checked, the day is signed."""

from __future__ import annotations

from typing import Any

from selenium.webdriver.common.by import By

from monitor.config import load_config
from monitor.judge import read_plan
from tests.monitor.page.plain_text import ANSWERS
from tests.monitor.page.thumb import Phone


def test_person_and_bell_are_set_up_by_thumb(site: Any, screen: Any) -> None:
    """A bell, a person whom it reaches, their code, and what waits for the next start; then the person's own PIN."""
    phone = Phone(screen, site)
    phone.sign_in("Tam Okafor")
    phone.tap("Set up", "footer a")
    phone.tap("Bells", "main a")
    phone.says("There is no bell")
    phone.write("bell", "wren-phone")
    phone.write("where", "json://127.0.0.1:9/none")
    phone.tap("Add this bell")
    phone.says("Bell wren-phone is added. It is written, and holds from the next start of the service.")
    phone.tap("Ring wren-phone now, as a test")
    phone.says("wren-phone did not ring")
    phone.tap("All of the set-up", "a")
    phone.tap("People", "main a")
    phone.write("name", "Wren Calloway")
    phone.tap("wren-phone", "label")
    phone.tap("Add this person")
    phone.says("Code for Wren Calloway")
    code = screen.find_element(By.CSS_SELECTOR, ".tag-lot").text
    made = load_config(site.service.config.path).person("Wren Calloway")
    assert made is not None
    assert made.bells == ("wren-phone",)
    phone.tap("Sign out Tam Okafor")
    phone.tap("I have a code", "a")
    phone.write("code", code)
    phone.write("name", "Wren Calloway")
    phone.write("secret", "bramble-7")
    phone.write("again", "bramble-7")
    phone.tap("", "main form button")
    phone.says("You are signed in as Wren Calloway (operator)")


def test_probe_is_added_by_thumb(site: Any, screen: Any, port: str) -> None:
    """Looked for, written with what it is plugged into, heard, and added; what was wrong is told first, with all that was typed kept."""
    phone = Phone(screen, site)
    phone.sign_in("Tam Okafor")
    phone.tap("Set up", "footer a")
    phone.tap("Probes", "main a")
    phone.tap("Look what is plugged in", "a")
    phone.write("given", f"serial:{port}")
    phone.write("probe", "core-4")
    phone.tap("Listen to it and add it")
    phone.says("Unit of its values is missing; write it.")
    assert screen.find_element(By.ID, "given").get_attribute("value") == f"serial:{port}"
    phone.tap("A serial port or an MQTT topic", "summary")
    phone.tap("C", "#unit option")
    phone.write("baud", "9600")
    phone.tap("Listen to it and add it")
    phone.says("Probe core-4 is added. It is written, and holds from the next start of the service.")
    phone.says("It reads 37.9 °F now")
    made = load_config(site.service.config.path)
    assert [(one.driver, one.options["port"]) for one in made.sources] == [("serial", port)]
    assert "core-4" in read_plan(made.plan).probe_by_id


def test_lot_on_hold_and_its_release_by_thumb(site: Any, screen: Any) -> None:
    """The mark is there in words, the tag is printed from the lot, and a reviewer's tap takes the mark away."""
    site.too_warm()
    site.desk.end(site.hand(), "T-0301")
    for one in site.desk.deviations():
        site.desk.close_deviation(site.hand(), [one["id"]], ANSWERS)
        site.desk.review_deviation(site.hand("reviewer"), [one["id"]])
    phone = Phone(screen, site)
    phone.sign_in("Tam Okafor")
    phone.says("1 lot on hold")
    phone.says("D1 is closed; a reviewer has not released it yet.")
    phone.tap("T-0301", "#holds ~ ul a")
    phone.tap("I, Tam Okafor, release T-0301")
    phone.says("T-0301 is released by Tam Okafor.")
    phone.open("/")
    phone.says("No lot is open")
    assert "on hold" not in phone.text()


def test_ice_point_walk_through_by_thumb(site: Any, screen: Any) -> None:
    """From the probes: what to do, step by step, the number, and what came of it."""
    site.read(core_1=32.3)
    phone = Phone(screen, site)
    phone.sign_in("Odile Marsh")
    phone.tap("Probes", "nav a")
    phone.tap("Check it", "#core-1 a")
    phone.says("Fill a jug to the top with crushed ice.")
    phone.write("indicated", "32.3")
    phone.tap("Write down this check")
    phone.says("core-1 read 0.3 °F too high")
    assert len(site.desk.calibrations("core-1")) == 1


def test_day_is_reviewed_and_signed_by_thumb(site: Any, screen: Any) -> None:
    """The day's records, then the reviewer's signature under them."""
    site.read(core_1=31)
    site.desk.start_lot(site.hand(), "sage-turkey", lot="T-0400")
    site.desk.end(site.hand(), "T-0400")
    site.wait(24 * 60)
    phone = Phone(screen, site)
    phone.sign_in("Tam Okafor")
    phone.tap("Look through the day and sign it", "a")
    phone.says("T-0400")
    phone.tap("I, Tam Okafor, have reviewed")
    phone.says("Tam Okafor")
    assert [one["by"] for one in site.desk.day("2026-03-02")["reviews"]] == ["Tam Okafor"]
