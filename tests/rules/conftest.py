"""Plans and event streams that the engine's tests share."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from rules.plan import Plan
from rules.plan_load import load_plan
from rules.quantity import fahrenheit
from rules.reading import HOUR, MINUTE, Instant, Reading

START: Instant = 1_772_366_400_000_000  # 2026-03-01T12:00:00Z

# The juniper links of Ferncliff Yard; every figure is invented and far shorter than a real plan's.
LINKS = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"

[[room]]
id = "house-1"
kind = "chamber"
[[room]]
id = "cooler-1"
kind = "cooler"

[[probe]]
id = "core-1"
place = "core"
[[probe]]
id = "core-2"
place = "core"
[[probe]]
id = "cooler-a"
place = "cooler"
room = "cooler-1"
span = "-40 °F to 150 °F"

[[standing]]
room = "cooler-1"
[[standing.limit]]
name = "cooler air"
kind = "ceiling"
class = "operating"
place = "cooler"
max = "40 °F"
allowed = "30 min"

[[product]]
code = "links"
[[product.step]]
name = "cook"
room = "house-1"
advance = { when = "lethality met", how = "auto", confirm_within = "20 min" }
[[product.step.limit]]
name = "lethality"
kind = "lethality"
rows = [{ at = "145 °F", for = "4 min" }]
[[product.step]]
name = "chill"
room = "cooler-1"
[[product.step.limit]]
name = "stabilization"
kind = "cooling"
start = "130 °F"
windows = [{ to = "80 °F", within = "90 min" }]
[[product.step]]
name = "pack"
room = "cooler-1"
optional = true
[[product.step.limit]]
name = "pack cold"
kind = "ceiling"
place = "core"
max = "50 °F"
"""


@pytest.fixture(scope="session")
def links() -> Plan:
    """A cook, a chill in another room, and a cooler that is watched always."""
    return load_plan(LINKS)


@pytest.fixture(scope="session")
def clock() -> Callable[[str], Instant]:
    """The instant of hours and minutes since the start: "1:30"."""

    def instant(text: str) -> Instant:
        hours, minutes = text.split(":")
        return START + int(hours) * HOUR + round(float(minutes) * MINUTE)

    return instant


@pytest.fixture(scope="session")
def core(clock: Callable[[str], Instant]) -> Callable[..., list[Reading]]:
    """Readings in °F of one probe: `core("0:00 40, 0:02 41", "core-2")`."""

    def readings(text: str, probe: str = "core-1") -> list[Reading]:
        rows = [row.split() for row in text.split(",")]
        return [Reading(probe, clock(at), fahrenheit(float(value))) for at, value in rows]

    return readings
