"""Power loss: the whole service killed (`kill -9`) at random moments while the demo day comes in over HTTP.

After each blow and at the end: every acknowledged reading, entry, finding, alarm and record is there, the chain
verifies, nothing is judged twice, and the verdicts are those of a clean judge over what is stored.
"""

import contextlib
import os
import random
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import httpx
import pytest

from monitor import ledger
from monitor.alarms.causes import from_finding
from monitor.alarms.tables import alarm, outbox
from monitor.config import load_config
from monitor.demo.day import verdicts
from monitor.demo.site import Phones, demo_plan
from monitor.judge import judge
from monitor.service import Service
from monitor.store import events, readings
from monitor.store.database import Store
from probes.simulator import Simulator
from rules.finding import Finding
from rules.plan_load import load_plan
from rules.quantity import format_instant, parse_instant
from rules.reading import MINUTE, Fault, LotEvent, Reading

START = parse_instant("2026-03-01T14:00:00-06:00")
HERE = Path(__file__).parent
CONFIG = """
plan = "plan.toml"
data = "data"
[server]
port = 0
[[bell]]
id = "odile-phone"
url = "json://127.0.0.1:{phone}/odile-phone"
[[person]]
name = "Odile Marsh"
role = "operator"
bells = ["odile-phone"]
[[person]]
name = "Tam Okafor"
role = "reviewer"
[[escalation]]
after = "0 min"
persons = ["Odile Marsh"]
[alarms]
all_well = ""
"""


class Killed(Exception):
    """The service died before it answered."""


class Mortal:
    """The service in a child process, and a sender that keeps what was not acknowledged and sends it again."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.child, self.client = folder, None, None
        self.now, self.key = START, 0
        self.acknowledged: list[Any] = []
        self._session: dict[str, str] = {}

    def start(self) -> None:
        command = [sys.executable, str(HERE / "mortal.py"), str(self.folder / "larderer.toml"), str(self.now), str(self.folder / "token")]
        env = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
        log = (self.folder / "child.log").open("ab")
        self.child = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log, text=True, env=env)
        log.close()
        url = self.line()
        token = (self.folder / "token").read_text(encoding="utf-8")
        self.client = httpx.Client(base_url=url, timeout=60.0)
        self.bearer = {"Authorization": f"Bearer {token}"}

    def line(self) -> str:
        assert self.child is not None
        assert self.child.stdout is not None
        line = self.child.stdout.readline()
        if not line:
            raise Killed
        return line.strip()

    def tell_time(self, at: int) -> None:
        assert self.child is not None
        assert self.child.stdin is not None
        self.now = max(self.now, at)
        try:
            self.child.stdin.write(f"{self.now}\n")
            self.child.stdin.flush()
        except OSError:
            raise Killed from None
        if self.line() != "ok":
            raise Killed

    def post(self, path: str, body: Any, headers: dict[str, str]) -> httpx.Response:
        assert self.client is not None
        try:
            return self.client.post(path, json=body, headers=headers)
        except httpx.HTTPError:
            raise Killed from None

    def readings(self, items: Sequence[Reading | Fault]) -> None:
        body = [
            {"probe": item.probe, "time": format_instant(item.at)}
            | ({"value": item.celsius} if isinstance(item, Reading) else {"quality": "fault", "reason": item.reason, "value": item.raw})
            for item in items
        ]
        answer = self.post("/api/v1/readings", body, self.bearer)
        assert answer.status_code == 200, answer.text
        assert set(answer.json()["counts"]) <= {"stored", "duplicate"}, answer.text
        self.acknowledged += items

    def entry(self, event: LotEvent, key: str) -> None:
        """Make an entry as Odile; sent again with the same key it is made once."""
        lot = f"/api/v1/lots/{event.lot}"
        path, body = {
            "start": ("/api/v1/lots", {"product": event.name, "lot": event.lot}),
            "step": (f"{lot}/steps", {"step": event.name}),
            "place": (f"{lot}/placements", {"probe": event.name}),
            "remove": (f"{lot}/placements", {"probe": event.name, "reason": event.value}),
            "check": (f"{lot}/checks", {"place": event.name, "value": event.value}),
            "end": (f"{lot}/end", {}),
        }[event.event]
        answer = self.post(path, body, {**self.signed_in(), "Idempotency-Key": key})
        assert answer.status_code in (200, 201), answer.text
        self.acknowledged.append(event)

    def signed_in(self) -> dict[str, str]:
        """The headers of Odile's session, which outlives the service."""
        if not self._session:
            answer = self.post("/api/v1/session", {"name": "Odile Marsh", "secret": "juniper-9"}, {})
            assert answer.status_code == 200, answer.text
            cookie = "; ".join(f"{name}={value}" for name, value in answer.cookies.items())
            self._session = {"Cookie": cookie, "X-Form-Token": answer.json()["form_token"]}
        assert self.client is not None
        self.client.cookies.clear()
        return self._session

    def kill(self) -> None:
        if self.child is not None:
            self.child.kill()
            self.child.wait(20)
            for stream in (self.child.stdin, self.child.stdout):
                if stream is not None:
                    with contextlib.suppress(OSError):  # what was left to write went nowhere, as it should
                        stream.close()
            self.child = None
        if self.client is not None:
            self.client.close()
            self.client = None


def work(mortal: Mortal, items: list[Any], done: int) -> int:
    """Hand over from item `done` on until killed; how many were acknowledged then. Raises nothing when all are done."""
    while done < len(items):
        item = items[done]
        try:
            if isinstance(item, LotEvent):
                mortal.tell_time(item.at)
                mortal.entry(item, f"entry-{done}")
                done += 1
                continue
            end = done
            while end < len(items) and not isinstance(items[end], LotEvent) and items[end].at <= mortal.now + 2 * MINUTE:
                end += 1
            mortal.readings(items[done:end])
            mortal.tell_time(items[end - 1].at)
            done = end
        except Killed:
            return done
    return done


def check(store: Store, acknowledged: list[Any]) -> None:
    """What was acknowledged is there, the chain is sound, no finding stands twice, and each finding that must ring has its alarm."""
    plan = load_plan(demo_plan(), "plan.toml")
    with store.read() as conn:
        assert ledger.verify(conn) == []
        stored = {(one.item.probe, one.item.at, getattr(one.item, "celsius", None)) for one in readings.between(conn, -1, 1 << 60)}
        assert {(a.probe, a.at, getattr(a, "celsius", None)) for a in acknowledged if not isinstance(a, LotEvent)} <= stored
        entered = [(e.event.at, e.event.event, e.event.lot, e.event.name) for e in events.since(conn)]
        assert len(entered) == len(set(entered)), "no entry was made twice"
        assert {(a.event, a.lot, a.name) for a in acknowledged if isinstance(a, LotEvent)} <= {e[1:] for e in entered}
        found = [Finding(**{name: entry.body[name] for name in Finding._fields}) for entry in ledger.entries(conn, kind="finding")]
        assert len({f[:-1] for f in found}) == len(found), "nothing is judged twice"
        products = {e.event.lot: e.event.name for e in events.since(conn) if e.event.event == "start"}
        causes = [from_finding(f, plan, products.get(f.lot, "")) for f in found]
        rung = {row.key: row for row in conn.execute(alarm.select())}
        assert {cause.key for cause in causes if cause is not None} <= rung.keys(), "no alarm is lost"
        told = {row.alarm_id for row in conn.execute(outbox.select().where(outbox.c.kind == "alarm"))}
        assert {row.id for row in rung.values() if row.told} <= told
        records = [entry.body for entry in ledger.entries(conn, kind="deviation") if entry.body["what"] == "opened"]
        critical = {(f.lot, f.limit) for f in found if f.critical and f.what in ("deviated", "unproven")}
        assert {(one["lot"], one["limit"]) for one in records} == critical
        assert len(records) == len(critical), "one record for each"


def lose_power(folder: Path, blows: int, seed: int, hours: int) -> None:
    """Play so many hours of the day with so many blows, from before the morning's cook on."""
    simulator = Simulator("ferncliff-day", 2, START, period_s=60)
    told = simulator.step_until(START + hours * 60 * MINUTE)
    starts = {(one.lot, one.at) for one in told if isinstance(one, LotEvent) and one.event == "start"}
    # A lot's start enters its first step by itself.
    items = [one for one in told if not (isinstance(one, LotEvent) and one.event == "step" and (one.lot, one.at) in starts)]
    chance = random.Random(seed)
    heard: list[str] = []
    phones = Phones(lambda bell, title, body: heard.append(body))
    phones.start()
    (folder / "plan.toml").write_text(demo_plan(), encoding="utf-8")
    (folder / "larderer.toml").write_text(CONFIG.format(phone=phones.port), encoding="utf-8")
    mortal, done = Mortal(folder), 0
    try:
        for blow in range(blows + 1):
            mortal.start()
            if blow < blows:
                share = len(items) * (blow + 1) // (blows + 1)
                # Where in its work the blow falls is left to chance: after this much of the story, and then some time.
                done = work(mortal, items[: max(share, done)], done)
                killer = threading.Timer(chance.uniform(0.0, 0.3), lambda child=mortal.child: child.kill())  # type: ignore[misc]
                killer.start()
                before = done
                while mortal.child is not None and mortal.child.poll() is None and done < len(items):
                    done = work(mortal, items[: min(len(items), done + 200)], done)
                killer.join()
                assert done >= before
            else:
                done = work(mortal, items, done)
                assert done == len(items)
                time.sleep(0.2)
            mortal.kill()
            with Store(folder / "data" / "larderer.sqlite") as store:
                check(store, mortal.acknowledged)
        service = Service(
            load_config(folder / "larderer.toml", check_bells=False), clock=lambda: mortal.now, drivers=(), tick_s=3600.0, exports=False
        )
        service.start()
        try:
            with service.store.read() as conn:
                everything = [*(e.event for e in events.since(conn)), *(r.item for r in readings.between(conn, -1, 1 << 60))]
            again = judge(service.plan, everything)
            assert verdicts(service.pipeline.report()) == verdicts(again)
            assert len(verdicts(again)) > 10
            sent = {item for item in items if isinstance(item, Reading)}
            assert {item for item in everything if isinstance(item, Reading)} == sent
        finally:
            service.close()
        assert any("limit not met" in body for body in heard), "the telephone was told"
    finally:
        mortal.kill()
        phones.close()
    log = (folder / "child.log").read_text(encoding="utf-8", errors="replace")
    assert "Traceback" not in log, log[-3000:]


@pytest.mark.filterwarnings("ignore::ResourceWarning")  # sdnotify drops its socket unclosed where no service manager listens
def test_killed_service_loses_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    """A blow while the grind warms, and one after everything is told."""
    lose_power(tmp_path, blows=1, seed=1, hours=2)


@pytest.mark.full
@pytest.mark.timeout(1800)
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_service_killed_fifty_times_loses_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    """Fifty blows over the whole day: cook, cooling, deviations and alarms."""
    lose_power(tmp_path, blows=50, seed=5, hours=25)
