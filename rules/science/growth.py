"""Predicted growth of bacteria over a temperature curve, by published models inside their published range.

Primary model: Baranyi and Roberts 1994, Int. J. Food Microbiol. 23:277-294, without a stationary phase. With I the integral of the
specific rate mu(T(t)) in ln units, log10 growth = log10((1 + q0 exp I) / (1 + q0)); without a starting state, I / ln 10. Secondary
models: `growth_models.toml`, each with its source, unit, range and caveats. Units: °C, hours, log10; curves carry microseconds.

A prediction informs the corrective action after a deviation. It meets no limit and condemns no schedule that a book allows: CP-J11-BEEF
gives 2.1 log10 for a cooling schedule that is published as keeping within 1.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from itertools import pairwise
from typing import Any, NamedTuple

from rules.errors import BookError
from rules.quantity import at_or_above, at_or_below, format_span
from rules.reading import HOUR, MINUTE
from rules.science.curve import Curve, intervals, longest_interval
from rules.science.errors import OutOfRange, ScienceError
from rules.science.growth_forms import FORMS, NEEDS, Conditions

#: Between two samples the temperature runs straight, and each piece of at most this many °C is integrated by Simpson's rule.
STEP_C = 0.5
#: Longest interval that the guideline wants between two data of a growth estimate (FSIS-GD-2021-14, pp. 73 and 80).
LONGEST_INTERVAL = 30 * MINUTE

_LN10 = math.log(10.0)
#: ln/h of one published unit.
_LN_PER_HOUR = {"ln/h": 1.0, "log10/h": _LN10, "log10/day": _LN10 / 24.0}
_UNIT_STATUS = {
    "stated": "stated by the paper or its copy",
    "inferred": "inferred by comparison, not read",
    "assumed": "assumed, not read",
}
#: The optimum comes from a scan of this step in °C.
_SCAN_C = 0.05


@dataclass(frozen=True, slots=True)
class Model:
    """One published model. `unit` is that of its rate as published and `unit_status` how it is known; `caveats` go with every result."""

    name: str
    organism: str
    matrix: str
    form: str
    parameters: Mapping[str, float]
    unit: str
    unit_status: str
    range_c: tuple[float, float]
    conditions: Mapping[str, tuple[float, float]]
    q0: float | None
    lag: tuple[float, float] | None
    cured: bool
    mark: str
    reference: str
    read_in: str
    caveats: tuple[str, ...]

    @property
    def zeros(self) -> tuple[float, float]:
        """Temperatures in °C at and outside which the model itself says that nothing grows; infinite where it says nothing."""
        return self.parameters.get("Tmin", -math.inf), self.parameters.get("Tmax", math.inf)

    def check(self, celsius: float) -> None:
        """Refuse a temperature that the model says nothing about. Raises OutOfRange.

        A temperature beyond the published range is taken only on the side where the model has a zero of its own: there its equation
        runs out within a few degrees, and a cooling always starts and ends beyond it. `Growth.outside_log` tells how much it gave.
        """
        (low, high), (zero_low, zero_high) = self.range_c, self.zeros
        below, above = celsius < at_or_above(low), celsius >= at_or_below(high)  # as every comparison with a published temperature
        if (below and zero_low == -math.inf) or (above and zero_high == math.inf) or not math.isfinite(celsius):
            raise OutOfRange(
                f"temperature is {celsius:g} °C; model {self.name} was published for {low:g} to {high:g} °C, so take another model"
            )

    def rate(self, celsius: float, conditions: Conditions | None = None) -> float:
        """Specific growth rate in ln units per hour. Raises OutOfRange (`check`), or for conditions missing or outside their range."""
        self.check(celsius)
        return self._rate(celsius, self._checked(conditions))

    def published_rate(self, celsius: float, conditions: Conditions | None = None) -> float:
        """The rate in the unit in which it was published (`unit`). Raises as `rate`."""
        return self.rate(celsius, conditions) / _LN_PER_HOUR[self.unit]

    def lag_hours(self, celsius: float, conditions: Conditions | None = None) -> float | None:
        """Lag in hours at a constant temperature; None where the model has none, infinite where nothing grows. Raises as `rate`."""
        rate = self.rate(celsius, conditions)
        if self.q0 is None and self.lag is None:
            return None
        if rate <= 0.0:
            return math.inf
        if self.q0 is not None:
            return math.log1p(1.0 / self.q0) / rate
        assert self.lag is not None
        return math.exp(self.lag[0]) * math.pow(rate, self.lag[1])

    def optimum(self, conditions: Conditions | None = None) -> float:
        """The temperature in °C of the highest rate within the published range, by a scan of 0.05 °C; derived, not published."""
        known = self._checked(conditions)
        low, high = self.range_c
        points = [low + _SCAN_C * n for n in range(int((high - low) / _SCAN_C) + 1)] + [high]
        return max(points, key=lambda celsius: self._rate(celsius, known))

    def unit_text(self) -> str:
        """The unit and how it is known, in a few words."""
        return f"{self.unit}, {_UNIT_STATUS[self.unit_status]}"

    def _rate(self, celsius: float, conditions: Conditions) -> float:
        low, high = self.zeros
        if not low < celsius < high:
            return 0.0
        return max(FORMS[self.form](self.parameters, celsius, conditions), 0.0) * _LN_PER_HOUR[self.unit]

    def _checked(self, conditions: Conditions | None) -> Conditions:
        known = conditions or Conditions()
        for key, (low, high) in self.conditions.items():
            value = getattr(known, key)
            if value is None:
                raise ScienceError(f"model {self.name} needs {NEEDS[key]}, which is not given; measure it or take another model")
            if not low <= value <= high:
                raise OutOfRange(
                    f"{NEEDS[key]} is {value:g}; model {self.name} was published for {low:g} to {high:g}, so take another model"
                )
        return known


class Growth(NamedTuple):
    """A prediction. `log10` is the growth; `outside_log` how much of it (counted without lag) came from beyond the published range.

    `upper_bound`: the true growth is expected to be less (cured product by a model without nitrite, or no lag counted). `notes` are
    sentences to be shown with the figure: unit, bound, caveats.
    """

    model: str
    log10: float
    outside_log: float
    upper_bound: bool
    notes: tuple[str, ...]


def log10_growth(integral: float, q0: float | None = None) -> float:
    """log10 growth of an integral of the rate in ln units, with Baranyi and Roberts' starting state or without lag."""
    if not 0.0 <= integral < math.inf:
        raise ScienceError(f"integral of the growth rate is {integral!r}; it must be 0 or more")
    if q0 is None:
        return integral / _LN10
    if not 0.0 < q0 < math.inf:
        raise ScienceError(f"starting state q0 is {q0!r}; it must be above 0")
    return integral / _LN10 + math.log10((q0 + math.exp(-integral)) / (1.0 + q0))


def predict(model: Model, curve: Curve, *, cured: bool = False, conditions: Conditions | None = None) -> Growth:
    """Growth over a curve, the temperature running straight between samples (`STEP_C`), the lag counted from the first of them.

    `cured` says that the product is cured: by a model without nitrite the result is then an upper bound only, and says so.
    Raises OutOfRange where the curve leaves what the model covers, ScienceError for a curve out of order.
    """
    known = model._checked(conditions)
    inside: list[float] = []
    outside: list[float] = []
    for at, celsius in curve:
        try:
            model.check(celsius)
        except OutOfRange as error:
            raise OutOfRange(f"sample {at / HOUR - curve[0][0] / HOUR:.2f} h into the curve: {error}") from None
    for i in intervals(curve):
        hours = i.length / HOUR
        for low, high, part in _pieces(model, i.first_c, i.last_c):
            gained = hours * part * _mean_rate(model, low, high, known)
            (inside if model.range_c[0] <= (low + high) / 2.0 <= model.range_c[1] else outside).append(gained)
    beyond = math.fsum(outside)
    total = log10_growth(math.fsum(inside) + beyond, model.q0)
    return Growth(model.name, total, beyond / _LN10, (cured and not model.cured) or model.q0 is None, _notes(model, curve, cured, beyond))


def compare(
    models: Sequence[Model], curve: Curve, *, cured: bool = False, conditions: Conditions | None = None
) -> tuple[list[Growth], list[str]]:
    """Predictions by several models, the worst first, and the sentences of those that refused.

    FSIS-GD-2021-14 (come-up deviations) asks for several models and their worst result unless one is validated for the food.
    """
    found, refused = [], []
    for model in models:
        try:
            found.append(predict(model, curve, cured=cured, conditions=conditions))
        except ScienceError as error:
            refused.append(str(error))
    return sorted(found, key=lambda g: -g.log10), refused


def _pieces(model: Model, first_c: float, last_c: float) -> list[tuple[float, float, float]]:
    """An interval cut where the model bends or its range ends: °C at both ends and the part of the interval's time."""
    low, high = sorted((first_c, last_c))
    if high - low < 1e-9:
        return [(low, low, 1.0)]
    cuts = [low, *sorted({c for c in (*model.zeros, *model.range_c) if low < c < high}), high]
    return [(a, b, (b - a) / (high - low)) for a, b in pairwise(cuts)]


def _mean_rate(model: Model, low: float, high: float, conditions: Conditions) -> float:
    """The mean rate in ln/h over a straight run of temperature, by Simpson's rule in pieces of at most STEP_C."""
    if low == high:
        return model._rate(low, conditions)
    pieces = max(math.ceil((high - low) / STEP_C), 1)
    half = (high - low) / (2 * pieces)
    rates = [model._rate(low + half * n, conditions) for n in range(2 * pieces + 1)]
    return (rates[0] + rates[-1] + 4.0 * math.fsum(rates[1::2]) + 2.0 * math.fsum(rates[2:-1:2])) / (6 * pieces)


def _notes(model: Model, curve: Curve, cured: bool, beyond: float) -> tuple[str, ...]:
    low, high = model.range_c
    notes = [f"Predicted by {model.reference}, for {model.organism} in {model.matrix} (mark {model.mark}); it informs, and meets no limit."]
    if cured and not model.cured:
        notes.append("An upper bound only: the product is cured, and the model knows neither nitrite nor the longer lag it causes.")
    notes.append(f"Rate in {model.unit_text()}.")
    if beyond > 0.0:
        notes.append(
            f"{beyond / _LN10:.2f} log10 of it (without lag) comes from the model's equation beyond its published {low:g} to {high:g} °C."
        )
    if (gap := longest_interval(curve)) > LONGEST_INTERVAL:
        notes.append(f"The longest interval between two readings is {format_span(gap)}; data at least every 30 min are asked for.")
    return (*notes, *model.caveats)


@cache
def models() -> tuple[Model, ...]:
    """Every model held here, in the file's order. Raises BookError where the file is malformed."""
    try:
        data = tomllib.loads((resources.files("rules.science") / "growth_models.toml").read_text(encoding="utf-8"))
        return tuple(_model(name, row) for name, row in data["models"].items())
    except (tomllib.TOMLDecodeError, KeyError, TypeError, ValueError) as error:
        raise BookError(f"growth_models.toml is malformed ({error}); restore the file as it was published") from error


def model(name: str) -> Model:
    """The model of that name. Raises ScienceError that lists those there are."""
    for found in models():
        if found.name == name:
            return found
    raise ScienceError(f'there is no growth model "{name}"; there are {", ".join(m.name for m in models())}')


def _model(name: str, row: Mapping[str, Any]) -> Model:
    if row["form"] not in FORMS or row["unit"] not in _LN_PER_HOUR or row["unit_status"] not in _UNIT_STATUS:
        raise KeyError(f"form, unit or unit_status of {name}")
    low, high = row["range_c"]
    return Model(
        name, row["organism"], row["matrix"], row["form"], dict(row["parameters"]), row["unit"], row["unit_status"], (low, high),
        {key: (least, most) for key, (least, most) in row.get("conditions", {}).items()}, row.get("q0"),
        (row["lag"]["a"], row["lag"]["b"]) if "lag" in row else None, row["cured"], row["mark"], row["reference"], row["read_in"],
        tuple(row["caveats"]),
    )  # fmt: skip
