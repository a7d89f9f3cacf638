"""How records are chained and readings sealed: the arithmetic alone, with nothing but Python's own library.

An entry's hash is SHA-256 over the hash before it and the entry's canonical JSON, so that a change, a removal,
an insertion or another order shows from there on. A block of readings is closed by the root of a Merkle tree
as RFC 6962, section 2.1 defines it (a leaf is hashed after a byte 0x00, a node after a byte 0x01), so that
one reading can be shown to be in a sealed block without the others.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from hashlib import sha256
from typing import Any, NamedTuple

#: The hash "before" the first entry.
GENESIS = "0" * 64
#: The fields of an entry that its hash covers.
ENTRY_FIELDS = ("seq", "at", "entered_at", "kind", "by", "body")
HASH_BYTES = 32
#: Says what is signed, so that no signature of another kind can stand for a seal's.
SEAL_CONTEXT = b"larderer seal 1\n"

_encode = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode


def canonical(value: object) -> bytes:
    """JSON in its one form: keys sorted by code point, no spaces, UTF-8, numbers as Python writes them.

    Raises ValueError for NaN and infinities, TypeError for what JSON has no form for.
    """
    return _encode(value).encode("utf-8")


def entry_hash(previous: str, entry: Mapping[str, Any]) -> str:
    """The hash of `entry` (ENTRY_FIELDS, `body` as the object itself) after the entry hashed `previous`; both hex."""
    return sha256(bytes.fromhex(previous) + canonical({name: entry[name] for name in ENTRY_FIELDS})).hexdigest()


def chain_faults(entries: Iterable[Mapping[str, Any]], first_seq: int = 1, previous: str = GENESIS) -> Iterator[str]:
    """What is wrong with a run of entries, in order, one sentence each; nothing for a sound chain.

    Each entry is held against the *stated* hash before it, so one change is one sentence, not all that follow.
    """
    expected = first_seq
    for entry in entries:
        seq = entry["seq"]
        if seq > expected:
            missing = f"entry {expected} is" if seq == expected + 1 else f"entries {expected} to {seq - 1} are"
            yield f"ledger: {missing} missing before entry {seq}."
        elif seq < expected:
            yield f"ledger: entry {seq} stands where entry {expected} belongs; entries were put in or their order was changed."
        try:
            computed = entry_hash(previous, entry)
        except (ValueError, TypeError, KeyError) as error:
            computed = ""
            yield f"ledger: entry {seq} cannot be read ({error})."
        if computed and computed != entry["hash"] and seq == expected:
            yield f"ledger: entry {seq} ({entry['kind']}) does not match its hash; it, or the hash of the entry before it, was changed."
        expected = seq + 1
        previous = entry["hash"] if _is_hash(entry["hash"]) else GENESIS


def _is_hash(text: object) -> bool:
    return isinstance(text, str) and len(text) == 2 * HASH_BYTES and all(c in "0123456789abcdef" for c in text)


def leaf_hash(data: bytes) -> bytes:
    """The hash of one leaf (RFC 6962, section 2.1)."""
    return sha256(b"\x00" + data).digest()


def leaf_hashes(leaves: Iterable[bytes]) -> list[bytes]:
    """The hash of each leaf, as `leaf_hash`; written out, since every reading is one."""
    return [sha256(b"\x00" + data).digest() for data in leaves]


def node_hash(left: bytes, right: bytes) -> bytes:
    """The hash of a node over its two children (RFC 6962, section 2.1)."""
    return sha256(b"\x01" + left + right).digest()


def seal_bytes(previous: str, body: Mapping[str, Any]) -> bytes:
    """What the signature in a seal is over: the hash of the entry before it, and the seal's body without the signature."""
    rest = {name: value for name, value in body.items() if name != "signature"}
    return SEAL_CONTEXT + bytes.fromhex(previous) + canonical(rest)


class Frontier:
    """A Merkle tree that only grows: it keeps the roots of its full subtrees, largest first, not its leaves."""

    __slots__ = ("count", "roots")

    def __init__(self, count: int = 0, roots: bytes = b"") -> None:
        self.count = count
        self.roots = [roots[i : i + HASH_BYTES] for i in range(0, len(roots), HASH_BYTES)]

    def append(self, leaf: bytes) -> None:
        """Add one leaf hash."""
        self.extend((leaf,))

    def extend(self, leaves: Iterable[bytes]) -> None:
        """Add leaf hashes in their order; written out, since every reading is one."""
        roots, count = self.roots, self.count
        pop, push = roots.pop, roots.append
        for leaf in leaves:
            node, filled = leaf, count
            while filled & 1:  # a subtree as large as this one stands to its left: join them
                node = sha256(b"\x01" + pop() + node).digest()  # as `node_hash`
                filled >>= 1
            push(node)
            count += 1
        self.count = count

    def root(self) -> str:
        """The root in hex, as `merkle_root` of the same leaves (RFC 6962, section 2.1)."""
        if not self.roots:
            return sha256(b"").hexdigest()
        root = self.roots[-1]
        for left in reversed(self.roots[:-1]):
            root = node_hash(left, root)
        return root.hex()

    def state(self) -> bytes:
        """What `Frontier(count, state)` takes."""
        return b"".join(self.roots)


def merkle_root(leaves: Sequence[bytes]) -> str:
    """The root, in hex, over leaf hashes, by the definition of RFC 6962, section 2.1."""
    return _subtree(leaves).hex() if leaves else sha256(b"").hexdigest()


def _split(size: int) -> int:
    """The largest power of two below `size`."""
    return 1 << ((size - 1).bit_length() - 1)


def _subtree(leaves: Sequence[bytes]) -> bytes:
    if len(leaves) == 1:
        return leaves[0]
    k = _split(len(leaves))
    return node_hash(_subtree(leaves[:k]), _subtree(leaves[k:]))


def audit_path(index: int, leaves: Sequence[bytes]) -> list[str]:
    """The hashes, in hex, that join leaf `index` to the root (RFC 6962, section 2.1.1), nearest first."""
    if len(leaves) <= 1:
        return []
    k = _split(len(leaves))
    if index < k:
        return [*audit_path(index, leaves[:k]), _subtree(leaves[k:]).hex()]
    return [*audit_path(index - k, leaves[k:]), _subtree(leaves[:k]).hex()]


def root_from_path(leaf: bytes, index: int, size: int, path: Sequence[str]) -> str | None:
    """The root, in hex, that `path` leads to from leaf `index` of `size`; None where the path cannot belong there.

    RFC 9162, section 2.1.3.2 ("Verifying an Inclusion Proof"; same tree as RFC 6962).
    """
    if not 0 <= index < size:
        return None
    node, last, root = index, size - 1, leaf
    for step in path:
        if last == 0:
            return None
        sibling = bytes.fromhex(step)
        if node & 1 or node == last:
            root = node_hash(sibling, root)
            while not node & 1 and node:
                node, last = node >> 1, last >> 1
        else:
            root = node_hash(root, sibling)
        node, last = node >> 1, last >> 1
    return root.hex() if last == 0 else None


class Proof(NamedTuple):
    """That one arrival is in a sealed block: `leaf` is its fields, `seal` the ledger entry that holds `root`."""

    leaf: Mapping[str, Any]
    position: int
    size: int
    path: tuple[str, ...]
    root: str
    seal: int


def proof_holds(proof: Proof) -> bool:
    """Whether the path leads from the proof's leaf to its root. The root itself must be found in the ledger."""
    return root_from_path(leaf_hash(canonical(proof.leaf)), proof.position, proof.size, proof.path) == proof.root
