"""The bell drill: every bell, every person, an answer from each, and the record of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import pytest
from sqlalchemy import select, update

from monitor import ledger
from monitor.alarms import drill
from monitor.alarms.drill import Drill
from monitor.alarms.tables import outbox
from monitor.config import AlarmsConfig, BellConfig
from rules.plan import Site
from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Instant

TEN = parse_instant("2026-04-01T10:00:00-05:00")  # a Wednesday


class Month:
    """A bench whose couriers deliver at once what is due, but for the bells named as dead."""

    def __init__(self, bench: object, site: Site, dead: tuple[str, ...] = ()) -> None:
        self.bench, self.dead = bench, dead
        self.drill = Drill(bench.config, site, bench.alarms, ledger.append)  # type: ignore[attr-defined]
        self.now = parse_instant("2026-03-20T12:00:00-05:00")
        self.rang: list[tuple[str, str]] = []

    def look(self, at: Instant | None = None) -> None:
        self.now = self.now if at is None else at
        with self.bench.store.write() as conn:  # type: ignore[attr-defined]
            self.drill.look(conn, self.now)

    def deliver(self) -> None:
        with self.bench.store.write() as conn:  # type: ignore[attr-defined]
            for row in conn.execute(select(outbox).where(outbox.c.state == "waiting")).mappings().all():
                bell = row["routes"].strip('[]"')
                self.rang.append((bell, row["kind"]))
                state = "refused" if bell in self.dead else "sent"
                conn.execute(update(outbox).where(outbox.c.id == row["id"]).values(state=state, done_at=self.now, bell=bell))

    def answer(self, person: str, by: str | None = None) -> None:
        number = next(a["number"] for a in self.bench.open() if a["id"] in self.of(person))  # type: ignore[attr-defined]
        self.bench.acknowledge(number, self.now, by or person, "by mail")  # type: ignore[attr-defined]

    def of(self, person: str) -> set[str]:
        return {f"A{row['alarm_id']}" for row in self.bench.rows("alarm") if row["person"] == person}  # type: ignore[attr-defined]

    def records(self) -> list[dict[str, object]]:
        with self.bench.store.read() as conn:  # type: ignore[attr-defined]
            return [dict(entry.body) for entry in ledger.entries(conn, kind=drill.KIND)]

    def missed(self) -> list[str]:
        return [a["what"] for a in self.bench.open() if a["key"] == "drill"]  # type: ignore[attr-defined]


@pytest.fixture
def month(make_bench: Callable, site: Site) -> Iterator[Callable[..., Month]]:
    """Makes months of a bench that holds its drill at ten."""

    def make(*dead: str, **changes: object) -> Month:
        one = Month(make_bench(alarms=AlarmsConfig(all_well=None, drill=600), **changes), site, dead)
        one.look()
        return one

    return make


def test_drill_is_held_on_the_first_weekday_of_each_month(month: Callable[..., Month]) -> None:
    """Not at the first start; at ten on the day; once; a month that was slept through is made up for once."""
    one = month()
    one.look(TEN - SECOND)
    assert one.bench.rows() == []  # type: ignore[attr-defined]
    one.look(TEN)
    assert {row["person"] for row in one.bench.rows("alarm")} == {"Odile Marsh", "Tam Okafor", ""}  # type: ignore[attr-defined]
    one.deliver()
    one.look(TEN + HOUR)
    one.look(TEN + 3 * 24 * HOUR)
    assert len(one.records()) == 1
    found = [one.drill.monthly(date(2026, m, 15)) for m in (5, 8, 11)]
    wanted = ("2026-05-01T10:00:00-05:00", "2026-08-03T10:00:00-05:00", "2026-11-02T10:00:00-06:00")
    assert found == [parse_instant(text) for text in wanted]


def test_drill_rings_every_bell_of_everybody_once_and_turns_the_siren_off_again(month: Callable[..., Month]) -> None:
    """Not only the first of a person's bells: the second is there for the day on which the first fails."""
    one = month()
    one.look(TEN)
    one.deliver()
    one.look(TEN + SECOND)
    one.deliver()
    one.look(TEN + 2 * SECOND)
    one.deliver()
    phones = [(bell, "alarm") for bell in ("odile-phone", "odile-mail", "tam-phone")]
    things = [(bell, kind) for bell in ("siren", "lamp") for kind in ("alarm", "quiet")]
    assert sorted(one.rang) == sorted(phones + things)
    first = str(one.bench.rows("alarm")[0]["body"]).splitlines()[0]  # type: ignore[attr-defined]
    assert first.startswith("LOW A1: BELL DRILL, nothing is wrong")
    assert len(first) <= 160


def test_record_says_who_was_reached_by_which_way_and_who_answered_when(month: Callable[..., Month]) -> None:
    """It ends as soon as everybody has answered."""
    one = month()
    one.look(TEN)
    one.deliver()
    one.now = TEN + 3 * MINUTE
    one.answer("Odile Marsh")
    one.look(TEN + 4 * MINUTE)
    assert one.records() == []
    one.now = TEN + 5 * MINUTE
    one.answer("Tam Okafor")
    one.look(TEN + 6 * MINUTE)
    (record,) = one.records()
    assert (record["not_answered"], record["not_delivered"]) == ([], [])
    odile = next(p for p in record["persons"] if p["person"] == "Odile Marsh")  # type: ignore[attr-defined]
    assert [(b["bell"], b["outcome"]) for b in odile["bells"]] == [("odile-phone", "delivered"), ("odile-mail", "delivered")]
    assert (odile["answered"], odile["how"]) == ("2026-04-01T15:03:00Z", "by mail")
    assert one.missed() == []
    assert one.bench.open() == []  # type: ignore[attr-defined]


def test_who_does_not_answer_and_what_does_not_deliver_is_an_alarm(month: Callable[..., Month]) -> None:
    """After the time for it; the drill's own messages stand open no longer; somebody else's answer is not Tam's."""
    one = month("odile-mail")
    one.look(TEN)
    one.deliver()
    one.answer("Odile Marsh")
    one.answer("Tam Okafor", by="Odile Marsh")
    one.look(TEN + 29 * MINUTE)
    assert one.records() == []
    one.look(TEN + 30 * MINUTE)
    (record,) = one.records()
    assert (record["not_answered"], record["not_delivered"]) == (["Tam Okafor"], ["odile-mail"])
    assert one.missed() == ["bell drill not answered by Tam Okafor, bell odile-mail"]


def test_drill_that_is_asked_for_begins_at_once_and_a_second_one_waits_for_nobody(month: Callable[..., Month], tmp_path: Path) -> None:
    """What is asked for while one is going on is that one."""
    tmp_path.joinpath("data").mkdir()
    one = month(bells=(BellConfig("odile-phone", program=("/bin/cat",)),))
    for _ in range(2):
        drill.want(one.bench.config.data)  # type: ignore[attr-defined]
        one.look()
    one.deliver()
    one.look(one.now + HOUR)
    one.look(one.now + HOUR)
    assert len(one.records()) == 1


def test_drill_that_a_restart_interrupts_goes_on(month: Callable[..., Month], site: Site) -> None:
    """What is going on stands in the store."""
    one = month()
    one.look(TEN)
    one.deliver()
    one.drill = Drill(one.bench.config, site, one.bench.alarms, ledger.append)  # type: ignore[attr-defined]
    one.look(TEN + MINUTE)
    one.look(TEN + 31 * MINUTE)
    assert len(one.records()) == 1
    assert one.of("Tam Okafor") == {"A2"}
    assert one.missed() == ["bell drill not answered by Odile Marsh, Tam Okafor"]


def test_drill_turned_off_is_not_held(make_bench: Callable, site: Site) -> None:
    """A blank time."""
    one = Month(make_bench(alarms=AlarmsConfig(all_well=None, drill=None)), site)
    one.look()
    one.look(TEN + 40 * 24 * HOUR)
    assert one.bench.rows() == []  # type: ignore[attr-defined]
