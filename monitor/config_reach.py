"""Reads what `larderer.toml` says of reaching people and the world outside: the roster, the heartbeat, answers by mail, word of exports."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from monitor.config import BackupConfig, Duty, ExportConfig, Heartbeat, MailAnswers, Secret
from monitor.roster import read_days
from rules.reading import MINUTE, SECOND

if TYPE_CHECKING:
    from monitor.config import Config
    from monitor.config_load import Loader, Table

CLOCK: Final = re.compile(r"^([01]?\d|2[0-3]):([0-5]\d)$")
#: Addresses that never leave this machine: only there may a password travel in the clear.
_LOOPBACK: Final = ("127.0.0.1", "::1", "localhost")


def read_clock(table: Table, key: str, default: str, *, none: bool = False) -> int | None:
    """Minutes after midnight of a local time such as "07:00"; None where it is blank and `none` allows that."""
    text = table.text(key, default)
    match = CLOCK.match(text)
    if match is not None:
        return int(match[1]) * 60 + int(match[2])
    if text or not none:
        table.bad(key, f'{key} is {text!r}; write a local time such as "{default or "07:00"}"{", or  for none" if none else ""}')
    return None


def read_duty(table: Table) -> Duty | None:
    """One `[[duty]]`: who, on which days, from when until when."""
    persons, days = table.texts("persons"), read_days(table.text("days", "daily"))
    if not persons:
        table.bad("persons", f"{table.title} names nobody; write persons")
    if days is None:
        table.bad("days", f'days is {table.values.get("days")!r}; write weekdays such as "mon-fri" or "sat, sun", or "daily"')
    start, until = read_clock(table, "from", "00:00"), read_clock(table, "until", "00:00")
    if not persons or days is None or start is None or until is None:
        return None
    return Duty(persons, days, start, until)


def read_heartbeat(table: Table) -> Heartbeat | None:
    """The `[heartbeat]`: where the beat goes, how, how often."""
    given = [key for key in ("url", "url_file", "url_env") if key in table.values]
    if len(given) != 1:
        table.bad(given[1] if given else "url", "[heartbeat] needs exactly one of url, url_file, url_env")
        return None
    url = table.secret("url") or Secret(table.text("url"))
    if not url.reveal().startswith(("http://", "https://")):
        table.bad(given[0], "the heartbeat's address does not start with http:// or https://; write the whole address")
    method = table.one_of("method", ("GET", "POST"), "GET")
    return Heartbeat(url, method, table.span("every", 5 * MINUTE, 10 * SECOND), table.span("timeout", 15 * SECOND, SECOND))


def read_mail_answers(table: Table) -> MailAnswers | None:
    """The `[mail_answers]`: the mailbox into which people's replies come."""
    host, username, password = table.text("host", required=True), table.text("username", required=True), table.secret("password")
    tls = table.one_of("tls", ("on", "starttls", "off"), "on")
    if password is None:
        table.bad("password_file", "[mail_answers] has no password; write password_file or password_env")
    if tls == "off" and host not in _LOOPBACK:
        table.bad("tls", f'tls is "off", but {host!r} is another machine; write "on" or "starttls"')
    port = table.get("port", int, 993 if tls == "on" else 143, "a port number, such as 993")
    if not 1 <= port <= 65535:
        table.bad("port", f"port is {port}; write a number from 1 to 65535")
    if password is None:
        return None
    return MailAnswers(
        host, port, username, password, tls, table.text("folder", "INBOX"), table.text("address"), table.span("every", MINUTE, 5 * SECOND)
    )


def read_export(table: Table) -> ExportConfig:
    """The `[export]`: where each day's export is copied to, and who gets word of it. The disk need not be in now."""
    where = table.text("copy_to")
    if "copy_to" in table.values and not where.strip() and isinstance(table.values["copy_to"], str):
        table.bad("copy_to", 'copy_to is blank; write the folder, such as "/media/records", or leave the key out')
    return ExportConfig(table.loader.place(where) if where.strip() else None, table.texts("tell"))


def read_backup(table: Table) -> BackupConfig:
    """The `[backup]`: where copies of the store go by themselves. The disk need not be in now."""
    plain, where = BackupConfig(), table.text("folder")
    if not where.strip() and table.values:
        table.bad("folder", '[backup] has no folder; write folder = "/media/records", or leave the table out')
    keep = table.get("keep", int, plain.keep, "how many copies stay, such as 4")
    if keep < 1:
        table.bad("keep", f"keep is {keep}; write at least 1")
    every = table.span("rehearse_every", plain.rehearse_every)
    return BackupConfig(table.loader.place(where) if where.strip() else None, keep, every)


def check_reach(loader: Loader, config: Config) -> None:
    """What no table of these can see alone."""
    names = [p.name for p in config.persons]
    for number, duty in enumerate(config.duties):
        for name in duty.persons:
            _can_be_told(loader, config, "duty", number, "persons", name, names)
    for name in config.alarms.nobody_on_duty:
        _can_be_told(loader, config, "alarms", 0, "nobody_on_duty", name, names)
    for name in config.export.tell:
        _can_be_told(loader, config, "export", 0, "tell", name, names)
    for table, key, target in (("export", "copy_to", config.export.copy_to), ("backup", "folder", config.backup.folder)):
        if target is not None and (target == config.data or config.data in target.parents):
            line = loader.lines.of(table, 0, key)
            loader.bad(line, f"{key} {str(target)!r} is in the data folder, which dies with its disk; name a folder on another disk")
    for number, rung in enumerate(config.escalation):
        if rung.on_duty and not config.duties:
            loader.bad(loader.lines.of("escalation", number, "on_duty"), "a rung tells who is on duty, but there is no [[duty]]; add one")
        if rung.on_duty and not any(p.bells for p in config.persons):
            loader.bad(loader.lines.of("escalation", number, "on_duty"), "a rung tells who is on duty, but no person has bells; add bells")
    if config.mqtt is not None and any(mark in config.mqtt.answers for mark in "+#"):
        line, topic = loader.lines.of("mqtt", 0, "answers"), config.mqtt.answers
        loader.bad(line, f"answers is {topic!r}; answers come on one topic, so leave out + and #")
    addresses = [p.mail.lower() for p in config.persons if p.mail]
    for number, person in enumerate(config.persons):
        if person.mail and "@" not in person.mail:
            loader.bad(loader.lines.of("person", number, "mail"), f"mail is {person.mail!r}; write an address such as name@larder.example")
        elif person.mail and addresses.count(person.mail.lower()) > 1:
            loader.bad(
                loader.lines.of("person", number, "mail"), f"mail {person.mail!r} belongs to two persons; give each an address of their own"
            )
    if config.mail_answers is not None and not addresses:
        loader.bad(loader.lines.of("mail_answers", 0, "host"), "nobody can answer by mail, as no person has a mail; add mail to persons")


def _can_be_told(loader: Loader, config: Config, table: str, number: int, key: str, name: str, names: list[str]) -> None:
    person = config.person(name)
    if person is None:
        have = f"; there are {', '.join(n for n in names if n)}" if names else "; add a [[person]]"
        loader.bad(loader.lines.of(table, number, key), f"{key} names {name!r}, which is no person{have}")
    elif not person.bells:
        loader.bad(loader.lines.of(table, number, key), f"person {name!r} has no bells to be told by; add bells to the person")
