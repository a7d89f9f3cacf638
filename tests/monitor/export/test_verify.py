"""Checking an export with nothing but Python: published vectors, and any change found and named."""

from __future__ import annotations

import json
import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor import chain
from monitor.export import verify
from monitor.export.verify import InputError, check_folder
from monitor.keys import SiteKey, site_key

# RFC 8032 (January 2017) section 7.1: secret key, public key, message, signature. Written down from memory; the tests hold
# each against the cryptography library, which derives the same key and, Ed25519 being deterministic, the same signature.
RFC_8032 = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
    ),
    (
        "833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
        "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
        "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
        "dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b58909351fc9ac90b3ecfdfbc7c66431e0303dca179c138ac17ad9bef1177331a704",
    ),
]
LOW_ORDER_L = 2**252 + 27742317777372353535851937790883648493


@pytest.mark.parametrize(("secret", "public", "message", "signature"), RFC_8032)
def test_rfc_8032_vectors_verify(secret: str, public: str, message: str, signature: str) -> None:
    """RFC 8032 section 7.1, TEST 1, 2, 3 and SHA(abc); the key pairs agree with the library too."""
    key = SiteKey(bytes.fromhex(secret))
    assert (key.public, key.sign(bytes.fromhex(message))) == (public, signature)
    assert verify.verify(bytes.fromhex(public), bytes.fromhex(message), bytes.fromhex(signature))


@pytest.mark.parametrize(("secret", "public", "message", "signature"), RFC_8032)
def test_every_flipped_bit_of_a_vector_fails(secret: str, public: str, message: str, signature: str) -> None:
    """Any bit of signature, key or message."""
    parts = [bytes.fromhex(public), bytes.fromhex(message), bytes.fromhex(signature)]
    chosen = random.Random(secret)
    for which, part in enumerate(parts):
        for bit in chosen.sample(range(8 * len(part)), min(24, 8 * len(part))):
            changed = list(parts)
            changed[which] = flip(part, bit)
            assert not verify.verify(changed[0], changed[1], changed[2])


def test_signature_with_a_scalar_beyond_the_order_is_refused() -> None:
    """RFC 8032 section 5.1.7 step 1: S must lie below L, or one message would have many signatures."""
    _, public, message, signature = RFC_8032[1]
    s = int.from_bytes(bytes.fromhex(signature)[32:], "little") + LOW_ORDER_L
    forged = bytes.fromhex(signature)[:32] + s.to_bytes(32, "little")
    assert not verify.verify(bytes.fromhex(public), bytes.fromhex(message), forged)


@pytest.mark.parametrize("key", ["00" * 31, "ff" * 32, "02" + "00" * 30 + "80"])
def test_what_is_no_point_is_no_key(key: str) -> None:
    """Too short, y not below p, no x for this y: no key, no exception."""
    assert not verify.verify(bytes.fromhex(key), b"", bytes.fromhex(RFC_8032[0][3]))


def keys_of(path: Path) -> Path:
    return path.parents[2] / "keys"


def flip(data: bytes, bit: int) -> bytes:
    changed = bytearray(data)
    changed[bit // 8] ^= 1 << (bit % 8)
    return bytes(changed)


def test_records_are_hashed_as_the_ledger_hashes_them() -> None:
    """The stand-alone check and the ledger have one form of JSON."""
    for value in ({"b": 1, "a": [0.1, -0.0, 1e300, "é\u2028\\"], "c": None}, "", 10**30, {"\u00e9": {}, "z": True}):
        assert verify.canonical(value) == chain.canonical(value)
    assert verify.ENTRY_FIELDS == chain.ENTRY_FIELDS


def test_sound_export_passes_and_says_what_it_cannot_prove(exported: Path) -> None:
    """Without a key or a head, the outcome says in words that a folder alone proves little."""
    outcome = check_folder(exported)
    assert outcome.wrong == []
    assert any("A folder alone proves only" in text for text in outcome.unknown)
    assert any("readings and faults are those that were sealed" in text for text in outcome.right)


def test_key_and_head_known_from_elsewhere_are_confirmed(exported: Path) -> None:
    """With both, nothing of that kind is left open."""
    path = exported
    head = json.loads((path / "manifest.json").read_text())["ledger"]["head"]
    outcome = check_folder(path, site_key(keys_of(path)).public, head)
    assert outcome.wrong == []
    assert not any("folder alone" in text or "--key" in text or "--head" in text for text in outcome.unknown)


def test_another_key_and_another_head_are_found(exported: Path, tmp_path: Path) -> None:
    """A folder signed by somebody else, or of another history, is wrong."""
    path = exported
    stranger = site_key(tmp_path / "other").public
    assert any("not the one you gave" in text for text in check_folder(path, stranger).wrong)
    assert any("is not among these records" in text for text in check_folder(path, None, "ab" * 32).wrong)


def test_one_flipped_bit_anywhere_is_found_and_named(exported: Path) -> None:
    """In every file, at many places, first and last byte among them: wrong, and the file is named."""
    path = exported
    chosen = random.Random(8032)
    for file in sorted(path.iterdir()):
        whole = file.read_bytes()
        bits = {0, 7, 8 * len(whole) - 1, *(chosen.randrange(8 * len(whole)) for _ in range(3 if len(whole) > 100_000 else 6))}
        for bit in sorted(bits):
            file.write_bytes(flip(whole, bit))
            wrong = check_folder(path).wrong
            assert any(file.name in text for text in wrong), (file.name, bit, wrong)
        file.write_bytes(whole)
    assert check_folder(path).wrong == []


def test_no_byte_of_the_manifest_is_free_to_change(exported: Path) -> None:
    """One bit of every twentieth byte, with the other files left out of it: neither blanks nor the case of a digit may change."""
    file = exported / "manifest.json"
    whole = file.read_bytes()
    chosen = random.Random(5)
    for place in range(0, len(whole), 20):
        file.write_bytes(flip(whole, 8 * place + chosen.randrange(8)))
        outcome = verify.Outcome()
        manifest = verify._read_manifest(file, outcome)
        if manifest is not None:
            verify._check_signature(manifest, None, outcome)
        assert any("manifest.json" in text for text in outcome.wrong), place


def test_capital_digits_in_the_signature_are_no_signature(exported: Path) -> None:
    """The signature has one way of being written."""
    file = exported / "manifest.json"
    manifest = json.loads(file.read_text())
    manifest["signature"] = manifest["signature"].upper()
    file.write_bytes(verify.manifest_bytes(manifest))
    assert any("small hexadecimal digits" in text for text in check_folder(file.parent).wrong)


def test_missing_and_added_files_are_named(exported: Path) -> None:
    """What is not there and what does not belong."""
    path = exported
    (path / "lots.json").unlink()
    (path / "notes.txt").write_text("added")
    wrong = check_folder(path).wrong
    assert any(text.startswith("lots.json is missing") for text in wrong)
    assert any(text.startswith("notes.txt does not belong") for text in wrong)


def test_link_in_place_of_a_file_is_no_file(exported: Path, tmp_path: Path) -> None:
    """A link may show other content tomorrow."""
    path = exported
    shutil.copy(path / "lots.json", tmp_path / "lots.json")
    (path / "lots.json").unlink()
    (path / "lots.json").symlink_to(tmp_path / "lots.json")
    assert any(text.startswith("lots.json is missing") for text in check_folder(path).wrong)


def resign(path: Path, key: SiteKey, change: Callable[[dict[str, object]], None] = lambda _: None) -> None:
    """What somebody with the site's key could do: change files and sign the folder again."""
    manifest = json.loads((path / "manifest.json").read_text())
    manifest["files"] = {name: verify.file_hash(path / name) for name in manifest["files"]}
    change(manifest)
    del manifest["signature"]
    manifest["signature"] = key.sign(verify.signed_bytes(manifest))
    (path / "manifest.json").write_bytes(verify.manifest_bytes(manifest))


def test_reading_changed_and_signed_again_is_betrayed_by_its_seal(exported: Path) -> None:
    """Even with the site's key a reading cannot be changed without the ledger's seal showing it."""
    path = exported
    rows = (path / "readings.csv").read_text().splitlines()
    line = next(n for n, row in enumerate(rows) if "core-1" in row)
    rows[line] = rows[line].replace("core-1,", "core-1,1", 1)
    (path / "readings.csv").write_text("\n".join(rows) + "\n")
    resign(path, site_key(keys_of(path)))
    wrong = check_folder(path).wrong
    assert len(wrong) == 2
    assert "not those that were sealed" in wrong[0]


def test_row_taken_out_and_signed_again_is_found(exported: Path) -> None:
    """A missing row shows as well as a changed one."""
    path = exported
    rows = (path / "readings.csv").read_text().splitlines()
    del rows[700]
    (path / "readings.csv").write_text("\n".join(rows) + "\n")
    resign(path, site_key(keys_of(path)))
    assert check_folder(path).wrong


def test_record_changed_and_signed_again_breaks_the_chain(exported: Path) -> None:
    """The first changed record is named by its line."""
    path = exported
    lines = (path / "ledger.jsonl").read_text().splitlines()
    lines[9] = lines[9].replace('"critical":true', '"critical":false').replace("held at", "kept at").replace("reached", "Reached")
    (path / "ledger.jsonl").write_text("\n".join(lines) + "\n")
    resign(path, site_key(keys_of(path)))
    assert any(text.startswith("ledger.jsonl, line 10: entry 10") for text in check_folder(path).wrong)


def test_tail_cut_off_and_signed_again_needs_a_head_from_elsewhere(exported: Path) -> None:
    """A folder alone cannot show a tail that was cut off by the key's holder; a head noted down before does."""
    path = exported
    head = json.loads((path / "manifest.json").read_text())["ledger"]["head"]
    lines = (path / "ledger.jsonl").read_text().splitlines()
    (path / "ledger.jsonl").write_text("\n".join(lines[:-1]) + "\n")

    def shorter(manifest: dict[str, object]) -> None:
        before = json.loads(lines[-2])
        manifest["ledger"] = {**manifest["ledger"], "head": before["hash"], "last": before["seq"]}  # type: ignore[dict-item]  # JSON

    resign(path, site_key(keys_of(path)), shorter)
    assert check_folder(path).wrong == []
    assert any("another history" in text for text in check_folder(path, None, head).wrong)


@pytest.mark.parametrize("content", [b"", b"[]", b"{}", b"\xff", b'{"format": 1}', b"[" * 100_000])
def test_manifest_that_is_none_is_wrong_not_a_crash(exported: Path, content: bytes) -> None:
    """Whatever stands in manifest.json, the outcome is one sentence."""
    path = exported
    (path / "manifest.json").write_bytes(content)
    assert len(check_folder(path).wrong) == 1


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"[]",
        b"{}",
        b'{"blocks":[{}],"open":[]}',
        b'{"blocks":[{"order":"0+99999999999","seal":[],"first_seq":1,"absent":[]}],"open":[]}',
    ],
)
def test_seals_that_are_none_are_wrong_not_a_crash(exported: Path, content: bytes) -> None:
    """Whatever stands in seals.json, the outcome is sentences."""
    path = exported
    (path / "seals.json").write_bytes(content)
    assert any("seals.json" in text for text in check_folder(path).wrong)


def test_folder_without_manifest_is_bad_input(tmp_path: Path) -> None:
    """There is nothing to check: one sentence on what to name."""
    with pytest.raises(InputError, match=r"holds no manifest\.json; name the folder"):
        check_folder(tmp_path)


def run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-I", "-S", str(folder / "verify.py"), *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, cwd=folder)


def test_exported_copy_runs_alone_with_its_exit_codes(exported: Path) -> None:
    """The folder's own verify.py, without site packages: 0 sound, 1 wrong, 2 bad input, no traceback."""
    path = exported
    good = run(path, "--key", str(keys_of(path) / "site.pub"))
    assert (good.returncode, good.stderr) == (0, "")
    assert "Ferncliff Yard Smokehouse (ferncliff), 2026-03-02, revision 1" in good.stdout
    bad = run(path, "--head", "12")
    assert bad.returncode == 2
    assert bad.stderr == "the head is '12'; write 16 to 64 hexadecimal digits, not all of them 0\n"
    assert run(path, "--head", "0" * 64).returncode == 2, "where every ledger begins proves nothing"
    (path / "plan.toml").write_text("")
    wrong = run(path)
    assert wrong.returncode == 1
    assert "WRONG        plan.toml is not the file that was exported" in wrong.stdout
    (path / "manifest.json").unlink()
    assert run(path).returncode == 2
