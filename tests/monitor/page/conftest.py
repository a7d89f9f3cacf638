"""A site for the page: the whole service with its real parts, on a real server, at a time that the test moves.

The invented day brings two lots of Ferncliff Yard. There are two browsers: one without JavaScript (httpx), and a
real headless Chromium of phone size.
"""

from __future__ import annotations

import asyncio
import functools
import html
import os
import re
import shutil
import threading
import time
import tty
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from argon2 import PasswordHasher
from selenium import webdriver
from selenium.webdriver.chrome.service import Service as ChromeService
from sqlalchemy import Connection, update

from monitor import people as staff
from monitor.config import AlarmsConfig, Config, Person, Server
from monitor.desk import Hand
from monitor.service import Service
from rules.quantity import fahrenheit, parse_instant
from rules.reading import MINUTE, SECOND, Instant, Reading
from tests.missing import not_tested

PLAN = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"
books = ["us-inspected-2021"]

[[room]]
id = "cutting"
kind = "work"
[[room]]
id = "house-1"
kind = "chamber"
[[room]]
id = "cooler-1"
kind = "cooler"

[[probe]]
id = "core-1"
place = "core"
uncertainty = "0.5 °F"
[[probe]]
id = "core-2"
place = "core"
uncertainty = "0.5 °F"
[[probe]]
id = "core-3"
place = "core"
uncertainty = "0.5 °F"
[[probe]]
id = "house-air"
place = "chamber"
room = "house-1"
uncertainty = "1 °F"
[[probe]]
id = "cooler-air"
place = "cooler"
room = "cooler-1"
uncertainty = "1 °F"

[[standing]]
room = "cooler-1"
[[standing.limit]]
name = "cooler air"
kind = "ceiling"
class = "operating"
place = "cooler"
max = "40 °F"
allowed = "60 min"
source = "invented for this test"

[[product]]
code = "juniper-links"
name = "Juniper venison-and-pork links"
cured = true

[[product.step]]
name = "grind"
room = "cutting"
[[product.step.limit]]
name = "grind cold"
kind = "ceiling"
class = "operating"
place = "core"
max = "34 °F"
source = "common practice"
do = ["Stop. Re-chill the meat for about half an hour.", "Grind again once it reads 32 °F or less."]

[[product.step]]
name = "cook"
room = "house-1"
advance = { when = "lethality met", how = "auto", confirm_within = "20 min" }
[[product.step.limit]]
name = "lethality"
kind = "lethality"
place = "core"
book = "us-inspected-2021/meat-6.5-log"
do = ["Put it back to heat until the hold is met.", "Hold the lot and evaluate its curve."]
[[product.step.limit]]
name = "come-up"
kind = "come-up"
place = "core"
low = "50 °F"
high = "130 °F"
within = "6 h"
source = "invented for this test"

[[product.step]]
name = "chill"
room = "cooler-1"
[[product.step.limit]]
name = "stabilization"
kind = "cooling"
place = "core"
book = "us-inspected-2021/cooling-option-1"
confirmed = "O. Marsh, 2026-01-12, against the establishment's copy"
do = ["Move it into the coldest cooler now.", "Hold the lot, have it evaluated before anything is released."]

[[product]]
code = "sage-turkey"
name = "Sage turkey links"
species = "turkey"
fat = "8 %"
[[product.step]]
name = "rest"
room = "cooler-1"
[[product.step.limit]]
name = "rest cold"
kind = "ceiling"
place = "core"
max = "40 °F"
source = "invented for this test"
do = ["Put it into the cooler.", "Check the door."]
"""

START = parse_instant("2026-03-02T08:00:00-06:00")
SECRETS = {"Odile Marsh": "juniper-9", "Tam Okafor": "sage-1234", "Rowan Inspector": "ledger-77"}
ROLES = {"operator": "Odile Marsh", "reviewer": "Tam Okafor", "inspector": "Rowan Inspector"}


@functools.cache
def hashed(secret: str) -> str:
    """The Argon2id hash of a secret, made once for all tests."""
    return PasswordHasher(time_cost=2, memory_cost=19 * 1024, parallelism=1).hash(secret)


class Clock:
    """The service's time, moved by the test."""

    def __init__(self, now: Instant) -> None:
        self.now = now

    def __call__(self) -> Instant:
        return self.now


class Site:
    """The service, its clock, and ways to come in."""

    #: Sessions that a phone may take up again, by person; None where each test comes in by the door.
    sessions: dict[str, dict[str, str]] | None = None

    def __init__(self, folder: Path, *, hired: bool) -> None:
        self.clock = Clock(START)
        (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
        people = "".join(f'\n[[person]]\nname = "{name}"\nrole = "{role}"\n' for role, name in ROLES.items()) if hired else ""
        settings = 'plan = "plan.toml"\ndata = "."\n# Kept by hand.\n[alarms]\nall_well = ""\n'
        (folder / "larderer.toml").write_text(settings + people, encoding="utf-8")
        persons = tuple(Person(name, role) for role, name in ROLES.items()) if hired else ()
        config = Config(
            folder / "larderer.toml", folder / "plan.toml", folder, Server(port=0), persons=persons, alarms=AlarmsConfig(all_well=None)
        )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)  # sdnotify drops its socket unclosed where no service manager listens
            self.service = Service(config, clock=self.clock, drivers=(), tick_s=3600.0, exports=False)
        self.service.start()
        self.service.writer.submit(self._hire).result(10)
        self.desk, self.people = self.service.desk, self.service.people
        self._thread = threading.Thread(target=lambda: asyncio.run(self.service.serve()), name="served", daemon=True)
        self._thread.start()
        deadline = time.monotonic() + 20
        while self.service.bound_port() == 0 and time.monotonic() < deadline:
            time.sleep(0.01)
        self.url = f"http://127.0.0.1:{self.service.bound_port()}"

    @staticmethod
    def _hire(conn: Connection) -> None:
        for name, word in SECRETS.items():
            conn.execute(update(staff.person).where(staff.person.c.name == name).values(secret_hash=hashed(word)))

    def close(self) -> None:
        self.service.stop()
        self._thread.join(30)
        assert not self._thread.is_alive()

    def hand(self, role: str = "operator") -> Hand:
        return Hand(ROLES[role], role)

    def read(self, **values: float) -> None:
        """One reading of each named probe, in °F; an underscore stands for a dash."""
        items = [Reading(name.replace("_", "-"), self.clock(), fahrenheit(value)) for name, value in values.items()]
        self.service.intake.readings(items).result(10)

    def wait(self, minutes: float) -> None:
        """Let the service's time pass."""
        self.clock.now += int(minutes * MINUTE)

    def run(self, minutes: int, every_s: int = 60, **ends: tuple[float, float]) -> None:
        """Readings over a stretch, each probe going evenly from one temperature to another."""
        steps = minutes * 60 // every_s
        begins = self.clock()
        waiting: list[Reading] = []
        for n in range(1, steps + 1):
            at = begins + n * every_s * SECOND
            for name, (first, last) in ends.items():
                waiting.append(Reading(name.replace("_", "-"), at, fahrenheit(first + (last - first) * n / steps)))
            if n % 4 == 0 or n == steps:  # a few at a time, as a gateway hands them over; none comes late
                self.clock.now = at
                self.service.intake.readings(waiting).result(10)
                waiting = []

    def cooked(self, lot: str = "J-0412") -> None:
        """A lot of juniper links, ground cold and cooked until its hold is met, then nobody says where it is."""
        hand = self.hand()
        self.read(core_1=31, core_2=31, house_air=70, cooler_air=38)
        self.desk.start_lot(hand, "juniper-links", lot=lot)
        self.desk.place(hand, lot, "core-1")
        self.desk.place(hand, lot, "core-2")
        self.run(10, core_1=(31, 33), core_2=(31, 33), house_air=(70, 160), cooler_air=(38, 38))
        self.desk.step(hand, lot, "cook")
        self.run(120, 60, core_1=(33, 147), core_2=(33, 146), house_air=(160, 170), cooler_air=(38, 38))
        self.run(6, 60, core_1=(147, 148), core_2=(146, 147), house_air=(170, 170), cooler_air=(38, 38))

    def too_warm(self, lot: str = "T-0301") -> None:
        """A lot of turkey links whose rest is too warm: a deviation, an alarm, a record to fill in."""
        hand = self.hand()
        self.read(core_3=37)
        self.desk.start_lot(hand, "sage-turkey", lot=lot)
        self.desk.place(hand, lot, "core-3")
        self.run(8, 120, core_3=(37, 43))


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    made = Site(tmp_path, hired=True)
    yield made
    made.close()


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """One site for all tests of a file, each with a lot of its own; who has signed in once is let in again with that session."""
    made = Site(tmp_path_factory.mktemp("shop"), hired=True)
    made.sessions = {}
    yield made
    made.close()


@pytest.fixture(scope="session")
def full_site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """One site for all tests that change nothing: a lot between cook and chill, and one that deviated."""
    made = Site(tmp_path_factory.mktemp("full"), hired=True)
    made.cooked()
    made.too_warm()
    yield made
    made.close()


@pytest.fixture
def empty_site(tmp_path: Path) -> Iterator[Site]:
    """A site at its first run: nobody can sign in."""
    made = Site(tmp_path, hired=False)
    yield made
    made.close()


class Plain:
    """A browser without JavaScript: it follows redirects, keeps cookies and fills in the forms that it is given."""

    def __init__(self, site: Site) -> None:
        self.http = httpx.Client(base_url=site.url, follow_redirects=True, timeout=20)
        self.page: httpx.Response | None = None

    def get(self, path: str) -> httpx.Response:
        self.page = self.http.get(path)
        return self.page

    def hidden(self, action: str) -> dict[str, str]:
        """The hidden fields of the form of the newest page that goes to `action`."""
        assert self.page is not None
        form = re.search(rf'<form method="post" action="{re.escape(action)}".*?</form>', self.page.text, re.DOTALL)
        assert form is not None, f"no form for {action} on {self.page.url}"
        found = re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', form[0])
        return {name: html.unescape(value) for name, value in found}

    def send(self, action: str, **fields: Any) -> httpx.Response:
        """Fill in that form and send it."""
        self.page = self.http.post(action, data=self.hidden(action) | fields)
        return self.page

    def sign_in(self, role: str) -> None:
        self.get("/sign-in")
        answer = self.send("/sign-in", name=ROLES[role], secret=SECRETS[ROLES[role]])
        assert answer.status_code == 200, answer.text
        assert "You are signed in" in answer.text


@pytest.fixture
def plain(site: Site) -> Iterator[Plain]:
    browser = Plain(site)
    yield browser
    browser.http.close()


@pytest.fixture
def reader(full_site: Site) -> Iterator[Plain]:
    """A browser without JavaScript on the site that nobody changes."""
    browser = Plain(full_site)
    yield browser
    browser.http.close()


@pytest.fixture(scope="session")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    """A real headless Chromium of phone size. Where there is none the tests are skipped, and fail where CI=true."""
    binary = next((found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), None)
    driver = shutil.which("chromedriver")
    if binary is None or driver is None:
        not_tested("there is no Chromium with chromedriver, so the page was not tried in a browser; install chromium and chromium-driver")
    options = webdriver.ChromeOptions()
    options.binary_location = binary
    profile = tmp_path_factory.mktemp("chromium")
    for flag in ("--no-sandbox", "--headless", "--disable-gpu", "--disable-background-networking", f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.add_argument("--disable-dev-shm-usage")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    browser = webdriver.Chrome(options=options, service=ChromeService(driver))
    phone = {"width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", phone)
    browser.set_page_load_timeout(30)
    yield browser
    browser.quit()


@pytest.fixture(params=["with JavaScript", pytest.param("without JavaScript", marks=pytest.mark.full)])
def screen(request: pytest.FixtureRequest, chromium: webdriver.Chrome) -> Iterator[webdriver.Chrome]:
    """The phone's browser, with scripts of pages or without; the default tier sends each form without them, and without a browser."""
    off = request.param == "without JavaScript"
    chromium.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": off})
    yield chromium
    chromium.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


@pytest.fixture
def port() -> Iterator[str]:
    """A serial thermometer on a pty that sends a temperature ten times a second."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    stop = threading.Event()

    def send() -> None:
        while not stop.wait(0.1):
            os.write(ours, b"3.25\r\n")

    thread = threading.Thread(target=send, daemon=True)
    thread.start()
    yield os.ttyname(theirs)
    stop.set()
    thread.join(5)
    os.close(ours)
    os.close(theirs)
