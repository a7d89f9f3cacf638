"""Text to numbers and back."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.errors import QuantityError
from rules.quantity import (
    at_or_above,
    at_or_below,
    fahrenheit,
    format_instant,
    format_span,
    from_datetime,
    parse_difference,
    parse_instant,
    parse_span,
    parse_temperature,
    parse_thickness,
    to_fahrenheit,
)
from rules.reading import HOUR, MINUTE, SECOND


@pytest.mark.parametrize(
    ("text", "celsius"),
    [("32 °F", 0.0), ("212F", 100.0), ("-40 °F", -40.0), ("-40 °C", -40.0), ("62.8 C", 62.8), ("145 f", 62.7777777778), ("0,5 °C", 0.5)],
)
def test_temperature_is_read_in_either_unit(text: str, celsius: float) -> None:
    """°F and °C, with or without the sign and the blank."""
    assert parse_temperature(text) == pytest.approx(celsius, abs=1e-9)


@pytest.mark.parametrize("text", ["145", "", "F", "145 K", "145 °F °F", "1e3 F", "nan C", "one °F"])
def test_temperature_without_a_plain_number_and_unit_is_refused(text: str) -> None:
    """A missing unit is never guessed."""
    with pytest.raises(QuantityError, match="write a number with its unit"):
        parse_temperature(text)


def test_difference_takes_no_32() -> None:
    """0.5 °F of uncertainty is 0.278 °C."""
    assert parse_difference("0.5 °F") == pytest.approx(0.5 * 5 / 9)
    assert parse_difference("0.5 °C") == 0.5


@pytest.mark.parametrize(
    ("text", "span"),
    [
        ("90 min", 90 * MINUTE), ("1.5 h", 90 * MINUTE), ("4 min 30 s", 270 * SECOND), ("12h", 12 * HOUR), ("2 days", 48 * HOUR),
        ("63.3 min", 3798 * SECOND), ("1.846 min", 110_760_000), ("0 s", 0), ("1 hour 5 minutes", 65 * MINUTE),
    ],
)  # fmt: skip
def test_duration_is_exact(text: str, span: int) -> None:
    """Decimals of minutes come out to the microsecond."""
    assert parse_span(text) == span


@pytest.mark.parametrize("text", ["90", "", "-5 min", "5 min.", "five min", "5 x", "min"])
def test_duration_without_unit_is_refused(text: str) -> None:
    """A bare number is no duration."""
    with pytest.raises(QuantityError, match="duration is"):
        parse_span(text)


def test_instant_needs_its_offset() -> None:
    """A local time without offset could be any of several instants."""
    assert parse_instant("1970-01-01T00:00:01Z") == SECOND
    assert parse_instant("1970-01-01T01:00:01+01:00") == SECOND
    assert parse_instant("1.5") == 1_500_000
    with pytest.raises(QuantityError, match="with its offset"):
        parse_instant("2026-03-02T13:04:10")


@given(st.integers(-(10**15), 4 * 10**15))
def test_instant_survives_its_text(at: int) -> None:
    """What is written is read back to the microsecond."""
    assert parse_instant(format_instant(at)) == at


@given(st.datetimes(datetime(1980, 1, 1), datetime(2100, 1, 1)))
def test_instant_is_that_of_the_datetime(moment: datetime) -> None:
    """Whole microseconds, no float between."""
    aware = moment.replace(tzinfo=UTC)
    assert parse_instant(aware.isoformat()) == from_datetime(aware)


@given(st.integers(-4000, 20000))
def test_a_limit_in_fahrenheit_is_met_by_exactly_that_value(tenths: int) -> None:
    """Compared after rounding to 0.001 °C, a value of a tenth of a °F equals itself in either unit, and the next one does not."""
    celsius = fahrenheit(tenths / 10)
    shown = round(celsius, 3)
    assert shown >= at_or_above(celsius)
    assert shown < at_or_below(celsius)
    assert fahrenheit((tenths - 1) / 10) < at_or_above(celsius)
    assert fahrenheit((tenths + 1) / 10) >= at_or_below(celsius)
    assert to_fahrenheit(celsius) == pytest.approx(tenths / 10)


@pytest.mark.parametrize(
    ("span", "text"), [(0, "0 s"), (90 * MINUTE, "1 h 30 min"), (45 * SECOND, "45 s"), (-HOUR, "-1 h"), (3661 * SECOND, "1 h 1 min 1 s")]
)
def test_duration_reads_as_people_say_it(span: int, text: str) -> None:
    """Hours, minutes, seconds; nothing that is nought."""
    assert format_span(span) == text


@pytest.mark.parametrize("text", ["1e999999", "NaN", "Infinity", "1_000", "99999999999999", "-99999999999999", "1,5"])
def test_number_that_is_no_instant_is_refused_in_one_sentence(text: str) -> None:
    """Exponents, words and years that no calendar has are no Unix seconds."""
    with pytest.raises(QuantityError, match="ISO 8601"):
        parse_instant(text)


@pytest.mark.parametrize(("text", "metres"), [("30 mm", 0.03), ("3cm", 0.03), ("1,5 in", 0.0381), ("5 mm", 0.005), ("500 mm", 0.5)])
def test_thickness_is_read_with_its_unit(text: str, metres: float) -> None:
    """Millimetres, centimetres, inches; both ends of the range belong to it."""
    assert parse_thickness(text) == pytest.approx(metres)


@pytest.mark.parametrize("text", ["30", "4.9 mm", "501 mm", "3 m", "-30 mm", "thin", ""])
def test_thickness_that_no_piece_has_is_refused(text: str) -> None:
    """One sentence that says what to write."""
    with pytest.raises(QuantityError, match="write one between 5 mm and 500 mm with its unit"):
        parse_thickness(text)
