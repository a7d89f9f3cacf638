"""Answers to messages: the code that a message to a person carries, and what it allows when it comes back by mail or MQTT.

For a telephone that cannot reach the board. A code is good for one message and thereby one alarm, for the person to whom it
was sent, and for as long as a link. It is short enough to be typed: the message's id and 80 bits of HMAC-SHA-256 (RFC 2104,
truncated as its section 5 allows) under the site's key. What is refused changes nothing, and no number of refusals stops the
next answer from being heard.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, Final, NamedTuple, Protocol, TypeVar

from sqlalchemy import Connection, select

from monitor import ledger
from monitor.alarms.alarms import Alarms
from monitor.alarms.ladder import CodeMaker
from monitor.alarms.tables import outbox
from monitor.errors import LinkError
from rules.quantity import format_instant
from rules.reading import Instant, Span

T = TypeVar("T")

_CODE: Final = re.compile(r"\bM(\d{1,15})((?:-[A-Z2-7]{4}){4})(?![A-Z0-9])", re.IGNORECASE | re.ASCII)


class Submit(Protocol):
    """`Writer.submit`."""

    def __call__(self, job: Callable[[Connection], T]) -> Future[T]:
        """Run a job in the next commit."""
        ...


class Answered(NamedTuple):
    """What became of an answer: whether it counted, and one sentence for whoever gave it."""

    counted: bool
    text: str


def code_maker(key: bytes) -> CodeMaker:
    """Makes the codes of a site's messages."""
    return lambda message_id, number, person: f"{message_id}-{_mark(key, message_id, number, person)}"


def _mark(key: bytes, message_id: str, number: int, person: str) -> str:
    text = base64.b32encode(hmac.new(key, f"answer:{message_id}:{number}:{person}".encode(), hashlib.sha256).digest()[:10]).decode()
    return "-".join(text[n : n + 4] for n in range(0, 16, 4))


def find_code(text: str) -> str:
    """The first code in a text, in capitals; "" where there is none. The id and the mark must stand whole on one line."""
    found = _CODE.search(text)
    return "" if found is None else found[0].upper()


class Answers:
    """Hears codes: `take` acknowledges as the person, in a transaction of its own, and tells what became of it."""

    def __init__(self, submit: Submit, alarms: Alarms, key: bytes, valid: Span, clock: Callable[[], Instant]) -> None:
        self._submit, self._alarms, self._key, self._valid, self._clock = submit, alarms, key, valid, clock

    def take(self, text: str, person: str, way: str, comment: str = "") -> Answered:
        """An answer of `person` by `way` ("mail", "MQTT"). StoreError where it cannot be kept: give it again."""
        code = find_code(text)
        if not code:
            return Answered(
                False, "there is no code in it; send the whole code as it stands in the message, such as M17-ABCD-EFGH-IJKL-MNOP"
            )
        return self._submit(lambda conn: self._hear(conn, code, person, way, comment)).result()

    def _hear(self, conn: Connection, code: str, person: str, way: str, comment: str) -> Answered:
        now, (message_id, _, mark) = self._clock(), code.partition("-")
        row = conn.execute(select(outbox).where(outbox.c.message_id == message_id)).mappings().one_or_none()
        try:
            if row is None or row["alarm_id"] is None or not hmac.compare_digest(
                mark, _mark(self._key, message_id, row["alarm_id"], row["person"])
            ):  # fmt: skip
                raise LinkError(f"the code {message_id}-… is not one of ours; send it exactly as it stands in the message")
            if row["person"] != person:
                self._refused(conn, message_id, person, way, f"it was sent to {row['person']}", now)
                raise LinkError(f"message {message_id} was sent to somebody else; answer one that was sent to you")
            over = (row["done_at"] or row["created_at"]) + self._valid
            if now > over:
                self._refused(conn, message_id, person, way, f"it expired at {format_instant(over)}", now)
                raise LinkError(
                    f"the code of message {message_id} expired at {format_instant(over)}; sign in and acknowledge the alarm there"
                )
        except LinkError as error:
            return Answered(False, str(error))
        told = f"{comment} (by {way})" if comment else f"by {way}"
        alarm: Any = self._alarms.acknowledge(conn, row["alarm_id"], person, now, told)
        return Answered(True, f"{alarm['id']} is acknowledged by {alarm['acknowledged_by']}: {alarm['text']}")

    def _refused(self, conn: Connection, message_id: str, person: str, way: str, why: str, now: Instant) -> None:
        """A code that is ours but does not count here is kept on record; one that is not ours could be sent by anybody, without end."""
        ledger.append(conn, "answer", {"message": message_id, "by_way": way, "refused": why}, now, person, entered_at=now)
