"""Where a core is heading: a running fit of its approach to its surroundings, and when it reaches a temperature.

Newton's law, dT/dt = k (A - T), which the first term of the conduction series obeys exactly (`rules/science/heat.py`: k = ln 10 / f).
Integrated, T = a + k X with X the integral of A - T over time, which holds for surroundings A that change too; a and k come from
weighted sums that forget with time. Without a probe in the surroundings A is a third unknown: T = a + b t - k S, S the integral of T,
and A = b / k.

Nothing here judges; a forecast changes no verdict. Times in microseconds, rates per second, temperatures in °C.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any, NamedTuple, TypeAlias

from rules.reading import MINUTE, SECOND, Instant, Span

#: No forecast from fewer readings than this.
LEAST = 10
#: What is older counts for 1/e: long against noise, short against the first, slower part of an approach.
MEMORY: Span = 20 * MINUTE
#: The second, shorter memory tells whether the rate itself still changes.
SHORT: Span = 4 * MINUTE
#: A rate of the short memory that differs from that of the long one by more than both, as a share and in standard deviations, is no
#: first term yet: heat is still spreading inside, and the fit begins anew.
CHANGE_SHARE, CHANGE_SD = 0.05, 1.5
#: It takes so long to see whether the rate changes.
SETTLED: Span = 8 * MINUTE
#: The first term alone holds once the distance to the surroundings is below this share of what it was (`rules/science/heat.py`): after a
#: smaller step of the surroundings, once the core has moved by as much of that step.
LAGS = 0.7
#: Readings further apart than this belong to two fits.
LONGEST: Span = 5 * MINUTE
#: A step of the surroundings by more than the larger of these, in °C and as a share of their distance from the core, is a disturbance.
JUMP_C, JUMP_SHARE = 5.0, 0.1
#: The size in °C of a disturbance that may have changed all (finite, since snapshots are JSON).
EVERYTHING = 1e9
#: A reading further from the fit than the larger of these, in °C and in standard deviations of the fit, is a disturbance.
OFF_C, OFF_SD = 1.0, 6.0
#: Standard deviation of the rate as a share of it, for what the first term leaves out: chosen on the exact series (tests).
MODEL_SD = 0.06
#: A probe in the room tells the surroundings of one piece no better than this, in °C.
AIR_SD_C = 0.5
#: Standard normal deviate of a two-sided interval of 90 %.
Z_90 = 1.6449
#: So many readings are fitted together while nobody asks for a forecast: a fit that is taken up once costs less than one taken up often.
TOGETHER = 10
#: A probe that reads to a tenth of a degree is no better known than this, in °C.
LEAST_SD_C = 0.03


class Forecast(NamedTuple):
    """When a temperature is reached: expected, and the 90 % interval; None stands for never in these surroundings.

    `core_c` and `air_c` are the fitted core and the surroundings at the newest reading, `rate` is k in 1/s.
    """

    at: Instant | None
    early: Instant | None
    late: Instant | None
    core_c: float
    air_c: float
    rate: float


class Sums:
    """Weighted means and co-moments of x, u and y that forget; constant state. Welford's update with weights."""

    __slots__ = ("mu", "mx", "my", "uu", "uy", "w", "ww", "xu", "xx", "xy", "yy")

    def __init__(self) -> None:
        self.w = self.ww = 0.0
        self.mx = self.mu = self.my = 0.0
        self.xx = self.xu = self.uu = self.xy = self.uy = self.yy = 0.0

    def add(self, keep: float, x: float, u: float, y: float) -> None:
        """Let everything so far count for `keep` of what it did, then add one row."""
        old = self.w * keep
        self.w = w = old + 1.0
        self.ww = self.ww * keep * keep + 1.0
        mx, mu, my = self.mx, self.mu, self.my
        dx, du, dy = x - mx, u - mu, y - my
        self.mx, self.mu, self.my = mx + dx / w, mu + du / w, my + dy / w
        part = old / w
        self.xx = self.xx * keep + dx * dx * part
        self.xu = self.xu * keep + dx * du * part
        self.uu = self.uu * keep + du * du * part
        self.xy = self.xy * keep + dx * dy * part
        self.uy = self.uy * keep + du * dy * part
        self.yy = self.yy * keep + dy * dy * part

    def state(self) -> list[float]:
        """The sums, in the order of the slots."""
        return [getattr(self, name) for name in self.__slots__]

    def restore(self, values: list[float]) -> None:
        """Take back what `state` gave."""
        for name, value in zip(self.__slots__, values, strict=True):
            setattr(self, name, value)


#: k, the core and A of a fit at the newest reading.
_Line: TypeAlias = tuple[float, float, float]


class _Fit(NamedTuple):
    """The same, with the standard deviations of noise, k, core and A."""

    k: float
    core_c: float
    air_c: float
    sd: float
    sd_k: float
    sd_core: float
    sd_air: float


@lru_cache(maxsize=64)
def _keeps(span: Span) -> tuple[float, float]:
    """What the long and the short memory keep over a time; of most readings it is the same."""
    return math.exp(-span / MEMORY), math.exp(-span / SHORT)


class Approach:
    """The running fit of one core in one place; `add` readings in rising time, `begin` anew after a disturbance."""

    __slots__ = (
        "air", "air_mean", "air_sq", "at", "core", "count", "first", "long", "placed_air", "short", "since", "size", "t", "waiting", "x",
    )  # fmt: skip

    def __init__(self) -> None:
        self.begin()

    def begin(self) -> None:
        """Forget everything."""
        self.waiting: list[tuple[Instant, float, float | None]] = []  # taken, but not yet fitted: nobody has asked
        self._begin()

    def _begin(self) -> None:
        self.count = 0
        self.first: float | None = None  # the core at the last disturbance
        self.size = EVERYTHING
        self.since: Instant | None = None
        self.at: Instant | None = None
        self.core = self.air = self.x = self.t = 0.0
        self.air_mean = self.air_sq = 0.0
        self.placed_air = False
        self.long, self.short = Sums(), Sums()

    def add(self, at: Instant, celsius: float, air_c: float | None) -> None:
        """Take a reading later than all before it, with the surroundings' own where there is a probe."""
        self.waiting.append((at, celsius, air_c))
        if len(self.waiting) >= TOGETHER:
            self.work()

    def work(self) -> None:
        """Fit what waits; every question that is put to the fit does so first."""
        if self.waiting:
            for at, celsius, air_c in self.waiting:
                self._add(at, celsius, air_c)
            self.waiting = []

    def _add(self, at: Instant, celsius: float, air_c: float | None) -> None:
        size = self._disturbed(at, celsius, air_c)
        if size is not None:
            self._begin()
            self.size = size
        if self.at is None:
            self.since = self.at = at
            self.first = celsius if self.first is None else self.first
            self.core, self.air, self.placed_air = celsius, air_c if air_c is not None else 0.0, air_c is not None
            self.air_mean = self.air
            keep = keep_short = 1.0
        else:
            span = at - self.at
            seconds = span / SECOND
            air = air_c if air_c is not None else 0.0
            self.x += seconds * ((self.air + air) / 2.0 - (self.core + celsius) / 2.0)
            self.t += seconds
            keep, keep_short = _keeps(span)
            if air_c is not None:
                share = 1.0 / (self.long.w * keep + 1.0)
                off = air - self.air_mean
                self.air_mean += share * off
                self.air_sq = (1.0 - share) * (self.air_sq + share * off * off)
            self.at, self.core, self.air = at, celsius, air
        self.long.add(keep, self.x, self.t, celsius)
        self.short.add(keep_short, self.x, self.t, celsius)
        self.count += 1
        if self.placed_air and self.count >= LEAST and self._changing():
            kept = self.first, self.size
            self._begin()
            self.first, self.size = kept

    def _changing(self) -> bool:
        """Whether the rate is still changing: it grows while a centre lags behind its surface, and falls after a bath."""
        line, short_line = self._line(self.long), self._line(self.short)
        if line is None or short_line is None or line[0] <= 0.0 or abs(short_line[0] - line[0]) <= CHANGE_SHARE * line[0]:
            return False  # nearly always, and without the deviations
        fit, short = self._fit(self.long), self._fit(self.short)
        assert fit is not None
        assert short is not None
        return abs(short.k - fit.k) > CHANGE_SD * math.hypot(fit.sd_k, short.sd_k)

    def _disturbed(self, at: Instant, celsius: float, air_c: float | None) -> float | None:
        """How large a disturbance in °C comes with this reading: EVERYTHING where everything may have changed; None for none."""
        if self.at is None:
            return None
        if at - self.at > LONGEST or (air_c is not None) != self.placed_air:
            return EVERYTHING
        if air_c is not None and abs(air_c - self.air_mean) > max(JUMP_C, JUMP_SHARE * abs(air_c - celsius)):
            return abs(air_c - self.air_mean)
        if self.count < LEAST:
            return None
        newest = self.short
        line = self._line(newest)
        if line is None:
            newest = self.long
            line = self._line(newest)
        if line is None:
            return None
        k, core, air = line
        expected = air + (core - air) * math.exp(-k * (at - self.at) / SECOND)
        if abs(celsius - expected) <= OFF_C:
            return None  # nearly always, and without the deviations
        fit = self._fit(newest)
        assert fit is not None
        return EVERYTHING if abs(celsius - expected) > OFF_SD * fit.sd else None

    # --- the fit -------------------------------------------------------------------------------------------------

    def _free(self, s: Sums) -> float:
        """The effective number of readings less what is fitted."""
        return s.w * s.w / s.ww - (2.0 if self.placed_air else 3.0)

    def _line(self, s: Sums) -> _Line | None:
        """The fit of the newest reading's instant, without its deviations; None where the sums do not tell a rate."""
        if self._free(s) <= 1.0:
            return None
        if self.placed_air:
            if s.xx <= 0.0:
                return None
            k = s.xy / s.xx
            return k, s.my + k * (self.x - s.mx), self.air_mean
        # x = -S here, since the surroundings count as 0: T = a + k x + b t.
        det = s.xx * s.uu - s.xu * s.xu
        if det <= 1e-9 * s.xx * s.uu:
            return None
        k = (s.xy * s.uu - s.uy * s.xu) / det
        if k <= 0.0:
            return None
        b = (s.uy * s.xx - s.xy * s.xu) / det
        return k, s.my + k * (self.x - s.mx) + b * (self.t - s.mu), b / k

    def _fit(self, s: Sums) -> _Fit | None:
        """The fit of the newest reading's instant with its deviations; None where the sums do not tell a rate."""
        line = self._line(s)
        if line is None:
            return None
        return self._fit_with_air(s, line) if self.placed_air else self._fit_alone(s, line)

    def _fit_with_air(self, s: Sums, line: _Line) -> _Fit:
        free = self._free(s)
        left = max(s.yy - line[0] * s.xy, 0.0) / s.w * (free + 2.0) / free
        sd = max(math.sqrt(left), LEAST_SD_C)
        dx = self.x - s.mx
        # Readings next to each other do not err independently of the fit; the effective number keeps the interval honest.
        per = (s.ww / (s.w * s.w)) * sd * sd
        sd_k = math.sqrt(per * s.w / s.xx)
        sd_core = math.sqrt(per * (1.0 + dx * dx * s.w / s.xx))
        return _Fit(*line, sd, sd_k, sd_core, math.hypot(math.sqrt(max(self.air_sq, 0.0)), AIR_SD_C))

    def _fit_alone(self, s: Sums, line: _Line) -> _Fit:
        free, det = self._free(s), s.xx * s.uu - s.xu * s.xu
        k, b = line[0], (s.uy * s.xx - s.xy * s.xu) / det
        left = max(s.yy - k * s.xy - b * s.uy, 0.0) / s.w * (free + 3.0) / free
        sd = max(math.sqrt(left), LEAST_SD_C)
        per = (s.ww / (s.w * s.w)) * sd * sd * s.w
        var_k, var_b, cov = per * s.uu / det, per * s.xx / det, -per * s.xu / det
        air = line[2]
        var_air = max(var_b - 2.0 * air * cov + air * air * var_k, 0.0) / (k * k)
        dx, du = self.x - s.mx, self.t - s.mu
        var_core = per / s.w + dx * dx * var_k + du * du * var_b + 2.0 * dx * du * cov
        return _Fit(*line, sd, math.sqrt(var_k), math.sqrt(max(var_core, 0.0)), math.sqrt(var_air))

    def forecast(self, to_c: float, *, cold: bool) -> Forecast | None:
        """When the core comes to `to_c` or below (`cold`), or above; None while nothing can be told: too few readings, or no approach."""
        if not self.settled or self.first is None:
            return None
        fit = self._fit(self.long)
        if fit is None or fit.k <= 0.0:
            return None
        # Readings that are far apart leave the short memory none to fit.
        short = (self._fit(self.short) if self.placed_air else None) or fit
        if abs(fit.core_c - self.first) < (1.0 - LAGS) * min(self.size, abs(self.first - fit.air_c)):
            return None
        # What the rate still changes, beyond what noise explains, is error of the model: it makes the interval wider.
        drift = max((fit.k - short.k) ** 2 - fit.sd_k**2 - short.sd_k**2, 0.0)
        k, sd_k = fit.k, math.sqrt(fit.sd_k**2 + drift + (MODEL_SD * fit.k) ** 2)
        at = _time(k, fit.core_c, fit.air_c, to_c, cold)
        times = [
            _time(k_, core, air, to_c, cold)
            for k_, core, air in (
                (k + Z_90 * sd_k, fit.core_c, fit.air_c), (k - Z_90 * sd_k, fit.core_c, fit.air_c),
                (k, fit.core_c + Z_90 * fit.sd_core, fit.air_c), (k, fit.core_c - Z_90 * fit.sd_core, fit.air_c),
                (k, fit.core_c, fit.air_c + Z_90 * fit.sd_air), (k, fit.core_c, fit.air_c - Z_90 * fit.sd_air),
            )
        ]  # fmt: skip
        if at == math.inf:
            early, late = min(times), math.inf
        else:
            early = at - math.sqrt(sum((at - t) ** 2 for t in times if t < at))
            late = at + math.sqrt(sum((t - at) ** 2 for t in times if t > at))
        return Forecast(self._instant(at), self._instant(early), self._instant(late), fit.core_c, fit.air_c, k)

    def reaches(self, to_c: float, by: Instant, *, cold: bool) -> bool:
        """Whether the fit's own rate leads to `to_c` by then, so that no interval of `forecast` lies past it as a whole."""
        self.work()
        line = self._line(self.long)
        if line is None or line[0] <= 0.0 or self.at is None:
            return False
        return _time(*line, to_c, cold) * SECOND <= by - self.at

    def needed(self, to_c: float, by: Instant) -> float | None:
        """The surroundings in °C, steady from the newest reading on, in which the core would reach `to_c` just at `by`."""
        self.work()
        if self.at is None or by <= self.at or (fit := self._fit(self.long)) is None or fit.k <= 0.0:
            return None
        left = math.exp(-fit.k * (by - self.at) / SECOND)
        return None if left >= 1.0 else (to_c - fit.core_c * left) / (1.0 - left)

    @property
    def settled(self) -> bool:
        """Whether the fit has readings enough, over time enough, for a forecast."""
        self.work()
        return self.count >= LEAST and self.at is not None and self.since is not None and self.at - self.since >= SETTLED

    def takes(self, to_c: float, air_c: float, *, cold: bool) -> float | None:
        """Seconds until `to_c` in other steady surroundings from now on, at the fitted rate; infinite for never, None without a fit."""
        self.work()
        fit = self._fit(self.long) if self.count >= LEAST else None
        return None if fit is None or fit.k <= 0.0 else _time(fit.k, fit.core_c, air_c, to_c, cold)

    def _instant(self, seconds: float) -> Instant | None:
        assert self.at is not None
        return self.at + round(max(seconds, 0.0) * SECOND) if seconds < 1e9 else None

    # --- snapshot ------------------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """The running state as JSON-able values."""
        self.work()
        plain = {name: getattr(self, name) for name in self.__slots__ if name not in ("long", "short", "waiting")}
        return {**plain, "long": self.long.state(), "short": self.short.state()}

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave."""
        self.waiting = []
        for name, value in state.items():
            if name in ("long", "short"):
                getattr(self, name).restore(value)
            else:
                setattr(self, name, value)


def _time(k: float, core: float, air: float, to_c: float, cold: bool) -> float:
    """Seconds until the core is at `to_c` or beyond it; infinite for never, 0 where it is there."""
    left, beyond = (core - to_c, to_c - air) if cold else (to_c - core, air - to_c)
    if left <= 0.0:
        return 0.0
    if k <= 0.0 or beyond <= 0.0:
        return math.inf
    return math.log((left + beyond) / beyond) / k
