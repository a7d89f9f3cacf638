"""What happens at the site of the soak, as a function of the minute alone: a process that died goes on where it was.

Each minute has its readings, grouped as they are handed over, its entries by people, and what else is done to the service.
Each hour has one fault, in an order drawn anew each day. The curves are invented.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Fault, Instant, LotEvent, Reading, Span
from tests.soak.site import CORES, FIXED, ODILE, PROBES

#: A local midnight a week before the clocks go forward.
START: Instant = parse_instant("2026-03-02T00:00:00-06:00")
DAY_MIN = 24 * 60
#: One fault an hour. `pages` stands for the restarts where no process is to end.
FAULTS = (
    "silent", "stuck", "open circuit", "door", "duplicates", "radio gone", "gateway gone", "backlog", "clock ahead", "clock behind",
    "nonsense", "wild", "killed", "restarted", "pages",
)  # fmt: skip
_AHEAD: Span = 4 * MINUTE


@dataclass
class Minute:
    """What one minute brings."""

    batches: list[list[Reading | Fault]] = field(default_factory=list)
    entries: list[LotEvent] = field(default_factory=list)
    #: Whether the gateway tells that it has gone (False) or come (True).
    gateway: bool | None = None
    #: By how much the board's clock is wrong in this minute.
    clock_by: Span = 0
    #: "killed", "restarted", "pages", or nothing.
    deed: str = ""


class Story:
    """The story of so many minutes; `restarts` says in which minutes the process may end."""

    def __init__(self, minutes: int, every_s: int, restarts: range, seed: int = 7) -> None:
        self.minutes, self.every_s, self._restarts, self._seed = minutes, every_s, restarts, seed
        self._days: dict[int, list[str]] = {}

    def fault(self, hour: int) -> str:
        """The fault of an hour, counted from the start."""
        day, of_day = divmod(hour, 24)
        if day not in self._days:
            draw = random.Random(f"{self._seed}/{day}")
            self._days = {day: draw.sample((*FAULTS, *FAULTS), 24)}
        kind = self._days[day][of_day]
        return "pages" if kind in ("killed", "restarted") and hour * 60 + 30 not in self._restarts else kind

    def minute(self, number: int) -> Minute:
        """Everything of the minute that begins `number` minutes after the start."""
        hour, past = divmod(number, 60)
        kind, found = self.fault(hour), Minute()
        found.entries = entries(number)
        held = self._held(number)
        live = [item for probe in PROBES if probe not in held for item in self._spoilt(number, probe)]
        found.batches = [live]
        if kind == "duplicates":
            found.batches.append(list(live))
        found.batches += self._released(number)
        if kind == "nonsense" and past in (10, 20):
            found.batches.append(_nonsense(START + number * MINUTE))
        if kind == "gateway gone" and past in (5, 50):
            found.gateway = past == 50
        if kind in ("clock ahead", "clock behind") and 10 <= past < 25:
            found.clock_by = _AHEAD if kind == "clock ahead" else -_AHEAD
        if kind in ("killed", "restarted", "pages") and past == 30:
            found.deed = kind
        return found

    def _hit(self, hour: int, count: int) -> tuple[str, ...]:
        """The probes that an hour's fault is of."""
        return tuple(random.Random(f"{self._seed}/hit/{hour}").sample(PROBES, count))

    def _holding(self, hour: int) -> tuple[range, tuple[str, ...]]:
        """The minutes whose readings come only after them, and of which probes; none for most hours."""
        kind, first = self.fault(hour), hour * 60
        if kind == "radio gone":
            return range(first + 10, first + 35), self._hit(hour, 2)
        if kind == "gateway gone":
            return range(first + 5, first + 50), self._hit(hour, 4)
        if kind == "backlog":
            return range(first + 2, first + 110), self._hit(hour, 6)
        return range(0), ()

    def _held(self, number: int) -> set[str]:
        """The probes that nobody hears in this minute."""
        hour, past = divmod(number, 60)
        held = {p for h in (hour, hour - 1) if h >= 0 for span, probes in [self._holding(h)] if number in span for p in probes}
        if self.fault(hour) == "silent" and 10 <= past < 22:
            held.update(self._hit(hour, 2))
        return held

    def _released(self, number: int) -> list[list[Reading | Fault]]:
        """What was held back and comes now, in batches as a gateway sends them, oldest first."""
        out = []
        for hour in (number // 60, number // 60 - 1, number // 60 - 2):
            if hour < 0:
                continue
            span, probes = self._holding(hour)
            if span and number == span.stop:
                rows = [row for m in span for p in probes if not self._silent(m, p) for row in self._spoilt(m, p)]
                out += [rows[n : n + 500] for n in range(0, len(rows), 500)]
        return out

    def _silent(self, number: int, probe: str) -> bool:
        hour, past = divmod(number, 60)
        return self.fault(hour) == "silent" and 10 <= past < 22 and probe in self._hit(hour, 2)

    def _spoilt(self, number: int, probe: str) -> list[Reading | Fault]:
        """A probe's readings of one minute, with what the hour's fault makes of them."""
        hour, past = divmod(number, 60)
        kind, hit = self.fault(hour), self._hit(hour, 2)
        rows: list[Reading | Fault] = []
        first = START + number * MINUTE + PROBES.index(probe) * 20_000
        for at in range(first, first + MINUTE, self.every_s * SECOND):
            celsius = temperature(probe, at)
            if kind == "stuck" and 5 <= past < 50 and probe in hit:
                celsius = temperature(probe, START + (hour * 60 + 5) * MINUTE)
            elif kind == "door" and 5 <= past < 55 and probe == "cooler-air-1":
                celsius += 7.0
            elif kind == "wild" and past % 10 == 0 and probe in hit and at == first:
                celsius += 30.0
            if kind == "open circuit" and 10 <= past < 20 and probe in hit:
                rows.append(Fault(probe, at, "open circuit", "OPEN"))
            elif kind == "wild" and past % 10 == 5 and probe in hit:
                rows.append(Reading(probe, at, round(celsius, 1), 0.0, "marked suspect by the source"))
            else:
                rows.append(Reading(probe, at, round(celsius, 1)))
        if kind == "wild":
            rows.reverse()
        return rows


def lots(number: int) -> list[tuple[str, str, tuple[str, ...], int]]:
    """The lots that may be going on in a minute: name, product, cores, and the minute at which it starts."""
    day = number // DAY_MIN
    found = []
    for d in (day - 1, day):
        if d >= 0:
            found.append((f"J-{d + 1:02d}", "juniper-links", CORES[:5], d * DAY_MIN + 60))
            found.append((f"S-{d + 1:02d}", "sage-turkey-links", CORES[5:], d * DAY_MIN + 14 * 60))
    return found


#: Minutes after a lot's start: into the house, out of it, and its end.
COOK, CHILL, END = 30, 300, 630


def entries(number: int) -> list[LotEvent]:
    """What people enter in a minute."""
    at, out = START + number * MINUTE, []
    for lot, product, cores, begin in lots(number):
        since = number - begin
        if since == 0:
            out += [LotEvent(at, "start", lot, product, by=ODILE), *(LotEvent(at, "place", lot, core, by=ODILE) for core in cores)]
        elif since == COOK:
            out.append(LotEvent(at, "step", lot, "cook", by=ODILE))
        elif since == CHILL:
            out.append(LotEvent(at, "step", lot, "chill", by=ODILE))
        elif since == END:
            out += [*(LotEvent(at, "remove", lot, core, "done", by=ODILE) for core in cores), LotEvent(at + SECOND, "end", lot, by=ODILE)]
    return out


def temperature(probe: str, at: Instant) -> float:
    """°C of a probe at an instant, with a little noise that is the same each time."""
    minutes = (at - START) / MINUTE
    noise = 0.3 * math.sin(minutes * 1.7 + len(probe)) + 0.2 * math.sin(minutes * 0.37 + PROBES.index(probe))
    if probe in FIXED:
        room = FIXED[probe]
        if room.startswith("house"):
            of = 0 if room == "house-1" else 1
            cooking = any(begin + COOK <= minutes < begin + CHILL for _, _, _, begin in lots(int(minutes))[of::2])
            return (82.0 if cooking else 25.0) + noise
        return {"cooler": 2.0, "freezer": -21.0, "cutting": 8.0}[room.split("-", maxsplit=1)[0]] + noise
    for _, _, cores, begin in lots(int(minutes)):
        since = minutes - begin
        if probe in cores and 0 <= since <= END:
            if since < COOK:
                return 2.0 + noise
            top = 75.0 - cores.index(probe) * 0.5
            if since < CHILL:
                return top - (top - 2.0) * math.exp(-(since - COOK) / 55) + noise
            return 1.0 + (top - 1.0) * math.exp(-(since - CHILL) / 65) + noise
    return 21.0 + noise


#: Readings of one hour of the whole site, if nothing is amiss.
def readings_an_hour(every_s: int) -> int:
    """How many there are."""
    return len(PROBES) * HOUR // (every_s * SECOND)


def _nonsense(at: Instant) -> list[Reading | Fault]:
    """What is no evidence of anything: a probe of no plan, codes, no numbers, stamps of another century, and of tomorrow."""
    return [
        Reading("core-99", at, 4.0), Reading("core-1", at + 1, 9999.0), Reading("core-2", at + 1, math.nan),
        Reading("core-3", -SECOND, 4.0), Reading("core-4", at + 24 * HOUR, 4.0), Fault("core-5", at + 1, "checksum", "\0\ud800"),
    ]  # fmt: skip
