"""The arithmetic of chain and seals, against the definitions of RFC 6962, section 2.1."""

from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor import chain


def defined_root(leaves: list[bytes]) -> bytes:
    """MTH of RFC 6962, section 2.1, word for word, over raw leaves."""
    if not leaves:
        return sha256(b"").digest()
    if len(leaves) == 1:
        return sha256(b"\x00" + leaves[0]).digest()
    k = 1
    while k * 2 < len(leaves):
        k *= 2
    return sha256(b"\x01" + defined_root(leaves[:k]) + defined_root(leaves[k:])).digest()


def some(count: int) -> list[bytes]:
    return [f"reading {n}".encode() for n in range(count)]


@pytest.mark.parametrize("count", [*range(20), 31, 32, 33, 100])
def test_growing_tree_has_the_root_that_rfc_6962_defines(count: int) -> None:
    """The frontier, kept as text between any two leaves, ends at the defined root."""
    frontier = chain.Frontier()
    for leaf in some(count):
        frontier = chain.Frontier(frontier.count, frontier.state())
        frontier.append(chain.leaf_hash(leaf))
    hashes = [chain.leaf_hash(leaf) for leaf in some(count)]
    assert frontier.root() == chain.merkle_root(hashes) == defined_root(some(count)).hex()


@pytest.mark.parametrize("count", [1, 2, 3, 5, 7, 8, 13])
def test_path_leads_from_each_leaf_to_the_root_and_from_nowhere_else(count: int) -> None:
    """Every leaf's path gives the root at its own place only (RFC 9162, section 2.1.3.2)."""
    hashes = [chain.leaf_hash(leaf) for leaf in some(count)]
    root = chain.merkle_root(hashes)
    for index in range(count):
        path = chain.audit_path(index, hashes)
        assert [place for place in range(count) if chain.root_from_path(hashes[index], place, count, path) == root] == [index]
        assert chain.root_from_path(chain.leaf_hash(b"another"), index, count, path) != root
        if path:
            assert chain.root_from_path(hashes[index], index, count, path[:-1]) != root
        assert chain.root_from_path(hashes[index], index, count, [*path, root]) != root


def test_a_node_cannot_pass_as_a_leaf() -> None:
    """Leaves and nodes are hashed after different bytes."""
    left, right = chain.leaf_hash(b"a"), chain.leaf_hash(b"b")
    assert chain.leaf_hash(left + right) != chain.node_hash(left, right)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(st.characters(codec="utf-8")),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(st.characters(codec="utf-8")), inner, max_size=3),
    max_leaves=8,
)


@given(JSON)
def test_canonical_json_is_the_same_after_reading_it_back(value: object) -> None:
    """What is hashed and what is stored and read again have one form."""
    import json

    once = chain.canonical(value)
    assert chain.canonical(json.loads(once)) == once


def test_canonical_json_sorts_keys_and_keeps_no_spaces() -> None:
    """The one form, spelt out."""
    assert chain.canonical({"b": [1, 2.5], "a": "62.8 °C"}) == '{"a":"62.8 °C","b":[1,2.5]}'.encode()
    with pytest.raises(ValueError):
        chain.canonical({"a": float("nan")})


def test_sound_chain_has_no_faults_and_an_empty_one_neither() -> None:
    """Entries hashed one after the other are found sound."""
    entries, previous = [], chain.GENESIS
    for seq in range(1, 4):
        entry = {"seq": seq, "at": seq, "entered_at": seq, "kind": "note", "by": "", "body": {"text": "x"}}
        previous = chain.entry_hash(previous, entry)
        entries.append({**entry, "hash": previous})
    assert list(chain.chain_faults(entries)) == []
    assert list(chain.chain_faults([])) == []
    assert list(chain.chain_faults(entries[1:], first_seq=2, previous=entries[0]["hash"])) == []
