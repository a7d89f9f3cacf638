"""Numbers, times and forms in people's words."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from monitor.errors import InputError
from monitor.moments import local_instant
from monitor.page.forms import doubled_hour, moment, typed_temperature
from monitor.page.words import Words, about
from rules.quantity import format_instant, parse_instant
from rules.reading import HOUR, MINUTE, SECOND

CHICAGO = ZoneInfo("America/Chicago")
NOW = parse_instant("2026-03-02T13:04:10-06:00")
WORDS = Words(CHICAGO, "F", NOW)


@pytest.mark.parametrize(
    ("span", "text"),
    [
        (0, "0 s"),
        (59 * SECOND, "59 s"),
        (200 * SECOND, "3 min 20 s"),
        (24 * MINUTE + 40 * SECOND, "24 min"),
        (72 * MINUTE, "1 h 12 min"),
        (50 * HOUR, "2 d 2 h"),
        (-90 * SECOND, "1 min 30 s"),
    ],
)
def test_duration_is_as_precise_as_it_is_useful(span: int, text: str) -> None:
    """Seconds matter near a deadline and not a day before it."""
    assert about(span) == text


def test_time_of_another_day_carries_its_date() -> None:
    """Today's times are short; another day's, and another year's, say so."""
    assert WORDS.clock(NOW) == "13:04"
    assert WORDS.clock(NOW - 24 * HOUR) == "1 Mar 13:04"
    assert WORDS.clock(NOW - 365 * 24 * HOUR) == "2 Mar 2025 13:04"


def test_number_keeps_its_tenth_and_unit() -> None:
    """A number that changes keeps its width; a limit stays short."""
    assert WORDS.temp(62.77777) == "145.0 °F"
    assert WORDS.temp_short(62.77777) == "145 °F"
    assert Words(CHICAGO, "C", NOW).temp(62.77777) == "62.8 °C"
    assert WORDS.temp(None) == "no value"


def test_humidity_probe_reads_per_cent() -> None:
    """Never degrees; and a probe that has read nothing says nothing."""
    assert WORDS.read({"celsius_c": None, "humidity_pct": 92.5}) == "92.5 %"
    assert WORDS.read({"celsius_c": 65.0, "humidity_pct": None}) == "149.0 °F"
    assert WORDS.read({"celsius_c": None, "humidity_pct": None}) == ""


def test_age_beyond_what_the_probe_may_be_silent_is_marked() -> None:
    """A number too old to trust is marked, in the markup and so for whoever does not see colour."""
    assert 'class="age"' in WORDS.ago(NOW - MINUTE, silent_after=2 * MINUTE)
    assert 'class="age late"' in WORDS.ago(NOW - 3 * MINUTE, silent_after=2 * MINUTE)


def test_minutes_ago_is_a_time_and_blank_is_now() -> None:
    """Back-dating counts from the service's clock; nothing chosen means now."""
    assert moment({}, NOW, CHICAGO) is None
    assert moment({"ago": "15"}, NOW, CHICAGO) == NOW - 15 * MINUTE
    assert moment({"ago": "15", "when": "2026-03-02T12:00"}, NOW, CHICAGO) == parse_instant("2026-03-02T12:00:00-06:00")
    with pytest.raises(InputError, match="minutes ago is"):
        moment({"ago": "soon"}, NOW, CHICAGO)


def test_hour_that_came_twice_can_be_chosen() -> None:
    """When clocks go back, the first and the second hour are two instants."""
    first = local_instant("2026-11-01T01:30", CHICAGO)
    second = local_instant("2026-11-01T01:30", CHICAGO, second=True)
    assert (format_instant(first), format_instant(second)) == ("2026-11-01T06:30:00Z", "2026-11-01T07:30:00Z")
    assert doubled_hour(second, CHICAGO)
    assert not doubled_hour(NOW, CHICAGO)


def test_hour_that_never_was_is_asked_about() -> None:
    """When clocks go forward, a time inside the leap is refused with what to write."""
    with pytest.raises(InputError, match="never was"):
        local_instant("2026-03-08T02:30", CHICAGO)


@pytest.mark.parametrize(
    ("number", "unit", "text"), [("33.5", "F", "33.5 °F"), ("33,5", "C", "33.5 °C"), (" 33.5 c", "F", "33.5 c"), ("−2", "", "-2 °F")]
)
def test_typed_temperature_takes_a_wet_hands_number(number: str, unit: str, text: str) -> None:
    """A comma, a unit typed with the number and a typographic minus are all understood."""
    assert typed_temperature(number, unit, "F") == text


@pytest.mark.parametrize("number", ["", "cold", "33.5.1", "3e5"])
def test_typed_temperature_that_is_none_gets_one_sentence(number: str) -> None:
    """What cannot be read is told with what to write."""
    with pytest.raises(InputError, match="temperature is"):
        typed_temperature(number, "F", "F")
