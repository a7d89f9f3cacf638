"""`larderer verify`: an export folder through `verify.py`, the proof of one reading, or a database through its ledger."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from sqlalchemy import Connection, Select, select

from monitor import chain, ledger, proof
from monitor.errors import InputError
from monitor.export import verify
from monitor.keys import verifies
from monitor.store.database import Store
from monitor.store.looking import looking, quick_check
from monitor.store.schema import ledger as ledger_table

DATABASE = "larderer.sqlite"
T = TypeVar("T")


def check_path(path: Path, key: Path | None = None, head: str | None = None) -> verify.Outcome:
    """Check what lies at `path`: an export folder, a proof of one reading, a database file, or the data folder that holds one.

    `key` is a file with the site's public key, `head` a ledger hash or its first 16 digits, both known from elsewhere. Nothing
    is written. Raises InputError for a path that is none of these, or a key or head that is none.
    """
    if path.is_file() and path.name != "manifest.json" and proof.is_proof(path):
        return _translated(lambda: _check_proof(path, key, head))
    database = path if path.is_file() and path.name != "manifest.json" else path / DATABASE
    if database.is_file():
        with looking(database) as conn:
            return check_records(conn, str(database), head, key)
    folder = path.parent if path.name == "manifest.json" else path
    return _translated(lambda: verify.check_folder(folder, verify.read_key(key) if key else None, head))


def check_live(store: Store, head: str | None = None, key: Path | None = None) -> verify.Outcome:
    """Check a store that is open, as `check_records`."""
    with store.read() as conn:
        return check_records(conn, store.where, head, key)


def check_records(conn: Connection, where: str, head: str | None = None, key: Path | None = None) -> verify.Outcome:
    """Check a database: its chain, its end, every seal over readings; with `head`, that this history contains it; with `key`,
    that every seal is signed with it."""
    outcome = verify.Outcome()
    wanted = _translated(lambda: verify.hexadecimal(head, "the head", verify.HEAD_DIGITS) if head else None)
    public = _translated(lambda: verify.read_key(key) if key else None)
    if damage := quick_check(conn):
        outcome.wrong.append(f"the file itself is damaged ({damage}).")
    faults = ledger.verify(conn)
    last = ledger.head(conn)
    outcome.about = f"{where}, {last.seq} records, head {last.hash}"
    outcome.wrong.extend(faults)
    if not faults:
        outcome.right.append(f"{last.seq} records follow on each other unbroken, and every reading is as it was when it arrived.")
        if gone := ledger.gone_to(conn):
            outcome.unknown.append(
                f"The first {gone} readings were deleted under retention: their seals are here, they themselves only in exports and copies."
            )
    if wanted:
        seq = conn.execute(select(ledger_table.c.seq).where(ledger_table.c.hash.startswith(wanted)).limit(1)).scalar()
        if seq is None:
            outcome.wrong.append(f"the head {wanted[:16]}… is not among these records: another history, or one that was cut off.")
        else:
            outcome.right.append(f"record {seq} is the head you gave: up to there it is the history you know.")
    else:
        outcome.unknown.append(
            "A database alone cannot show that its whole history was written anew: give --head with a ledger hash noted down earlier, "
            "such as the foot of a page printed from an export, or the daily word."
        )
    _check_signatures(conn, public, outcome)
    return outcome


def _check_signatures(conn: Connection, public: str | None, outcome: verify.Outcome) -> None:
    """Every seal's signature over its block and the whole history before it; with a key known from elsewhere that it is this key's."""
    signed = unsigned = after = 0
    keys: set[str] = set()
    before = {row.seq + 1: row.hash for row in conn.execute(_before_seals())}
    for entry in ledger.entries(conn, kind=ledger.SEAL):
        stated, signature = str(entry.body.get("key", "")), str(entry.body.get("signature", ""))
        if not stated:
            unsigned += 1
            after += bool(signed)
            continue
        signed += 1
        keys.add(stated)
        try:
            message = chain.seal_bytes(before.get(entry.seq, chain.GENESIS), entry.body)
            sound = verifies(public or stated, message, signature)
        except ValueError:
            sound = False
        if not sound:
            outcome.wrong.append(f"seal {entry.seq}: its signature is not that of {'the key you gave' if public else 'the key it names'}.")
            return
    if after:
        outcome.wrong.append(f"{after} seals after the first signed one are not signed: they were not written by the site.")
    elif public and not signed and unsigned:
        outcome.wrong.append("no seal is signed, so nothing here was shown to come from the site whose key you gave.")
    elif signed:
        told = "the key you gave" if public else ", ".join(sorted(keys))
        older = f" ({unsigned} older ones are not signed)" if unsigned else ""
        outcome.right.append(f"{signed} seals are signed with {told}{older}: the history up to the last of them is its holder's.")
    if not public:
        outcome.unknown.append("Who signed: give --key with the site's public key, got some other way, to know that it was this site.")


def _before_seals() -> Select[tuple[int, str]]:
    """The entry before each seal."""
    seals = select(ledger_table.c.seq - 1).where(ledger_table.c.kind == ledger.SEAL)
    return select(ledger_table.c.seq, ledger_table.c.hash).where(ledger_table.c.seq.in_(seals))


def _check_proof(path: Path, key: Path | None, head: str | None) -> verify.Outcome:
    try:
        content = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(f"{path} cannot be read ({error}); name a proof written by larderer verify --reading") from error
    wanted = verify.hexadecimal(head, "the head", verify.HEAD_DIGITS) if head else None
    return proof.check(content, verify.read_key(key) if key else None, wanted)


def _translated(run: Callable[[], T]) -> T:
    try:
        return run()
    except verify.InputError as error:
        raise InputError(str(error)) from error
