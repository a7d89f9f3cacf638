#!/usr/bin/env python3
"""Check a day's export folder with nothing but Python.

    python3 verify.py [FOLDER] [--key FILE] [--head HASH]

FOLDER is an export folder (default: the one this file lies in). FILE holds the site's public key as 64 hexadecimal
digits; HASH is a ledger hash of this site that you know from somewhere else, such as an earlier export or a printed page.
Checks that every file is the one the manifest names, that the manifest is signed (Ed25519, RFC 8032), that the records
follow on each other unbroken, and that the readings are those that were sealed. Exit code 0: nothing is wrong;
1: something is wrong, and named; 2: this is no export folder, or FILE or HASH cannot be used.
This file needs Python 3.9 or newer and nothing else; a copy that you had before is worth more than the one in the folder.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import json
import re
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

FORMAT = 1
CONTEXT = b"larderer export manifest 1\n"
LEFT_BY_SYSTEMS = {".DS_Store", "Thumbs.db", "desktop.ini", "__pycache__"}


class InputError(Exception):
    """What was asked for cannot be checked at all; exit code 2."""


class Outcome:
    """What was found: `right` and `wrong` in sentences, `unknown` what this check cannot prove."""

    def __init__(self) -> None:
        self.about = ""
        self.right: list[str] = []
        self.wrong: list[str] = []
        self.unknown: list[str] = []

    @property
    def exit_code(self) -> int:
        """0 if nothing is wrong, else 1."""
        return 1 if self.wrong else 0

    def lines(self) -> list[str]:
        """The whole outcome for people, what is wrong last."""
        verdict = "WRONG: this is not what was exported." if self.wrong else "Nothing is wrong with what could be checked."
        return (
            ([self.about] if self.about else [])
            + [f"  ok           {text}" for text in self.right]
            + [f"  not proven   {text}" for text in self.unknown]
            + [f"  WRONG        {text}" for text in self.wrong]
            + [verdict]
        )


def check_folder(folder: Path, key: str | None = None, head: str | None = None) -> Outcome:
    """Check one export folder against its manifest, its signature and its own records.

    `key` is a public key known from elsewhere, as 64 hexadecimal digits; `head` a ledger hash known from elsewhere.
    Raises InputError where there is no manifest to check, or where `key` or `head` is no such number.
    """
    key = _hex(key, "the key", 64) if key is not None else None
    head = _hex(head, "the head", 64) if head is not None else None
    if not folder.is_dir():
        raise InputError(f"{folder} is no folder; name the folder of one exported day")
    if not (folder / "manifest.json").is_file():
        raise InputError(f"{folder} holds no manifest.json; name the folder of one exported day")
    outcome = Outcome()
    manifest = _read_manifest(folder / "manifest.json", outcome)
    if manifest is None:
        return outcome
    outcome.about = (
        f"{manifest['site']['name']} ({manifest['site']['id']}), {manifest['day']}, revision {manifest['revision']}, made {manifest['made_at']}"
    )
    _check_signature(manifest, key, outcome)
    _check_files(folder, manifest["files"], outcome)
    entries = _check_ledger(folder, manifest["ledger"], head, outcome)
    _check_seals(folder, entries, outcome)
    for problem in manifest["problems"]:
        outcome.wrong.append(f"the export itself says: {problem}")
    _say_what_is_open(manifest, key, head, outcome)
    return outcome


def manifest_bytes(manifest: dict[str, Any]) -> bytes:
    """The only way in which a manifest is written: sorted keys, two spaces, UTF-8, one newline at the end."""
    return (json.dumps(manifest, ensure_ascii=False, allow_nan=False, indent=2, sort_keys=True) + "\n").encode("utf-8")


def signed_bytes(manifest: dict[str, Any]) -> bytes:
    """What the signature is over: the manifest without its signature, after a line that says what it is."""
    return CONTEXT + manifest_bytes({name: value for name, value in manifest.items() if name != "signature"})


def read_key(path: Path) -> str:
    """The public key of a file that holds 64 hexadecimal digits, as the site's `site.pub` does."""
    try:
        text = path.read_bytes().decode("ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"the key file {path} cannot be read ({error}); it holds 64 hexadecimal digits") from error
    return _hex(text, f"the key file {path}", 64)


def _hex(text: str, what: str, length: int) -> str:
    if not re.fullmatch(f"[0-9a-fA-F]{{{length}}}", text.strip()):
        raise InputError(f"{what} is {text.strip()[:80]!r}; write {length} hexadecimal digits")
    return text.strip().lower()


def _read_manifest(path: Path, outcome: Outcome) -> dict[str, Any] | None:
    """The manifest, if it is one and is written exactly as manifests are."""
    raw = path.read_bytes()
    try:
        manifest = json.loads(raw.decode("utf-8"))
        exact = manifest_bytes(manifest) == raw
    except (ValueError, RecursionError):
        outcome.wrong.append("manifest.json is damaged: it is no JSON any more.")
        return None
    if not exact or _shape_of(manifest) is not None:
        what = "bytes in it have changed" if not exact else _shape_of(manifest)
        outcome.wrong.append(f"manifest.json is not as it was written: {what}.")
        if _shape_of(manifest) is not None:
            return None
    return dict(manifest)


def _shape_of(manifest: Any) -> str | None:
    """What is missing from a manifest, or None."""
    kinds = {
        "format": int, "site": dict, "day": str, "revision": int, "made_at": str, "files": dict, "ledger": dict,
        "problems": list, "key": str, "signature": str,
    }  # fmt: skip
    if not isinstance(manifest, dict):
        return "it is no list of names and values"
    for name, kind in kinds.items():
        if not isinstance(manifest.get(name), kind):
            return f"{name!r} is missing or of the wrong kind"
    if manifest["format"] != FORMAT:
        return f"its format is {manifest['format']}, this program knows {FORMAT}"
    if not all(isinstance(manifest["site"].get(name), str) for name in ("id", "name")):
        return "'site' lacks its id or name"
    if not all(isinstance(digest, str) for digest in manifest["files"].values()):
        return "'files' holds something that is no hash"
    if not all(isinstance(manifest["ledger"].get(name), str) for name in ("before", "head")):
        return "'ledger' lacks its ends"
    return None


def _check_signature(manifest: dict[str, Any], key: str | None, outcome: Outcome) -> None:
    stated, signature = manifest["key"], manifest["signature"]
    if not re.fullmatch("[0-9a-f]{64}", stated) or not re.fullmatch("[0-9a-f]{128}", signature):
        outcome.wrong.append("manifest.json is not signed: its key or signature is not written in small hexadecimal digits.")
        return
    if key is not None and key != stated:
        outcome.wrong.append(f"manifest.json names the key {stated[:16]}…, the key you gave is {key[:16]}…: another site or another key signed it.")
    if not verify(bytes.fromhex(key or stated), signed_bytes(manifest), bytes.fromhex(signature)):
        outcome.wrong.append("manifest.json does not match its signature: it was changed after it was signed.")
    elif key is not None:
        outcome.right.append("manifest.json is signed with the key you gave.")
    else:
        outcome.right.append(f"manifest.json is signed with the key it names, {stated}.")


def _check_files(folder: Path, files: dict[str, str], outcome: Outcome) -> None:
    same = 0
    for name, digest in sorted(files.items()):
        path = folder / name
        if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]*", name):
            outcome.wrong.append(f"manifest.json names {name!r}, which is no plain file name.")
        elif path.is_symlink() or not path.is_file():
            outcome.wrong.append(f"{name} is missing.")
        elif file_hash(path) != digest:
            outcome.wrong.append(f"{name} is not the file that was exported: its SHA-256 differs from the manifest's.")
        else:
            same += 1
    for path in sorted(folder.iterdir()):
        if path.name not in files and path.name != "manifest.json" and path.name not in LEFT_BY_SYSTEMS:
            outcome.wrong.append(f"{path.name} does not belong to the export: the manifest does not know it.")
    if same:
        outcome.right.append(f"{same} of {len(files)} files are those the manifest names.")


def file_hash(path: Path) -> str:
    """SHA-256 of a file as hexadecimal, read in pieces."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(1 << 20):
            digest.update(piece)
    return digest.hexdigest()


# Ed25519 verification, RFC 8032 (January 2017) sections 5.1 to 5.1.7. Nothing here is secret, so nothing need take equal time.

P = 2**255 - 19
L = 2**252 + 27742317777372353535851937790883648493
D = -121665 * pow(121666, P - 2, P) % P
ROOT = pow(2, (P - 1) // 4, P)
Ed25519Point = tuple[int, int, int, int]


def _recover_x(y: int, sign: int) -> int | None:
    """Section 5.1.3: the x that belongs to y, or None where there is none."""
    if y >= P:
        return None
    square = (y * y - 1) * pow(D * y * y + 1, P - 2, P) % P
    x = pow(square, (P + 3) // 8, P)
    if (x * x - square) % P:
        x = x * ROOT % P
    if (x * x - square) % P or (x == 0 and sign):
        return None
    return P - x if x & 1 != sign else x


def _add(a: Ed25519Point, b: Ed25519Point) -> Ed25519Point:
    """Section 5.1.4, in extended homogeneous coordinates."""
    e = (a[1] - a[0]) * (b[1] - b[0]) % P
    f = (a[1] + a[0]) * (b[1] + b[0]) % P
    g = 2 * a[3] * b[3] * D % P
    h = 2 * a[2] * b[2] % P
    i, j, k, m = f - e, h - g, h + g, f + e
    return i * j % P, k * m % P, j * k % P, i * m % P


def _times(scalar: int, point: Ed25519Point) -> Ed25519Point:
    total: Ed25519Point = (0, 1, 1, 0)
    while scalar:
        if scalar & 1:
            total = _add(total, point)
        point = _add(point, point)
        scalar >>= 1
    return total


def _decode(text: bytes) -> Ed25519Point | None:
    number = int.from_bytes(text, "little")
    y, sign = number & (2**255 - 1), number >> 255
    x = _recover_x(y, sign)
    return None if x is None else (x, y, 1, x * y % P)


_BASE_Y = 4 * pow(5, P - 2, P) % P
_BASE_X = _recover_x(_BASE_Y, 0) or 0
BASE: Ed25519Point = (_BASE_X, _BASE_Y, 1, _BASE_X * _BASE_Y % P)


def verify(public: bytes, message: bytes, signature: bytes) -> bool:
    """Whether the signature is that of the message by the public key (RFC 8032 section 5.1.7)."""
    if len(public) != 32 or len(signature) != 64:
        return False
    a, r = _decode(public), _decode(signature[:32])
    s = int.from_bytes(signature[32:], "little")
    if a is None or r is None or s >= L:
        return False
    k = int.from_bytes(hashlib.sha512(signature[:32] + public + message).digest(), "little") % L
    left, right = _times(s, BASE), _add(r, _times(k, a))
    return (left[0] * right[2] - right[0] * left[2]) % P == 0 and (left[1] * right[2] - right[1] * left[2]) % P == 0
