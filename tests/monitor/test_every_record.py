"""A day on which everything happens: whatever has to be on record is an entry of the ledger, with its fields, at its time, by its maker."""

import warnings
from pathlib import Path
from types import SimpleNamespace

import pytest

from monitor import ledger
from monitor import people as staff
from monitor.check_desk import ProbeCheck
from monitor.clock_watch import ClockWatch
from monitor.config import AlarmsConfig, BellConfig, Config, Person, Rung, Server, StoreConfig
from monitor.desk import Hand
from monitor.errors import SignInError
from monitor.service import Service
from rules.quantity import fahrenheit
from rules.reading import HOUR, MINUTE, SECOND, Instant, Reading
from tests.ferncliff import GRIND, ODILE, SITE, START

TAM = Hand("Tam Okafor", "reviewer")
PLAN = SITE + GRIND
ANSWERS = {
    "cause": "The meat stood on the bench.", "removed": "It was cleared.", "restored": "Re-chilled.", "reading": "core-1: 33 °F, 8:40",
    "prevention": "A timer hangs there.", "disposition": "reworked", "quantity": "12 kg", "reason": "Cold again in time.",
}  # fmt: skip


class Day:
    """The service on which it happens."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.now, self.step = folder, START, 0
        (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
        people = (Person("Odile Marsh", "operator", ("horn",)), Person("Tam Okafor", "reviewer"))
        self.config = Config(
            folder / "larderer.toml", folder / "plan.toml", folder / "data", Server(port=0), persons=people,
            bells=(BellConfig("horn", program=("/bin/true",)),), escalation=(Rung(0, bells=("horn",)),),
            alarms=AlarmsConfig(all_well=None), store=StoreConfig(spare_mb=0, copy_every=0),
        )  # fmt: skip
        self.open()

    def open(self) -> None:
        watch = ClockWatch(lambda: self.now + self.step, lambda: self.now)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            self.service = Service(self.config, clock=lambda: self.now, clock_watch=watch, drivers=(), tick_s=3600.0, exports=False)
        self.service.start()

    def read(self, degrees: float, minutes: float = 1, late: int = 0) -> None:
        self.now += round(minutes * MINUTE)
        self.service.intake.readings([Reading("core-1", self.now - late, fahrenheit(degrees))]).result(10)

    def tick(self, minutes: float = 1) -> None:
        self.now += round(minutes * MINUTE)
        self.service.writer.submit(lambda conn: self.service.pipeline.tick(conn, self.now)).result(10)
        self.service._look_after(self.now)
        self.service.writer.submit(lambda _: None).result(10)

    def entries(self) -> list[ledger.Entry]:
        with self.service.store.read() as conn:
            assert ledger.verify(conn) == []
            return list(ledger.entries(conn))


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> SimpleNamespace:
    """The day as it was recorded."""
    day = Day(tmp_path_factory.mktemp("day"))
    desk = day.service.desk
    desk.start_lot(ODILE, "juniper-links", lot="J-1")
    day.now += SECOND
    desk.place(ODILE, "J-1", "core-1")
    for n in range(15):
        day.read(33 + n % 3)
    day.read(45)  # the deviation
    day.tick()
    told = desk.alarms()[0]["id"]
    people = day.service.people
    code = day.service.writer.submit(lambda conn: staff.invite(conn, "Odile Marsh", day.now, "Tam Okafor")).result(10)
    cookie, _ = people.claim(code, "Odile Marsh", "juniper-9", scheme="https", remote="192.0.2.7")
    with pytest.raises(SignInError):
        people.sign_in("Odile Marsh", "juniper-8", scheme="https", remote="192.0.2.7")
    people.sign_out(cookie)
    desk.acknowledge(ODILE, told, "On my way.")
    desk.act(ODILE, "D1", 1)
    desk.act(ODILE, "D1", "Told the reviewer.", at=day.now - 20 * MINUTE)
    desk.check(ODILE, "J-1", "core", "33 °F", at=day.now - 10 * MINUTE)  # written down late
    day.read(33, 2)
    day.read(30, 1, late=2 * MINUTE + SECOND)  # comes late
    desk.close_deviation(ODILE, ["D1"], ANSWERS)
    desk.review_deviation(TAM, ["D1"], "Seen.")
    desk.calibrate(ODILE, ProbeCheck("core-1", "ice-point", 0.05, comment="Crushed ice, stirred."))
    desk.end(ODILE, "J-1")
    day.step = 24 * HOUR
    day.tick()
    day.tick(61)
    day.service.close()
    (day.folder / "plan.toml").write_text(PLAN.replace('max = "40 °F"', 'max = "39 °F"'), encoding="utf-8")
    day.now += HOUR
    day.open()
    day.service.desk.review_day(TAM, "2026-03-02", "Looked through.")
    day.tick()
    entries = day.entries()
    day.service.close()
    return SimpleNamespace(entries=entries, of=lambda kind: [e for e in entries if e.kind == kind], ended=day.now)


def test_everything_that_happened_is_in_the_ledger(day: SimpleNamespace) -> None:
    """Monitoring, findings, alarms, corrective action, calibration, plan change, sign-off, clock step, blind time, seals."""
    kinds = {e.kind for e in day.entries}
    wanted = {
        "plan",
        "lot-event",
        "finding",
        "deviation",
        "alarm",
        "calibration",
        "review",
        "clock",
        "monitoring",
        "seal",
        "blind",
        "message",
        "person",
        "access",
    }
    assert wanted <= kinds, f"missing: {sorted(wanted - kinds)}"
    assert len(day.of("plan")) == 2, "the plan at the start and the one that replaced it"
    assert len({e.body["sha256"] for e in day.of("plan")}) == 2


def test_alarm_s_way_is_told_from_beginning_to_end(day: SimpleNamespace) -> None:
    """Raised, acknowledged by whom, and let go with its record; the message that told it as delivered."""
    told = [(e.body["what"], e.by) for e in day.of("alarm") if "grind cold" in str(e.body) or e.body["alarm"] == "A1"]
    whats = [what for what, _ in told]
    assert whats[0] == "raised"
    assert ("acknowledge", "Odile Marsh") in told
    assert "reset" in whats
    assert day.of("message")[0].body["outcome"] == "delivered"


def test_deviation_s_way_is_told_with_facts_answers_and_both_names(day: SimpleNamespace) -> None:
    """Opened by the program, facts, actions with the time they were done, answers by one person, closing by the second."""
    steps = [(e.body["what"], e.by) for e in day.of("deviation")]
    assert steps[0][0] == "opened"
    assert {("facts", ""), ("action", "Odile Marsh"), ("answered", "Odile Marsh"), ("closed", "Tam Okafor")} <= set(steps)
    opened = next(e.body for e in day.of("deviation") if e.body["what"] == "opened")
    assert opened["limit_text"]
    assert opened["product_name"] == "Juniper venison-and-pork links"
    assert "invented for this test" in opened["source"]
    facts = next(e.body for e in day.of("deviation") if e.body["what"] == "facts")
    assert round(facts["observed"][0]["worst_c"], 2) == round(fahrenheit(45), 2)
    assert facts["affected"] == ["J-1"]
    answered = next(e.body for e in day.of("deviation") if e.body["what"] == "answered")
    assert {k: v for k, v in answered["answers"].items() if v} == ANSWERS


def test_every_entry_of_a_person_says_who_when_and_what_the_name_means(day: SimpleNamespace) -> None:
    """And none is dated after it was written; what was written late is marked with by how much."""
    people = [e for e in day.entries if e.by]
    assert {e.by for e in people} >= {"Odile Marsh", "Tam Okafor"}
    assert all(e.body["meaning"] for e in people)
    assert [(e.kind, e.body) for e in day.entries if e.at > e.entered_at] == []
    late = [e for e in people if e.body.get("late_s")]
    assert [(e.kind, e.body["late_s"]) for e in late] == [("deviation", 1200), ("lot-event", 600)]
    assert next(e for e in day.of("review")).body["meaning"] == "has reviewed these records before shipment"


def test_who_came_in_is_on_record(day: SimpleNamespace) -> None:
    """Signed in and out under the person's name; the refused try between them under nobody's."""
    said = [(e.body["what"], e.by) for e in day.of("access")]
    assert said == [("signed in", "Odile Marsh"), ("refused", ""), ("signed out", "Odile Marsh")]


def test_entries_about_a_lot_name_lot_and_product(day: SimpleNamespace) -> None:
    """Lot events, findings and monitoring, each with the product's code (9 CFR 417.5(a)(3))."""
    for entry in [*day.of("lot-event"), *day.of("finding")]:
        assert (entry.body["lot"], entry.body["product"]) == ("J-1", "juniper-links"), entry
    (core,) = day.of("monitoring")[0].body["probes"]
    assert core["readings"] == 18


def test_entries_are_made_when_things_happen(day: SimpleNamespace) -> None:
    """What the program writes itself is written at the instant at which it knows it, by its own clock, in order."""
    written: list[Instant] = [e.entered_at for e in day.entries]
    assert written == sorted(written)
    assert written[0] >= START
    assert written[-1] <= day.ended
