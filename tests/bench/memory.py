"""Resident memory of the service after the whole simulated day, told flat out, with its people, alarms and records.

The store is made before, by another process, as it is at every start but the very first.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

from tests.bench.figures import Figure
from tests.bench.served import child

AIM_MB = 110.0


def run(say: Callable[[str], None]) -> list[Figure]:
    """The figure for memory."""
    with tempfile.TemporaryDirectory() as folder:
        with child("store", Path(folder)) as first:
            first_mb = first.said["mb"]
        with child("day", Path(folder)) as one:
            told = one.said
    say(f"memory: {told}, {first_mb:.0f} MB at the first start")
    measured = (
        f"{told['mb']:.0f} MB after {told['readings']:,} readings in {told['seconds']:.0f} s ({told['start_mb']:.0f} MB before the first,"
        f" {first_mb:.0f} MB where the tables are made); the child that rings bells {told['children_mb']:.0f} MB more"
    )
    return [Figure("resident memory after the simulated day", measured, told["mb"], AIM_MB, "MB")]
