"""A whole plant for the end-to-end tests: the real service with its page, over real SQLite, and two real telephones.

Its clock is the story's: it stands still until the test moves it, so that no test depends on how fast the machine is.
"""

from __future__ import annotations

import itertools
import threading
import warnings
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import func, select

from monitor import ledger, people
from monitor.alarms.tables import outbox
from monitor.config import AlarmsConfig, BellConfig, Config, Mqtt, Person, Rung, Secret, Server
from monitor.demo.site import Phones
from monitor.demo.story import StoryClock
from monitor.desk import Hand
from monitor.judge import judge
from monitor.service import Service
from monitor.store import events, readings
from probes.driver import Driver
from rules.plan_load import load_plan
from rules.quantity import fahrenheit, parse_instant
from rules.reading import MINUTE, Fault, Instant, LotEvent, Reading
from tests import waiting

START = parse_instant("2026-03-01T14:00:00-06:00")
EVENING = parse_instant("2026-03-02T19:00:00-06:00")
ODILE, TAM = Hand("Odile Marsh", "operator"), Hand("Tam Okafor", "reviewer")
WAIT_S = 60.0


class Plant:
    """One site. `drivers` are its wires; readings can also be handed to `send`, as a driver does."""

    def __init__(self, folder: Path, plan: str, start: Instant = START, *, mqtt: Mqtt | None = None) -> None:
        self.folder, self.clock = folder, StoryClock(start)
        (folder / "plan.toml").write_text(plan, encoding="utf-8")
        self.plan = load_plan(plan, "plan.toml")
        self.rung: list[tuple[str, str]] = []
        self.phones = Phones(lambda bell, title, body: self.rung.append((bell, body)))
        self.phones.start()
        bells = tuple(BellConfig(name, url=Secret(f"json://127.0.0.1:{self.phones.port}/{name}")) for name in ("odile-phone", "tam-phone"))
        self.config = Config(
            folder / "larderer.toml", folder / "plan.toml", folder / "data", Server(port=0), mqtt=mqtt,
            persons=(Person("Odile Marsh", "operator", ("odile-phone",)), Person("Tam Okafor", "reviewer", ("tam-phone",))),
            bells=bells,
            escalation=(Rung(0, persons=("Odile Marsh",)), Rung(10 * MINUTE, persons=("Tam Okafor",), at_least="high")),
            alarms=AlarmsConfig(all_well=None),
        )  # fmt: skip
        (folder / "larderer.toml").write_text('plan = "plan.toml"\n', encoding="utf-8")  # the export's process reads this one
        self._page: threading.Thread | None = None

    def up(self, drivers: Sequence[Driver] = (), *, page: bool = False) -> Plant:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)  # sdnotify drops its socket unclosed where no service manager listens
            self.service = Service(self.config, clock=self.clock, drivers=drivers, tick_s=3600.0, exports=False)
        self.service.start()
        if page:
            self._page = threading.Thread(target=self.service.run_server, daemon=True)
            self._page.start()
            waiting.until(lambda: self.service.answering, "the page")
        return self

    def down(self) -> None:
        """Stop the service; the data folder stays."""
        if self._page is not None:
            self.service.stop()
            self._page.join(WAIT_S)
            assert not self._page.is_alive()
            self._page = None
        else:
            self.service.close()

    def close(self) -> None:
        if hasattr(self, "service"):
            self.down()
        self.phones.close()

    def device(self) -> httpx.Client:
        """A machine with a token of its own."""
        token = self.service.writer.submit(lambda conn: people.add_device(conn, "gateway", "probe", self.clock())).result(WAIT_S)
        return httpx.Client(base_url=self.service.url(), headers={"Authorization": f"Bearer {token}"}, timeout=WAIT_S)

    # --- the story -----------------------------------------------------------------------------------------------

    def send(self, items: Sequence[Reading | Fault]) -> object:
        return self.service.intake.readings(items)

    def settled(self) -> int:
        counts = dict(self.service.intake.counts)
        return sum(counts.values()) - counts.get("duplicate", 0)

    def rush(self, items: Sequence[Any], send: Callable[[Sequence[Any]], object] | None = None) -> None:
        """Tell a story as fast as it goes: everything read before an entry is judged before the entry is made."""
        waiting: list[Any] = []
        for item in items:
            if isinstance(item, LotEvent):
                self.hand_over(waiting, send)
                waiting = []
                self.clock.move(item.at)
                self.act(item)
            else:
                waiting.append(item)
        self.hand_over(waiting, send)

    def hand_over(self, items: Sequence[Any], send: Callable[[Sequence[Any]], object] | None = None) -> None:
        if not items:
            return
        before = self.settled()
        self.clock.move(items[-1].at)
        (send or self.send)(items)

        def durable() -> bool:
            self.service.writer.submit(lambda conn: None).result(WAIT_S)  # somebody waits, so what is written is committed now
            return self.settled() >= before + len(items) and self.service.pipeline.judging.late is None  # what came late is judged, too

        waiting.until(durable, f"{len(items)} readings")

    def act(self, event: LotEvent) -> None:
        desk, lot, name = self.service.desk, event.lot, event.name
        if event.event == "start":
            desk.start_lot(ODILE, name, lot=lot)
        elif event.event == "step":
            if desk.lot(lot)["steps_now"] != [name]:
                desk.step(ODILE, lot, name)
        elif event.event == "place":
            desk.place(ODILE, lot, name)
        elif event.event == "remove":
            desk.remove(ODILE, lot, name, event.value)
        elif event.event == "check":
            desk.check(ODILE, lot, name, event.value)
        elif event.event == "measure":
            desk.measure(ODILE, lot, name, event.value)
        else:
            assert event.event == "end"
            desk.end(ODILE, lot)

    def tick(self, at: Instant | None = None) -> None:
        """Time has moved on, as the service's ticker finds; what is to be told is delivered before time moves again."""
        if at is not None:
            self.clock.move(at)
        self.service.writer.submit(lambda conn: self.service.pipeline.tick(conn, self.clock())).result(WAIT_S)
        self.service.courier.wake()
        waiting.until(lambda: not self.undelivered(), "every message delivered")

    def undelivered(self) -> int:
        with self.service.store.read() as conn:
            return int(conn.scalar(select(func.count()).select_from(outbox).where(outbox.c.state == "waiting")) or 0)

    # --- what became of it ---------------------------------------------------------------------------------------

    def report(self) -> dict[str, Any]:
        return self.service.pipeline.report()

    def items(self) -> list[Reading | Fault]:
        with self.service.store.read() as conn:
            return [one.item for one in readings.between(conn, -1, 1 << 60)]

    def entries(self) -> list[LotEvent]:
        with self.service.store.read() as conn:
            return [one.event for one in events.since(conn)]

    def judged_again(self) -> dict[str, Any]:
        """What a clean offline judge makes of everything that is stored, without what it predicts beside the verdicts."""
        return self.without_predictions(judge(self.plan, [*self.entries(), *self.items()]))

    @staticmethod
    def without_predictions(found: dict[str, Any]) -> dict[str, Any]:
        """A judgement made from files, without the growth that is predicted beside its verdicts: the running engine predicts none."""
        for lot in found["lots"]:
            lot["limits"] = [{k: v for k, v in one.items() if k != "growth"} for one in lot["limits"]]
        return found

    def records(self, kind: str) -> list[dict[str, Any]]:
        with self.service.store.read() as conn:
            return [dict(entry.body) for entry in ledger.entries(conn, kind=kind)]

    def standing(self) -> dict[str, dict[str, Any]]:
        return {one["key"]: one for one in self.service.desk.alarms()}

    def sound(self) -> None:
        """The ledger verifies and no finding stands in it twice."""
        with self.service.store.read() as conn:
            assert ledger.verify(conn) == []
        found = [tuple(sorted((k, v) for k, v in one.items() if k != "known_at")) for one in self.records("finding")]
        assert len(found) == len(set(found))


@pytest.fixture(scope="module")
def cook_plan() -> str:
    """One product: cooked, rested in the same house, chilled in another room; cooling runs over the last two."""
    return (Path(__file__).parent / "night.toml").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def night() -> list[Reading]:
    """Its core from 19:00 on, once a minute: 145 °F at 20:20 and held, last at 130 °F at 20:52, cold by the morning."""
    curve = [(0, 90.0), (80, 145.0), (90, 150.0), (112, 130.0), (154, 100.0), (260, 81.0), (300, 79.0), (700, 38.0)]
    out = []
    for minute in range(701):
        (m0, f0), (m1, f1) = next(pair for pair in itertools.pairwise(curve) if pair[0][0] <= minute <= pair[1][0])
        out.append(Reading("core-1", EVENING + minute * MINUTE, fahrenheit(f0 + (f1 - f0) * (minute - m0) / (m1 - m0))))
    return out


@pytest.fixture(scope="module")
def plants(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Plant]]:
    """Makes plants that stay until the module's tests are done."""
    made: list[Plant] = []

    def make(plan: str, **more: Any) -> Plant:
        made.append(Plant(tmp_path_factory.mktemp("plant"), plan, **more))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Callable[..., Plant]]:
    """Makes plants for one test."""
    made: list[Plant] = []

    def make(plan: str, **more: Any) -> Plant:
        folder = tmp_path / f"plant-{len(made)}"
        folder.mkdir()
        made.append(Plant(folder, plan, **more))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture(scope="module")
def until() -> Callable[..., None]:
    return waiting.until
