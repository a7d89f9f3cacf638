"""A site for the page: real SQLite, writer, engine, alarms, deviations, intake, people and app, on a real server.

The pipeline is a double that judges with the real engine and stores with the store's own functions; it takes no
snapshots and judges everything again when an entry comes late. The invented day brings two lots of Ferncliff Yard.
"""

from __future__ import annotations

import asyncio
import functools
import os
import re
import shutil
import socket
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
import uvicorn
from argon2 import PasswordHasher
from fastapi import FastAPI
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from sqlalchemy import Connection, update

from monitor import ledger, links
from monitor import people as staff
from monitor.alarms.alarms import Alarms
from monitor.alarms.causes import from_finding
from monitor.api.app import create_app
from monitor.config import AlarmsConfig, Config, Person
from monitor.desk import Desk, Hand
from monitor.deviations import Deviations
from monitor.intake import Intake, IntakeLimits
from monitor.page import ROUTERS
from monitor.people import People
from monitor.store import events, readings
from monitor.store.database import Store
from monitor.store.readings import Arrival
from monitor.store.writer import Writer
from rules import history
from rules.engine import Engine
from rules.errors import LateEvent
from rules.finding import Finding
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.quantity import fahrenheit, parse_instant
from rules.reading import MINUTE, SECOND, Instant, LotEvent, Reading, Tick

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


class JudgingDouble:
    """Stores and judges in the caller's transaction, like the pipeline; see the module."""

    def __init__(self, plan: Plan, clock: Clock) -> None:
        self.plan, self.clock = plan, clock
        self.engine = Engine(plan)
        self.alarms: Any = None
        self.deviations: Any = None
        self._lock = threading.RLock()

    def event(self, conn: Connection, event: LotEvent) -> list[Finding]:
        with self._lock:
            if event.event == "undo":
                history.arrange([*(e.event for e in events.since(conn)), event])
            found = self._feed(conn, [event], stored=False)
            events.add(conn, event, self.clock())
            ledger.append(conn, "event", event._asdict(), event.at, event.by, entered_at=self.clock())
            return self._tell(conn, found)

    def process(self, conn: Connection, arrivals: Sequence[Arrival]) -> None:
        with self._lock:
            stored = readings.store(conn, arrivals)
            self._tell(conn, self._feed(conn, [one.item for one in stored if not one.future], stored=True))

    def tick(self, conn: Connection) -> None:
        with self._lock:
            self._tell(conn, self.engine.feed(Tick(self.clock())))

    def report(self) -> dict[str, Any]:
        with self._lock:
            return self.engine.report()

    def _feed(self, conn: Connection, items: Sequence[Any], *, stored: bool) -> list[Finding]:
        found: list[Finding] = []
        try:
            for item in items:
                found += self.engine.feed(item)
        except LateEvent:
            everything: list[Any] = [e.event for e in events.since(conn)]
            everything += [r.item for r in readings.between(conn, -1, 1 << 60)]
            again = Engine(self.plan)
            found = []
            for one in history.arrange([*everything, *([] if stored else items)]):
                found += again.feed(one)
            self.engine = again
        return found

    def _tell(self, conn: Connection, found: list[Finding]) -> list[Finding]:
        for finding in found:
            lot = self.engine.lots.get(finding.lot)
            product = lot.product.code if lot else ""
            cause = from_finding(finding, self.plan, product)
            if cause is not None:
                self.alarms.raise_(conn, cause, self.clock())
            self.deviations.open(conn, finding, self.plan, self.clock(), product)
        return found


@dataclass
class Site:
    """Everything of one site, and ways to come in."""

    store: Store
    writer: Writer
    plan: Plan
    clock: Clock
    pipeline: JudgingDouble
    desk: Desk
    people: People
    intake: Intake
    app: FastAPI
    link_secret: bytes
    url: str = ""

    def hand(self, role: str = "operator") -> Hand:
        return Hand(ROLES[role], role)

    def read(self, **values: float) -> None:
        """One reading of each named probe, in °F; an underscore stands for a dash."""
        items = [Reading(name.replace("_", "-"), self.clock(), fahrenheit(value)) for name, value in values.items()]
        self.intake.readings(items).result(10)

    def wait(self, minutes: float) -> None:
        """Let the service's time pass."""
        self.clock.now += int(minutes * MINUTE)

    def run(self, minutes: int, every_s: int = 60, **ends: tuple[float, float]) -> None:
        """Readings over a stretch, each probe going evenly from one temperature to another."""
        steps = minutes * 60 // every_s
        for n in range(1, steps + 1):
            self.clock.now += every_s * SECOND
            self.read(**{name: first + (last - first) * n / steps for name, (first, last) in ends.items()})

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


def _site(folder: Path, *, hired: bool) -> Iterator[Site]:
    clock = Clock(START)
    plan = load_plan(PLAN)
    persons = tuple(Person(name, role) for role, name in ROLES.items()) if hired else ()
    config = Config(folder / "larderer.toml", folder / "plan.toml", folder, persons=persons, alarms=AlarmsConfig(all_well=None))
    pipeline = JudgingDouble(plan, clock)
    secret = links.link_key(folder / "keys")

    def record(conn: Connection, kind: str, body: Any, at: Instant, by: str = "") -> object:
        return ledger.append(conn, kind, body, at, by, entered_at=clock())

    with Store(folder / "larderer.sqlite") as store, Writer(store) as writer:
        alarms = Alarms(config, plan.site, record)
        deviations = Deviations(config, record, alarms.reset, staff.workers)
        pipeline.alarms, pipeline.deviations = alarms, deviations
        intake = Intake(writer, pipeline.process, clock, IntakeLimits(probes=plan.probe_by_id))
        people = People(store, writer, clock)
        desk = Desk(store, writer, plan, pipeline, alarms, deviations, clock=clock, link_secret=secret)

        def hire(conn: Connection) -> None:
            staff.sync_people(conn, persons, clock())
            for name, word in SECRETS.items():
                conn.execute(update(staff.person).where(staff.person.c.name == name).values(secret_hash=hashed(word)))

        writer.submit(hire).result(10)

        def export(day: str) -> Path:
            path = folder / f"{day}.zip"
            path.write_bytes(b"PK\x05\x06" + bytes(18))
            return path

        app = create_app(desk, people, intake=intake, export=export, pages=ROUTERS)
        site = Site(store, writer, plan, clock, pipeline, desk, people, intake, app, secret)
        with Served(site):
            yield site
        intake.close()


class Served:
    """The site on a real server on loopback; sets its address."""

    def __init__(self, site: Site) -> None:
        self.site = site

    def __enter__(self) -> None:
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.server = uvicorn.Server(uvicorn.Config(self.site.app, log_level="warning", timeout_graceful_shutdown=5))
        self.thread = threading.Thread(target=lambda: asyncio.run(self.server.serve([self.listening])), daemon=True)
        self.thread.start()
        deadline = time.monotonic() + 20
        while not self.server.started and time.monotonic() < deadline:
            time.sleep(0.01)
        self.site.url = f"http://127.0.0.1:{self.listening.getsockname()[1]}"

    def __exit__(self, *_: object) -> None:
        self.site.app.state.feed.close()
        self.server.should_exit = True
        self.thread.join(20)
        self.listening.close()
        assert not self.thread.is_alive()


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    yield from _site(tmp_path, hired=True)


@pytest.fixture
def empty_site(tmp_path: Path) -> Iterator[Site]:
    """A site at its first run: nobody can sign in."""
    yield from _site(tmp_path, hired=False)


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
        return dict(re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', form[0]))

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


@pytest.fixture(scope="session")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    """A real headless Chromium of phone size. Where there is none the tests are skipped, and fail where CI=true."""
    binary = next((found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), None)
    driver = shutil.which("chromedriver")
    if binary is None or driver is None:
        text = "no Chromium with chromedriver on this machine: the page was NOT tested in a browser; install chromium and chromium-driver"
        if os.environ.get("CI") == "true":
            pytest.fail(text)
        pytest.skip(text)
    options = webdriver.ChromeOptions()
    options.binary_location = binary
    profile = tmp_path_factory.mktemp("chromium")
    for flag in ("--no-sandbox", "--headless", "--disable-gpu", "--disable-background-networking", f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.add_argument("--disable-dev-shm-usage")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    browser = webdriver.Chrome(options=options, service=Service(driver))
    phone = {"width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", phone)
    browser.set_page_load_timeout(30)
    yield browser
    browser.quit()
