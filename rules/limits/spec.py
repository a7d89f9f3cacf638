"""What each limit kind is given: frozen specs, temperatures in °C, durations in microseconds.

The meaning of every field is in `judging.md` section 5; the watch that judges a spec has its own module.
"""

from __future__ import annotations

from dataclasses import dataclass

from rules.reading import HOUR, MINUTE, Span


@dataclass(frozen=True, slots=True)
class Ceiling:
    """At most `max_c`; `allowed` of time over is forgiven within one excursion."""

    max_c: float
    allowed: Span = 0
    deadband_c: float = 0.5


@dataclass(frozen=True, slots=True)
class Floor:
    """At least `min_c`; the mirror of Ceiling."""

    min_c: float
    allowed: Span = 0
    deadband_c: float = 0.5


@dataclass(frozen=True, slots=True)
class Tier:
    """Above `above_c` for no more than `within` in sum."""

    above_c: float
    within: Span


@dataclass(frozen=True, slots=True)
class Exposure:
    """Every tier holds at once."""

    tiers: tuple[Tier, ...]


@dataclass(frozen=True, slots=True)
class Dwell:
    """At least `length` at or below `max_c`, or at or above `min_c` (one of the two is given)."""

    length: Span
    max_c: float | None = None
    min_c: float | None = None
    contiguous: bool = False


@dataclass(frozen=True, slots=True)
class ComeUp:
    """No more than `within` strictly between `low_c` and `high_c`, until lethality is met."""

    low_c: float
    high_c: float
    within: Span


@dataclass(frozen=True, slots=True)
class Row:
    """A row of a hold table: at or above `at_c` for `length` unbroken."""

    at_c: float
    length: Span


@dataclass(frozen=True, slots=True)
class HoldLethality:
    """Any one row held suffices. Rows rise in temperature."""

    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class IntegratedLethality:
    """The sum of 10**((T - reference_c)/z_value_c) * dt / d_value reaches `target_log`; nothing below `floor_c`."""

    reference_c: float
    d_value: Span
    z_value_c: float
    floor_c: float
    target_log: float
    validated_by: str


@dataclass(frozen=True, slots=True)
class Window:
    """Reach `to_c` within `within` of the previous mark, or `by` of the clock's start (one of the two)."""

    to_c: float
    within: Span | None = None
    by: Span | None = None


@dataclass(frozen=True, slots=True)
class Need:
    """A least value of a measure entered before the cooling opens: `nitrite_ppm` at least 100."""

    measure: str
    least: float


@dataclass(frozen=True, slots=True)
class Cooling:
    """From the last reading at or above `start_c`, each window's mark in time.

    `needs`: alternatives, any one of which must be met in all its parts; empty: no condition.
    """

    start_c: float
    windows: tuple[Window, ...]
    needs: tuple[tuple[Need, ...], ...] = ()
    begin_within: Span | None = None


@dataclass(frozen=True, slots=True)
class Stage:
    """The chamber at `set_c`, for `length` or until every placed core reaches `until_core_c` (one of the two)."""

    set_c: float
    length: Span | None = None
    until_core_c: float | None = None


@dataclass(frozen=True, slots=True)
class Profile:
    """The chamber follows its stages within `tolerance_c`, after `settle` of each; `fire_out`: a fall of °C within a time."""

    stages: tuple[Stage, ...]
    tolerance_c: float = 5.0
    settle: Span = 15 * MINUTE
    fire_out: tuple[float, Span] | None = None


@dataclass(frozen=True, slots=True)
class Humidity:
    """At least `min_rh` per cent for the longer of `share` (0 to 1) of the cook and `at_least`.

    `min_rh` None: steam or a sealed oven, judged on the minutes entered. `exempt` is the code of the exemption claimed
    (nothing is measured then), `exempt_text` its conditions and source.
    """

    min_rh: float | None = None
    share: float | None = None
    at_least: Span | None = None
    exempt: str = ""
    exempt_text: str = ""


@dataclass(frozen=True, slots=True)
class Band:
    """A row of a degree-hour table: for highest chamber temperatures between its ends, at most `limit` °C h.

    A row with both ends includes them; a row with one end does not include it.
    """

    from_c: float | None
    to_c: float | None
    limit: float


@dataclass(frozen=True, slots=True)
class DegreeHours:
    """The sum of °C above `base_c` times hours stays within the band's limit until a pH of `until_ph` or less is entered."""

    base_c: float
    bands: tuple[Band, ...]
    until_ph: float


@dataclass(frozen=True, slots=True)
class Composition:
    """A value entered for the lot lies within its bounds (at least one is given)."""

    measure: str
    least: float | None = None
    most: float | None = None


Rule = (
    Ceiling
    | Floor
    | Exposure
    | Dwell
    | ComeUp
    | HoldLethality
    | IntegratedLethality
    | Cooling
    | Profile
    | Humidity
    | DegreeHours
    | Composition
)

KIND_OF: dict[type, str] = {
    Ceiling: "ceiling", Floor: "floor", Exposure: "exposure", Dwell: "dwell", ComeUp: "come-up",
    HoldLethality: "lethality", IntegratedLethality: "lethality", Cooling: "cooling",
    Profile: "profile", Humidity: "humidity", DegreeHours: "degree-hours", Composition: "composition",
}  # fmt: skip


def default_max_gap(kind: str, place: str) -> Span:
    """The monitoring frequency assumed where a plan states none (`judging.md` section 1)."""
    if kind == "lethality":
        return 2 * MINUTE
    if kind in ("come-up", "exposure") or (kind in ("ceiling", "floor") and place == "core"):
        return 15 * MINUTE
    if kind in ("degree-hours", "humidity", "profile"):
        return HOUR
    return 30 * MINUTE
