"""`larderer verify PATH`: an export folder through `verify.py`, or the live database through its ledger."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import select

from monitor import ledger
from monitor.errors import InputError
from monitor.export import verify
from monitor.store.database import Store
from monitor.store.schema import ledger as ledger_table

DATABASE = "larderer.sqlite"


def check_path(path: Path, key: Path | None = None, head: str | None = None) -> verify.Outcome:
    """Check what lies at `path`: an export folder, or a database file, or the data folder that holds one.

    `key` is a file with the site's public key, `head` a ledger hash, both known from elsewhere. Raises InputError for a
    path that is neither, or a key or head that is none.
    """
    database = path if path.is_file() and path.name != "manifest.json" else path / DATABASE
    if database.is_file():
        with Store(database, create=False) as store:
            return check_live(store, head)
    folder = path.parent if path.name == "manifest.json" else path
    try:
        return verify.check_folder(folder, verify.read_key(key) if key else None, head)
    except verify.InputError as error:
        raise InputError(str(error)) from error


def check_live(store: Store, head: str | None = None) -> verify.Outcome:
    """Check the live ledger: its chain, its end, every seal over readings; with `head`, that this history contains it."""
    outcome = verify.Outcome()
    try:
        wanted = verify.hexadecimal(head, "the head") if head else None
    except verify.InputError as error:
        raise InputError(str(error)) from error
    with store.read() as conn:
        faults = ledger.verify(conn)
        last = ledger.head(conn)
        seq = conn.execute(select(ledger_table.c.seq).where(ledger_table.c.hash == wanted)).scalar() if wanted else None
    outcome.about = f"{store.where}, {last.seq} records, head {last.hash}"
    outcome.wrong.extend(faults)
    if not faults:
        outcome.right.append(f"{last.seq} records follow on each other unbroken, and every reading is as it was when it arrived.")
    if wanted and seq is None:
        outcome.wrong.append(f"the head {wanted[:16]}… is not among these records: another history, or one that was cut off.")
    elif wanted:
        outcome.right.append(f"record {seq} is the head you gave: up to there it is the history you know.")
    else:
        outcome.unknown.append(
            "A database alone cannot show that its whole history was written anew: give --head with a ledger hash noted down earlier, "
            "such as the foot of a page printed from an export."
        )
    return outcome
