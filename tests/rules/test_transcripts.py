"""The golden transcripts hold, and the runner tells what does not."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from rules.plan_limit import KIND_KEYS
from rules.transcript import run

FOLDER = Path(__file__).parents[1] / "transcripts"
GOLDEN = sorted(FOLDER.glob("*.toml"))
MUST_FAIL = {
    "a-deviation-at-another-time": ['"deviated 0:11" was expected and did not come; what came is "deviated 0:10"', "does not expect"],
    "a-deviation-that-nobody-expects": ['before it came "deviated 0:00", which the transcript does not expect'],
    "a-hotter-chamber-that-nobody-expects": [
        '"met 50:01" was expected and did not come; what came is "deviated 37:08:34.285714"',
        "does not expect (more than 1000 °F h above 60 °F",
    ],
    "a-core-in-the-air-that-nobody-misses": ['not-in-the-meat 0:21", which the transcript does not expect (core-1 reads 70 °F'],
    "a-composition-in-the-core": ["this composition limit is judged on what is entered for the lot; take place out"],
    "a-humidity-met-over-a-gap": ['"met 2:00" was expected and did not come; what came is "unproven 2:00"', "does not expect"],
    "a-limit-with-a-mistake": ['key "maximum" is not known here; did you mean "max"?', "max is missing"],
    "a-profile-that-is-off-and-nobody-says-so": ['before it came "off 0:20", which the transcript does not expect'],
    "a-time-that-is-none": ['item 1 of the script: read has "noon 38.0"; write such as "0:00 42.0, 0:04 42.5"'],
    "a-wrong-standing": ['"met 0:00" is to stand; what stands is open'],
    "an-event-that-is-refused": ["the reason is 'fell'; write one of moved, slipped, failed, done"],
    "an-expected-deviation-that-does-not-come": [
        '"deviated 0:10" was expected and did not come; what came is "met 0:10"',
        "does not expect",
    ],
    "no-limit-and-no-plan": ["write limit = {…}, plan = '''…''' or plan_file"],
    "not-toml": ["the file is not TOML"],
}


@pytest.mark.parametrize("path", GOLDEN, ids=lambda p: p.stem)
def test_golden_transcript_holds(path: Path) -> None:
    """What is read and done gives what the transcript says, and nothing else."""
    assert run(path.read_text(encoding="utf-8"), path.name) == []


def test_golden_transcripts_cover_every_kind_and_verdict() -> None:
    """Each kind of limit has transcripts that end in more than one way, and each says in its name what it shows."""
    texts = [path.read_text(encoding="utf-8") for path in GOLDEN]
    assert len(texts) >= 40
    names = [tomllib.loads(text)["name"] for text in texts]
    assert len(set(names)) == len(names)
    for kind in KIND_KEYS:
        mine = "\n".join(text for text in texts if f'kind = "{kind}"' in text)
        assert len(set(re.findall(r"\b(met|deviated|unproven) \d", mine))) >= 2, kind


@pytest.mark.parametrize("path", sorted((FOLDER / "must-fail").glob("*.toml")), ids=lambda p: p.stem)
def test_transcript_that_does_not_hold_is_told(path: Path) -> None:
    """One sentence for each thing that does not hold, with the file, the item and what came instead."""
    told = run(path.read_text(encoding="utf-8"), path.name)
    assert len(told) == len(MUST_FAIL[path.stem])
    for sentence, words in zip(told, MUST_FAIL[path.stem], strict=True):
        assert words in sentence


def test_every_expectation_of_a_golden_transcript_matters() -> None:
    """Each golden transcript fails when any one of its expectations is dropped."""
    for path in GOLDEN:
        lines = path.read_text(encoding="utf-8").splitlines()
        for i, line in enumerate(lines):
            if re.match(r"\s*\{ (expect|finding|refused) =", line):
                assert run("\n".join(lines[:i] + lines[i + 1 :]), path.name), f"{path.name}: {line.strip()} is not needed"


def test_plan_file_is_read_through_the_reader() -> None:
    """The runner reads no files itself: whoever runs it says how a plan file is read."""
    plan = (
        '[site]\nunit = "C"\n[[probe]]\nid = "core-1"\nplace = "core"\n[[product]]\ncode = "links"\n[[product.step]]\nname = "rest"\n'
        '[[product.step.limit]]\nname = "cold"\nkind = "ceiling"\nplace = "core"\nmax = "4 °C"\n'
    )
    text = (
        'unit = "C"\nplan_file = "plan.toml"\nscript = [{ event = "0:00 start J-1 links" }, { event = "0:00 place J-1 core-1" }, '
        '{ read = "core-1 0:00 4.0, 0:01 4.1" }, { expect = "J-1/rest/cold/core-1 deviated 0:01" }]'
    )
    assert run(text, "t.toml", lambda name: {"plan.toml": plan}[name]) == []
    assert run(text, "t.toml") == ["t.toml: plan_file names a file, which cannot be read here; write the plan itself as plan = '''…'''"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("unit = 'K'\nscript = []", 'unit is \'K\'; write "F" or "C"'),
        ("limit = 3\nscript = []", "limit is to be a table"),
        ("plan = 3\nscript = []", "plan is 3; write text in quotes"),
        ("colour = 'red'", "colour is no key of a transcript"),
        ("limit = { kind = 'ceiling', max = '4 °C' }\nscript = [3]", "script is to be a list of items with one key each"),
        ("limit = { kind = 'ceiling', max = '4 °C' }\nscript = [{ read = 3 }]", "item 1 of the script: read is 3; write text in quotes"),
        ("limit = { kind = 'ceiling', max = '4 °C' }\nscript = [{ sing = 'loud' }]", "sing is no item of a script; write one of read, "),
        ("limit = { kind = 'ceiling', max = '4 °C' }\nscript = [{ expect = 'warming 0:10' }]", 'expect is "warming 0:10"; write met'),
        ("limit = { kind = 'ceiling', max = '4 °C' }\nscript = [{ event = '0:00 end J-1' }]", "with a plan write time, event, lot"),
        ("limit = { kind = 'ceiling', max = '4 °C' }\nstart = 'now'\nscript = []", "start: time is 'now'"),
        ("limit = { kind = 'ceiling', max = '4 °C' }\nuncertainty = 'half'\nscript = []", "uncertainty: temperature is 'half'"),
    ],
)  # fmt: skip
def test_mistake_in_a_transcript_is_one_sentence(text: str, words: str) -> None:
    """What, which value, where, and what to write instead."""
    (told,) = run(text, "t.toml")
    assert words in told
    assert "\n" not in told
