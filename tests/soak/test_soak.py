"""The soak itself, for a few hours of its story: what `python -m tests.soak` does for thirty days."""

from pathlib import Path

from tests.soak.__main__ import run
from tests.soak.story import FAULTS, START, Story


def test_every_verdict_of_some_hours_of_faults_is_repeated_from_the_store(tmp_path: Path) -> None:
    """A process is killed among them, a lot is started, rows come late and twice: a clean replay says the same of each watch."""
    said: list[str] = []
    lines, wrong = run(tmp_path, 0.25, 60, said.append)
    assert wrong == [], lines
    verdicts = next(line for line in lines if line.startswith("verdicts: "))
    assert int(verdicts.split()[1]) >= 15, lines


def test_every_fault_comes_within_two_days_and_no_process_ends_where_none_may() -> None:
    """The faults are drawn anew each day, each at least once in two."""
    one = Story(48 * 60, 10, range(48 * 60))
    assert {one.fault(hour) for hour in range(48)} == set(FAULTS)
    calm = Story(48 * 60, 10, range(0))
    assert {calm.fault(hour) for hour in range(48)} == set(FAULTS) - {"killed", "restarted"}


def test_a_minute_of_the_story_is_the_same_when_it_is_lived_again() -> None:
    """A process that died goes on where it was: nothing depends on what was told before."""
    once, again = Story(600, 10, range(600)), Story(600, 10, range(600))
    told = [once.minute(n) for n in range(600)]
    assert [again.minute(n) for n in reversed(range(600))] == told[::-1]
    sent = {(item.probe, item.at) for minute in told for batch in minute.batches for item in batch}
    assert len(sent) > 0.95 * 16 * 6 * 600
    assert min(at for _, at in sent if at >= 0) >= START
