"""Every format: each sample whole, byte by byte, with bytes after it, garbage before it, a broken one before a good one; and any bytes."""

import importlib.util
import platform
import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.reading import Reading
from tests.missing import not_tested
from tests.probes.decoders import FORMATS, NOW, Format, check, values

ROOT = Path(__file__).parents[2]
SAMPLES = [pytest.param(form, data, told, id=f"{form.name}-{n}") for form in FORMATS.values() for n, (data, told) in enumerate(form.good)]
STREAMS = [
    pytest.param(form, data, told, id=f"{form.name}-{n}")
    for form in FORMATS.values()
    if form.stream
    for n, (data, told) in enumerate(form.good)
]
FRAMED = [
    pytest.param(form, data, told, id=f"{form.name}-{n}")
    for form in FORMATS.values()
    if not form.stream
    for n, (data, told) in enumerate(form.good)
]
BROKEN = [pytest.param(form, data, id=f"{form.name}-{n}") for form in FORMATS.values() for n, data in enumerate(form.broken)]
GARBAGE = (b"\x00\xff{", b"\xfe\xfe\xfe\xfe", b"@@@")


@pytest.mark.parametrize(("form", "data", "told"), SAMPLES)
def test_sample_whole(form: Format, data: bytes, told: tuple[float, ...]) -> None:
    """A message gives the values that it holds, and holds itself to the oracle of the fuzz run."""
    assert values(form.decode(data)) == told
    check(form, data)


@pytest.mark.parametrize(("form", "data"), BROKEN)
def test_broken_message_holds_no_number(form: Format, data: bytes) -> None:
    """A fault, or nothing where there is nobody to be faulted; never a number."""
    assert values(form.decode(data)) == ()


@pytest.mark.parametrize(("form", "data"), BROKEN)
def test_broken_message_costs_the_good_one_after_it_nothing(form: Format, data: bytes) -> None:
    """A stream goes on at the next line; a framed format keeps nothing from one message to the next."""
    good, told = form.good[0]
    if form.stream is None:
        form.decode(data)
        assert values(form.decode(good)) == told
        return
    decoder = form.stream()
    before = decoder.feed(data, NOW)
    if not data.endswith((b"\n", b"\r")):
        before += decoder.feed(b"\n", NOW)
    assert values(before) == ()
    assert values(decoder.feed(good, NOW)) == told


@pytest.mark.parametrize(("form", "data", "told"), STREAMS)
def test_stream_byte_by_byte_and_in_any_two_pieces(form: Format, data: bytes, told: tuple[float, ...]) -> None:
    """Where reads are cut makes no difference, and nothing is said before the line's end."""
    assert form.stream is not None
    for cut in range(len(data) + 1):
        decoder = form.stream()
        early = decoder.feed(data[:cut], NOW)
        assert values(early) in ((), told)
        assert values(early + decoder.feed(data[cut:], NOW)) == told
    decoder = form.stream()
    assert values([item for n in range(len(data)) for item in decoder.feed(data[n : n + 1], NOW)]) == told


@pytest.mark.parametrize(("form", "data", "told"), STREAMS)
def test_stream_with_bytes_after_it(form: Format, data: bytes, told: tuple[float, ...]) -> None:
    """The beginning of the next line is kept for it; the same line twice is the same values twice."""
    assert form.stream is not None
    decoder = form.stream()
    assert values(decoder.feed(data + data[: len(data) // 2], NOW)) == told
    assert values(decoder.feed(data[len(data) // 2 :], NOW)) == told


@pytest.mark.parametrize("garbage", GARBAGE)
@pytest.mark.parametrize(("form", "data", "told"), STREAMS)
def test_stream_with_garbage_before_it(form: Format, data: bytes, told: tuple[float, ...], garbage: bytes) -> None:
    """On a line of its own it costs nothing; in front of a sample it may cost that one, but never changes a value."""
    assert form.stream is not None
    assert values(form.stream().feed(garbage + b"\r\n" + data, NOW)) == told
    decoder = form.stream()
    assert set(values(decoder.feed(garbage + data, NOW))) <= set(told)
    assert values(decoder.feed(data, NOW)) == told


@pytest.mark.parametrize("garbage", GARBAGE)
@pytest.mark.parametrize(("form", "data", "told"), FRAMED)
def test_framed_message_with_garbage_around_it(form: Format, data: bytes, told: tuple[float, ...], garbage: bytes) -> None:
    """A message that came with more around it is refused, or gives what it holds; other bytes say other things, which they do say."""
    for bytes_ in (garbage + data, data + garbage):
        check(form, bytes_)
        if not form.name.startswith(("Modbus", "GATT")):
            assert set(values(form.decode(bytes_))) <= set(told)


@pytest.mark.parametrize(("form", "data", "told"), [p for p in FRAMED if not str(p.id).startswith(("logger", "w1 temp"))])
def test_framed_message_cut_off_anywhere(form: Format, data: bytes, told: tuple[float, ...]) -> None:
    """What is missing its end gives none of its numbers cut short: it is a fault, or as whole as it was."""
    for cut in range(len(data)):
        assert set(values(form.decode(data[:cut]))) <= set(told)


@pytest.mark.parametrize("name", FORMATS)
@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_any_bytes_give_faults_or_numbers_that_they_write(name: str, data: st.DataObject) -> None:
    """Random bytes, and samples with stretches cut out, doubled and exchanged."""
    form = FORMATS[name]
    sample = st.sampled_from([*(good for good, _ in form.good), *form.broken])
    piece = st.one_of(
        st.binary(max_size=40),
        sample.flatmap(lambda s: st.tuples(st.just(s), st.integers(0, len(s)), st.integers(0, len(s)))).map(
            lambda t: t[0][min(t[1:]) : max(t[1:])]
        ),
        sample,
    )
    check(form, b"".join(data.draw(st.lists(piece, max_size=4))))


@pytest.mark.parametrize("seconds", [6, pytest.param(240, marks=pytest.mark.full)])
def test_coverage_guided_fuzz_finds_nothing(seconds: int, tmp_path: Path) -> None:
    """Atheris looks for new paths through every decoder: no crash, no growth, no number that the bytes do not write."""
    if importlib.util.find_spec("atheris") is None:
        # It is pinned for this kind of machine only.
        pinned = platform.machine() == "x86_64"
        not_tested("atheris is not installed, so there was no coverage-guided fuzz run; install it with pip", here_too=pinned)
    command = [
        sys.executable,
        "-m",
        "tests.probes.fuzz",
        f"-max_total_time={seconds}",
        "-max_len=200",
        f"-artifact_prefix={tmp_path}/",
        str(tmp_path),
    ]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=seconds + 120, check=False)
    report = done.stdout + done.stderr
    assert done.returncode == 0, report[-3000:]
    ran = re.search(r"Done (\d+) runs", report)
    assert ran is not None, report[-1000:]
    assert int(ran[1]) > 500
    covered = [int(n) for n in re.findall(r"cov: (\d+)", report)]
    assert covered[-1] > covered[0], "no path was found beyond the first input's: nothing guides the search"


def test_oracle_of_the_fuzz_run_can_fail() -> None:
    """A decoder that invents a number, or gives one that is beyond any thermometer, is found."""
    form = FORMATS["serial, one value a line"]
    for wrong in (72.1, 9999.0):
        bad = Format(form.name, lambda data, wrong=wrong: [Reading("core-1", NOW, wrong)], form.good, form.broken, form.numbers)  # type: ignore[misc]
        with pytest.raises(AssertionError):
            check(bad, b"71.1 9999\n")
