"""Reads and checks `larderer.toml` for `config.load_config`: every mistake is one sentence with its line."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TypeVar

from monitor.alarms.ringer import check_addresses
from monitor.config import (
    DRIVERS,
    PRIORITIES,
    ROLES,
    AlarmsConfig,
    BellConfig,
    Config,
    Mqtt,
    Person,
    Rung,
    Secret,
    Server,
    Source,
    StoreConfig,
)
from monitor.config_reach import check_reach, read_backup, read_clock, read_duty, read_export, read_heartbeat, read_mail_answers
from monitor.errors import ConfigError
from monitor.toml_lines import Lines
from rules.errors import QuantityError
from rules.quantity import parse_span
from rules.reading import HOUR, MINUTE, SECOND, Span

#: What each table may hold; a source's other keys are its driver's affair.
KEYS: Mapping[str, tuple[str, ...]] = {
    "": (
        "plan",
        "data",
        "server",
        "store",
        "mqtt",
        "source",
        "person",
        "duty",
        "bell",
        "escalation",
        "alarms",
        "heartbeat",
        "mail_answers",
        "export",
        "backup",
    ),
    "server": ("host", "port", "trusted_network", "public_url", "tls_cert", "tls_key"),
    "store": ("url", "url_file", "url_env", "keep", "copy_every", "spare_mb"),
    "mqtt": (
        "host",
        "port",
        "username",
        "password_file",
        "password_env",
        "tls_ca",
        "tls_cert",
        "tls_key",
        "topic",
        "answers",
        "broker_cert",
    ),
    "person": ("name", "role", "bells", "mail"),
    "duty": ("persons", "days", "from", "until"),
    "bell": ("id", "url", "url_file", "url_env", "program", "topic", "timeout", "on", "off", "off_when"),
    "escalation": ("after", "bells", "persons", "on_duty", "at_least"),
    "alarms": (
        "repeat",
        "realarm",
        "quiet",
        "shelve_at_most",
        "link_valid",
        "all_well",
        "all_well_to",
        "nobody_on_duty",
        "drill",
        "drill_answer",
    ),
    "heartbeat": ("url", "url_file", "url_env", "method", "every", "timeout"),
    "mail_answers": ("host", "port", "username", "password_file", "password_env", "tls", "folder", "address", "every"),
    "export": ("copy_to", "tell"),
    "backup": ("folder", "keep", "rehearse_every"),
}
_T = TypeVar("_T")


class Table:
    """One table of the file: reads its keys by type and notes each mistake with its line."""

    def __init__(self, loader: Loader, name: str, number: int, values: Mapping[str, object]) -> None:
        self.loader, self.name, self.number, self.values = loader, name, number, values

    def bad(self, key: str, sentence: str) -> None:
        """Note a mistake at `key`."""
        self.loader.bad(self.loader.lines.of(self.name, self.number, key), sentence)

    def get(self, key: str, kind: type[_T], default: _T, want: str) -> _T:
        """The value of `key` if it has the wanted type, else the default and a noted mistake."""
        value = self.values.get(key, default)
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            self.bad(key, f"{key} is {value!r}; write {want}")
            return default
        return value

    def text(self, key: str, default: str = "", *, required: bool = False) -> str:
        """A text; a required one may not be absent or blank."""
        value = self.get(key, str, default, f'a text, such as {key} = "…"')
        if required and not value.strip() and isinstance(self.values.get(key, ""), str):
            self.bad(key, f'{self.title} has no {key}; write {key} = "…"')
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts."""
        value = self.values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self.bad(key, f'{key} is {value!r}; write a list of texts, such as {key} = ["…"]')
            return ()
        return tuple(value)

    def span(self, key: str, default: Span, at_least: Span = 0) -> Span:
        """A duration with its unit, no shorter than `at_least`."""
        if key not in self.values:
            return default
        try:
            value = parse_span(self.values[key])  # type: ignore[arg-type]  # it refuses what is no text
        except QuantityError as error:
            self.bad(key, f"{key}: {error}")
            return default
        if value < at_least:
            self.bad(key, f"{key} is {self.values[key]!r}; write at least {at_least // SECOND} s")
        return value

    def one_of(self, key: str, choices: Sequence[str], default: str) -> str:
        """One of some words."""
        value = self.text(key, default)
        if value not in choices:
            self.bad(key, f"{key} is {value!r}; write one of {', '.join(choices)}")
            return default
        return value

    def secret(self, stem: str) -> Secret | None:
        """A secret from a file or an environment variable; its text is in no message."""
        file, variable = self.text(f"{stem}_file"), self.text(f"{stem}_env")
        if file:
            try:
                return Secret(self.loader.place(file).read_text(encoding="utf-8").strip())
            except (OSError, UnicodeDecodeError) as error:
                reason = error.strerror if isinstance(error, OSError) else "it is not text"
                self.bad(f"{stem}_file", f"{stem}_file {file!r} cannot be read ({reason}); write the path of a file that holds it")
        if variable:
            if variable in os.environ:
                return Secret(os.environ[variable].strip())
            self.bad(f"{stem}_env", f"{stem}_env names {variable!r}, which is not set; set it before the service starts")
        return None

    @property
    def title(self) -> str:
        """How a sentence names this table: its id or name where it has one."""
        label = self.values.get("id") or self.values.get("name") or self.values.get("driver")
        if isinstance(label, str):
            return f"{self.name} {label!r}"
        tables = ("server", "store", "mqtt", "alarms", "heartbeat", "mail_answers", "export", "backup")
        single = {"": "the file"} | {name: f"[{name}]" for name in tables}
        return single.get(self.name, f"{self.name} number {self.number + 1}")


class Loader:
    """One reading of one file."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.problems: list[tuple[int, str]] = []
        self.notes: list[str] = []
        self.lines = Lines("")

    def bad(self, line: int, sentence: str) -> None:
        """Note a mistake."""
        self.problems.append((line, f"{self.path.name}{f', line {line}' if line else ''}: {sentence}"))

    def place(self, text: str) -> Path:
        """A path of the file, from the file's own folder."""
        return (self.path.parent / Path(text).expanduser()).resolve()

    def load(self, *, check_bells: bool) -> Config:
        """The configuration; raises ConfigError."""
        try:
            content = self.path.read_text(encoding="utf-8-sig")
            values: dict[str, object] = tomllib.loads(content)
        except OSError as error:
            raise ConfigError([f"{self.path}: cannot be read ({error.strerror}); name an existing file with --config"]) from error
        except UnicodeDecodeError as error:
            raise ConfigError([f"{self.path.name}: is not UTF-8 at byte {error.start}; save it as UTF-8 text"]) from error
        except tomllib.TOMLDecodeError as error:
            raise ConfigError([f"{self.path.name}: is not TOML: {error}; quote every text and write one key = value a line"]) from error
        self.lines = Lines(content)
        top = Table(self, "", 0, values)
        self._unknown(top, top.title)
        config = Config(
            path=self.path.resolve(),
            plan=self._plan(top),
            data=self.place(top.text("data", "data")),
            server=self._server(self._table(values, "server")),
            store_url=self._store(self._table(values, "store")),
            mqtt=self._mqtt(self._table(values, "mqtt")) if "mqtt" in values else None,
            sources=tuple(self._each(values, "source", self._source)),
            persons=tuple(self._each(values, "person", self._person)),
            bells=tuple(self._each(values, "bell", self._bell)),
            escalation=tuple(self._each(values, "escalation", self._rung)),
            alarms=self._alarms(self._table(values, "alarms")),
            store=self._keeping(self._table(values, "store")),
            duties=tuple(self._each(values, "duty", read_duty)),
            heartbeat=read_heartbeat(self._table(values, "heartbeat")) if "heartbeat" in values else None,
            mail_answers=read_mail_answers(self._table(values, "mail_answers")) if "mail_answers" in values else None,
            export=read_export(self._table(values, "export")),
            backup=read_backup(self._table(values, "backup")),
        )
        self._whole(config, values)
        check_reach(self, config)
        if check_bells:
            self._addresses(config)
        if self.problems:
            raise ConfigError([sentence for _, sentence in sorted(self.problems, key=lambda p: p[0])])
        return config

    def _table(self, values: Mapping[str, object], name: str) -> Table:
        value = values.get(name, {})
        if not isinstance(value, dict):
            self.bad(self.lines.of("", 0, name), f"{name} is {value!r}; write a table headed [{name}]")
            value = {}
        table = Table(self, name, 0, value)
        self._unknown(table, table.title)
        return table

    def _each(self, values: Mapping[str, object], name: str, read: Callable[[Table], _T | None]) -> list[_T]:
        tables = values.get(name, [])
        if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
            self.bad(self.lines.of(name) or self.lines.of("", 0, name), f"{name} must be written as tables headed [[{name}]]")
            return []
        found = []
        for number, value in enumerate(tables):
            table = Table(self, name, number, value)
            if name in KEYS:  # a source's other keys are its driver's affair
                self._unknown(table, table.title)
            item = read(table)
            if item is not None:
                found.append(item)
        return found

    def _unknown(self, table: Table, where: str) -> None:
        known = f"; it knows {', '.join(KEYS[table.name])}"
        for key in table.values:
            if key not in KEYS[table.name]:
                hint = "; write password_file or password_env, so that the secret stays out of this file" if key == "password" else ""
                table.bad(key, f"{where} does not know the key {key!r}{hint or known}")

    def _plan(self, top: Table) -> Path:
        plan = self.place(top.text("plan", required=True) or "plan.toml")
        if top.values.get("plan") and isinstance(top.values["plan"], str) and not plan.is_file():
            top.bad("plan", f"plan {str(top.values['plan'])!r} is no file; write the path of the plan, from this file's folder")
        return plan

    def _server(self, table: Table) -> Server:
        port = table.get("port", int, 8080, "a port number, such as 8080")
        if not 0 <= port <= 65535:
            table.bad("port", f"port is {port}; write a number from 1 to 65535, or 0 for any free one")
        url = table.text("public_url").rstrip("/")
        if url and not url.startswith(("http://", "https://")):
            table.bad("public_url", f'public_url is {url!r}; start it with http:// or https://, such as "https://larder.example"')
        files = {key: self.place(table.text(key)) for key in ("tls_cert", "tls_key") if table.text(key)}
        for key, file in files.items():
            if not file.is_file():
                table.bad(key, f"{key} {table.text(key)!r} is no file; write the path of the server's own in PEM form")
            elif len(files) == 1:
                table.bad(key, f"there is a {key} but not both of tls_cert and tls_key; write the two")
        trusted = table.get("trusted_network", bool, False, "true or false")
        return Server(table.text("host", "127.0.0.1"), port, trusted, url, files.get("tls_cert"), files.get("tls_key"))

    def _store(self, table: Table) -> Secret:
        given = [key for key in ("url", "url_file", "url_env") if key in table.values]
        if len(given) > 1:
            table.bad(given[1], f"[store] has {' and '.join(given)}; keep one")
        return table.secret("url") or Secret(table.text("url"))

    def _keeping(self, table: Table) -> StoreConfig:
        plain = StoreConfig()
        spare = table.get("spare_mb", int, plain.spare_mb, "a whole number of megabytes, such as 300")
        if spare < 0:
            table.bad("spare_mb", f"spare_mb is {spare}; write a whole number of megabytes, such as 300, or 0 for no alarm")
        # Readings that may still be judged again by themselves, and a day's export, must never be deleted.
        return StoreConfig(table.span("keep", plain.keep, at_least=7 * 24 * HOUR), table.span("copy_every", plain.copy_every), spare)

    def _mqtt(self, table: Table) -> Mqtt:
        ca = table.text("tls_ca")
        if ca and not self.place(ca).is_file():
            table.bad("tls_ca", f"tls_ca {ca!r} is no file; write the path of the broker's certificate authority in PEM form")
        cert, key = table.text("tls_cert"), table.text("tls_key")
        for name, file in (("tls_cert", cert), ("tls_key", key)):
            if file and not self.place(file).is_file():
                table.bad(name, f"{name} {file!r} is no file; write the path of a file in PEM form")
            elif file and not (ca and cert and key):
                table.bad(name, f"there is a {name} but not all of tls_ca, tls_cert and tls_key; write the three")
        port = table.get("port", int, 8883 if ca else 1883, "a port number, such as 1883")
        if not 1 <= port <= 65535:
            table.bad("port", f"port is {port}; write a number from 1 to 65535")
        topics = table.values.get("topic", [])
        if not isinstance(topics, list) or not all(isinstance(t, dict) for t in topics):
            table.bad("topic", "topic must be written as tables headed [[mqtt.topic]]")
            topics = []
        secret = table.secret("password")
        if secret is not None and not table.text("username"):
            table.bad("username", 'the broker has a password but no username; write username = "…"')
        host = table.text("host", required=True)
        files = [self.place(file) if file else None for file in (ca, cert, key)]
        broker = self.place(table.text("broker_cert", "broker.crt"))
        if "broker_cert" in table.values and not broker.is_file():
            table.bad("broker_cert", f"broker_cert {str(broker)!r} is no file; write the path of the broker's certificate in PEM form")
        return Mqtt(
            host, port, table.text("username"), secret, files[0], files[1], files[2], topics=tuple(topics), answers=table.text("answers"),
            broker_cert=broker,  # looked for each time: deploy/install may put it there while the service runs
        )  # fmt: skip

    def _source(self, table: Table) -> Source | None:
        driver = table.values.get("driver")
        if driver not in DRIVERS:
            said = f"has driver {driver!r}" if driver is not None else "has no driver"
            table.bad("driver", f"source number {table.number + 1} {said}; write one of {', '.join(DRIVERS)}")
            return None
        options = {key: value for key, value in table.values.items() if key != "driver"}
        return Source(str(driver), options, self.lines.of("source", table.number))

    def _person(self, table: Table) -> Person:
        return Person(table.text("name", required=True), table.one_of("role", ROLES, "operator"), table.texts("bells"), table.text("mail"))

    def _bell(self, table: Table) -> BellConfig:
        ways = [way for way in ("url", "url_file", "url_env", "program", "topic") if way in table.values]
        if len(ways) != 1:
            said = "no way to ring" if not ways else " and ".join(ways)
            table.bad(ways[1] if ways else "id", f"{table.title} has {said}; write exactly one of url, url_file, url_env, program, topic")
        url = table.secret("url") or (Secret(table.text("url")) if table.values.get("url") else None)
        program = table.texts("program")
        if isinstance(table.values.get("program"), list) and not (program and Path(program[0]).is_absolute()):
            table.bad(
                "program", f'program is {table.values["program"]!r}; write a list that starts with a full path, such as ["/usr/bin/…"]'
            )
        elif program and not os.access(program[0], os.X_OK):
            table.bad("program", f"program {program[0]!r} is no file that may be run; write the full path of one, and make it executable")
        topic = table.text("topic")
        if any(mark in topic for mark in "+#"):
            table.bad("topic", f"topic is {topic!r}; a bell publishes to one topic, so leave out + and #")
        return BellConfig(
            table.text("id", required=True), url, program, topic, table.span("timeout", 15 * SECOND, SECOND),
            table.text("on", "on"), table.text("off", "off"), table.one_of("off_when", ("acknowledged", "cleared"), "acknowledged"),
        )  # fmt: skip

    def _rung(self, table: Table) -> Rung:
        if "after" not in table.values:
            table.bad("after", f'{table.title} has no after; write how long after the alarm it rings, such as after = "10 min"')
        bells, persons = table.texts("bells"), table.texts("persons")
        on_duty = table.get("on_duty", bool, False, "true or false")
        if not bells and not persons and not on_duty:
            table.bad("after", f"{table.title} tells nobody; write bells, persons or on_duty = true")
        return Rung(table.span("after", 0), bells, persons, table.one_of("at_least", PRIORITIES, "low"), on_duty)

    def _alarms(self, table: Table) -> AlarmsConfig:
        plain = AlarmsConfig()
        return AlarmsConfig(
            repeat=table.span("repeat", plain.repeat, MINUTE),
            realarm=table.span("realarm", plain.realarm),
            quiet=table.span("quiet", plain.quiet),
            shelve_at_most=table.span("shelve_at_most", plain.shelve_at_most, MINUTE),
            link_valid=table.span("link_valid", plain.link_valid, MINUTE),
            all_well=read_clock(table, "all_well", "07:00", none=True),
            all_well_to=table.texts("all_well_to"),
            nobody_on_duty=table.texts("nobody_on_duty"),
            drill=read_clock(table, "drill", "10:00", none=True),
            drill_answer=table.span("drill_answer", plain.drill_answer, MINUTE),
        )

    def _whole(self, config: Config, values: Mapping[str, object]) -> None:
        """What no table can see alone: names used twice, names nobody has, a ladder nobody stands on."""
        bells, persons = [b.id for b in config.bells], [p.name for p in config.persons]
        for name, label, ids in (("bell", "id", bells), ("person", "name", persons)):
            for number, item in enumerate(ids):
                if item and item in ids[:number]:
                    self.bad(self.lines.of(name, number, label), f"{name} {item!r} stands twice; give each its own {label}")
        for number, person in enumerate(config.persons):
            self._known("person", number, "bells", person.bells, bells, "bell")
        for number, rung in enumerate(config.escalation):
            self._known("escalation", number, "bells", rung.bells, bells, "bell")
            self._known("escalation", number, "persons", rung.persons, persons, "person")
            for name in rung.persons:
                somebody = config.person(name)
                if somebody is not None and not somebody.bells:
                    self.bad(
                        self.lines.of("escalation", number, "persons"),
                        f"person {name!r} has no bells to be told by; add bells to the person",
                    )
        self._known("alarms", 0, "all_well_to", config.alarms.all_well_to, bells, "bell")
        if any(b.topic for b in config.bells) and config.mqtt is None:
            number = next(i for i, b in enumerate(config.bells) if b.topic)
            self.bad(
                self.lines.of("bell", number, "topic"),
                f"bell {config.bells[number].id!r} rings by MQTT but there is no [mqtt]; add it with its host",
            )
        if any(s.driver == "mqtt" for s in config.sources) and config.mqtt is None:
            number = next(i for i, s in enumerate(config.sources) if s.driver == "mqtt")
            self.bad(self.lines.of("source", number), "a source reads MQTT but there is no [mqtt]; add it with its host")
        if config.bells and not config.escalation and "escalation" not in values:
            self.bad(self.lines.of("bell", 0), 'there are bells but no [[escalation]], so none would ring; add one with after = "0 min"')
        if config.escalation and min(r.after for r in config.escalation) > 0:
            self.bad(self.lines.of("escalation", 0, "after"), 'no [[escalation]] rings at once; give the first after = "0 min"')

    def _known(self, table: str, number: int, key: str, names: Sequence[str], known: Sequence[str], what: str) -> None:
        given = [name for name in known if name]
        for name in names:
            if name not in known:
                have = f"; there are {', '.join(given)}" if given else f"; add a [[{what}]]"
                self.bad(self.lines.of(table, number, key), f"{key} names {name!r}, which is no {what}{have}")

    def _addresses(self, config: Config) -> None:
        addressed = [(i, b) for i, b in enumerate(config.bells) if b.url is not None]
        sentences = check_addresses([b.url.reveal() for _, b in addressed if b.url is not None])
        for (number, bell), sentence in zip(addressed, sentences, strict=True):
            if sentence:
                self.bad(self.lines.of("bell", number, "url"), f"bell {bell.id!r}: {sentence}")
