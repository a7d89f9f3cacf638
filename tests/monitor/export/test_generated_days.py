"""Generated days through the whole live pipeline: what is exported of them is judged again, byte for byte, and as it was found live."""

from __future__ import annotations

import json
import random
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from typer.testing import CliRunner

from monitor.cli import app
from monitor.config import AlarmsConfig, Config, Person, Server
from monitor.days import day_span
from monitor.errors import RefusedError
from monitor.export.day import Exported, export_day
from monitor.export.verify import check_folder
from monitor.service import Service
from rules.errors import EventError, PlanError
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.quantity import local
from rules.reading import HOUR, MINUTE, SECOND, Event, Instant, LotEvent
from tests.plain.plan_text import plan_text
from tests.plain.scenarios import seeded
from tests.plain.telling import verdicts

#: Seeds from here on whose plan can be written down as a file; the others ask for what no plan file may.
FIRST = 5000


class Coming(NamedTuple):
    """An event and when it comes to the service."""

    at: Instant
    event: Event


def coming(events: tuple[Event, ...], chosen: random.Random) -> list[Coming]:
    """Readings a second after they were taken, some minutes later at times; what people enter when they enter it."""
    found = []
    for e in events:
        if isinstance(e, LotEvent):
            found.append(Coming(e.at if e.entered is None else max(e.at, e.entered), e))
        else:
            held = chosen.randrange(20 * MINUTE) if chosen.random() < 0.03 else 0
            found.append(Coming(e.at + SECOND + held, e))
    return sorted(found, key=lambda c: c.at)


@dataclass
class Run:
    """A service that lives through a scenario, by a clock that the scenario moves, and exports its days."""

    folder: Path
    text: str
    now: Instant = 0
    refused: int = 0
    restarts: int = 0
    made: list[Exported] = field(default_factory=list)
    live: dict[Path, dict[str, Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.plan: Plan = load_plan(self.text)
        (self.folder / "plan.toml").write_text(self.text, encoding="utf-8")
        data = self.folder / "data"
        self.config = Config(
            self.folder / "larderer.toml", self.folder / "plan.toml", data, Server(port=0),
            persons=(Person("Odile Marsh", "operator"),), alarms=AlarmsConfig(all_well=None),
        )  # fmt: skip

    def start(self) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)  # sdnotify drops its socket unclosed where no service manager listens
            self.service = Service(self.config, clock=lambda: self.now, drivers=(), tick_s=3600.0, exports=False)
        self.service.start()

    def live_through(self, arrivals: list[Coming], chosen: random.Random) -> None:
        """Everything as it comes, a few readings at a time, with a tick now and then, a restart, and each day's export past midnight."""
        self.now = arrivals[0].at - MINUTE
        self.start()
        midnight = self.midnight()
        waiting: list[Event] = []
        for n, (at, event) in enumerate(arrivals):
            if at >= midnight + 5 * MINUTE:
                self.send(waiting)
                self.now = midnight + 5 * MINUTE
                self.export(midnight - HOUR)
                midnight = self.midnight()
            if isinstance(event, LotEvent):
                self.send(waiting)
                self.enter(at, event)
                continue
            waiting.append(event)
            self.now = max(self.now, at)
            if chosen.random() < 0.2 or (n + 1 < len(arrivals) and arrivals[n + 1].at > at + 2 * MINUTE):
                self.send(waiting)
            if chosen.random() < 0.05:
                self.send(waiting)
                self.tick()
            if chosen.random() < 0.004:
                self.send(waiting)
                self.service.close()
                self.start()
                self.restarts += 1
            if chosen.random() < 0.004:
                self.send(waiting)
                self.export(self.now)
        self.send(waiting)
        self.export(self.now)
        self.now = self.midnight() + 5 * MINUTE
        self.export(self.now - HOUR)

    def midnight(self) -> Instant:
        """The end of the local day of now."""
        return day_span(self.day(self.now), self.plan.site.zone)[1]

    def day(self, at: Instant) -> str:
        return local(at, self.plan.site.zone).date().isoformat()

    def send(self, waiting: list[Event]) -> None:
        if waiting:
            self.service.intake.readings(waiting).result(30)  # type: ignore[arg-type]  # lot events never wait
            waiting.clear()

    def enter(self, at: Instant, event: LotEvent) -> None:
        self.now = max(self.now, at)
        try:
            self.service.writer.submit(lambda conn: self.service.pipeline.event(conn, event)).result(30)
        except (EventError, RefusedError):  # the engine has moved the lot on by itself, say: it is not stored, and was told
            self.refused += 1

    def tick(self) -> None:
        self.service.writer.submit(lambda conn: self.service.pipeline.tick(conn, self.now)).result(30)

    def export(self, at: Instant) -> None:
        """Export the local day of an instant, held against what the service says at this moment.

        A moment later than what came last, since the live report waits for readings of the instant at which a lot ended.
        """
        self.now += 1
        self.tick()
        while self.service.judging.late is not None:
            self.service.writer.submit(self.service.pipeline.catch_up).result(30)
        live = self.service.pipeline.report()
        made = export_day(
            self.service.store, self.day(at), self.folder / "exports", self.service.key, now=self.now, live=live, program="larderer test"
        )
        self.made.append(made)
        self.live.setdefault(made.path, live)


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Callable[[int], Run]]:
    """Lives through the scenario of a seed."""
    begun: list[Run] = []

    def live(seed: int) -> Run:
        chosen = random.Random(seed)
        scenario = seeded(seed)
        folder = tmp_path / str(seed)
        folder.mkdir()
        one = Run(folder, plan_text(scenario.plan))
        begun.append(one)
        one.live_through(coming(scenario.events, chosen), chosen)
        return one

    yield live
    for one in begun:
        one.service.close()


def seeds(count: int) -> list[int]:
    """So many seeds whose plan a file can hold."""
    found, seed = [], FIRST
    while len(found) < count:
        try:
            load_plan(plan_text(seeded(seed).plan))
            found.append(seed)
        except PlanError:
            pass
        seed += 1
    return found


def judged_again(folder: Path) -> bytes:
    """What the command says of an export folder."""
    files = [str(folder / name) for name in ("plan.toml", "readings.csv")]
    done = CliRunner().invoke(app, ["judge", *files, "--events", str(folder / "events.csv"), "--json"])
    assert done.exit_code in (0, 1, 3), done.output
    return done.stdout_bytes


def ended_lots(report: dict[str, Any], folder: Path) -> dict[str, str]:
    """Every line of the verdicts of lots that had ended in the files."""
    rows = (folder / "events.csv").read_text(encoding="utf-8").splitlines()[1:]
    ended = {row.split(",")[2] for row in rows if row.split(",")[1] == "end"}
    return verdicts({"standing": [], "lots": [lot for lot in report["lots"] if lot["lot"] in ended]})


def check(one: Run, seen: Counter[str]) -> None:
    """Each export of a run: judged again byte for byte, as it was found live, sound to the verifier."""
    for made in one.made:
        folder = made.path
        text = (folder / "lots.json").read_bytes()
        assert judged_again(folder) == text, folder
        report = json.loads(text)
        assert ended_lots(report, folder) == ended_lots(one.live[folder], folder), folder
        assert check_folder(folder).wrong == [], folder
        seen.update({"exports": 1, "revisions": made.revision > 1, "readings": (folder / "readings.csv").read_bytes().count(b"\n") - 1})
        seen.update(limit["verdict"] for lot in report["lots"] for limit in lot["limits"])
        seen.update(limit["kind"] for lot in report["lots"] for limit in lot["limits"])
        seen["lots ended"] += bool(ended_lots(report, folder))
    seen.update({"refused": one.refused, "restarts": one.restarts})


def test_five_generated_days_are_judged_again_byte_for_byte(run: Callable[[int], Run]) -> None:
    """Live through the service and its store, with late readings and restarts; `larderer judge` on each folder gives its lots.json."""
    seen: Counter[str] = Counter()
    for seed in seeds(5):
        check(run(seed), seen)
    assert seen["lots ended"] >= 3
    assert seen["deviated"]
    assert seen["met"]


@pytest.mark.parametrize(
    "seed",
    [
        pytest.param(5008, marks=pytest.mark.full),  # the cook is left with no probe in the lot, and entered again with one
        pytest.param(
            5039, marks=pytest.mark.full
        ),  # the first wet-bulb reading of a lot of the evening before goes with a dry-bulb reading from before its start
        5127,  # a probe was placed twice for one limit, and what closed its first stay was written down an hour late
    ],
)
def test_generated_day_that_once_did_not_repeat_is_judged_again_byte_for_byte(run: Callable[[int], Run], seed: int) -> None:
    """Three that were found among the hundred."""
    check(run(seed), Counter())


@pytest.mark.full
@pytest.mark.timeout(1800)
def test_hundred_generated_days_are_judged_again_byte_for_byte(run: Callable[[int], Run], capsys: pytest.CaptureFixture[str]) -> None:
    """A hundred of them, in which every kind of limit and every verdict stands."""
    seen: Counter[str] = Counter()
    for seed in seeds(100):
        one = run(seed)
        check(one, seen)
        one.service.close()
    with capsys.disabled():
        print("\n ", dict(seen), end="")
    for name in (
        "met",
        "deviated",
        "unproven",
        "open",
        "restarts",
        "revisions",
        "cooling",
        "lethality",
        "degree-hours",
        "humidity",
        "profile",
    ):
        assert seen[name], name
