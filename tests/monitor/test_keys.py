"""The site's signing key: made once, private, readable by `verify`."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from monitor.errors import KeyFileError
from monitor.keys import SiteKey, site_key, verifies


def test_second_call_reads_the_same_key(tmp_path: Path) -> None:
    """The key is made once and stays."""
    assert site_key(tmp_path / "keys").public == site_key(tmp_path / "keys").public


def test_secret_half_is_readable_by_its_owner_only(tmp_path: Path) -> None:
    """Neither the file nor its folder is open to other users."""
    site_key(tmp_path / "keys")
    assert (tmp_path / "keys" / "site.key").stat().st_mode & 0o777 == 0o600
    assert (tmp_path / "keys").stat().st_mode & 0o777 == 0o700


def test_public_file_holds_the_public_key(tmp_path: Path) -> None:
    """The file people keep is one line of 64 hexadecimal digits."""
    key = site_key(tmp_path)
    assert (tmp_path / "site.pub").read_text("ascii") == key.public + "\n"


def test_signature_verifies_with_the_library(tmp_path: Path) -> None:
    """What we sign, an independent Ed25519 accepts."""
    key = site_key(tmp_path)
    Ed25519PublicKey.from_public_bytes(bytes.fromhex(key.public)).verify(bytes.fromhex(key.sign(b"day")), b"day")


def test_rfc_8032_secret_gives_its_published_public_key_and_signature() -> None:
    """RFC 8032 (2017) section 7.1, TEST 2."""
    key = SiteKey(bytes.fromhex("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb"))
    assert key.public == "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
    assert key.sign(bytes.fromhex("72")).startswith("92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da")


def test_signature_of_another_message_or_key_does_not_verify(tmp_path: Path) -> None:
    """One bit in the message, the signature or the key is enough; what is not as long as a key or a signature is told as that."""
    key = site_key(tmp_path)
    signature = key.sign(b"day")
    other = f"{int(signature[0], 16) ^ 1:x}{signature[1:]}"
    assert verifies(key.public, b"day", signature)
    assert not verifies(key.public, b"dax", signature)
    assert not verifies(key.public, b"day", other)
    assert not verifies(site_key(tmp_path / "other").public, b"day", signature)
    for public, text in ((key.public[2:], signature), (key.public, signature[2:]), (key.public, "none")):
        with pytest.raises(ValueError, match=r"exactly|hexadecimal"):
            verifies(public, b"day", text)


def test_key_that_others_may_read_is_refused(tmp_path: Path) -> None:
    """A secret lying open is no secret: the sentence says what to type."""
    site_key(tmp_path)
    (tmp_path / "site.key").chmod(0o644)
    with pytest.raises(KeyFileError, match="chmod 600"):
        site_key(tmp_path)


def test_damaged_key_is_refused_and_kept(tmp_path: Path) -> None:
    """A torn file is never replaced by a new key in silence."""
    site_key(tmp_path)
    (tmp_path / "site.key").write_text("0123\n")
    with pytest.raises(KeyFileError, match="64 hexadecimal digits"):
        site_key(tmp_path)
    assert (tmp_path / "site.key").read_text() == "0123\n"


def test_two_starters_at_once_agree_on_one_key(tmp_path: Path) -> None:
    """Whoever comes second keeps the first one's key, and no spare file stays behind."""
    found: list[str] = []
    threads = [threading.Thread(target=lambda: found.append(site_key(tmp_path).public)) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 8
    assert len(set(found)) == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == ["site.key", "site.pub"]
