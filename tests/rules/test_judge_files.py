"""Histories kept as files, each judged by hand from the judging page before the program saw it.

A folder of `tests/judge_files/` is a fact: plan, readings, lot events, and in `expected.toml` the verdicts and instants
with the sentence that asks for each. `larderer judge` reads the same files.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from monitor.judge import judge_files
from rules.quantity import parse_instant

FOLDER = Path(__file__).parent.parent / "judge_files"
CASES = sorted(p.name for p in FOLDER.iterdir() if p.is_dir())


def _judged(case: str) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    folder = FOLDER / case
    expected = tomllib.loads((folder / "expected.toml").read_text(encoding="utf-8"))
    at = parse_instant(expected["at"]) if "at" in expected else None
    events = folder / "events.csv"
    report = judge_files(folder / "plan.toml", folder / "readings.csv", events if events.exists() else None, at)
    return report, expected["expect"]


def _found(report: Mapping[str, Any], want: Mapping[str, Any]) -> Mapping[str, Any]:
    """The lot, limit or watch that an expectation names; `entry` is 2 for the second run of a repeated step."""
    if "room" in want:
        limits = [s for s in report["standing"] if (s["room"], s["day"], s["limit"]) == (want["room"], want["day"], want["limit"])]
    else:
        (lot,) = (lot for lot in report["lots"] if lot["lot"] == want["lot"])
        if "limit" not in want:
            return lot  # type: ignore[no-any-return]
        limits = [limit for limit in lot["limits"] if (limit["step"], limit["limit"]) == (want["step"], want["limit"])]
    (limit,) = limits
    if "probe" not in want:
        return limit  # type: ignore[no-any-return]
    watches = [w for w in limit["watches"] if w["probe"] == want["probe"]]
    return watches[want.get("entry", 1) - 1]  # type: ignore[no-any-return]


@pytest.mark.parametrize("case", CASES)
def test_history_is_judged_as_by_hand(case: str) -> None:
    """Verdict and instant of every lot, limit and watch that the folder's expectation names."""
    report, expected = _judged(case)
    assert expected
    for want in expected:
        found = _found(report, want)
        names = {k: v for k, v in want.items() if k not in ("verdict", "at")}
        got = (found["verdict"], found.get("at") if "probe" in want else None)
        assert got == (want["verdict"], want.get("at")), f"{case}: {names}"


def test_wrong_expectation_would_be_noticed() -> None:
    """The comparison can fail: the same watch with another instant or another verdict is not the one found."""
    report, expected = _judged("cooling-mark-exactly-at-deadline")
    (want,) = (w for w in expected if "probe" in w)
    found = _found(report, want)
    assert found["at"] == want["at"]
    assert found["at"] != "2026-03-02T01:40:01Z"
    assert found["verdict"] != "deviated"
    with pytest.raises(ValueError, match="not enough values"):
        _found(report, {**want, "lot": "no such lot"})
