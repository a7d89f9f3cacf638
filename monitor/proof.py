"""The proof that one reading is in a sealed block: a small file that shows one reading without showing any other.

It holds the reading's fields, the hashes that join it to the block's root (RFC 6962, section 2.1.1), the ledger entry that holds the
root, and the hash before that entry. The entry is in `ledger.jsonl` of that day's export, and signed there and in itself.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, select

from monitor import chain, ledger
from monitor.errors import InputError
from monitor.export import verify
from monitor.store import readings
from monitor.store.schema import ledger as ledger_table
from rules.quantity import format_instant, parse_instant
from rules.reading import Instant

FORMAT: Final = "larderer proof of one reading 1"


def make(conn: Connection, probe: str, at: Instant) -> dict[str, Any]:
    """The proof of what this probe sent for this instant; of several the one that arrived last.

    Raises InputError where nothing is stored there, LedgerError where it is not sealed yet, was deleted, or was changed.
    """
    found = readings.at_instants(conn, [(probe, at)]).get((probe, at))
    if not found:
        raise InputError(f'probe "{probe}" has no reading at {format_instant(at)}; write its time exactly, as an export gives it')
    proof = ledger.prove(conn, max(one.seq for one in found))
    seal = next(e for e in ledger.entries(conn, proof.seal - 1) if e.seq == proof.seal)
    before = conn.execute(select(ledger_table.c.hash).where(ledger_table.c.seq == seal.seq - 1)).scalar() or chain.GENESIS
    return {
        "format": FORMAT,
        "reading": dict(proof.leaf),
        "position": proof.position,
        "size": proof.size,
        "path": list(proof.path),
        "before": before,
        "seal": seal._asdict(),
    }


def parse_which(text: str) -> tuple[str, Instant]:
    """Which reading is meant: "core-1@2026-03-02T19:04:10Z"."""
    probe, mark, at = text.rpartition("@")
    if not mark or not probe:
        raise InputError(f'reading is "{text[:80]}"; write probe@time, such as core-1@2026-03-02T19:04:10Z')
    return probe, parse_instant(at)


def write(proof: Mapping[str, Any], path: Path) -> None:
    """Write a proof to a new file."""
    with path.open("x", encoding="utf-8") as file:
        json.dump(proof, file, ensure_ascii=False, indent=2, sort_keys=True)
        file.write("\n")


def is_proof(path: Path) -> bool:
    """Whether a file looks like a proof of one reading."""
    try:
        with path.open("rb") as file:
            return FORMAT.encode() in file.read(100_000)
    except OSError:
        return False


def check(proof: Mapping[str, Any], key: str | None = None, head: str | None = None) -> verify.Outcome:
    """Check a proof: that the reading is under the seal's root, the root in the entry, and the entry what its hash says.

    `key`: the site's public key from elsewhere; `head`: the hash of the seal's entry from elsewhere (an export's ledger.jsonl).
    """
    outcome = verify.Outcome()
    try:
        leaf, seal, path = dict(proof["reading"]), dict(proof["seal"]), [str(step) for step in proof["path"]]
        body = dict(seal["body"])
        root = chain.root_from_path(chain.leaf_hash(chain.canonical(leaf)), int(proof["position"]), int(proof["size"]), path)
        said = seal["hash"]
        computed = chain.entry_hash(str(proof["before"]), seal)
        place = int(leaf["seq"]) - int(body["first_seq"])
        value = f"{leaf['celsius'] + leaf['offset_c']:.2f} °C" if "celsius" in leaf else str(leaf["reason"])
        outcome.about = f"{leaf['probe']}, {format_instant(leaf['at'])}: {value}, received {format_instant(leaf['received_at'])}"
    except (KeyError, TypeError, ValueError) as error:
        outcome.wrong.append(f"the proof is damaged ({type(error).__name__}: {error}).")
        return outcome
    if (root, proof["size"], proof["position"]) == (body.get("root"), body.get("count"), place):
        outcome.right.append(f"the reading is arrival {leaf['seq']} of the {body['count']} that seal {seal['seq']} closed.")
    else:
        outcome.wrong.append(f"the reading is not under the root of seal {seal['seq']}: it, or the path, was changed.")
    if computed == said:
        outcome.right.append(f"seal {seal['seq']} was written {format_instant(seal['entered_at'])}; its hash is {said}.")
    else:
        outcome.wrong.append(f"seal {seal['seq']} does not match its hash: it was changed.")
    _check_signature(str(proof["before"]), body, key, outcome)
    if head is not None and not str(said).startswith(head):
        outcome.wrong.append(f"the hash {head[:16]}… that you gave is not that of seal {seal['seq']}.")
    elif head is not None:
        outcome.right.append("the seal's hash is the one you gave.")
    else:
        outcome.unknown.append(
            f"That this seal is in the site's ledger: look for its hash at line seq {seal['seq']} of an export's ledger.jsonl."
        )
    return outcome


def _check_signature(before: str, body: Mapping[str, Any], key: str | None, outcome: verify.Outcome) -> None:
    stated, signature = str(body.get("key", "")), str(body.get("signature", ""))
    if not stated:
        outcome.unknown.append("Who sealed it: this seal carries no signature.")
        if key is not None:
            outcome.wrong.append("the seal is not signed, so the key you gave did not sign it.")
        return
    good = verify.verify(bytes.fromhex(stated), chain.seal_bytes(before, body), bytes.fromhex(signature))
    if key is not None and key != stated:
        outcome.wrong.append(f"the seal names the key {stated[:16]}…, not the one you gave.")
    if not good:
        outcome.wrong.append("the seal does not match its signature.")
    else:
        outcome.right.append(f"the seal is signed with the key {'you gave' if key else 'it names'}, {stated}.")
    if key is None:
        outcome.unknown.append("Who signed: give --key with the site's public key to know that it was this site.")
