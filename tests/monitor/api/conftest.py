"""A whole site without its wiring: real SQLite, writer, engine, alarms, deviations, intake and people, and the app over them.

Only the pipeline is a double: it judges with the real engine and stores with the store's own functions, but
it rebuilds the engine from everything stored whenever an entry comes late, and takes no snapshots.
"""

from __future__ import annotations

import asyncio
import functools
import socket
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest
import uvicorn
from argon2 import PasswordHasher
from fastapi import FastAPI
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
from rules.quantity import parse_instant
from rules.reading import Instant, LotEvent

PLAN = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"

[[probe]]
id = "core-1"
place = "core"
uncertainty = "0.5 °F"

[[probe]]
id = "core-2"
place = "core"
uncertainty = "0.5 °F"

[[probe]]
id = "house-air"
place = "chamber"
uncertainty = "1 °F"

[[product]]
code = "juniper-links"
name = "Juniper venison-and-pork links"
cured = true

[[product.step]]
name = "grind"

[[product.step.limit]]
name = "grind cold"
kind = "ceiling"
place = "core"
max = "40 °F"
source = "invented for this test"
do = ["Stop and re-chill the meat."]

[[product.step]]
name = "rest"

[[product.step.limit]]
name = "rest cold"
kind = "ceiling"
place = "core"
max = "40 °F"
source = "invented for this test"
"""

START = parse_instant("2026-03-02T13:00:00-06:00")
SECRETS = {"Odile Marsh": "juniper-9", "Tam Okafor": "sage-1234", "Rowan Inspector": "ledger-77"}
ROLES = {"operator": "Odile Marsh", "reviewer": "Tam Okafor", "inspector": "Rowan Inspector"}


@functools.cache
def hashed(secret: str) -> str:
    """The Argon2id hash of a secret."""
    return PasswordHasher(time_cost=2, memory_cost=19 * 1024, parallelism=1).hash(secret)


class Clock:
    """The service's time, moved by the test."""

    def __init__(self, now: Instant) -> None:
        self.now = now

    def __call__(self) -> Instant:
        return self.now

    def pass_(self, span: int) -> None:
        self.now += span


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
            self._check_first(conn, event)
            found = self._feed(conn, [event], stored=False)
            events.add(conn, event, self.clock())
            ledger.append(conn, "event", event._asdict(), event.at, event.by, entered_at=self.clock())
            return self._tell(conn, found)

    def process(self, conn: Connection, arrivals: Sequence[Arrival]) -> None:
        with self._lock:
            stored = readings.store(conn, arrivals)
            self._tell(conn, self._feed(conn, [one.item for one in stored if not one.future], stored=True))

    def forecasts(self) -> dict[str, list[dict[str, Any]]]:
        """Where the cores of each lot are heading."""
        return {lot.id: lot.forecast.view() for lot in self.engine.lots.values() if lot.ended is None}

    def report(self) -> dict[str, Any]:
        with self._lock:
            return self.engine.report()

    def _check_first(self, conn: Connection, event: LotEvent) -> None:
        if event.event == "undo":
            history.arrange([*(e.event for e in events.since(conn)), event])

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

    folder: Path
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
    exported: list[str] = field(default_factory=list)

    def hand(self, role: str = "operator", key: Any = None) -> Hand:
        return Hand(ROLES.get(role, role), role, key)

    def read(self, probe: str, fahrenheit: float, at: Instant | None = None) -> None:
        """One reading, durable."""
        from rules.quantity import fahrenheit as celsius
        from rules.reading import Reading

        self.intake.readings([Reading(probe, self.clock() if at is None else at, celsius(fahrenheit))]).result(10)

    def client(self) -> httpx.AsyncClient:
        """A browser on this machine, not signed in."""
        transport = httpx.ASGITransport(self.app, client=("127.0.0.1", 5000), raise_app_exceptions=False)
        return httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1")

    async def signed_in(self, role: str) -> httpx.AsyncClient:
        """A browser with a session of that role; for `probe` and `metrics`, a machine with its token."""
        client = self.client()
        if role in ("probe", "metrics"):
            token = self.writer.submit(lambda c: staff.add_device(c, f"{role}-{self.clock.now}", role, self.clock())).result(10)
            self.clock.pass_(1)
            client.headers["Authorization"] = f"Bearer {token}"
            return client
        name = ROLES[role]
        answer = await client.post("/api/v1/session", json={"name": name, "secret": SECRETS[name]})
        assert answer.status_code == 200, answer.text
        client.headers["X-Form-Token"] = answer.json()["form_token"]
        return client


@pytest.fixture
def site(tmp_path: Path, database: str) -> Iterator[Site]:
    clock = Clock(START)
    plan = load_plan(PLAN)
    persons = tuple(Person(name, role) for role, name in ROLES.items())
    config = Config(tmp_path / "larderer.toml", tmp_path / "plan.toml", tmp_path, persons=persons, alarms=AlarmsConfig(all_well=None))
    pipeline = JudgingDouble(plan, clock)
    secret = links.link_key(tmp_path / "keys")

    def record(conn: Connection, kind: str, body: Any, at: Instant, by: str = "") -> object:
        return ledger.append(conn, kind, body, at, by, entered_at=clock())

    with Store(database) as store, Writer(store) as writer:
        alarms = Alarms(config, plan.site, record)
        deviations = Deviations(config, record, alarms.reset, staff.workers)
        pipeline.alarms, pipeline.deviations = alarms, deviations
        intake = Intake(writer, pipeline.process, clock, IntakeLimits(probes=plan.probe_by_id))
        people = People(store, writer, clock)
        desk = Desk(store, writer, plan, pipeline, alarms, deviations, clock=clock, link_secret=secret)

        def hire(conn: Connection) -> None:
            staff.sync_people(conn, persons, clock())
            for name, word in SECRETS.items():  # hashed once for all tests: each hash takes its time, as it should
                conn.execute(update(staff.person).where(staff.person.c.name == name).values(secret_hash=hashed(word)))

        writer.submit(hire).result(10)
        exported: list[str] = []

        def export(day: str) -> Path:
            exported.append(day)
            path = tmp_path / f"{day}.zip"
            path.write_bytes(b"PK\x05\x06" + bytes(18))
            return path

        app = create_app(desk, people, intake=intake, export=export)
        yield Site(tmp_path, store, writer, plan, clock, pipeline, desk, people, intake, app, secret, exported)
        intake.close()


@pytest.fixture
def served(site: Site) -> Iterator[str]:
    """The site on a real server on loopback; its address."""
    listening = socket.create_server(("127.0.0.1", 0))
    listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # as the service's own
    server = uvicorn.Server(uvicorn.Config(site.app, log_level="warning", log_config=None, timeout_graceful_shutdown=5))
    thread = threading.Thread(target=lambda: asyncio.run(server.serve([listening])), daemon=True)
    thread.start()
    deadline = time.monotonic() + 20
    while not server.started and time.monotonic() < deadline:
        time.sleep(0.01)
    yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    site.app.state.feed.close()
    server.should_exit = True
    thread.join(20)
    listening.close()
    assert not thread.is_alive()
