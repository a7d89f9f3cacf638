"""The site's signing key: an Ed25519 pair (RFC 8032) kept in the data folder, made once.

The secret half never leaves its file, which only the service's own user may read. The public half is written beside it
as one line of 64 hexadecimal digits, for people to keep elsewhere: `larderer verify --key FILE` reads it.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import stat
from pathlib import Path

from monitor.errors import KeyFileError

SECRET_NAME = "site.key"
PUBLIC_NAME = "site.pub"


class SiteKey:
    """Signs with the site's secret key; `public` is the 32-byte public key as hexadecimal."""

    def __init__(self, secret: bytes) -> None:
        from nacl.signing import SigningKey

        self._key = SigningKey(secret)
        self.public = bytes(self._key.verify_key).hex()

    def sign(self, message: bytes) -> str:
        """The 64-byte Ed25519 signature as hexadecimal (RFC 8032 section 5.1.6)."""
        return self._key.sign(message).signature.hex()

    @property
    def fingerprint(self) -> str:
        """A short name of the public key for people to compare, on paper or by telephone."""
        return fingerprint(self.public)


def verifies(public: str, message: bytes, signature: str) -> bool:
    """Whether the signature over the message is that of the public key's holder (RFC 8032 section 5.1.7).

    ValueError where the key or the signature is not hexadecimal, or not as long as one.
    """
    from nacl.exceptions import BadSignatureError
    from nacl.signing import VerifyKey

    key, said = VerifyKey(bytes.fromhex(public)), bytes.fromhex(signature)
    try:
        key.verify(message, said)
    except BadSignatureError:
        return False
    return True


def fingerprint(public: str) -> str:
    """The first 16 hexadecimal digits of SHA-256 over the public key, in groups of four."""
    digest = hashlib.sha256(bytes.fromhex(public)).hexdigest()
    return " ".join(digest[i : i + 4] for i in range(0, 16, 4))


def site_key(folder: Path) -> SiteKey:
    """The key in `folder`, made at the first call.

    Raises KeyFileError where the file is damaged, cannot be read or written, or may be read by others.
    """
    path = folder / SECRET_NAME
    try:
        secret = _read(path)
        if secret is None:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            _create(path, secrets.token_bytes(32))
            secret = _read(path)
    except OSError as error:
        raise KeyFileError(f"site key {path}: {error.strerror}; let the service's user read and write this folder") from error
    if secret is None:
        raise KeyFileError(f"site key {path}: the file vanished while it was being made; start again")
    key = SiteKey(secret)
    public = folder / PUBLIC_NAME
    try:
        if not public.exists():
            _create(public, bytes.fromhex(key.public), mode=0o644)
    except OSError as error:
        raise KeyFileError(f"public key {public}: {error.strerror}; let the service's user write this folder") from error
    return key


def _read(path: Path) -> bytes | None:
    if not path.exists():
        return None
    mode = stat.S_IMODE(path.stat().st_mode)
    if mode & 0o077:
        raise KeyFileError(f"site key {path}: others may read it (mode {mode:o}); take that away with chmod 600 {path}")
    text = path.read_text("ascii", errors="replace").strip()
    try:
        secret = bytes.fromhex(text)
    except ValueError:
        secret = b""
    if len(secret) != 32:
        raise KeyFileError(
            f"site key {path}: not 64 hexadecimal digits; put back the file from a backup, a new key would not match old exports"
        )
    return secret


def _create(path: Path, content: bytes, mode: int = 0o600) -> None:
    """Write a file whole or not at all; whoever comes second keeps the first one's file."""
    spare = path.with_name(f".{path.name}.{os.getpid()}.{secrets.token_hex(4)}")
    handle = os.open(spare, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    try:
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(content.hex() + "\n")
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(spare, path)
        except FileExistsError:
            return
    finally:
        spare.unlink(missing_ok=True)
    directory = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(directory)
    finally:
        os.close(directory)
