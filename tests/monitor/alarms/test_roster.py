"""The roster: who is told in whose shift, and that nobody on duty is never nobody told."""

from __future__ import annotations

from collections.abc import Callable
from zoneinfo import ZoneInfo

import pytest

from monitor.alarms.causes import Cause
from monitor.config import AlarmsConfig, Config, Duty, Person, Rung
from monitor.roster import on_duty, read_days, to_tell
from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE

ZONE = ZoneInfo("America/Chicago")
DAY = Duty(("Odile Marsh",), (0, 1, 2, 3, 4), 6 * 60, 18 * 60)
NIGHT = Duty(("Tam Okafor",), (0, 1, 2, 3, 4), 18 * 60, 6 * 60)


@pytest.mark.parametrize(
    ("when", "who"),
    [
        ("2026-03-02T06:00:00-06:00", ["Odile Marsh"]),  # a Monday
        ("2026-03-02T17:59:59-06:00", ["Odile Marsh"]),
        ("2026-03-02T18:00:00-06:00", ["Tam Okafor"]),
        ("2026-03-03T05:59:00-06:00", ["Tam Okafor"]),
        ("2026-03-02T05:59:00-06:00", []),  # Sunday has no shift that could run into Monday
        ("2026-03-07T05:59:00-06:00", ["Tam Okafor"]),  # Friday's night runs into Saturday
        ("2026-03-07T06:00:00-06:00", []),
        ("2026-03-09T06:00:00-05:00", ["Odile Marsh"]),  # the wall clock counts, a day after it went forward
    ],
)
def test_shift_belongs_to_the_day_on_which_it_begins(make_config: Callable[..., Config], when: str, who: list[str]) -> None:
    """Its first minute is in, its last is out, and a night runs into the next day."""
    assert on_duty(make_config(duties=(DAY, NIGHT)), ZONE, parse_instant(when)) == who


def test_shift_from_midnight_to_midnight_is_the_whole_day(make_config: Callable[..., Config]) -> None:
    """What a table says that gives no times."""
    config = make_config(duties=(Duty(("Odile Marsh",), (2,), 0, 0),))
    found = [on_duty(config, ZONE, parse_instant(f"2026-03-0{day}T23:59:00-06:00")) for day in (3, 4, 5)]
    assert found == [[], ["Odile Marsh"], []]
    assert on_duty(config, ZONE, parse_instant("2026-03-04T00:00:00-06:00")) == ["Odile Marsh"]


def test_nobody_on_duty_is_never_nobody_told(make_config: Callable[..., Config]) -> None:
    """Those the configuration names for it; without that, everybody who can be told; also if who has the shift has no bell."""
    sunday = parse_instant("2026-03-01T12:00:00-06:00")
    assert to_tell(make_config(duties=(DAY,)), ZONE, sunday) == ["Odile Marsh", "Tam Okafor"]
    named = make_config(duties=(DAY,), alarms=AlarmsConfig(nobody_on_duty=("Tam Okafor",)))
    assert to_tell(named, ZONE, sunday) == ["Tam Okafor"]
    mute = make_config(
        duties=(Duty(("Somebody Else",), tuple(range(7)), 0, 0),), persons=(Person("Tam Okafor", "reviewer", ("tam-phone",)),)
    )
    assert to_tell(mute, ZONE, sunday) == ["Tam Okafor"]


def test_ladder_tells_whose_shift_it_is_when_the_rung_is_climbed(make_bench: Callable, cooler: Cause) -> None:
    """The first rung in the day shift, its repeat in the night shift."""
    late = parse_instant("2026-03-02T17:55:00-06:00")
    bench = make_bench(duties=(DAY, NIGHT), escalation=(Rung(0, on_duty=True),))
    bench.raise_(cooler, late)
    assert [row["person"] for row in bench.rows("alarm")] == ["Odile Marsh"]
    bench.due(late + 15 * MINUTE)
    assert [row["person"] for row in bench.rows("alarm")] == ["Odile Marsh", "Tam Okafor"]
    bench.due(late + 36 * HOUR)
    assert {row["person"] for row in bench.rows("alarm")} == {"Odile Marsh", "Tam Okafor"}


@pytest.mark.parametrize(
    ("text", "days"),
    [
        ("daily", (0, 1, 2, 3, 4, 5, 6)),
        ("mon-fri", (0, 1, 2, 3, 4)),
        ("fri-mon", (0, 4, 5, 6)),
        ("Sat, sun", (5, 6)),
        ("mon-", None),
        ("", None),
    ],
)
def test_days_are_read_as_people_write_them(text: str, days: tuple[int, ...] | None) -> None:
    """Ranges, lists, and a range over the week's end."""
    assert read_days(text) == days
