"""A thumb on a phone: a real headless Chromium driven by the words that are on the page."""

from __future__ import annotations

from typing import Any

from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement

from tests.waiting import until

SECRETS = {"Odile Marsh": "juniper-9", "Tam Okafor": "sage-1234", "Rowan Inspector": "ledger-77"}


class Phone:
    """A thumb on the page."""

    def __init__(self, browser: Any, site: Any) -> None:
        self.browser, self.site = browser, site
        browser.delete_all_cookies()
        browser.get_log("browser")

    def open(self, path: str) -> None:
        self.browser.get(self.site.url + path)

    def text(self) -> str:
        try:
            return str(self.browser.find_element(By.TAG_NAME, "body").text)
        except (NoSuchElementException, StaleElementReferenceException):
            return ""  # the next page is on its way

    def find(self, words: str, kind: str = "button") -> WebElement:
        """The shown control with these words; raises NoSuchElementException."""
        for one in self.browser.find_elements(By.CSS_SELECTOR, kind):
            if words in one.text and one.is_displayed():
                return one  # type: ignore[no-any-return]
        raise NoSuchElementException(f'no {kind} says "{words}" on {self.browser.current_url}')

    def tap(self, words: str, kind: str = "button") -> None:
        """Tap the control with these words, again if the page renewed itself just then."""

        def tapped() -> bool:
            try:
                one = self.find(words, kind)
                self.browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", one)
                one.click()
            except (StaleElementReferenceException, NoSuchElementException):
                return False
            return True

        until(tapped, f'a {kind} that says "{words}"')

    def write(self, name: str, text: str) -> None:
        shown = [one for one in self.browser.find_elements(By.ID, name) if one.is_displayed()]
        self.browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", shown[0])
        shown[0].send_keys(text)

    def says(self, words: str) -> None:
        until(lambda: words in self.text(), f'"{words}" on {self.browser.current_url}:\n{self.text()}')

    def sign_in(self, name: str) -> None:
        self.open("/sign-in")
        self.write("name", name)
        self.write("secret", SECRETS[name])
        self.tap("Sign in")
        self.says(f"You are signed in as {name}")
