"""What a test says where this machine lacks what it needs: skipped loudly for a person, a failure in CI."""

from __future__ import annotations

import os
from typing import NoReturn

import pytest


def not_tested(text: str, *, here_too: bool = False, not_to_be_had: bool = False) -> NoReturn:
    """Skip the test with `NOT TESTED: ` and the text: what is missing, what was therefore not tried, and what to install.

    Where CI=true, or `here_too`, it fails: what is missing there would go unseen. `not_to_be_had`: no package helps, since the machine
    itself does not let the tests do it; then it is a skip in CI too, which the run's summary counts.
    """
    told = f"NOT TESTED: {text}"
    if (here_too or os.environ.get("CI") == "true") and not not_to_be_had:
        pytest.fail(told)
    pytest.skip(told)
