"""Whatever happens in whatever order, an alarm that rang and that nobody acknowledged stays visible."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from sqlalchemy import Connection, create_engine, event, select

from monitor.alarms.alarms import Alarms
from monitor.alarms.causes import Cause
from monitor.alarms.tables import alarm, alarm_event, outbox
from monitor.config import AlarmsConfig, Config, Person, Rung
from monitor.store.metadata import metadata
from rules.plan import Site
from rules.reading import HOUR, MINUTE, SECOND, Instant

SITE = Site("ferncliff", "Ferncliff Yard Smokehouse", "America/Chicago", "F")
KEYS = ("verdict/J-1/chill/cooling", "verdict/room/cooler-1/air")


class Watched(RuleBasedStateMachine):
    """Raises, clears, acknowledges, shelves, resets, waits and turns the clock back; on a real SQLite file."""

    @initialize(latched=st.booleans(), on_delay=st.sampled_from((0, 5 * MINUTE)), off_delay=st.sampled_from((0, MINUTE)))
    def begin(self, latched: bool, on_delay: int, off_delay: int) -> None:
        self.folder = tempfile.TemporaryDirectory()
        self.engine = create_engine(f"sqlite:///{self.folder.name}/alarms.sqlite")

        @event.listens_for(self.engine, "connect")
        def connected(connection, _record) -> None:
            connection.execute("PRAGMA synchronous=OFF")  # no power is cut here; only the speed of the example changes

        metadata.create_all(self.engine)
        config = Config(
            Path("larderer.toml"), Path("plan.toml"), Path("data"), persons=(Person("Odile Marsh", "operator", ("phone",)),),
            escalation=(Rung(0, persons=("Odile Marsh",)),), alarms=AlarmsConfig(all_well=None),
        )  # fmt: skip
        self.alarms = Alarms(config, SITE, lambda *_: None)
        self.now: Instant = 1_772_474_400_000_000
        self.latched, self.on_delay, self.off_delay = latched, on_delay, off_delay
        #: Alarms that rang and that nobody has acknowledged since.
        self.unseen: set[int] = set()

    def teardown(self) -> None:
        if hasattr(self, "engine"):
            self.engine.dispose()
            self.folder.cleanup()

    def _do(self, job) -> None:
        with self.engine.begin() as conn:
            before = self._rang(conn)
            job(conn)
            self.unseen |= self._rang(conn) - before

    def _rang(self, conn: Connection) -> set[tuple[int, Instant]]:
        """Every ring there has been, as the event's row: a re-alarm is a ring of its own."""
        rows = conn.execute(select(alarm_event.c.alarm_id, alarm_event.c.id).where(alarm_event.c.what.in_(("raise", "realarm"))))
        return {(row.alarm_id, row.id) for row in rows}

    @rule(key=st.sampled_from(KEYS), severity=st.integers(1, 2), probe=st.sampled_from("ab"), wait=st.integers(0, 20))
    def raise_(self, key: str, severity: int, probe: str, wait: int) -> None:
        self.now += wait * MINUTE + SECOND
        critical = key == KEYS[0]
        cause = Cause(
            key, "limit not met", "there", self.now, "It was.", "critical" if critical else "medium", severity, critical,
            critical and self.latched, member=probe, on_delay=self.on_delay, off_delay=self.off_delay,
        )  # fmt: skip
        self._do(lambda conn: self.alarms.raise_(conn, replace(cause), self.now))

    @rule(key=st.sampled_from((*KEYS, "*")), probe=st.sampled_from(("", "a", "b")))
    def clear(self, key: str, probe: str) -> None:
        self._do(lambda conn: self.alarms.clear(conn, key, self.now, probe))

    @rule(minutes=st.integers(0, 200))
    def wait(self, minutes: int) -> None:
        self.now += minutes * MINUTE
        self._do(lambda conn: self.alarms.due(conn, self.now))

    @rule(hours=st.integers(1, 72))
    def clock_put_back(self, hours: int) -> None:
        self.now -= hours * HOUR
        self._do(lambda conn: self.alarms.due(conn, self.now))

    @precondition(lambda self: self.unseen)
    @rule(data=st.data())
    def acknowledge(self, data) -> None:
        number = data.draw(st.sampled_from(sorted({n for n, _ in self.unseen})))
        with self.engine.connect() as conn:
            key = conn.scalar(select(alarm.c.key).where(alarm.c.id == number))
            same = set(conn.scalars(select(alarm.c.id).where(alarm.c.key == key, alarm.c.id <= number)))
        self._do(lambda conn: self.alarms.acknowledge(conn, number, "Odile Marsh", self.now))
        self.unseen = {(n, e) for n, e in self.unseen if n not in same}

    @precondition(lambda self: self.unseen)
    @rule(data=st.data(), minutes=st.integers(1, 30))
    def shelve(self, data, minutes: int) -> None:
        number = data.draw(st.sampled_from(sorted({n for n, _ in self.unseen})))
        self._do(lambda conn: self.alarms.shelve(conn, number, "Odile Marsh", self.now, minutes * MINUTE, "Busy."))

    @rule()
    def reset(self) -> None:
        with self.engine.connect() as conn:
            held = set(conn.scalars(select(alarm.c.id).where(alarm.c.key == KEYS[0], alarm.c.latched == 1, alarm.c.rang_at.is_not(None))))
        self._do(lambda conn: self.alarms.reset(conn, KEYS[0], "Tam Okafor", self.now))
        self.unseen = {(n, e) for n, e in self.unseen if n not in held}

    @invariant()
    def what_nobody_acknowledged_is_still_shown(self) -> None:
        if not hasattr(self, "engine"):
            return
        with self.engine.connect() as conn:
            shown = {a["number"] for a in self.alarms.open_alarms(conn) if a["unacknowledged"]}
        assert {n for n, _ in self.unseen} <= shown

    @invariant()
    def whatever_stands_unseen_and_unhidden_is_told_or_about_to_be(self) -> None:
        if not hasattr(self, "engine"):
            return
        with self.engine.connect() as conn:
            for one in self.alarms.open_alarms(conn):
                if one["letter"] in ("B", "E"):
                    row = conn.execute(select(alarm).where(alarm.c.id == one["number"])).mappings().one()
                    told = conn.execute(select(outbox.c.id).where(outbox.c.alarm_id == one["number"])).first()
                    assert row["next_at"] is not None
                    assert told is not None or row["next_at"] <= row["anchor_at"] + 15 * MINUTE

    @invariant()
    def one_cause_has_one_alarm_that_stands(self) -> None:
        if not hasattr(self, "engine"):
            return
        with self.engine.connect() as conn:
            standing = [
                row.key for row in conn.execute(select(alarm.c.key).where(alarm.c.closed_at.is_(None), alarm.c.state.in_(("B", "C"))))
            ]
        assert len(standing) == len(set(standing))


TestWatched = Watched.TestCase
TestWatched.settings = settings(
    max_examples=25, stateful_step_count=25, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=False
)
