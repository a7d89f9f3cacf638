"""Numbers as people at the site read them."""

from __future__ import annotations

from rules.quantity import to_fahrenheit


def temperature(celsius: float, unit: str) -> str:
    """A temperature in the site's unit, to a tenth: "145.0 °F"; whole numbers without decimals: "145 °F"."""
    value = round(to_fahrenheit(celsius) if unit == "F" else celsius, 1)
    return f"{value + 0.0:g} °{unit}"


def difference(celsius: float, unit: str) -> str:
    """A temperature difference in the site's unit, to a tenth."""
    return f"{round(celsius * 9 / 5 if unit == 'F' else celsius, 1) + 0.0:g} °{unit}"
