"""Answers that come by mail: a mailbox (IMAP4rev1, RFC 3501) looked into every so often, in a thread of its own.

A reply counts where it comes from a person's own address and holds the code of a message that was sent to that person. What a
machine sent by itself (RFC 3834, Auto-Submitted) never counts, although it may quote the code: nobody has seen anything.
A mail is marked as seen once what it brought is durable, so that an answer outlives a restart.
"""

from __future__ import annotations

import contextlib
import imaplib
import socket
import ssl
import threading
from collections.abc import Callable, Iterator, Mapping
from email import message_from_bytes, policy
from email.message import EmailMessage
from email.utils import parseaddr
from html.parser import HTMLParser
from typing import Final, NamedTuple

from monitor.answers import Answers
from monitor.config import MailAnswers, Person
from monitor.errors import StoreError
from monitor.log import get_logger
from rules.reading import SECOND

log = get_logger(__name__)
#: A reply is a few lines above a quoted message; more of a mail is not read.
_MOST_BYTES: Final = 256 * 1024
_MOST_MAILS: Final = 50
_TIMEOUT_S: Final = 20.0
#: After so many failures in a row it rings: a mailbox may be away for a moment.
FAILURES: Final = 3


class Mailbox:
    """Looks into one mailbox until it is stopped."""

    def __init__(
        self,
        config: MailAnswers,
        persons: Mapping[str, Person],
        answers: Answers,
        trouble: Callable[[str], None],
        context: ssl.SSLContext | None = None,
    ) -> None:
        """`persons` by their mail address in lower case; `trouble` is told what fails, and "" once it works again."""
        self._config, self._persons, self._answers, self._trouble = config, persons, answers, trouble
        self._context = context or ssl.create_default_context()
        self._failed = 0

    def run(self, stop: threading.Event) -> None:
        """Look at once and then every so often."""
        while not stop.is_set():
            try:
                self.look()
            except (OSError, imaplib.IMAP4.error, StoreError, ValueError) as error:
                self._failed += 1
                if self._failed == FAILURES:
                    self._trouble(f"{self._config.host}: {str(error)[:150] or type(error).__name__}")
            else:
                if self._failed >= FAILURES:
                    self._trouble("")
                self._failed = 0
            stop.wait(self._config.every / SECOND)

    def look(self) -> int:
        """Take what is new; how many answers counted."""
        counted = 0
        with self._signed_in() as box:
            _, found = box.uid("SEARCH", "UNSEEN")
            for uid in (found[0] or b"").split()[:_MOST_MAILS]:
                _, parts = box.uid("FETCH", uid.decode(), f"(BODY.PEEK[]<0.{_MOST_BYTES}>)")
                content = next((part[1] for part in parts if isinstance(part, tuple)), b"")
                counted += self._take(content)
                box.uid("STORE", uid.decode(), "+FLAGS", r"(\Seen)")
        return counted

    def _take(self, content: bytes) -> bool:
        try:
            mail = _read(content)
        except Exception as error:  # noqa: BLE001  # the library gives up on broken headers in many ways; no mail may end the hearing of others
            log.info("mail answer", text=f"passed over: it cannot be read ({type(error).__name__})")
            return False
        person = self._persons.get(mail.sender)
        if person is None or mail.automatic:
            log.info("mail answer", text="passed over: from nobody known, or sent by a machine by itself", sender=mail.sender[:80])
            return False
        told = self._answers.take(mail.text, person.name, "mail", mail.own_words)
        log.info("mail answer", person=person.name, counted=told.counted, text=told.text)
        return told.counted

    @contextlib.contextmanager
    def _signed_in(self) -> Iterator[imaplib.IMAP4]:
        config = self._config
        box = (
            imaplib.IMAP4_SSL(config.host, config.port, ssl_context=self._context, timeout=_TIMEOUT_S)
            if config.tls == "on"
            else imaplib.IMAP4(config.host, config.port, timeout=_TIMEOUT_S)
        )
        try:
            if config.tls == "starttls":
                box.starttls(self._context)
            box.login(config.username, config.password.reveal())
            status, said = box.select(config.folder)
            if status != "OK":
                raise imaplib.IMAP4.error(f"folder {config.folder!r}: {said[0]!r}")
            yield box
        finally:
            with contextlib.suppress(OSError, imaplib.IMAP4.error):
                box.logout()
            with contextlib.suppress(OSError, AttributeError):
                box.sock.shutdown(socket.SHUT_RDWR)


def by_address(persons: tuple[Person, ...]) -> dict[str, Person]:
    """The persons who may answer by mail, by their address."""
    return {person.mail.lower(): person for person in persons if person.mail}


class _Mail(NamedTuple):
    """What counts of a mail."""

    sender: str
    automatic: bool
    text: str
    own_words: str


def _read(content: bytes) -> _Mail:
    mail = message_from_bytes(content, policy=policy.default)
    automatic = str(mail.get("Auto-Submitted", "no")).lower().strip() != "no" or bool(mail.get("X-Autoreply"))
    text = _text(mail)
    return _Mail(parseaddr(str(mail.get("From", "")))[1].lower(), automatic, f"{mail.get('Subject', '')}\n{text}", _own_words(text))


def _text(mail: EmailMessage) -> str:
    """The text of a mail, of its HTML where there is no other; "" where it has none that can be read."""
    try:
        part = mail.get_body(("plain", "html"))
        if part is None:
            return ""
        content = str(part.get_content())
    except (LookupError, ValueError, KeyError):
        return ""
    if part.get_content_type() != "text/html":
        return content
    words = _Words()
    words.feed(content)
    return "".join(words.found)


class _Words(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_data(self, data: str) -> None:
        """Text between tags."""
        self.found.append(data)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        """A new line where the page has one."""
        if tag in ("br", "p", "div", "tr", "blockquote", "pre"):
            self.found.append("\n")


def _own_words(text: str) -> str:
    """The first line that the person wrote: what stands above the quoted message, without the code."""
    for line in text.splitlines():
        plain = line.strip()
        if plain.startswith(">") or plain.endswith(":") or "-" * 5 in plain:
            return ""
        if plain:
            return "" if plain.upper().startswith("ACK ") or _is_code(plain) else plain[:200]
    return ""


def _is_code(line: str) -> bool:
    from monitor.answers import find_code

    return bool(find_code(line))
