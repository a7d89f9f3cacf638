"""Deviation records on a real database: opened once, product held, closed only when 9 CFR 417.3 is answered."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor import ledger
from monitor.alarms.alarms import Alarms
from monitor.alarms.causes import from_finding
from monitor.closing import Closing
from monitor.config import AlarmsConfig, Config, Person
from monitor.deviations import Deviations
from monitor.errors import InputError, NotClosable, NotFoundError, RefusedError
from monitor.store.database import Store
from rules.finding import Finding
from rules.limits import spec
from rules.plan import Citation, Limit, Plan, Product, Site, Step
from rules.quantity import fahrenheit, parse_instant
from rules.reading import HOUR, MINUTE

SITE = Site("ferncliff", "Ferncliff Yard Smokehouse", "America/Chicago", "F")
COOLING = Limit(
    "stabilization",
    spec.Cooling(fahrenheit(130), (spec.Window(fahrenheit(80), 5 * HOUR), spec.Window(fahrenheit(45), 10 * HOUR))),
    "core",
    30 * MINUTE,
    book="us-inspected-2021/cooling-option-3",
    citations=(Citation("FSIS-GD-2021-13", "p. 24", "2021-12-14", "M"),),
    do=("Hold the lot.", "Get it into the cold."),
    hazard="growth of spore formers",
)
BARE = replace(COOLING, name="bloom", do=())
PLAN = Plan(SITE, (Product("juniper-links", "Juniper venison-and-pork links", (Step("chill", limits=(COOLING, BARE)),)),), sha256="ab" * 32)
AT = parse_instant("2026-03-02T19:04:10Z")
NOW = AT + MINUTE
WHOLE = Closing(
    cause="The counter stood in the sun and the links bloomed there for two hours.",
    removed="The counter was moved to the cold room.",
    restored="The lot was spread on racks in cooler-1.",
    reading="core-1 read 44.1 °F at 23:50.",
    prevention="Blooming is now timed and done in the cold room only.",
    disposition="destroyed",
    quantity="42 kg",
    reason="No support for keeping it.",
)
TWO = (Person("Odile Marsh", "operator"), Person("Tam Okafor", "reviewer"))


def finding(what: str = "deviated", **changes: object) -> Finding:
    plain = Finding(AT, what, "J-0412", "chill", "stabilization", "core-1", True, "80 °F was not reached within 5 h.")
    return plain._replace(**changes)  # type: ignore[arg-type]  # test data


class Desk:
    """Deviations and alarms on one file."""

    def __init__(self, store: Store, persons: tuple[Person, ...]) -> None:
        config = Config(Path("larderer.toml"), Path("plan.toml"), Path("data"), persons=persons, alarms=AlarmsConfig(all_well=None))
        self.store, self.alarms = store, Alarms(config, SITE, ledger.append)
        self.book = Deviations(config, ledger.append, self.alarms.reset)

    def open(self, one: Finding, now: int = NOW) -> int | None:
        with self.store.write() as conn:
            cause = from_finding(one, PLAN, "juniper-links")
            if cause is not None:
                self.alarms.raise_(conn, cause, now)
            return self.book.open(conn, one, PLAN, now, "juniper-links", {"governing_c": 33.0})

    def get(self, number: int | None) -> dict[str, object]:
        with self.store.read() as conn:
            return self.book.get(conn, number or 0)

    def held(self) -> list[str]:
        with self.store.read() as conn:
            return self.book.on_hold(conn)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "larderer.sqlite") as one:
        yield one


@pytest.fixture
def desk(store: Store) -> Desk:
    return Desk(store, TWO)


@pytest.fixture
def alone(store: Store) -> Desk:
    return Desk(store, TWO[:1])


def test_finding_fills_in_what_is_known(desk: Desk) -> None:
    """Lot, product, step, limit, source, plan version, what was observed."""
    record = desk.get(desk.open(finding()))
    names = ("id", "lot", "product", "product_name", "step", "limit", "verdict", "state", "unforeseen", "probes")
    assert {k: record[k] for k in names} == {
        "id": "D1", "lot": "J-0412", "product": "juniper-links", "product_name": "Juniper venison-and-pork links", "step": "chill",
        "limit": "stabilization", "verdict": "deviated", "state": "open", "unforeseen": False, "probes": ["core-1"],
    }  # fmt: skip
    assert record["limit_text"] == "130 °F to 80 °F within 5 h to 45 °F within 10 h"
    assert record["source"] == (
        "us-inspected-2021/cooling-option-3; FSIS-GD-2021-13 (2021-12-14), p. 24: "
        "FROM MEMORY, unverified (mark M); NOT CONFIRMED by anybody"
    )
    assert record["observed"] == [
        {
            "at": "2026-03-02T19:04:10Z",
            "probe": "core-1",
            "verdict": "deviated",
            "text": "80 °F was not reached within 5 h.",
            "governing_c": 33.0,
        }
    ]
    assert (record["plan"], record["do"]) == ("ab" * 32, ["Hold the lot.", "Get it into the cold."])


@pytest.mark.parametrize(
    ("what", "critical", "opens"), [("deviated", True, True), ("unproven", True, True), ("deviated", False, False), ("met", True, False)]
)
def test_only_a_critical_limit_not_shown_met_opens_a_record(desk: Desk, what: str, critical: bool, opens: bool) -> None:
    """Unproven needs the same corrective action as deviated; an operating limit rings and no more."""
    assert (desk.open(finding(what, critical=critical)) is not None) == opens


def test_probes_of_one_limit_share_a_record_and_a_replay_opens_none(desk: Desk) -> None:
    """Told again it is known; another probe and a worse verdict are added."""
    first = desk.open(finding("unproven"))
    assert desk.open(finding("unproven")) == first
    assert desk.open(finding("deviated", probe="core-2", at=AT + HOUR)) == first
    record = desk.get(first)
    assert (record["verdict"], record["probes"]) == ("deviated", ["core-1", "core-2"])
    assert len(record["observed"]) == 2  # type: ignore[arg-type]


def test_replay_after_closing_does_not_open_it_again(alone: Desk) -> None:
    """The same finding belongs to the record that dealt with it; a later one opens another."""
    first = alone.open(finding())
    with alone.store.write() as conn:
        alone.book.close(conn, first or 0, "Odile Marsh", NOW, WHOLE)
    assert alone.open(finding()) == first
    assert alone.open(finding(probe="core-2", at=AT + HOUR)) != first


def test_product_is_on_hold_until_the_record_is_closed(desk: Desk) -> None:
    """An answer that waits for its review does not release the lot."""
    number = desk.open(finding())
    assert desk.held() == ["J-0412"]
    with desk.store.write() as conn:
        (record,) = desk.book.close(conn, number or 0, "Odile Marsh", NOW, WHOLE)
    assert (record["state"], record["reviewers"]) == ("answered", ["Tam Okafor"])
    assert desk.held() == ["J-0412"]
    with desk.store.write() as conn:
        (record,) = desk.book.review(conn, "D1", "Tam Okafor", NOW + HOUR, "Agreed.")
    assert (record["state"], record["reviewed_by"]) == ("closed", "Tam Okafor")
    assert desk.held() == []


def test_closing_lets_the_latched_alarm_go(desk: Desk) -> None:
    """And not before: the alarm stays while the record is answered only."""
    number = desk.open(finding())
    with desk.store.write() as conn:
        desk.book.close(conn, number or 0, "Odile Marsh", NOW, WHOLE)
    with desk.store.read() as conn:
        assert len(desk.alarms.open_alarms(conn)) == 1
    with desk.store.write() as conn:
        desk.book.review(conn, number or 0, "Tam Okafor", NOW)
    with desk.store.read() as conn:
        assert desk.alarms.open_alarms(conn) == []
        assert desk.alarms.alarm(conn, 1)["acknowledged_by"] == "Tam Okafor"


@pytest.mark.parametrize(
    ("field", "sentence"),
    [
        ("cause", "the cause is missing; write what made it happen (9 CFR 417.3(a)(1))"),
        ("removed", "how the cause was removed is missing; write what was done about it (9 CFR 417.3(a)(1))"),
        ("restored", "how control was restored is missing; write what was done (9 CFR 417.3(a)(2))"),
        (
            "reading",
            "the reading that shows control restored is missing; write probe or handheld, value with unit and time (9 CFR 417.3(a)(2))",
        ),
        ("prevention", "what prevents it from happening again is missing; write the measure (9 CFR 417.3(a)(3))"),
        ("reason", "why the product may go that way is missing; write what it rests on (9 CFR 417.3(a)(4))"),
        (
            "disposition",
            "what became of the product is missing; "
            "write one of released, reworked, recooked, destroyed, returned, diverted (9 CFR 417.3(a)(4))",
        ),
        ("quantity", "the quantity of product is missing; write a number with its unit, such as 42 kg or 120 links (9 CFR 417.3(a)(4))"),
    ],
)
def test_closing_without_one_answer_is_refused_by_name(alone: Desk, field: str, sentence: str) -> None:
    """One sentence for what is missing, none for what is there, and nothing is changed."""
    number = alone.open(finding())
    with pytest.raises(NotClosable) as caught, alone.store.write() as conn:
        alone.book.close(conn, number or 0, "Odile Marsh", NOW, replace(WHOLE, **{field: "  "}))
    assert caught.value.missing == (sentence,)
    assert alone.get(number)["state"] == "open"


@pytest.mark.parametrize("quantity", ["some", "kg", "42", "-3 kg", "all of it"])
def test_quantity_needs_a_number_and_its_unit(alone: Desk, quantity: str) -> None:
    """All of it is no quantity."""
    number = alone.open(finding())
    with pytest.raises(NotClosable, match="write a number with its unit"), alone.store.write() as conn:
        alone.book.close(conn, number or 0, "Odile Marsh", NOW, replace(WHOLE, quantity=quantity))


def test_deviation_the_plan_has_no_action_for_asks_417_3_b(alone: Desk) -> None:
    """Acceptability, reassessment and the trained person are asked as well."""
    number = alone.open(finding(limit="bloom"))
    assert alone.get(number)["unforeseen"] is True
    with pytest.raises(NotClosable) as caught, alone.store.write() as conn:
        alone.book.close(conn, number or 0, "Odile Marsh", NOW, WHOLE)
    assert len(caught.value.missing) == 3
    assert all("417.3(b)" in m or "417.7" in m for m in caught.value.missing)
    whole = replace(WHOLE, acceptability="Not acceptable.", reassessment="Blooming becomes a step with its limit.", trained="Tam Okafor")
    with alone.store.write() as conn:
        alone.book.close(conn, number or 0, "Odile Marsh", NOW, whole)
    assert alone.get(number)["state"] == "closed"


def test_unforeseen_hazard_is_recorded_by_a_person_and_holds_its_lot(alone: Desk) -> None:
    """No finding is needed: a person sees what no probe can."""
    with alone.store.write() as conn:
        number = alone.book.open_unforeseen(conn, "Odile Marsh", NOW, "J-0413", "A light tube broke over the mixer.")
    assert alone.held() == ["J-0413"]
    assert alone.get(number)["text"] == "J-0413: A light tube broke over the mixer."
    with pytest.raises(InputError, match="say who found it"), alone.store.write() as conn:
        alone.book.open_unforeseen(conn, "", NOW, "J-0413", "x")


def test_who_answered_does_not_review(desk: Desk) -> None:
    """The closer cannot be the reviewer; nor can an operator."""
    number = desk.open(finding())
    with pytest.raises(NotClosable, match="Tam Okafor is the only reviewer here"), desk.store.write() as conn:
        desk.book.close(conn, number or 0, "Tam Okafor", NOW, WHOLE)
    with pytest.raises(NotClosable, match="only an answered one can be reviewed"), desk.store.write() as conn:
        desk.book.review(conn, number or 0, "Tam Okafor", NOW)
    with desk.store.write() as conn:
        desk.book.close(conn, number or 0, "Odile Marsh", NOW, WHOLE)
    with pytest.raises(NotClosable) as caught, desk.store.write() as conn:
        desk.book.review(conn, number or 0, "Odile Marsh", NOW)
    assert caught.value.missing == (
        "Odile Marsh is not a reviewer of this site; let a reviewer do it",
        "Odile Marsh answered deviation D1; another person reviews it",
    )
    assert desk.held() == ["J-0412"]


def test_one_person_alone_closes_without_a_review(alone: Desk) -> None:
    """There is no second person to ask for."""
    number = alone.open(finding())
    with alone.store.write() as conn:
        (record,) = alone.book.close(conn, number or 0, "Odile Marsh", NOW, WHOLE)
    assert (record["state"], record["answered_by"], record["reviewed_by"]) == ("closed", "Odile Marsh", "")


def test_reviewer_sends_back_with_a_reason(desk: Desk) -> None:
    """Without one it is refused; sent back it can be answered again."""
    number = desk.open(finding())
    with desk.store.write() as conn:
        desk.book.close(conn, number or 0, "Odile Marsh", NOW, WHOLE)
    with pytest.raises(NotClosable, match="write what is still wrong"), desk.store.write() as conn:
        desk.book.review(conn, number or 0, "Tam Okafor", NOW, agreed=False)
    with desk.store.write() as conn:
        (record,) = desk.book.review(conn, number or 0, "Tam Okafor", NOW, "How was 42 kg weighed?", agreed=False)
    assert record["state"] == "open"
    assert record["actions"][-1]["kind"] == "sent-back"  # type: ignore[index]
    with desk.store.write() as conn:
        (record,) = desk.book.close(conn, number or 0, "Odile Marsh", NOW, WHOLE)
    assert record["state"] == "answered"


def test_several_records_are_closed_together_or_none(desk: Desk) -> None:
    """One cause, many limits: answered once; one that cannot be closed holds all."""
    first, second = desk.open(finding()), desk.open(finding(lot="J-0413"))
    bare = desk.open(finding(limit="bloom"))
    with pytest.raises(NotClosable), desk.store.write() as conn:
        desk.book.close(conn, [first or 0, second or 0, bare or 0], "Odile Marsh", NOW, WHOLE)
    assert desk.get(first)["state"] == "open"
    with desk.store.write() as conn:
        closed = desk.book.close(conn, [first or 0, f"D{second}"], "Odile Marsh", NOW, WHOLE)
    assert [c["state"] for c in closed] == ["answered", "answered"]
    with desk.store.write() as conn:
        desk.book.review(conn, [first or 0, second or 0], "Tam Okafor", NOW)
    assert desk.held() == ["J-0412"]  # bloom is still open


def test_actions_are_picked_from_the_plan_or_written_freely(desk: Desk) -> None:
    """Each with when it was done and when it was written."""
    number = desk.open(finding())
    with desk.store.write() as conn:
        desk.book.act(conn, number or 0, "Odile Marsh", NOW + HOUR, 1, at=NOW)
        record = desk.book.act(conn, number or 0, "Odile Marsh", NOW + HOUR, "Weighed it: 42 kg.")
    planned, free = record["actions"]  # type: ignore[misc]
    assert (planned["text"], planned["planned"], planned["at"], planned["entered"]) == (
        "Hold the lot.",
        True,
        "2026-03-02T19:05:10Z",
        "2026-03-02T20:05:10Z",
    )
    assert (free["text"], free["planned"]) == ("Weighed it: 42 kg.", False)
    for what, sentence in ((3, "the plan has 2 for this limit"), (" ", "the action has no text")):
        with pytest.raises(InputError, match=sentence), desk.store.write() as conn:
            desk.book.act(conn, number or 0, "Odile Marsh", NOW, what)
    with pytest.raises(InputError, match="still to come"), desk.store.write() as conn:
        desk.book.act(conn, number or 0, "Odile Marsh", NOW, "x", at=NOW + 1)


def test_closed_record_takes_no_more_actions_and_is_not_closed_twice(alone: Desk) -> None:
    """History is not rewritten."""
    number = alone.open(finding())
    with alone.store.write() as conn:
        alone.book.close(conn, number or 0, "Odile Marsh", NOW, WHOLE)
    with pytest.raises(RefusedError, match="deviation D1 is closed; open a new record"), alone.store.write() as conn:
        alone.book.act(conn, number or 0, "Odile Marsh", NOW, "x")
    with pytest.raises(NotClosable, match="deviation D1 is closed already"), alone.store.write() as conn:
        alone.book.close(conn, number or 0, "Odile Marsh", NOW, WHOLE)


def test_correction_is_noted_and_closes_nothing(desk: Desk) -> None:
    """A late reading that shows the limit met is read by the person who closes the record."""
    number = desk.open(finding("unproven"))
    with desk.store.write() as conn:
        desk.book.correct(conn, finding("met", text="All marks in time."), NOW)
    record = desk.get(number)
    assert record["state"] == "open"
    assert [(a["kind"], a["text"]) for a in record["actions"]] == [("correction", "core-1: met. All marks in time.")]  # type: ignore[attr-defined]


def test_unknown_records_and_ids_are_told(desk: Desk) -> None:
    """One sentence each."""
    with pytest.raises(NotFoundError, match='there is no deviation "D9"'):
        desk.get(9)
    with desk.store.read() as conn, pytest.raises(InputError, match="write its number, such as D3"):
        desk.book.get(conn, "nine")
    with pytest.raises(InputError, match="name at least one"), desk.store.write() as conn:
        desk.book.close(conn, [], "Odile Marsh", NOW, WHOLE)


def test_closing_from_a_form_takes_known_texts_only() -> None:
    """A misspelt answer is not lost in silence."""
    assert Closing.from_json(WHOLE.as_json()) == WHOLE
    with pytest.raises(InputError, match='a closing has no "casue"; it has cause, removed'):
        Closing.from_json({"casue": "x"})
    with pytest.raises(InputError, match="quantity is 42; write it as text"):
        Closing.from_json({"quantity": 42})


def test_every_change_is_in_the_ledger(desk: Desk) -> None:
    """Opened, acted on, answered, closed, by whom; and the chain verifies."""
    number = desk.open(finding())
    with desk.store.write() as conn:
        desk.book.act(conn, number or 0, "Odile Marsh", NOW, 1)
        desk.book.close(conn, number or 0, "Odile Marsh", NOW, WHOLE)
        desk.book.review(conn, number or 0, "Tam Okafor", NOW)
    with desk.store.read() as conn:
        kept = [(e.body["what"], e.by) for e in ledger.entries(conn, kind="deviation")]
        answers = [e.body["answers"] for e in ledger.entries(conn, kind="deviation") if e.body["what"] == "answered"]
        assert ledger.verify(conn) == []
    assert kept == [("opened", ""), ("action", "Odile Marsh"), ("answered", "Odile Marsh"), ("closed", "Tam Okafor")]
    assert answers == [WHOLE.as_json()]


def test_reading_that_shows_control_restored_holds_a_number(desk: Desk) -> None:
    """A word is no reading: the record asks for what was read, its unit and when."""
    number = desk.open(finding())
    with desk.store.write() as conn, pytest.raises(NotClosable, match='control restored is "fine now"; write what it read'):
        desk.book.close(conn, number or 0, "Odile Marsh", NOW, replace(WHOLE, reading="fine now"))


def test_facts_are_added_to_each_verdict_and_the_lots_touched_are_on_hold(desk: Desk) -> None:
    """A room's deviation that touches two lots holds both until it is closed; a probe that comes later gets its facts, too."""
    number = desk.open(finding(lot="", step="chill"))
    assert desk.held() == []
    with desk.store.write() as conn:
        (one,) = desk.book.unfilled(conn)
        assert (one["id"], len(one["observed"])) == (number, 1)
        desk.book.fill(
            conn, one["id"], [{"from": "2026-03-02T18:00:00Z", "to": "2026-03-02T19:04:10Z", "worst_c": 9.5}], ["J-1", "T-2"], NOW
        )
        assert desk.book.unfilled(conn) == []
    assert desk.held() == ["J-1", "T-2"]
    desk.open(finding(lot="", step="chill", probe="core-2"))
    with desk.store.write() as conn:
        (one,) = desk.book.unfilled(conn)
        desk.book.fill(conn, one["id"], [{}, {"from": "2026-03-02T18:00:00Z", "to": "2026-03-02T19:04:10Z"}], ["J-1"], NOW)
        entry = ledger.newest(conn, "deviation")
    assert entry is not None
    assert (entry.body["what"], entry.body["affected"], entry.body["observed"][0]["worst_c"]) == ("facts", ["J-1", "T-2"], 9.5)
    record = desk.get(number)
    assert record["affected"] == ["J-1", "T-2"]
    with desk.store.write() as conn:
        desk.book.close(
            conn, number or 0, "Odile Marsh", NOW, replace(WHOLE, acceptability="Warm.", reassessment="No.", trained="T. Okafor")
        )
        desk.book.review(conn, number or 0, "Tam Okafor", NOW)
    assert desk.held() == []
