"""The append-only record: entries chained by hash, and seals over the readings that came in between.

An entry says what was decided, done or noted: `at` when it happened, `entered_at` when it was written here
(later, if it was written down late: 9 CFR 417.5(b) asks for the entry at the time of the event), `by` whom.
Corrections are new entries; nothing is ever changed. The arithmetic is in `chain.py`.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple, Protocol

from sqlalchemy import Connection, insert, select

from monitor import chain
from monitor.errors import LedgerError
from monitor.meanings import meaning
from monitor.store import blocks, readings
from monitor.store.dialect import streamed
from monitor.store.schema import ledger
from rules.quantity import format_instant
from rules.reading import MINUTE, SECOND, Instant, Span

SEAL = "seal"
#: The deletion of old readings (`retention.py`).
RETENTION = "retention"
#: An entry that a person wrote down later than this after it happened is marked late.
LATE: Span = 5 * MINUTE
#: `verify` stops telling after this many faults; the first is the one that matters.
MOST_FAULTS = 20


class Head(NamedTuple):
    """The last entry's place and hash; (0, zeros) of an empty ledger. Kept elsewhere, it shows a cut tail."""

    seq: int
    hash: str


class Entry(NamedTuple):
    """One entry. `seq` counts from 1 without a gap; `hash` is hex over the entry and the hash before it."""

    seq: int
    at: Instant
    entered_at: Instant
    kind: str
    by: str
    body: dict[str, Any]
    hash: str


def append(conn: Connection, kind: str, body: Mapping[str, Any], at: Instant, by: str = "", *, entered_at: Instant | None = None) -> Entry:
    """Write one entry at the end, in the transaction of what it tells; returns it with its place and hash.

    `body` is plain JSON (text, whole and decimal numbers, lists, mappings). `entered_at` is the service's
    clock when it is written; left out, the system's. Under a person's name the body gets `meaning`, what the name stands for,
    and `late_s` where it was written down more than 5 min after it happened: 9 CFR 417.5(b) asks for entries at the time.

    Raises LedgerError for a body that JSON cannot hold.
    """
    tip = blocks.read(conn)
    entry = _append(conn, tip, kind, body, at, by, entered_at)
    blocks.write(conn, tip)
    return entry


def _append(
    conn: Connection, tip: blocks.Tip, kind: str, body: Mapping[str, Any], at: Instant, by: str, entered_at: Instant | None
) -> Entry:
    seq = tip.ledger_seq + 1
    written = time.time_ns() // 1000 if entered_at is None else entered_at
    if by:
        late = {"late_s": (written - at) // SECOND} if written - at > LATE else {}
        body = {**body, "meaning": meaning(kind, body), **late}
    try:
        text = chain.canonical(body).decode("utf-8")
    except (TypeError, ValueError) as error:
        raise LedgerError(
            f"a ledger entry of kind {kind!r} cannot be written ({error}); use text, finite numbers, lists and mappings"
        ) from error
    # Hashed as it will be read back, so that a tuple or a number as key cannot make it look changed later.
    fields = {"seq": seq, "at": at, "entered_at": written, "kind": kind, "by": by}
    entry = Entry(**fields, body=json.loads(text), hash="")  # type: ignore[arg-type]  # the mapping mixes int and str
    entry = entry._replace(hash=chain.entry_hash(tip.ledger_hash, entry._asdict()))
    conn.execute(insert(ledger).values(**fields, body=chain.canonical(entry.body).decode("utf-8"), hash=entry.hash))
    tip.ledger_seq, tip.ledger_hash = seq, entry.hash
    return entry


def head(conn: Connection) -> Head:
    """The last entry's place and hash."""
    row = conn.execute(select(ledger.c.seq, ledger.c.hash).order_by(ledger.c.seq.desc()).limit(1)).one_or_none()
    return Head(0, chain.GENESIS) if row is None else Head(row.seq, row.hash)


def entries(conn: Connection, since: int = 0, *, kind: str | None = None, most: int | None = None) -> Iterator[Entry]:
    """Entries after place `since`, in order, streamed; of one kind if `kind` is given; `most`: so many of them."""
    query = select(ledger).where(ledger.c.seq > since).order_by(ledger.c.seq).limit(most)
    return _read(conn, query if kind is None else query.where(ledger.c.kind == kind))


def entries_back(conn: Connection, kind: str) -> Iterator[Entry]:
    """Entries of a kind, the last first, streamed."""
    return _read(conn, select(ledger).where(ledger.c.kind == kind).order_by(ledger.c.seq.desc()))


def newest(conn: Connection, kind: str) -> Entry | None:
    """The last entry of a kind; None where there is none."""
    query = select(ledger).where(ledger.c.kind == kind).order_by(ledger.c.seq.desc()).limit(1)
    return next(_read(conn, query), None)


def between(conn: Connection, after: Instant, until: Instant) -> Iterator[Entry]:
    """Entries of a day: `after < at <= until` by when things happened, in order of place."""
    return _read(conn, select(ledger).where(ledger.c.at > after, ledger.c.at <= until).order_by(ledger.c.seq))


def _read(conn: Connection, query: Any) -> Iterator[Entry]:
    for row in streamed(conn, query):
        yield Entry(row.seq, row.at, row.entered_at, row.kind, row.by, json.loads(row.body), row.hash)


class Signer(Protocol):
    """The site's key (`keys.SiteKey`)."""

    public: str

    def sign(self, message: bytes) -> str:
        """The Ed25519 signature (RFC 8032) in hex."""
        ...


def seal(conn: Connection, at: Instant, *, entered_at: Instant | None = None, key: Signer | None = None) -> Entry | None:
    """Close the open block of readings and faults by an entry of kind "seal"; None where nothing arrived since.

    Its body: `first_seq`, `last_seq`, `count`, the Merkle `root` (`chain.py`), and `spans` of event time. With `key`, also
    the public `key` and a `signature` over all that and the hash of the entry before: the whole history up to here.
    """
    tip = blocks.read(conn)
    if not tip.frontier.count:
        return None
    body = {
        "first_seq": tip.first_seq,
        "last_seq": tip.next_seq - 1,
        "count": tip.frontier.count,
        "root": tip.frontier.root(),
        "spans": tip.spans,
    }
    if key is not None:
        body["key"] = key.public
        body["signature"] = key.sign(chain.seal_bytes(tip.ledger_hash, body))
    entry = _append(conn, tip, SEAL, body, at, "", entered_at)
    tip.first_seq, tip.frontier, tip.spans = tip.next_seq, chain.Frontier(), []
    blocks.write(conn, tip)
    return entry


def arrived_since(conn: Connection, seq: int, *, until: Instant | None = None, unjudged: bool = False) -> Iterator[readings.Stored]:
    """Readings and faults that arrived at place `seq` or later, in order of event time; with `until`, as far as `at <= until`."""
    sealed = []
    for entry in entries_back(conn, SEAL):
        if entry.body["last_seq"] < seq:
            break
        sealed.append(entry.body["spans"])
    return readings.arrived_since(conn, seq, sealed, until=until, unjudged=unjudged)


def gone_to(conn: Connection) -> int:
    """The place of arrival up to which readings and faults have been deleted under retention; 0 where none were."""
    text = conn.execute(select(ledger.c.body).where(ledger.c.kind == RETENTION).order_by(ledger.c.seq.desc()).limit(1)).scalar()
    try:
        return 0 if text is None else int(json.loads(text)["last_seq"])
    except (ValueError, KeyError, TypeError):
        return 0  # an entry that somebody changed: what is missing then shows as missing


def prove(conn: Connection, seq: int) -> chain.Proof:
    """The proof that the reading or fault that arrived at place `seq` is in a sealed block.

    Raises LedgerError for one that is not sealed yet, does not exist, or no longer is what was sealed.
    """
    holding = None
    for entry in entries_back(conn, SEAL):
        if entry.body["first_seq"] <= seq:
            holding = entry if seq <= entry.body["last_seq"] else None
            break
    if holding is None:
        raise LedgerError(f"arrival {seq} is in no sealed block; seal first, or name an arrival that exists")
    if seq <= gone_to(conn):
        raise LedgerError(
            f"arrival {seq} was deleted under retention; entry {holding.seq} still holds the root over its block, so prove it from an "
            "export of that day or from a backup"
        )
    body = holding.body
    block = readings.of_block(conn, body["first_seq"], body["last_seq"], body["spans"])
    if (fault := _block_fault(block, body)) is not None:
        raise LedgerError(f"arrival {seq} cannot be proven: {fault}")
    leaves = _leaves(block)
    place = seq - body["first_seq"]
    stored = block[place]
    fields = readings.leaf(stored.item, stored.received_at, stored.seq)
    return chain.Proof(fields, place, len(leaves), tuple(chain.audit_path(place, leaves)), body["root"], holding.seq)


def verify(conn: Connection, known: Head | None = None) -> list[str]:
    """What is wrong with the ledger and the sealed readings, the first fault first; empty where all agrees.

    `known` is a head noted down elsewhere (an export, a paper): only with it does a chain that was cut off
    or rewritten as a whole show. Reads everything.
    """
    faults: list[str] = []
    for fault in _faults(conn, known):
        faults.append(fault)
        if len(faults) >= MOST_FAULTS:
            break
    return faults


def verify_end(conn: Connection, entries: int = 500, rows: int = 100_000) -> list[str]:
    """What is wrong with the last `entries` and with the newest blocks, as many as hold about `rows`: enough for a start, and bounded."""
    last, tip = head(conn), blocks.read(conn)
    start = max(1, last.seq - entries + 1)
    before = conn.execute(select(ledger.c.hash).where(ledger.c.seq == start - 1)).scalar() if start > 1 else chain.GENESIS
    faults = [] if before is not None else [f"ledger: entry {start - 1} is missing before entry {start}."]
    faults += chain.chain_faults(_raw(conn, start), start, before if before is not None else chain.GENESIS)
    faults += _tip_faults(last, tip)
    faults += _open_faults(conn, tip)
    left, gone = rows, gone_to(conn)
    for entry in entries_back(conn, SEAL):
        left -= int(entry.body["count"])
        if left < 0 or entry.body["last_seq"] <= gone or faults:
            break
        block = readings.of_block(conn, entry.body["first_seq"], entry.body["last_seq"], entry.body["spans"])
        if (fault := _block_fault(block, entry.body)) is not None:
            faults.append(f"seal {entry.seq}: {fault}")
    return faults[:MOST_FAULTS]


def _faults(conn: Connection, known: Head | None) -> Iterator[str]:
    yield from chain.chain_faults(_raw(conn))
    last, tip = head(conn), blocks.read(conn)
    yield from _tip_faults(last, tip)
    if known is not None and known.seq > 0:
        found = conn.execute(select(ledger.c.hash).where(ledger.c.seq == known.seq)).scalar()
        if found != known.hash:
            how = "is missing" if found is None else "has another hash"
            yield f"ledger: entry {known.seq}, known from elsewhere, {how}; the ledger was cut off or written anew."
    yield from _seal_faults(conn, tip)


def _tip_faults(last: Head, tip: blocks.Tip) -> Iterator[str]:
    if (last.seq, last.hash) != (tip.ledger_seq, tip.ledger_hash):
        yield f"ledger: it ends with entry {last.seq}, but entry {tip.ledger_seq} was the last written; its end was cut off or added to."


def _raw(conn: Connection, first: int = 0) -> Iterator[dict[str, Any]]:
    """Entries for checking: a body that is not the canonical text it should be stays text, which no hash matches."""
    for row in streamed(conn, select(ledger).where(ledger.c.seq >= first).order_by(ledger.c.seq)):
        entry = dict(row._mapping)
        try:
            body = json.loads(row.body)
            entry["body"] = body if chain.canonical(body).decode("utf-8") == row.body else row.body
        except ValueError:
            pass
        yield entry


def _seal_faults(conn: Connection, tip: blocks.Tip) -> Iterator[str]:
    """Each sealed block against its readings, then the open block against the tip, then strays."""
    expected, gone = 1, gone_to(conn)
    for row in conn.execute(select(ledger.c.seq, ledger.c.body).where(ledger.c.kind == SEAL).order_by(ledger.c.seq)).all():
        try:
            body = json.loads(row.body)
            first, last, spans = body["first_seq"], body["last_seq"], body["spans"]
            block = readings.of_block(conn, first, last, spans)
        except (ValueError, KeyError, TypeError):
            yield f"seal {row.seq}: it cannot be read."
            continue
        if first != expected:
            yield f"seal {row.seq}: it begins at arrival {first}, but the seal before it ends at {expected - 1}; a seal is missing."
        if last <= gone:
            if block:
                yield f"seal {row.seq}: arrival {block[0].seq} was deleted under retention and is there again."
        elif (fault := _block_fault(block, body)) is not None:
            yield f"seal {row.seq}: {fault}"
        expected = last + 1
    if tip.first_seq != expected:
        yield f"seals: the open block begins at arrival {tip.first_seq}, but the last seal ends at {expected - 1}; a seal is missing."
    yield from _open_faults(conn, tip)
    stored = readings.count(conn)
    if stored != tip.next_seq - 1 - gone:
        besides = f" and {gone} of them were deleted under retention" if gone else ""
        yield f"readings: {stored} are stored, but {tip.next_seq - 1} arrived{besides}; some were put in or taken out."


def _open_faults(conn: Connection, tip: blocks.Tip) -> Iterator[str]:
    block = readings.of_block(conn, tip.first_seq, tip.next_seq - 1, tip.spans)
    body = {"first_seq": tip.first_seq, "last_seq": tip.next_seq - 1, "count": tip.frontier.count, "root": tip.frontier.root()}
    if (fault := _block_fault(block, body)) is not None:
        yield f"open block: {fault}"


def _block_fault(block: list[readings.Stored], body: Mapping[str, Any]) -> str | None:
    """The first thing wrong with a block, or None."""
    first, last = body["first_seq"], body["last_seq"]
    expected = first
    for stored in block:
        if stored.seq != expected:
            what = "is missing or its time was changed" if stored.seq > expected else "is there twice"
            return f"arrival {min(expected, stored.seq)} {what} (block {first} to {last})."
        expected += 1
    if expected != last + 1:
        return f"arrival {expected} is missing or its time was changed (block {first} to {last})."
    frontier = chain.Frontier()
    for leaf in _leaves(block):
        frontier.append(leaf)
    if frontier.root() != body["root"] or frontier.count != body["count"]:
        when = f", of {format_instant(block[0].item.at)} to {format_instant(block[-1].item.at)}" if block else ""
        return f"its readings (arrivals {first} to {last}{when}) do not give its root; at least one was changed."
    return None


def _leaves(block: list[readings.Stored]) -> list[bytes]:
    return [chain.leaf_hash(chain.canonical(readings.leaf(s.item, s.received_at, s.seq))) for s in block]
