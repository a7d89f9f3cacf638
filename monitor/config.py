"""The service's configuration, `larderer.toml`: how probes are wired, who is told, where things are kept.

`load_config` reads the file once and collects every mistake, one sentence each with file and line. The plan
says what is judged; this says how the plant is wired to it. Secrets come from files or environment variables
and are never printed (`Secret`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from probes import driver
from rules.reading import HOUR, MINUTE, Span

DRIVERS: Final = tuple(driver.DRIVERS)
ROLES: Final = ("operator", "reviewer", "inspector")
#: Lowest first.
PRIORITIES: Final = ("low", "medium", "high", "critical")


@dataclass(frozen=True, slots=True)
class Secret:
    """A text that must not reach a log, a page or a message; `reveal()` is the only way to read it."""

    _text: str = field(repr=False)

    def reveal(self) -> str:
        """The secret itself."""
        return self._text

    def __str__(self) -> str:
        return "***"


@dataclass(frozen=True, slots=True)
class Server:
    """Where the API and the page listen. `public_url` is what links in messages start with; blank: no links.

    With `tls_cert` and `tls_key` (PEM) they speak HTTPS only.
    """

    host: str = "127.0.0.1"
    port: int = 8080
    trusted_network: bool = False
    public_url: str = ""
    tls_cert: Path | None = None
    tls_key: Path | None = None


@dataclass(frozen=True, slots=True)
class Mqtt:
    """The broker. `topics` is the mapping of foreign topics to probes, handed to the MQTT driver as written.

    `answers`: the topic on which people acknowledge; blank: none. `broker_cert`: the broker's own certificate, watched for its end
    where there is one.
    """

    host: str
    port: int = 1883
    username: str = ""
    password: Secret | None = None
    tls_ca: Path | None = None
    tls_cert: Path | None = None
    tls_key: Path | None = None
    topics: tuple[Mapping[str, object], ...] = ()
    answers: str = ""
    broker_cert: Path | None = None


@dataclass(frozen=True, slots=True)
class Source:
    """One source of readings: its driver and the keys that `probes.<driver>.load` is given."""

    driver: str
    options: Mapping[str, object]
    line: int = 0


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who works here or inspects. `bells` are tried in this order; answers by mail come from `mail`."""

    name: str
    role: str
    bells: tuple[str, ...] = ()
    mail: str = ""


@dataclass(frozen=True, slots=True)
class Duty:
    """A weekly shift on weekdays (0 = Monday), from `start` to `until`, minutes after local midnight.

    It runs past midnight where `until` is no later than `start`.
    """

    persons: tuple[str, ...]
    days: tuple[int, ...]
    start: int
    until: int


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """The outward beat: an address that is asked `every` so often, for as long as judging goes on."""

    url: Secret
    method: str = "GET"
    every: Span = 5 * MINUTE
    timeout: Span = 15_000_000


@dataclass(frozen=True, slots=True)
class MailAnswers:
    """The mailbox (IMAP) into which replies to messages come. `address` is what people reply to, where messages are to say it."""

    host: str
    port: int
    username: str
    password: Secret
    tls: str = "on"
    folder: str = "INBOX"
    address: str = ""
    every: Span = MINUTE


@dataclass(frozen=True, slots=True)
class BellConfig:
    """A way to reach a person or to work a thing. Exactly one of `url`, `program`, `topic` is set.

    `timeout` bounds one delivery. `on`, `off` are the payloads of a siren or lamp on an MQTT topic;
    `off_when` says whether it goes off once everything is acknowledged or only once everything has cleared.
    """

    id: str
    url: Secret | None = None
    program: tuple[str, ...] = ()
    topic: str = ""
    timeout: Span = 15_000_000
    on: str = "on"
    off: str = "off"
    off_when: str = "acknowledged"


@dataclass(frozen=True, slots=True)
class Rung:
    """One rung of the escalation ladder: who is told `after` the alarm rang, while nobody has acknowledged it.

    `on_duty`: also whoever the roster then has on duty.
    """

    after: Span
    bells: tuple[str, ...] = ()
    persons: tuple[str, ...] = ()
    at_least: str = "low"
    on_duty: bool = False


@dataclass(frozen=True, slots=True)
class AlarmsConfig:
    """How alarms behave. Spans in microseconds; `all_well` is minutes after local midnight, None where turned off.

    `repeat`: the last rung rings again this often. `realarm`: an acknowledged alarm whose condition still stands
    rings as new after this (0: never). `quiet`: a new excursion of a cause that was told less than this ago waits
    for the rest of it. `shelve_at_most` bounds the shelving of alarms that are not critical. `nobody_on_duty`: who is told
    then (blank: everybody who can be). `drill`: local time of the monthly bell drill, `drill_answer` how long it may be answered.
    """

    repeat: Span = 15 * MINUTE
    realarm: Span = 2 * HOUR
    quiet: Span = 10 * MINUTE
    shelve_at_most: Span = 12 * HOUR
    link_valid: Span = 12 * HOUR
    all_well: int | None = 7 * 60
    all_well_to: tuple[str, ...] = ()
    nobody_on_duty: tuple[str, ...] = ()
    drill: int | None = 10 * 60
    drill_answer: Span = 30 * MINUTE


@dataclass(frozen=True, slots=True)
class StoreConfig:
    """How the store is looked after. Readings are deleted once they are older than `keep` and nothing open needs them.

    `copy_every`: a second copy (`larderer backup`) older than this, or none, is an alarm; 0: never. `spare_mb`: with
    less room than this left on the store's disk it is an alarm before it is full.
    """

    keep: Span = 731 * 24 * HOUR
    copy_every: Span = 7 * 24 * HOUR
    spare_mb: int = 300


@dataclass(frozen=True, slots=True)
class ExportConfig:
    """What becomes of a day's export once it is made: the folder or disk it is copied to, and the persons who get word of it."""

    copy_to: Path | None = None
    tell: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class BackupConfig:
    """Where copies of the store go by themselves, and how many stay. `rehearse_every`: none tried out for longer is an alarm; 0: never."""

    folder: Path | None = None
    keep: int = 4
    rehearse_every: Span = 14 * 24 * HOUR


@dataclass(frozen=True, slots=True)
class Config:
    """Everything in `larderer.toml`. Paths are absolute; `store_url` is blank for SQLite in the data folder."""

    path: Path
    plan: Path
    data: Path
    server: Server = Server()
    store_url: Secret = Secret("")
    mqtt: Mqtt | None = None
    sources: tuple[Source, ...] = ()
    persons: tuple[Person, ...] = ()
    bells: tuple[BellConfig, ...] = ()
    escalation: tuple[Rung, ...] = ()
    alarms: AlarmsConfig = AlarmsConfig()
    store: StoreConfig = StoreConfig()
    duties: tuple[Duty, ...] = ()
    heartbeat: Heartbeat | None = None
    mail_answers: MailAnswers | None = None
    export: ExportConfig = ExportConfig()
    backup: BackupConfig = BackupConfig()
    notes: tuple[str, ...] = ()

    def bell(self, bell_id: str) -> BellConfig | None:
        """The bell of that id, if there is one."""
        return next((b for b in self.bells if b.id == bell_id), None)

    def person(self, name: str) -> Person | None:
        """The person of that name, if there is one."""
        return next((p for p in self.persons if p.name == name), None)


def load_config(path: str | Path, *, check_bells: bool = True) -> Config:
    """The configuration in `path`; raises ConfigError with every mistake found.

    Relative paths count from the file's folder. `check_bells` also has every bell's address parsed.
    """
    from monitor.config_load import Loader

    return Loader(Path(path)).load(check_bells=check_bells)
