"""What a reviewer sets up from the page: people, probes and bells.

Names, roles and PINs are the store's and hold at once. How somebody is reached, probes and bells stand in the configuration and the
plan: each file is read by its own loader before it is replaced, and the service reads it at its next start. What was changed is on record.
"""

from __future__ import annotations

import hashlib
import re
import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from sqlalchemy import Connection

from monitor import ledger, people, staffing
from monitor.alarms.bells import Outcome, ring_test
from monitor.config import ROLES, Config, Person, Source, load_config
from monitor.desk import Hand
from monitor.errors import ConfigError, InputError, NotFoundError, RefusedError
from monitor.judge import read_plan
from monitor.publish import Publisher
from monitor.store.writer import Writer
from monitor.toml_append import on_trial, private_file, replace_file, table_text, with_table
from monitor.toml_change import with_values, without_table
from rules.plan import Plan
from rules.reading import Instant

if TYPE_CHECKING:
    from monitor.commands.found import Found
    from monitor.commands.probe_add import Wanted

T = TypeVar("T")
#: The entry of the ledger that says who changed a file, and what it was then.
KIND = "configuration"
_BELL = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,39}")
_LISTEN_S = 3.0
#: How the command's options are called on the page.
_OPTIONS = {"source": "what it is plugged into", "probe": "name", "place": "place", "room": "room", "uncertainty": "uncertainty",
            "unit": "unit of its values", "baud": "baud", "value": "where the number stands"}  # fmt: skip


class SetUp:
    """Set-up by a reviewer. Methods block; call them off the event loop. Each raises RefusedError for any other role."""

    def __init__(self, config: Config, plan: Plan, writer: Writer, clock: Callable[[], Instant]) -> None:
        self.running, self._plan, self._writer, self._clock = config, plan, writer, clock
        self._turn = threading.Lock()  # two reviewers at once: one after the other, each on what the other left

    def file(self) -> Config:
        """The configuration as its file has it now; raises ConfigError."""
        return load_config(self.running.path, check_bells=False)

    # ---- people ----

    def people(self, hand: Hand) -> list[dict[str, Any]]:
        """Everybody: `name, role, can_sign_in, bells, mail, in_file`, and `later` where the file differs from what the service goes by."""
        reviewer(hand)
        told, was = self.file(), self.running
        found = []
        for one in self.submit(people.list_people):
            now, before = told.person(str(one["name"])), was.person(str(one["name"]))
            bells, mail = (now.bells, now.mail) if now else ((), "")
            later = (bells, mail) != ((before.bells, before.mail) if before else ((), ""))
            found.append({**one, "bells": bells, "mail": mail, "in_file": now is not None, "later": later})
        return found

    def add_person(self, hand: Hand, name: str, role: str, bells: Sequence[str] = (), mail: str = "") -> str:
        """A new person; the code with which they set their own PIN, shown once."""
        reviewer(hand)
        shown = " ".join(name.split())
        with self._turn:
            known = [str(one["name"]).casefold() for one in self.submit(people.list_people)]
            if shown.casefold() in known:
                raise InputError(f'there is already a person named "{shown}"; write a name that tells them apart')
            if not 1 <= len(shown) <= 80 or not shown.isprintable():
                raise InputError(f'name is "{shown[:80]}"; write 1 to 80 characters')
            _role(role)
            if bells or mail:
                self._reach(hand, Person(shown, role, tuple(bells), mail))

            def job(conn: Connection) -> str:
                now = self._clock()
                people.add_person(conn, shown, role, now, by=hand.by, from_config=bool(bells or mail))
                return people.invite(conn, shown, now, by=hand.by)

            return self.submit(job)

    def change_person(self, hand: Hand, name: str, role: str, bells: Sequence[str], mail: str) -> bool:
        """A role, at once; ways to be reached, at the next start. Answers whether something waits for it."""
        reviewer(hand)
        _role(role)
        with self._turn:
            who = self._somebody(name)
            if who["role"] == "reviewer" and role != "reviewer":
                self._another_reviewer(name, "make them something else")
            config = self.file()
            known = config.person(name)
            before = (known.bells, known.mail) if known else ((), "")
            reach = (tuple(bells), mail) != before
            if reach or (known is not None and known.role != role):
                self._reach(hand, Person(name, role, tuple(bells), mail))
            self.submit(lambda conn: staffing.set_role(conn, name, role, self._clock(), hand.by))
            return reach

    def new_code(self, hand: Hand, name: str) -> str:
        """End a person's PIN and every session of theirs, and give a code with which they set a new one."""
        reviewer(hand)
        if self._somebody(name)["name"] == hand.by:
            raise RefusedError("this is your own PIN; change it under Change my PIN")

        def job(conn: Connection) -> str:
            staffing.lock(conn, name, self._clock(), hand.by)
            return people.invite(conn, name, self._clock(), by=hand.by)

        return self.submit(job)

    def remove_person(self, hand: Hand, name: str) -> str:
        """Take a person's access away at once; what could not be struck out of the file is told as a sentence, else blank."""
        reviewer(hand)
        with self._turn:
            who = self._somebody(name)
            if who["name"] == hand.by:
                raise RefusedError("you cannot take away your own access; another reviewer does that")
            if who["role"] == "reviewer":
                self._another_reviewer(name, "remove them")
            self.submit(lambda conn: people.remove_person(conn, name, self._clock(), by=hand.by))
            try:
                config = self.file()
                number = next((n for n, p in enumerate(config.persons) if p.name == name), None)
                if number is not None:
                    text = config.path.read_text(encoding="utf-8-sig")
                    self._write(hand, config, without_table(text, "person", number), "person removed", name)
            except (InputError, RefusedError) as error:
                return f"{name} still stands in {self.running.path.name}, which was not changed: {error}"
            except ConfigError as error:
                return f"{name} still stands in {self.running.path.name}: strike them out by hand. {error}"
            return ""

    def _somebody(self, name: str) -> Mapping[str, object]:
        found = next((one for one in self.submit(people.list_people) if one["name"] == name), None)
        if found is None:
            raise NotFoundError(f'there is nobody named "{name[:80]}" here; choose somebody from the list')
        return found

    def _another_reviewer(self, name: str, what: str) -> None:
        others = [
            one for one in self.submit(people.list_people) if one["role"] == "reviewer" and one["can_sign_in"] and one["name"] != name
        ]
        if not others:
            raise RefusedError(f"{name} is the only reviewer who can sign in, and days must be signed; add another before you {what}")

    def _reach(self, hand: Hand, one: Person) -> None:
        """A person's table in the file, changed or added."""
        config = self.file()
        text = config.path.read_text(encoding="utf-8-sig")
        number = next((n for n, p in enumerate(config.persons) if p.name == one.name), None)
        wanted = {"role": one.role, "bells": list(one.bells) or None, "mail": one.mail or None}
        if number is None:
            table = {"name": one.name} | {k: v for k, v in wanted.items() if v is not None}
            self._write(hand, config, with_table(text, "person", table), "person added", one.name, table_text("person", table))
        else:
            self._write(hand, config, with_values(text, "person", number, wanted), "person changed", one.name)

    # ---- bells ----

    def bells(self, hand: Hand) -> list[dict[str, Any]]:
        """Every bell of the file: `id, way, who, alarms`, and `later` where the service does not know it yet. No address is shown."""
        reviewer(hand)
        config, found = self.file(), []
        for bell in config.bells:
            way = f"MQTT topic {bell.topic}" if bell.topic else f"the program {Path(bell.program[0]).name}" if bell.program else "a message"
            who = [p.name for p in config.persons if bell.id in p.bells]
            rungs = any(bell.id in rung.bells for rung in config.escalation)
            found.append({"id": bell.id, "way": way, "who": who, "rungs": rungs, "later": self.running.bell(bell.id) is None})
        return found

    def add_bell(self, hand: Hand, bell: str, way: str, where: str, *, at_once: bool) -> None:
        """A bell that sends a message to an address or publishes to a topic. An address goes into a file of its own, which only we read.

        A program is not taken from the page: whoever may name one may run anything on this machine.
        """
        reviewer(hand)
        if not _BELL.fullmatch(bell):
            raise InputError(f'name of the bell is "{bell[:40]}"; write letters, digits, dots and dashes, such as odile-phone')
        if way not in ("url", "topic"):
            raise InputError(f'way is "{way[:20]}"; choose an address or an MQTT topic')
        if not where or not where.isprintable() or len(where) > 1000:
            raise InputError("address or topic is blank or too long; write where the bell rings")
        with self._turn:
            config = self.file()
            text = config.path.read_text(encoding="utf-8-sig")
            if config.bell(bell) is not None:
                raise InputError(f'there is a bell "{bell}" already; write another name')
            secret = config.path.parent / f"bell-{bell}.url"
            table: dict[str, object] = {"id": bell, **({"topic": where} if way == "topic" else {"url_file": secret.name})}
            if way == "url":
                _keep(secret, where)
            try:
                made = with_table(text, "bell", table)
                if at_once or not config.escalation:
                    made = with_table(made, "escalation", {"after": "0 min", "bells": [bell]})
                self._replace(config, made, table_text("bell", table))
            except Exception:
                if way == "url":
                    secret.unlink(missing_ok=True)
                raise
            # Only now: were putting it on record to fail, the file that the configuration names must stay.
            self._note(hand, {"what": "bell added", "name": bell} | _hashes(config))

    def test_bell(self, hand: Hand, bell: str) -> str:
        """Ring one bell of the file with a test message; what came of it, as a sentence."""
        reviewer(hand)
        config = load_config(self.running.path)
        if config.bell(bell) is None:
            raise NotFoundError(f'there is no bell "{bell[:40]}"; choose one from the list')
        publisher = Publisher(config.mqtt, f"larderer-{self._plan.site.id}-test") if config.mqtt is not None else None
        try:
            result = ring_test(config, bell, publisher, self._plan.site.name)[0]
        finally:
            if publisher is not None:
                publisher.close()
        self._note(hand, {"what": "bell tested", "name": bell, "outcome": result.outcome.value})
        if result.outcome is Outcome.DELIVERED:
            return f"{bell} was rung with a test. If nobody heard it, the way there is broken all the same."
        return f"{bell} did not ring: {result.text or result.outcome.value}"

    # ---- probes ----

    def probes(self, hand: Hand) -> list[dict[str, Any]]:
        """Every probe of the plan's file: `id, place, room, source`, and `later` where the service does not know it yet."""
        reviewer(hand)
        config = self.file()
        plan = read_plan(config.plan)
        known = self._plan.probe_by_id
        return [
            {"id": p.id, "place": p.place, "room": p.room or "", "source": fed_by(config, p.id), "later": p.id not in known}
            for p in plan.probes
        ]

    def found(self, hand: Hand) -> tuple[list[Found], str]:
        """What this machine can hear and nothing uses, and a sentence about what could not be asked; takes some seconds."""
        from monitor.commands.found import everything  # with it come drivers that this site may not have

        reviewer(hand)
        return everything(self.file(), _LISTEN_S)

    def add_probe(self, hand: Hand, wanted: Wanted) -> list[str]:
        """What `larderer probes add` does: nothing is written unless a temperature comes from it now. Answers what was said."""
        from monitor.commands.probe_add import add_probe

        reviewer(hand)
        said: list[str] = []
        with self._turn:
            try:
                add_probe(self.running.path, wanted, said.append, terminal=False)
            except InputError as error:
                raise InputError(_plainly(str(error))) from error
            except OSError as error:
                raise RefusedError(self._unwritable(error)) from error
            config = self.file()
            body = {"what": "probe added", "name": wanted.probe, "source": wanted.source, "place": wanted.place, "room": wanted.room or ""}
            self._note(hand, body | _hashes(config))
        return [one for one in said if one.startswith("It reads")][:1]

    # ---- writing ----

    def _write(self, hand: Hand, config: Config, text: str, what: str, name: str, by_hand: str = "") -> None:
        """Replace the configuration, and put that on record."""
        self._replace(config, text, by_hand)
        self._note(hand, {"what": what, "name": name} | _hashes(config))

    def _replace(self, config: Config, text: str, by_hand: str = "") -> None:
        """Replace the configuration once its loader finds nothing wrong with it."""
        path = config.path
        try:
            with on_trial(path, text) as trial:
                try:
                    load_config(trial)
                except ConfigError as error:
                    raise InputError(str(error).replace(trial.name, path.name)) from error
            replace_file(path, text, datetime.now())
        except OSError as error:
            written = f" Write this into it by hand: {' '.join(by_hand.split())}" if by_hand else ""
            raise RefusedError(self._unwritable(error) + written) from error

    def _unwritable(self, error: OSError) -> str:
        path = self.running.path
        return f"{path.name} and its folder cannot be written by this service ({error.strerror}); nothing was changed."

    def _note(self, hand: Hand, body: Mapping[str, Any]) -> None:
        now = self._clock()
        self.submit(lambda conn: ledger.append(conn, KIND, body, now, hand.by, entered_at=now))

    def submit(self, job: Callable[[Connection], T]) -> T:
        """Do a job on the writer; its answer once it is durable."""
        return self._writer.submit(job).result()


def reviewer(hand: Hand) -> None:
    """Refuse everybody else."""
    if hand.role != "reviewer":
        raise RefusedError(f"{hand.by} is not a reviewer; a reviewer sets up people, probes and bells")


def fed_by(config: Config, probe: str) -> str:
    """Which source names a probe, in a few words."""
    for source in config.sources:
        if _names(source.options, probe):
            return _source_words(source)
    for topic in config.mqtt.topics if config.mqtt is not None else ():
        if topic.get("probe") == probe:
            return f"MQTT, topic {topic.get('topic')}"
    return "what comes under its own name, by MQTT or HTTP"


def _names(value: object, probe: str) -> bool:
    if isinstance(value, Mapping):
        return any(_names(one, probe) for one in value.values())
    return any(_names(one, probe) for one in value) if isinstance(value, list | tuple) else value == probe


def _source_words(source: Source) -> str:
    port = source.options.get("port") or source.options.get("host") or source.options.get("name") or source.options.get("file")
    return f"{source.driver}, {port}" if port else source.driver


def _role(role: str) -> None:
    if role not in ROLES:
        raise InputError(f'role is "{role[:20]}"; write one of {", ".join(ROLES)}')


def _plainly(text: str) -> str:
    """The command's sentence without its options and its terminal."""
    text = re.sub(r"--(\w+)", lambda m: _OPTIONS.get(m[1], m[1]), text)
    return text.replace("give it, or run larderer probes add on a terminal and be asked", "write it")


def _hashes(config: Config) -> dict[str, str]:
    files = {"configuration_sha256": config.path, "plan_sha256": config.plan}
    return {name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in files.items()}


def _keep(path: Path, secret: str) -> None:
    """A secret in a new file that nobody else on this machine reads."""
    try:
        private_file(path, f"{secret}\n".encode())
    except FileExistsError:
        raise InputError(f"there is a file {path.name} already beside the configuration; write another name for the bell") from None
    except OSError as error:
        raise RefusedError(f"{path.name} cannot be written beside the configuration ({error.strerror}); nothing was changed") from error
