"""seals.json: which row of an export stands at which place of a sealed block, so that `verify.py` can rebuild its root.

A block's `order` reads "12+40 x3 u0+1": rows 12 to 51 of readings.csv, three arrivals that are not in this export
(their leaf hashes stand in `absent`), row 0 of unjudged.csv. Rows that no seal covers yet are listed under `open`.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Mapping, Sequence
from heapq import merge
from typing import Any, NamedTuple

from sqlalchemy import Connection

from monitor import chain, ledger
from monitor.store import readings

#: Arrivals are sorted so many at a time: 2 to this power.
_STRETCH_BITS = 14


class Place(NamedTuple):
    """An exported row by its place of arrival; `mark` names its file."""

    seq: int
    mark: str
    row: int


def seals_of(conn: Connection, seqs: Mapping[str, array[int]], seals: Sequence[ledger.Entry]) -> dict[str, list[dict[str, Any]]]:
    """The content of seals.json for rows whose places of arrival are `seqs`, under these seals."""
    places = merge(*(_in_order(mark, numbers) for mark, numbers in seqs.items()))
    waiting = next(places, None)
    blocks: list[dict[str, Any]] = []
    unsealed: list[Place] = []
    for entry in sorted(seals, key=lambda e: int(e.body["first_seq"])):
        first, last = int(entry.body["first_seq"]), int(entry.body["last_seq"])
        here: list[Place] = []
        while waiting is not None and waiting.seq <= last:
            (here if waiting.seq >= first else unsealed).append(waiting)
            waiting = next(places, None)
        if here:
            order, missing = _order(here, first, last)
            absent = _absent(conn, entry, {p.seq for p in here}) if missing else []
            blocks.append({"seal": entry.seq, "first_seq": first, "order": order, "absent": absent})
    while waiting is not None:
        unsealed.append(waiting)
        waiting = next(places, None)
    return {"blocks": blocks, "open": list(_stretches(unsealed))}


def _in_order(mark: str, numbers: array[int]) -> Iterator[Place]:
    """The rows of one file in order of arrival, sorted a stretch of arrivals at a time, since a day may have a million."""
    stretches: dict[int, array[int]] = {}
    for row, seq in enumerate(numbers):
        stretches.setdefault(seq >> _STRETCH_BITS, array("q")).append(row)
    for _, stretch in sorted(stretches.items()):
        for row in sorted(stretch, key=numbers.__getitem__):
            yield Place(numbers[row], mark, row)


def _order(here: Sequence[Place], first: int, last: int) -> tuple[str, int]:
    parts: list[str] = []
    expected, missing, at = first, 0, 0
    while at < len(here):
        gap = here[at].seq - expected
        if gap:
            parts.append(f"x{gap}")
            missing += gap
        end = at + 1
        while end < len(here) and _follows(here[end - 1], here[end]):
            end += 1
        parts.append(f"{here[at].mark}{here[at].row}+{end - at}")
        expected, at = here[end - 1].seq + 1, end
    if expected <= last:
        parts.append(f"x{last + 1 - expected}")
        missing += last + 1 - expected
    return " ".join(parts), missing


def _follows(one: Place, other: Place) -> bool:
    return other == Place(one.seq + 1, one.mark, one.row + 1)


def _absent(conn: Connection, entry: ledger.Entry, present: set[int]) -> list[str]:
    """The leaf hashes of a block's arrivals that are not exported, in order of arrival."""
    first, last = int(entry.body["first_seq"]), int(entry.body["last_seq"])
    found: dict[int, str] = {}
    for low, high in entry.body["spans"]:
        for s in readings.between(conn, low - 1, high, unjudged=True):
            if first <= s.seq <= last and s.seq not in present:
                found[s.seq] = chain.leaf_hash(chain.canonical(readings.leaf(s.item, s.received_at, s.seq))).hex()
    return [found[seq] for seq in sorted(found)]


def _stretches(places: Sequence[Place]) -> Iterator[dict[str, Any]]:
    at = 0
    while at < len(places):
        end = at + 1
        while end < len(places) and places[end].seq == places[end - 1].seq + 1:
            end += 1
        order, _ = _order(places[at:end], places[at].seq, places[end - 1].seq)
        yield {"first_seq": places[at].seq, "order": order}
        at = end
