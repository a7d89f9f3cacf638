#!/usr/bin/env python3
"""Check a day's export folder with nothing but Python.

    python3 verify.py [FOLDER] [--key FILE] [--head HASH]

FOLDER is an export folder (default: the one this file lies in). FILE holds the site's public key as 64 hexadecimal
digits; HASH is a ledger hash of this site, or its first 16 digits or more, known from elsewhere: an earlier export, a daily word.
Checks that every file is the one the manifest names, that the manifest is signed (Ed25519, RFC 8032), that the records
follow on each other unbroken, and that the readings are those that were sealed. Exit code 0: nothing is wrong;
1: something is wrong, and named; 2: this is no export folder, or FILE or HASH cannot be used.
This file needs Python 3.9 or newer and nothing else; a copy that you had before is worth more than the one in the folder.
"""

from __future__ import annotations

import argparse
import calendar
import csv
import hashlib
import json
import re
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

FORMAT, HEAD_DIGITS = 1, 16  # so many digits of a ledger hash the daily word gives
CONTEXT = b"larderer export manifest 1\n"
NEEDED: dict[str, type] = {
    "format": int, "site.id": str, "site.name": str, "day": str, "revision": int, "made_at": str, "files": dict,
    "ledger.before": str, "ledger.head": str, "problems": list, "key": str, "signature": str,
}  # fmt: skip
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

    def lines(self) -> list[str]:
        """The whole outcome for people, what is wrong last."""
        verdict = "WRONG: this is not as it was recorded." if self.wrong else "Nothing is wrong with what could be checked."
        return (
            ([self.about] if self.about else [])
            + [f"  ok           {text}" for text in self.right]
            + [f"  not proven   {text}" for text in self.unknown]
            + [f"  WRONG        {text}" for text in self.wrong]
            + [verdict]
        )


def check_folder(folder: Path, key: str | None = None, head: str | None = None) -> Outcome:
    """Check one export folder against its manifest, its signature and its own records.

    `key`, `head`: a public key and a ledger hash known from elsewhere. Raises InputError where they are none, or there is no manifest.
    """
    key = hexadecimal(key, "the key") if key is not None else None
    head = hexadecimal(head, "the head", HEAD_DIGITS) if head is not None else None
    if not (folder / "manifest.json").is_file():
        raise InputError(f"{folder} holds no manifest.json; name the folder of one exported day")
    outcome = Outcome()
    manifest = _read_manifest(folder / "manifest.json", outcome)
    if manifest is None:
        return outcome
    site = manifest["site"]
    outcome.about = f"{site['name']} ({site['id']}), {manifest['day']}, revision {manifest['revision']}, made {manifest['made_at']}"
    _check_signature(manifest, key, outcome)
    _check_files(folder, manifest["files"], outcome)
    _check_seals(folder, _check_ledger(folder, manifest["ledger"], head, outcome), outcome)
    outcome.wrong += [f"the export itself says: {problem}" for problem in manifest["problems"]]
    if manifest.get("being_judged"):
        outcome.unknown.append(f"That these files repeat what was found live: {manifest['being_judged']}, was still being judged anew.")
    _say_what_is_open(key, head, outcome)
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
        text = path.read_bytes().decode("ascii")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"the key file {path} cannot be read ({error}); it holds 64 hexadecimal digits") from error
    return hexadecimal(text, f"the key file {path}")


def hexadecimal(text: str, what: str, least: int = 64) -> str:
    """A key or a hash, or its first `least` hexadecimal digits and more, in small letters."""
    if not re.fullmatch(f"(?!0+$)[0-9a-fA-F]{{{least},64}}", text.strip()):  # every ledger begins after 64 zeros: they prove nothing
        raise InputError(f"{what} is {text.strip()[:80]!r}; write {least}{' to 64' * (least < 64)} hexadecimal digits, not all of them 0")
    return text.strip().lower()


def _read_manifest(path: Path, outcome: Outcome) -> dict[str, Any] | None:
    """The manifest, if it is one; a single byte that is not as manifests are written is wrong."""
    raw = path.read_bytes()
    try:
        manifest = json.loads(raw.decode("utf-8"))
        fault = _lack_of(manifest)
        changed = manifest_bytes(manifest) != raw
    except (ValueError, RecursionError):
        outcome.wrong.append("manifest.json is damaged: it is no JSON any more.")
        return None
    if fault or changed:
        outcome.wrong.append(f"manifest.json is not as it was written: {fault or 'bytes in it have changed'}.")
    return None if fault else manifest


def _lack_of(manifest: Any) -> str | None:
    """The first thing that a manifest lacks, or None."""
    for names, kind in NEEDED.items():
        value = manifest
        for name in names.split("."):
            value = value.get(name) if isinstance(value, dict) else None
        if not isinstance(value, kind):
            return f"{names} is missing or of the wrong kind"
    if manifest["format"] != FORMAT:
        return f"its format is {manifest['format']}, this program knows {FORMAT}"
    return None if all(isinstance(d, str) for d in manifest["files"].values()) else "files holds something that is no hash"


def _check_signature(manifest: dict[str, Any], key: str | None, outcome: Outcome) -> None:
    stated, signature = manifest["key"], manifest["signature"]
    if not re.fullmatch("[0-9a-f]{64}", stated) or not re.fullmatch("[0-9a-f]{128}", signature):
        outcome.wrong.append("manifest.json is not signed: its key or signature is not written in small hexadecimal digits.")
        return
    if key is not None and key != stated:
        outcome.wrong.append(f"manifest.json names the key {stated[:16]}…, not the one you gave: another site or another key signed it.")
    if not verify(bytes.fromhex(key or stated), signed_bytes(manifest), bytes.fromhex(signature)):
        outcome.wrong.append("manifest.json does not match its signature: it was changed after it was signed.")
    else:
        outcome.right.append(f"manifest.json is signed with the key {'you gave' if key else 'it names'}, {stated}.")


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
        if path.name not in {*files, "manifest.json", *LEFT_BY_SYSTEMS}:
            outcome.wrong.append(f"{path.name} does not belong to the export: the manifest does not know it.")
    outcome.right.append(f"{same} of {len(files)} files are those the manifest names.")


def file_hash(path: Path) -> str:
    """SHA-256 of a file as hexadecimal, read in pieces."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(1 << 20):
            digest.update(piece)
    return digest.hexdigest()


ENTRY_FIELDS = ("seq", "at", "entered_at", "kind", "by", "body")


def canonical(value: object) -> bytes:
    """JSON in its one form: keys sorted, no spaces, UTF-8."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode("utf-8")


def _check_ledger(folder: Path, ends: dict[str, Any], head: str | None, outcome: Outcome) -> dict[int, dict[str, Any]]:
    """Follow the chain through ledger.jsonl from the hash before its first entry to its head; returns the seals and recalls by place."""
    previous, seals, count, sound = ends["before"], {}, 0, True
    known = head is None or previous.startswith(head)
    expected: int | None = None
    for number, entry in _entries(folder / "ledger.jsonl") if (folder / "ledger.jsonl").is_file() else ():
        count += 1
        fault = "it is damaged and cannot be read" if entry is None else _entry_fault(entry, previous, expected)
        if fault is not None and sound:
            outcome.wrong.append(f"ledger.jsonl, line {number}: {fault}.")
        sound = sound and fault is None
        if entry is None:
            previous, expected = "", None
            continue
        previous, expected = str(entry.get("hash")), entry["seq"] + 1 if isinstance(entry.get("seq"), int) else None
        known = known or previous.startswith(str(head))
        if entry.get("kind") in ("seal", "recall") and isinstance(entry.get("body"), dict) and fault is None:
            seals[entry["seq"]] = entry["body"]
    if sound and previous != ends["head"]:
        outcome.wrong.append("ledger.jsonl does not end with the entry whose hash the manifest names as the head.")
    elif sound:
        outcome.right.append(f"ledger.jsonl: {count} records follow on each other unbroken, to the head {ends['head']}.")
    if not known:
        outcome.wrong.append(
            f"the head {str(head)[:16]}… is not among these records: another history, or one that does not reach that far."
        )
    elif head is not None and sound:
        outcome.right.append("ledger.jsonl contains the head you gave: up to there it is the history you know.")
    return seals


def _entries(path: Path) -> Iterator[tuple[int, dict[str, Any] | None]]:
    """Each line of the ledger with its number; None for a line that is not exactly one entry in canonical form."""
    with path.open("rb") as file:
        for number, line in enumerate(file, 1):
            try:
                entry = json.loads(line.decode("utf-8"))
                exact = isinstance(entry, dict) and canonical(entry) + b"\n" == line
            except (ValueError, RecursionError):
                exact = False
            yield number, entry if exact else None


def _entry_fault(entry: dict[str, Any], previous: str, expected: int | None) -> str | None:
    if set(entry) != {*ENTRY_FIELDS, "hash"}:
        return "it is no ledger entry"
    if expected is not None and entry["seq"] != expected:
        return f"entry {entry['seq']} stands where entry {expected} belongs"
    if not re.fullmatch("[0-9a-f]{64}", previous):
        return "the hash before it is no hash"
    if hashlib.sha256(bytes.fromhex(previous) + canonical({name: entry[name] for name in ENTRY_FIELDS})).hexdigest() != entry["hash"]:
        return f"entry {entry['seq']} ({entry['kind']}) does not match its hash: it, or the entry before it, was changed"
    return None


def _check_seals(folder: Path, seals: dict[int, dict[str, Any]], outcome: Outcome) -> None:
    """Build each sealed block's root (RFC 6962 section 2.1) from the readings and compare it with the ledger's seal.

    seals.json gives, block by block, which rows stand at which places of the block's order of arrival: "12+40" is rows
    12 to 51 of readings.csv, "u0+1" row 0 of unjudged.csv, "x3" three arrivals that are here by their hash alone.
    """
    sealed = waiting = 0
    try:
        listed = json.loads((folder / "seals.json").read_bytes().decode("utf-8"))
        blocks = [(b, list(_runs(b["order"]))) for b in listed["blocks"] + listed["open"]]
        recalls = [body for body in seals.values() if "added_c" in body]
        leaves = {mark: _leaves(folder / name, mark, blocks, recalls) for mark, name in (("", "readings.csv"), ("u", "unjudged.csv"))}
        for block, runs in blocks:
            shown = sum(many for mark, _, many in runs if mark != "x")
            if "seal" not in block:
                waiting += shown
                continue
            seal, found = seals.get(block["seal"], {}), (block["first_seq"], sum(many for _, _, many in runs), _root(block, runs, leaves))
            if found == (seal.get("first_seq"), seal.get("count"), seal.get("root")):
                sealed += shown
                continue
            outcome.wrong.append(
                f"readings.csv: readings of seal {block['seal']} (arrivals {seal.get('first_seq')} to {seal.get('last_seq')}) "
                "are not those that were sealed, or the seal is not among the sound records."
            )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError, csv.Error) as error:
        outcome.wrong.append(f"the seals cannot be checked: seals.json, readings.csv or unjudged.csv is damaged ({error}).")
        return
    total = sum(len(hashes) for hashes in leaves.values()) // 32
    if sealed + waiting != total:
        outcome.wrong.append(f"readings.csv: of {total} rows {sealed} agree with a seal and {waiting} are named as not sealed yet.")
    elif sealed:
        outcome.right.append(f"{sealed} readings and faults are those that were sealed.")
    if waiting:
        outcome.unknown.append(f"{waiting} readings were not sealed yet when this was exported: for them the manifest alone speaks.")


def _runs(order: str) -> Iterator[tuple[str, int, int]]:
    for part in order.split():
        match = re.fullmatch(r"(u?)(\d{1,12})\+(\d{1,12})|x(\d{1,12})", part)
        if match is None:
            raise ValueError(f"{part[:20]!r} names no rows")
        yield ("x", 0, int(match[4])) if match[4] else (match[1], int(match[2]), int(match[3]))


def _leaves(path: Path, mark: str, blocks: list[tuple[dict[str, Any], list[tuple[str, int, int]]]], recalls: list[Any]) -> bytearray:
    """The leaf hashes of a file's rows, 32 bytes each in order of rows; each row's place of arrival comes from the blocks."""
    spans = []
    for block, runs in blocks:
        seq = block["first_seq"]
        for kind, first, many in runs:
            if kind == mark:
                spans.append((first, first + many, seq))
            seq += many
    spans.sort()
    hashes, place = bytearray(), 0
    if not path.is_file():
        return hashes
    with path.open(encoding="utf-8", newline="") as file:
        for number, row in enumerate(csv.DictReader(file, strict=True)):
            while place < len(spans) and spans[place][1] <= number:
                place += 1
            first, end, seq = spans[place] if place < len(spans) else (0, 0, 0)
            seq = seq + number - first if first <= number < end else 0
            hashes += hashlib.sha256(b"\x00" + canonical({**_fields(row, recalls), "seq": seq})).digest()
    return hashes


def _fields(row: dict[str, str], recalls: list[Any]) -> dict[str, Any]:
    """What the seal covers of a row, but for its place of arrival; another offset than was sealed must be that of a recall on record."""
    fields = {"at": (at := _instant(row["time"])), "probe": row["probe"], "received_at": _instant(row["received"])}
    suspect = row["reason"] if row["quality"] == "suspect" else ""
    if row["quality"] == "fault":
        return {**fields, "raw": row["value"], "reason": row["reason"]}
    offset = sealed = float(row.get("stored_offset_c") or row["offset_c"] or 0)
    for r in recalls if row.get("stored_offset_c") else ():
        after: int = _instant(r["after"]) if r["after"] else -1
        if r["probe"] == row["probe"] and after < at <= _instant(r["until"]):
            offset = round(offset + r["added_c"], 9)
    if offset != float(row["offset_c"] or 0):
        raise ValueError(f"no recall on record gives {row['probe']} at {row['time']} the offset {row['offset_c']}")
    return {**fields, "celsius": float(row["value"]), "offset_c": sealed, "suspect": suspect}


def _instant(text: str) -> int:
    """Microseconds since 1970 of the one form in which exports write an instant."""
    match = re.fullmatch(r"(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d):(\d\d)(?:\.(\d{1,6}))?Z", text)
    if match is None:
        raise ValueError(f"{text[:40]!r} is no time")
    whole = calendar.timegm(tuple(int(part) for part in match.groups()[:6]))
    return whole * 1_000_000 + int((match[7] or "").ljust(6, "0"))


def _root(block: dict[str, Any], runs: list[tuple[str, int, int]], leaves: dict[str, bytearray]) -> str | None:
    """The Merkle root of RFC 6962 section 2.1, keeping only the roots of full subtrees; None where a leaf is missing."""
    absent, count = iter(block["absent"]), 0
    roots: list[bytes] = []
    for mark, first, many in runs:
        for number in range(first, first + many):
            node = bytes.fromhex(next(absent, "")) if mark == "x" else bytes(leaves[mark][32 * number : 32 * number + 32])
            if len(node) != 32:
                return None
            filled, count = count, count + 1
            while filled & 1:
                node, filled = hashlib.sha256(b"\x01" + roots.pop() + node).digest(), filled >> 1
            roots.append(node)
    root = roots.pop() if roots else hashlib.sha256(b"").digest()
    while roots:
        root = hashlib.sha256(b"\x01" + roots.pop() + root).digest()
    return root.hex()


def _say_what_is_open(key: str | None, head: str | None, outcome: Outcome) -> None:
    """What a folder alone cannot prove."""
    if key is None and head is None:
        outcome.unknown.append(
            "A folder alone proves only that its parts fit together: whoever can sign anew could have made all of it anew. "
            "Against that, give --key with the site's public key, got some other way, or --head with a ledger hash known from elsewhere."
        )
    elif key is None:
        outcome.unknown.append("Who signed: give --key with the site's public key to know that it was this site.")
    elif head is None:
        outcome.unknown.append("That the site itself did not write its history anew: give --head with a ledger hash noted down earlier.")
    outcome.unknown.append("That the verdicts follow from the readings: larderer judge on these files repeats lots.json.")
    outcome.unknown.append("That the thermometers were right and in the meat: only people on the spot know.")


# Ed25519 verification, RFC 8032 (January 2017) sections 5.1 to 5.1.7. Nothing here is secret, so nothing need take equal time.

P = 2**255 - 19
L = 2**252 + 27742317777372353535851937790883648493
D = -121665 * pow(121666, P - 2, P) % P
ROOT = pow(2, (P - 1) // 4, P)
Ed25519Point = tuple[int, int, int, int]


def _recover_x(y: int, sign: int) -> int | None:
    """Section 5.1.3: the x that belongs to y, or None where there is none."""
    square = (y * y - 1) * pow(D * y * y + 1, P - 2, P) % P
    x = pow(square, (P + 3) // 8, P)
    x = x * ROOT % P if (x * x - square) % P else x
    if y >= P or (x * x - square) % P or (x == 0 and sign):
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
        total = _add(total, point) if scalar & 1 else total
        point, scalar = _add(point, point), scalar >> 1
    return total


def _decode(text: bytes) -> Ed25519Point | None:
    sign, y = divmod(int.from_bytes(text, "little"), 2**255)
    x = _recover_x(y, sign)
    return None if x is None else (x, y, 1, x * y % P)


_BASE_Y = 4 * pow(5, P - 2, P) % P
_BASE_X = _recover_x(_BASE_Y, 0) or 0
BASE: Ed25519Point = (_BASE_X, _BASE_Y, 1, _BASE_X * _BASE_Y % P)


def verify(public: bytes, message: bytes, signature: bytes) -> bool:
    """Whether the signature is that of the message by the public key (RFC 8032 section 5.1.7)."""
    a, r = _decode(public), _decode(signature[:32])
    s = int.from_bytes(signature[32:], "little")
    if a is None or r is None or s >= L or len(public) != 32 or len(signature) != 64:
        return False
    k = int.from_bytes(hashlib.sha512(signature[:32] + public + message).digest(), "little") % L
    left, right = _times(s, BASE), _add(r, _times(k, a))
    return (left[0] * right[2] - right[0] * left[2]) % P == 0 and (left[1] * right[2] - right[1] * left[2]) % P == 0


def main(arguments: Iterable[str] | None = None) -> int:
    """Run from the command line; returns the exit code."""
    parser = argparse.ArgumentParser(
        prog="verify.py", description=(__doc__ or "").split("\n")[0], epilog="example: python3 verify.py 2026-03-02 --key site.pub"
    )
    parser.add_argument(
        "folder", nargs="?", type=Path, default=Path(__file__).resolve().parent, help="an exported day (default: where this file is)"
    )
    parser.add_argument("--key", type=Path, metavar="FILE", help="the site's public key, 64 hexadecimal digits")
    parser.add_argument("--head", metavar="HASH", help="a ledger hash of this site known from elsewhere")
    options = parser.parse_args(None if arguments is None else list(arguments))
    try:
        outcome = check_folder(options.folder, read_key(options.key) if options.key else None, options.head)
    except (InputError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    print("\n".join(outcome.lines()))
    return 1 if outcome.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
