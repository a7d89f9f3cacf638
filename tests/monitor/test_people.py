"""People: what is kept opens nothing, tries are paced, sessions and tokens end, the first person gets in once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from monitor import ledger, sign_in_pace
from monitor import people as staff
from monitor.config import Person
from monitor.errors import InputError, NotFoundError, SignInError
from monitor.people import IDLE, LONGEST, People
from monitor.store.database import Store
from monitor.store.writer import Writer
from rules.reading import HOUR, MINUTE, SECOND

HERE = {"scheme": "http", "remote": "127.0.0.1"}


class Door:
    """People over a store, with a clock the test moves."""

    def __init__(self, store: Store, writer: Writer) -> None:
        self.store, self.writer, self.now = store, writer, 1_772_478_000 * SECOND
        self.people = People(store, writer, lambda: self.now)

    def do(self, job: Callable[..., Any], *args: Any, **more: Any) -> Any:
        """Run one of the administration functions."""
        return self.writer.submit(lambda conn: job(conn, *args, **more)).result(20)

    def wrong(self, times: int, **way: str) -> SignInError:
        """Sign in with a wrong secret so many times; the last refusal."""
        for _ in range(times):
            with pytest.raises(SignInError) as caught:
                self.people.sign_in("Odile Marsh", "not-this-one", **(HERE | way))
        return caught.value


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with Store(tmp_path / "larderer.sqlite") as store, Writer(store) as writer:
        made = Door(store, writer)
        made.do(staff.add_person, "Odile Marsh", "operator", made.now, secret="juniper-9")
        yield made


def test_right_secret_opens_a_session(door):
    """Name in any case and spacing, and the secret, give a session with the person's role."""
    token, who = door.people.sign_in(" odile   MARSH ", "juniper-9", **HERE)
    assert (who.name, who.role) == ("Odile Marsh", "operator")
    assert door.people.by_session(token) == who


def test_nothing_kept_opens_a_session(door):
    """The database holds neither secret nor token: an Argon2id hash and a SHA-256."""
    token, _ = door.people.sign_in("Odile Marsh", "juniper-9", **HERE)
    machine = door.do(staff.add_device, "gateway", "probe", door.now)
    with door.store.read() as conn:
        kept = "\n".join(
            str(tuple(row)) for table in (staff.person, staff.session, staff.device_token) for row in conn.execute(select(table))
        )
        told = "\n".join(str(entry) for entry in ledger.entries(conn))
    assert "$argon2id$" in kept
    for secret in ("juniper-9", token, machine):
        assert secret not in kept
        assert secret not in told


@pytest.mark.parametrize("name", ["Odile Marsh", "Nobody Here"])
def test_wrong_secret_and_unknown_name_are_answered_alike(door, name):
    """A stranger does not learn which names exist."""
    with pytest.raises(SignInError) as caught:
        door.people.sign_in(name, "not-this-one", **HERE)
    assert str(caught.value) == "name or secret is not right; try again, or ask for a new invitation code"


def test_each_further_failure_doubles_the_wait(door):
    """Three tries are free; then 1 s, 2 s, 4 s ... , and a try during the wait is not looked at."""
    door.wrong(3)
    waits = []
    for _ in range(4):
        waits.append(door.wrong(1).wait // SECOND)
        door.now += waits[-1] * SECOND
        door.wrong(1)
    assert waits == [1, 2, 4, 8]


def test_wait_never_grows_beyond_a_quarter_of_an_hour(door):
    """Nobody is shut out for good."""
    for _ in range(30):
        door.do(sign_in_pace.record, "odile marsh", "127.0.0.1", door.now, good=False)
    assert door.wrong(1).wait == 15 * MINUTE
    door.now += 15 * MINUTE
    assert door.people.sign_in("Odile Marsh", "juniper-9", **HERE)[1].name == "Odile Marsh"


def test_strangers_elsewhere_slow_the_owner_by_a_minute_at_most(door):
    """Guessing from many addresses does not lock out the person at hers."""
    for number in range(60):
        door.do(sign_in_pace.record, "odile marsh", f"203.0.113.{number}", door.now, good=False)
    assert 0 < door.wrong(1).wait <= MINUTE


def test_one_address_trying_many_names_is_slowed(door):
    """Failures count per address over all names, too."""
    for number in range(21):
        door.do(sign_in_pace.record, f"name {number}", "127.0.0.1", door.now, good=False)
    assert door.wrong(1).wait > 0


def test_success_forgets_the_failures_before_it(door):
    """After signing in the next slip is free again."""
    door.wrong(3)
    door.now += MINUTE
    door.people.sign_in("Odile Marsh", "juniper-9", **HERE)
    assert door.wrong(3).wait == 0


def test_waits_outlive_a_restart(door):
    """A restart of the service forgives nothing."""
    door.wrong(4)
    again = People(door.store, door.writer, lambda: door.now)
    with pytest.raises(SignInError, match="wait"):
        again.sign_in("Odile Marsh", "juniper-9", **HERE)


def test_secret_is_not_taken_over_plain_http_from_elsewhere(door):
    """Plain HTTP is for this machine, unless the network is said to be trusted; HTTPS is for all."""
    afar = {"scheme": "http", "remote": "192.0.2.7"}
    with pytest.raises(SignInError, match="plain HTTP"):
        door.people.sign_in("Odile Marsh", "juniper-9", **afar)
    trusting = People(door.store, door.writer, lambda: door.now, trusted_network=True)
    assert trusting.sign_in("Odile Marsh", "juniper-9", **afar)
    assert door.people.sign_in("Odile Marsh", "juniper-9", **(afar | {"scheme": "https"}))


def test_session_ends_when_it_lies_idle(door):
    """Used within the time it lasts on, left alone it ends."""
    token, _ = door.people.sign_in("Odile Marsh", "juniper-9", **HERE)
    door.now += IDLE - MINUTE
    assert door.people.by_session(token) is not None
    door.do(lambda conn: None)
    door.now += IDLE - MINUTE
    assert door.people.by_session(token) is not None
    door.now += IDLE + MINUTE
    assert door.people.by_session(token) is None


def test_session_ends_after_a_week_in_any_case(door):
    """A session in daily use ends after a week."""
    token, _ = door.people.sign_in("Odile Marsh", "juniper-9", **HERE)
    for _ in range(LONGEST // (8 * HOUR) + 1):
        door.now += 8 * HOUR
        last = door.people.by_session(token)
        door.do(lambda conn: None)
    assert last is None


def test_new_secret_ends_every_session(door):
    """Who changes the secret shuts out whoever had the old one."""
    token, _ = door.people.sign_in("Odile Marsh", "juniper-9", **HERE)
    door.do(staff.set_secret, "Odile Marsh", "another-one", door.now)
    door.now += 10 * SECOND
    assert door.people.by_session(token) is None


def test_revoked_token_is_worthless_within_seconds(door):
    """A machine's token works until it is revoked."""
    token = door.do(staff.add_device, "gateway", "probe", door.now)
    assert door.people.by_bearer(token).role == "probe"
    door.do(staff.revoke_device, "gateway", door.now)
    door.now += 10 * SECOND
    assert door.people.by_bearer(token) is None


def test_machine_gets_no_role_that_makes_records(door):
    """What changes records is signed by a person."""
    with pytest.raises(InputError, match="signed by a person"):
        door.do(staff.add_device, "robot", "operator", door.now)


def test_first_code_makes_the_first_person_once(tmp_path):
    """On an empty site the code printed at start makes a reviewer, and then is worth nothing."""
    with Store(tmp_path / "larderer.sqlite") as store, Writer(store) as writer:
        door = Door(store, writer)
        code = door.people.first_run_code()
        assert code
        _, who = door.people.claim(code.lower(), "Tam Okafor", "sage-1234", **HERE)
        assert (who.name, who.role) == ("Tam Okafor", "reviewer")
        assert door.people.first_run_code() == ""
        with pytest.raises(SignInError, match="has been used"):
            door.people.claim(code, "Mallory", "sage-1234", **HERE)


def test_first_code_is_worthless_once_somebody_can_sign_in(tmp_path):
    """A code printed at start does not open a site that was given people meanwhile, by another process."""
    with Store(tmp_path / "larderer.sqlite") as store, Writer(store) as writer:
        door = Door(store, writer)
        code = door.people.first_run_code()
        door.do(staff.add_person, "Odile Marsh", "operator", door.now, secret="juniper-9")
        with pytest.raises(SignInError):
            door.people.claim(code, "Mallory", "sage-1234", **HERE)


def test_invitation_sets_ones_own_secret_once(door):
    """An invited person chooses the secret; the code works once, for that name, for a week."""
    door.do(staff.add_person, "Tam Okafor", "reviewer", door.now)
    code = door.do(staff.invite, "Tam Okafor", door.now)
    with pytest.raises(SignInError):
        door.people.claim(code, "Odile Marsh", "taken-over", **HERE)
    assert door.people.claim(code, "Tam Okafor", "sage-1234", **HERE)[1].role == "reviewer"
    with pytest.raises(SignInError):
        door.people.claim(code, "Tam Okafor", "sage-5678", **HERE)
    late = door.do(staff.invite, "Tam Okafor", door.now)
    door.now += 8 * 24 * HOUR
    with pytest.raises(SignInError):
        door.people.claim(late, "Tam Okafor", "sage-5678", **HERE)


def test_configuration_adds_changes_and_removes_people(door):
    """The table follows the configuration; who was added by hand stays."""
    door.do(staff.sync_people, [Person("Tam Okafor", "operator"), Person("Ines Vale", "inspector")], door.now)
    door.do(staff.sync_people, [Person("Tam Okafor", "reviewer")], door.now)
    with door.store.read() as conn:
        listed = staff.list_people(conn)
        told = [(e.body["what"], e.body["name"]) for e in ledger.entries(conn, kind="person")]
    assert [(p["name"], p["role"]) for p in listed] == [("Odile Marsh", "operator"), ("Tam Okafor", "reviewer")]
    assert ("removed", "Ines Vale") in told


def test_removed_person_cannot_come_back_in(door):
    """Neither session nor secret of a removed person opens anything."""
    token, _ = door.people.sign_in("Odile Marsh", "juniper-9", **HERE)
    door.do(staff.remove_person, "Odile Marsh", door.now)
    door.now += 10 * SECOND
    assert door.people.by_session(token) is None
    with pytest.raises(SignInError):
        door.people.sign_in("Odile Marsh", "juniper-9", **HERE)


@pytest.mark.parametrize(
    ("job", "args", "words"),
    [
        (staff.add_person, ("Odile marsh", "operator"), "already a person"),
        (staff.add_person, ("", "operator"), "write 1 to 80 characters"),
        (staff.add_person, ("Tam Okafor", "boss"), "write one of operator, reviewer, inspector"),
        (staff.set_secret, ("Odile Marsh", "12345"), "write 6 to 200"),
    ],
)
def test_bad_person_gets_one_sentence(door, job, args, words):
    """Each mistake says what to write."""
    with pytest.raises(InputError, match=words):
        door.do(job, *args, door.now)


def test_unknown_person_is_not_found(door):
    """Setting the secret of nobody says so."""
    with pytest.raises(NotFoundError, match="Nobody"):
        door.do(staff.set_secret, "Nobody", "juniper-9", door.now)


def access(door: Door) -> list[ledger.Entry]:
    """What stands in the record about who came in."""
    with door.store.read() as conn:
        assert ledger.verify(conn) == []
        return list(ledger.entries(conn, kind="access"))


def test_signing_in_and_out_is_on_record(door):
    """Who, in which role, from where; and a session that is ended twice is ended once."""
    token, _ = door.people.sign_in("odile marsh", "juniper-9", **HERE)
    door.now += MINUTE
    door.people.sign_out(token)
    door.people.sign_out(token)
    came, went = access(door)
    assert (came.by, came.body["what"], came.body["role"], came.body["from"]) == ("Odile Marsh", "signed in", "operator", "127.0.0.1")
    assert (went.by, went.body["what"], went.at) == ("Odile Marsh", "signed out", door.now)
    assert came.body["meaning"] != went.body["meaning"]


def test_refused_try_is_on_record_at_once_and_under_nobodys_hand(door):
    """Nobody has shown who they are, so the entry is made by nobody; what was typed as the secret is nowhere."""
    door.wrong(1)
    (entry,) = access(door)
    assert (entry.by, entry.body["what"], entry.body["name"], entry.body["tries"]) == ("", "refused", "Odile Marsh", 1)
    assert entry.body["from"] == ["127.0.0.1"]
    assert "not-this-one" not in str(entry)


def test_flood_of_guesses_is_one_entry_a_minute_and_no_guess_is_uncounted(door):
    """A thousand tries over ten minutes, most of them during their wait: eleven entries at most, which count them all."""
    begun = door.now
    for _ in range(1000):
        door.wrong(1)
        door.now += 3 * SECOND // 5
    door.now += MINUTE
    door.do(door.people.look, door.now)
    found = access(door)
    assert 2 <= len(found) <= (door.now - begun) // MINUTE + 1
    assert sum(one.body["tries"] for one in found) == 1000
    assert found[-1].body["what"] == "locked out"
    assert found[-1].body["wait_s"] > 0
    assert found[-1].body["not_looked_at"] > 0
    door.now += MINUTE
    door.do(door.people.look, door.now)
    assert len(access(door)) == len(found), "nothing more came, nothing more is written"


def test_flood_of_names_is_one_entry_a_minute_and_names_nobody(door):
    """A secret typed as the name must not stand in the record for ever, nor may made-up names fill it."""
    for number in range(40):
        with pytest.raises(SignInError):
            door.people.sign_in(f"my-secret-{number}", "x", scheme="https", remote=f"203.0.113.{number}")
    door.now += MINUTE
    door.do(door.people.look, door.now)
    first, rest = access(door)
    assert (first.body["tries"], rest.body["tries"]) == (1, 39)
    assert first.body["name"] == "a name that nobody here has"
    assert len(rest.body["from"]) == 5
    assert rest.body["from"][-1] == "and others"
    assert "my-secret" not in str([first, rest])


def test_role_and_token_changes_are_on_record(door):
    """Who may do what changes under somebody's name: role, machine token made and revoked."""
    door.do(staff.sync_people, [Person("Odile Marsh", "reviewer")], door.now)
    door.do(staff.add_device, "gateway", "probe", door.now, by="Tam Okafor")
    door.do(staff.revoke_device, "gateway", door.now, by="Tam Okafor")
    with door.store.read() as conn:
        said = [(e.by, e.body["what"], e.body.get("role")) for e in ledger.entries(conn, kind="person")][1:]
    assert said == [
        ("configuration", "role", "reviewer"), ("Tam Okafor", "token made", "probe"), ("Tam Okafor", "token revoked", None),
    ]  # fmt: skip
