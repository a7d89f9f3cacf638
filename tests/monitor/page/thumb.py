"""A thumb on a phone: a real headless Chromium driven by the words that are on the page."""

from __future__ import annotations

from typing import Any

from selenium.common.exceptions import JavascriptException, NoSuchElementException, StaleElementReferenceException
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement

from monitor.api.access import COOKIE
from tests.waiting import until

SECRETS = {"Odile Marsh": "juniper-9", "Tam Okafor": "sage-1234", "Rowan Inspector": "ledger-77"}
# One question to the browser where one for each control would be slow. It is the driver's, so it also runs where pages' scripts do not.
_FIND = """
const [words, kind] = arguments;
for (const one of document.querySelectorAll(kind)) {
  const said = (one.innerText || one.textContent).replace(/\\s+/g, ' ');
  if (said.includes(words) && (one.closest('select') || one).checkVisibility({checkVisibilityCSS: true})) {
    one.scrollIntoView({block: 'center'});
    return one;
  }
}
return null;
"""
_TEXT = "return document.body ? document.body.innerText : ''"


class Phone:
    """A thumb on the page."""

    def __init__(self, browser: Any, site: Any) -> None:
        self.browser, self.site = browser, site
        self.taps = 0
        browser.delete_all_cookies()
        browser.get_log("browser")

    def open(self, path: str) -> None:
        self.browser.get(self.site.url + path)

    def text(self) -> str:
        try:
            return str(self.browser.execute_script(_TEXT))
        except (JavascriptException, StaleElementReferenceException):
            return ""  # the next page is on its way

    def find(self, words: str, kind: str = "button") -> WebElement:
        """The shown control with these words; raises NoSuchElementException."""
        one = self.browser.execute_script(_FIND, words, kind)
        if one is None:
            raise NoSuchElementException(f'no {kind} says "{words}" on {self.browser.current_url}')
        return one  # type: ignore[no-any-return]

    def tap(self, words: str, kind: str = "button") -> None:
        """Tap the control with these words, again if the page renewed itself just then."""

        def tapped() -> bool:
            try:
                self.find(words, kind).click()
            except (JavascriptException, StaleElementReferenceException, NoSuchElementException):
                return False
            return True

        until(tapped, f'a {kind} that says "{words}"')
        self.taps += 1

    def write(self, name: str, text: str) -> None:
        shown = [one for one in self.browser.find_elements(By.ID, name) if one.is_displayed()]
        self.browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", shown[0])
        shown[0].send_keys(text)

    def says(self, words: str) -> None:
        until(lambda: words in self.text(), f'"{words}" on {self.browser.current_url}:\n{self.text()}')

    def sign_in(self, name: str) -> None:
        """Through the door; where the site serves several tests, once, and then with the session that this gave."""
        kept = getattr(self.site, "sessions", None)
        if kept and name in kept:
            self.browser.execute_cdp_cmd("Network.setCookie", kept[name])
            self.open("/")
            self.says(f"Sign out {name}")
        else:
            self.open("/sign-in")
            self.write("name", name)
            self.write("secret", SECRETS[name])
            self.tap("Sign in")
            self.says(f"You are signed in as {name}")
            if kept is not None:
                kept[name] = {k: v for k, v in self.browser.get_cookie(COOKIE).items() if k in ("name", "value")} | {"url": self.site.url}
        self.taps = 0
