"""Killed at write 1, 2, 3 … until the service survives.

What was acknowledged is there, the chain verifies, no message is lost or invented.
"""

import os
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from monitor import ledger
from monitor.alarms.tables import alarm, outbox
from monitor.store import events, readings
from monitor.store.database import Store
from monitor.store.schema import lot_event

HERE = Path(__file__).parent
ROOT = HERE.parents[1]


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.full)])
def engine(request: pytest.FixtureRequest) -> str:
    """A sample on SQLite in the default tier, everything on both in the full one."""
    return str(request.param)


@dataclass
class Life:
    """What one child said: the lines it was answered with, and how it ended (-9: killed, 0: survived)."""

    said: list[str]
    ended: int

    def numbers(self, what: str) -> set[int]:
        """The numbers said with that word."""
        return {int(line.split()[1]) for line in self.said if line.startswith(f"{what} ")}


class Zygote:
    """The program that forks a child for each life."""

    def __init__(self) -> None:
        command = [sys.executable, str(HERE / "crash_load.py")]
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment, text=True)

    def live(self, moment: int, folder: Path, url: str, how: str = "die", on_line: Callable[[str], None] = lambda _line: None) -> Life:
        """One life, until its end."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{moment} {how} {folder} {url}\n")
        self._process.stdin.flush()
        said: list[str] = []
        for line in self._process.stdout:
            if line.startswith("end "):
                return Life(said, int(line.split()[1]))
            said.append(line.strip())
            on_line(line.strip())
        raise AssertionError("the program that forks ended")

    def close(self) -> None:
        """End it."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(60)
        self._process.stdout.close()


@contextmanager
def zygote() -> Iterator[Zygote]:
    running = Zygote()
    try:
        yield running
    finally:
        running.close()


def told(folder: Path) -> list[str]:
    """The message ids that the bell was rung with."""
    paper = folder / "told.txt"
    return paper.read_text().split() if paper.exists() else []


def check_kept(url: str, folder: Path, life: Life) -> set[str]:
    """After a crash: acknowledged evidence is there, the chain verifies, nothing was told that is not on record; what is marked sent."""
    with Store(url) as store, store.read() as conn:
        assert ledger.verify(conn) == []
        assert life.numbers("reading") <= {found.item.at for found in readings.between(conn, 0, 2**62)}
        entered = {f"event {row.lot} {row.event}" for row in conn.execute(select(lot_event))}
        assert {line for line in life.said if line.startswith("event ")} <= entered
        answered = set(conn.execute(select(alarm.c.id).where(alarm.c.acknowledged_at.is_not(None))).scalars())
        assert life.numbers("acknowledged") <= answered
        letters = {row.message_id: row.state for row in conn.execute(select(outbox))}
    assert set(told(folder)) <= set(letters), "something was told that is not on record"
    sent = {letter for letter, state in letters.items() if state == "sent"}
    assert sent <= set(told(folder)), "something is marked sent that was never told"
    return sent


def whole(url: str) -> dict[str, Any]:
    """What the story comes to; the same whatever happened on the way."""
    with Store(url) as store, store.read() as conn:
        assert ledger.verify(conn) == []
        causes = {row.id: row.key for row in conn.execute(select(alarm))}
        kinds = ("finding", "deviation", "lot-event", "correction")
        return {
            "readings": sorted((found.item.at, found.item.celsius) for found in readings.between(conn, 0, 2**62)),
            "events": [(one.event.lot, one.event.event, one.event.at) for one in events.since(conn)],
            "alarms": sorted(causes.values()),
            "messages": Counter((causes.get(row.alarm_id, ""), row.kind, row.target, row.state) for row in conn.execute(select(outbox))),
            "records": Counter(entry.kind for entry in ledger.entries(conn) if entry.kind in kinds),
            "findings": [(e.body["at"], e.body["what"], e.body["lot"]) for e in ledger.entries(conn, kind="finding")],
        }


def check_whole(url: str, folder: Path, expected: dict[str, Any], sent: set[str]) -> None:
    """After the rest of the story: as if nothing had happened; told twice only what had not been marked sent."""
    found = whole(url)
    assert found == expected, [(key, found[key], expected[key]) for key in expected if found[key] != expected[key]]
    times = Counter(told(folder))
    with Store(url) as store, store.read() as conn:
        assert set(times) == set(conn.execute(select(outbox.c.message_id).where(outbox.c.state == "sent")).scalars())
    assert {letter for letter, n in times.items() if n > 1}.isdisjoint(sent)
    assert max(times.values()) <= 2


class Places:
    """A folder and an empty database for each life."""

    def __init__(self, engine: str, request: pytest.FixtureRequest, tmp_path: Path) -> None:
        self._tmp, self._count = tmp_path, 0
        self._server = None if engine == "sqlite" else request.getfixturevalue("postgresql")
        self._empty = tmp_path / "empty.sqlite"
        if self._server is None:
            Store(self._empty).open().close()  # to be copied: making the tables takes longer than the story

    @contextmanager
    def new(self) -> Iterator[tuple[Path, str]]:
        """The next."""
        self._count += 1
        folder = self._tmp / str(self._count)
        folder.mkdir()
        if self._server is None:
            shutil.copyfile(self._empty, folder / "larderer.sqlite")
            yield folder, f"sqlite:///{folder / 'larderer.sqlite'}"
            shutil.rmtree(folder)
            return
        url = self._server.fresh("empty")
        yield folder, url
        self._server.drop(url)


@pytest.fixture
def places(engine: str, request: pytest.FixtureRequest, tmp_path: Path) -> Places:
    return Places(engine, request, tmp_path)


def undisturbed(running: Zygote, places: Places) -> tuple[int, dict[str, Any]]:
    """How many moments the story has, and what it comes to."""
    with places.new() as (folder, url):
        life = running.live(0, folder, url)
        assert life.ended == 0
        expected = whole(url)
        check_whole(url, folder, expected, set())
        assert len(expected["alarms"]) == 2, "each lot deviates once, and is told"
        return next(iter(life.numbers("survived"))), expected


def loop(places: Places, moments: Callable[[int], Sequence[int]]) -> None:
    with zygote() as running:
        count, expected = undisturbed(running, places)
        assert count > 60
        for moment in moments(count):
            with places.new() as (folder, url):
                life = running.live(moment, folder, url)
                assert life.ended == -9, f"moment {moment} of {count} did not come"
                sent = check_kept(url, folder, life)
                assert running.live(0, folder, url).ended == 0
                check_whole(url, folder, expected, sent)


def test_crash_at_some_writes_loses_and_invents_nothing(places: Places) -> None:
    """A sample over the whole story: the first write, and five spread over the rest."""
    loop(places, lambda count: [1, *range(count // 10, count - 5, count // 5)])


@pytest.mark.full
@pytest.mark.timeout(3600)
def test_crash_at_every_write_loses_and_invents_nothing(places: Places) -> None:
    """Every write and every commit of the story, until the service survives."""
    # How the work falls into groups is a matter of microseconds, so the count of one run is not that of the next.
    with zygote() as running:
        _count, expected = undisturbed(running, places)
        moment, survived = 0, False
        while not survived:
            moment += 1
            with places.new() as (folder, url):
                life = running.live(moment, folder, url)
                survived = life.ended == 0
                assert survived or life.ended == -9
                sent = check_kept(url, folder, life)
                assert running.live(0, folder, url).ended == 0
                check_whole(url, folder, expected, sent)
        assert moment > 60


@pytest.mark.parametrize("engine", ["postgresql"], indirect=True)
@pytest.mark.parametrize("moments", [(3, 50), pytest.param(range(1, 140, 3), marks=pytest.mark.full)], ids=["some", "many"])
@pytest.mark.timeout(1800)
@pytest.mark.full
def test_server_killed_and_back_loses_and_doubles_nothing(places: Places, own_server: Any, moments: Sequence[int], tmp_path: Path) -> None:
    """The server dies under the running service and comes back: the service goes on by itself, and everything is there once."""

    def back(line: str) -> None:
        if line == "server killed":
            own_server.process.wait(60)
            own_server.start()

    with zygote() as running:
        _count, expected = undisturbed(running, places)
        for moment in moments:
            url, folder = own_server.fresh(), tmp_path / f"killed-{moment}"
            folder.mkdir()
            Store(url).open().close()
            life = running.live(moment, folder, url, str(own_server.process.pid), back)
            assert life.ended == 0
            assert "server killed" in life.said
            check_whole(url, folder, expected, check_kept(url, folder, life))  # nobody died: each message was told once
