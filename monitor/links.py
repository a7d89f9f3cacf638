"""Signed links that acknowledge one alarm for one person, with no sign-in.

A link is sent to a phone that rings in the night; its holder may show that alarm and acknowledge it, and
nothing else. It is signed with HMAC-SHA-256 (RFC 2104) under a key of the site, and it expires.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import os
import secrets
from pathlib import Path
from typing import NamedTuple

from monitor.errors import LinkError
from rules.quantity import format_instant
from rules.reading import HOUR, Instant, Span

#: A night and the day after it: long enough for an alarm that rang while everybody slept.
LASTS: Span = 48 * HOUR


class Link(NamedTuple):
    """What a signed link allows: acknowledging `alarm` as `person` until `expires`."""

    alarm: str
    person: str
    expires: Instant


def link_key(folder: Path) -> bytes:
    """The site's key for links, 32 bytes; made on first use, readable by its owner only."""
    path = folder / "link.key"
    try:
        return path.read_bytes()
    except FileNotFoundError:
        pass
    folder.mkdir(parents=True, exist_ok=True)
    # Written aside and linked into place, so that two processes starting together end with one whole key.
    draft = folder / f"link.key.{secrets.token_hex(8)}"
    handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as file:
        file.write(secrets.token_bytes(32))
        file.flush()
        os.fsync(file.fileno())
    try:
        os.link(draft, path)
    except FileExistsError:
        pass  # the other process was first; its key is the one read below
    finally:
        draft.unlink()
    return path.read_bytes()


def make_link(key: bytes, alarm: str, person: str, now: Instant, lasts: Span = LASTS) -> str:
    """The token to put at the end of an acknowledge link: letters, digits, `-`, `_` and one dot."""
    body = json.dumps([alarm, person, now + lasts], separators=(",", ":")).encode()
    return f"{_text(body)}.{_text(_sign(key, body))}"


def read_link(key: bytes, token: str, now: Instant) -> Link:
    """What a token allows; raises LinkError when it is not ours, was altered or has expired."""
    body_text, _, mark = token.partition(".")
    try:
        body = _bytes(body_text)
        genuine = hmac.compare_digest(_sign(key, body), _bytes(mark))
        alarm, person, expires = json.loads(body) if genuine else ("", "", 0)
    except ValueError:
        genuine = False
    if not genuine:
        raise LinkError(
            "this link is not complete or not one of ours; open it from the message again, or sign in and acknowledge the alarm there"
        )
    if now > expires:
        raise LinkError(f"this link expired at {format_instant(expires)}; sign in and acknowledge the alarm there")
    return Link(alarm, person, expires)


def _sign(key: bytes, body: bytes) -> bytes:
    return hmac.new(key, b"acknowledge:" + body, hashlib.sha256).digest()


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def _bytes(text: str) -> bytes:
    return base64.b64decode(text.encode() + b"=" * (-len(text) % 4), altchars=b"-_", validate=True)
