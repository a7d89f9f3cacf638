"""Checking and recalling a probe from the phone, with and without JavaScript."""

from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException
from selenium.webdriver.support.ui import WebDriverWait

#: What is to be tapped on the page and is lower than a thumb needs.
TOO_SMALL = """
return [...document.querySelectorAll('main button, main input:not([type=hidden]), main select, main a')]
  .filter(e => { const box = e.getBoundingClientRect(); return box.height && box.height < 44; })
  .map(e => e.outerHTML)
"""


def hold(site, lot: str = "T-0301") -> None:
    """A lot of turkey links that rests at 39 °F, ended: its limit is met."""
    site.read(core_3=37)
    site.desk.start_lot(site.hand(), "sage-turkey", lot=lot)
    site.desk.place(site.hand(), lot, "core-3")
    site.run(8, 120, core_3=(37, 39))
    site.wait(1)
    site.desk.end(site.hand(), lot)
    site.wait(1)


def press(chromium, selector: str) -> None:
    """Scroll a button clear of the bar at the bottom, as a thumb does, and press it."""
    button = chromium.find_element("css selector", selector)
    chromium.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
    button.click()


def shows(chromium, words: str) -> None:
    """Wait until the page that was asked for says these words."""
    told = WebDriverWait(chromium, 20, ignored_exceptions=[StaleElementReferenceException, NoSuchElementException])
    told.until(lambda browser: words in browser.find_element("css selector", "main").text)


def test_check_is_written_down_from_the_form(site, plain):
    """Ice, a reading, nothing changed: the page says how far off it is and what is allowed, and lists the check."""
    plain.sign_in("operator")
    page = plain.get("/probes/core-1/check").text
    assert "crushed ice" in page
    assert "No check of it is on record" in page
    done = plain.send("/probes/core-1/check", indicated="32.4", unit="F", done="", comment="Stirred.").text
    assert "core-1 read 0.4 °F too high; 1.8 °F is allowed." in done
    assert "<b>Good.</b>" in done
    assert "Found good" in done
    assert "Its next check is due" in plain.get("/probes").text


def test_correction_from_the_form_holds_for_what_is_read_next(site, plain):
    """Take the error off: the probes page shows the correction in force with the next reading."""
    plain.sign_in("operator")
    plain.get("/probes/core-1/check")
    done = plain.send("/probes/core-1/check", indicated="33", unit="F", done="correct").text
    assert "From now on -1 °F is added to what it reads." in done
    site.wait(1)
    site.read(core_1=50)
    page = plain.get("/probes").text
    assert "It reads <b>49.0 °F</b>" in page
    assert "Correction in force: -1 °F" in page


def test_mistake_in_a_check_is_told_in_one_sentence_and_loses_nothing(site, plain):
    """What was written stays in the form; a sea-level pressure, a missing number and a wrong unit are each told."""
    plain.sign_in("operator")
    plain.get("/probes/core-1/check?way=boiling-point")
    wrong = plain.send("/probes/core-1/check", indicated="210", unit="F", pressure="1013", comment="Deep pot.")
    assert wrong.status_code == 422
    assert "write the station pressure with its unit" in wrong.text
    assert "Deep pot." in wrong.text
    assert 'value="210"' in wrong.text
    assert "What it read is blank" in plain.send("/probes/core-1/check", indicated="", unit="F").text
    left = plain.send("/probes/core-1/check", indicated="33", unit="F", done="adjusted").text
    assert "What it reads now is blank" in left
    assert site.desk.calibrations() == []


def test_check_that_finds_a_probe_wrong_leads_to_what_it_puts_in_doubt(site, plain):
    """The preview names the lot with both verdicts and changes nothing; the button carries it out, once."""
    hold(site)
    plain.sign_in("operator")
    plain.get("/probes/core-3/check")
    preview = plain.send("/probes/core-3/check", indicated="30", unit="F", done="").text
    assert "Recall core-3?" in preview
    assert "T-0301" in preview
    assert "Nothing has been changed yet" in preview
    assert site.desk.deviations() == []
    done = plain.send("/probes/core-3/recall").text
    assert "Recall 1 of core-3 is carried out" in done
    assert "Export these days anew: 2026-03-02" in done
    (record,) = site.desk.deviations()
    assert record["lot"] == "T-0301"
    again = plain.get("/probes/core-3/recall")
    assert again.status_code == 409
    assert "a recall is carried out once" in again.text


def test_inspector_sees_the_checks_and_makes_none(site, plain):
    """Who only reads sees how a probe stands and no form."""
    plain.sign_in("inspector")
    page = plain.get("/probes/core-1/check").text
    assert "Its checks" in page
    assert '<form method="post" action="/probes' not in page


def test_unknown_probe_is_one_sentence(site, plain):
    """A probe that the plan does not name has no check page."""
    plain.sign_in("operator")
    assert "this plan has core-1" in plain.get("/probes/core-9/check").text


def test_check_page_fits_a_phone(site, chromium):
    """At the width of a phone nothing runs off the side, and everything to tap is large enough."""
    hold(site)
    chromium.get(f"{site.url}/sign-in")
    chromium.find_element("id", "name").send_keys("Odile Marsh")
    chromium.find_element("id", "secret").send_keys("juniper-9")
    chromium.find_element("css selector", "form[action='/sign-in'] button").click()
    shows(chromium, "You are signed in")
    for way in ("ice-point", "boiling-point", "comparison"):
        chromium.get(f"{site.url}/probes/core-3/check?way={way}")
        assert chromium.execute_script("return document.documentElement.scrollWidth <= window.innerWidth")
        assert chromium.execute_script(TOO_SMALL) == []
    chromium.get(f"{site.url}/probes/core-3/check")
    chromium.find_element("id", "indicated").send_keys("30")
    press(chromium, "form.sheet button.big")
    shows(chromium, "Recall core-3?")
    assert chromium.execute_script("return document.documentElement.scrollWidth <= window.innerWidth")
    press(chromium, "form.sheet button.big")
    shows(chromium, "is carried out")
