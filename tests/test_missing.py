"""What is missing on a machine is never a silent pass."""

import pytest

from tests.missing import not_tested


@pytest.mark.parametrize("ci", ["true", "", None])
def test_missing_part_fails_in_ci_and_is_skipped_loudly_elsewhere(ci: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    """CI=true makes a failure of it."""
    if ci is None:
        monkeypatch.delenv("CI", raising=False)
    else:
        monkeypatch.setenv("CI", ci)
    with pytest.raises(pytest.fail.Exception if ci else pytest.skip.Exception, match="NOT TESTED: no broker; install it"):
        not_tested("no broker; install it")


def test_part_that_belongs_to_this_machine_fails_everywhere(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is pinned for this kind of machine is not skipped on it."""
    monkeypatch.delenv("CI", raising=False)
    with pytest.raises(pytest.fail.Exception):
        not_tested("no fuzzer; install it", here_too=True)
