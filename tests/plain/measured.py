"""What is judged on values entered for a lot: composition, and humidity that no probe measures (choices 25 and 27)."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from typing import NamedTuple

from rules.finding import Verdict
from rules.limits.spec import Composition, Humidity
from rules.reading import MINUTE, Instant, LotEvent
from rules.science.cure import brine_pct, curing_salt_ppm
from rules.science.errors import ScienceError
from tests.plain.evidence import OPEN, Outcome, Watch
from tests.plain.process import needed

PARTS = {"brine_pct": ("salt_pct", "moisture_pct"), "nitrite_ppm": ("cure_g", "cure_nitrite_pct", "weight_kg")}


class Entry(NamedTuple):
    """A value entered or computed, and when."""

    at: Instant
    value: float


def entries(measures: Sequence[LotEvent], name: str, now: Instant) -> list[Entry]:
    """The values of a measure up to `now`; computed from its parts as long as it was not entered itself."""
    found, newest, by_name = list[Entry](), dict[str, float](), False
    for e in (e for e in measures if e.at <= now):
        if e.name == name:
            by_name = True
            found.append(Entry(e.at, float(e.value)))
        elif e.name in PARTS.get(name, ()) and not by_name:
            newest[e.name] = float(e.value)
            if len(newest) == len(PARTS[name]):
                with suppress(ScienceError):  # parts that cannot be are no value
                    found.append(Entry(e.at, _value(name, newest)))
    return found


def _value(name: str, parts: dict[str, float]) -> float:
    if name == "brine_pct":
        return brine_pct(parts["salt_pct"], parts["moisture_pct"])
    return curing_salt_ppm(parts["cure_g"], parts["cure_nitrite_pct"] / 100.0, parts["weight_kg"] * 1000.0)


def composition(rule: Composition, watch: Watch, measures: Sequence[LotEvent], now: Instant) -> Outcome:
    """Every value entered up to the limit's end lies within the bounds."""
    begin = watch.opened.at
    if begin > now:
        return OPEN
    ends = [stretch.run.end for stretch in watch.stretches if stretch.run.start.at <= now]
    closed = ends[-1].at if ends[-1] is not None and ends[-1].at <= now else None
    found = entries(measures, rule.measure, now if closed is None else closed)
    for entry in found:
        value = round(entry.value, 6)
        if (rule.least is not None and value < round(rule.least, 6)) or (rule.most is not None and value > round(rule.most, 6)):
            return Outcome(Verdict.DEVIATED, max(entry.at, begin), True)
    if found:
        return Outcome(Verdict.MET, max(found[-1].at, begin))
    return OPEN if closed is None else Outcome(Verdict.UNPROVEN, closed)


def humidity_on_record(rule: Humidity, watch: Watch, measures: Sequence[LotEvent], now: Instant) -> Outcome:
    """The minutes entered, against a share of the cook and a least time."""
    entered = [e for e in measures if e.name == "humid_min" and e.at <= now]
    outcome, credit, cook, nothing = OPEN, 0, 0, True
    for stretch in watch.stretches:
        run = stretch.run
        if run.start.at > now:
            break
        outcome = OPEN
        for e in (e for e in entered if run.holds(e.at)):
            credit += round(float(e.value) * MINUTE)
            nothing = False
            if rule.share is None and credit >= needed(rule, 0):
                return Outcome(Verdict.MET, e.at, True)
        if run.end is None or run.end.at > now:
            continue
        closed = run.end.at
        cook += closed - run.start.at
        if nothing:
            outcome = Outcome(Verdict.UNPROVEN, closed)
        elif credit >= needed(rule, cook):
            outcome = Outcome(Verdict.MET, closed)
        else:
            return Outcome(Verdict.DEVIATED, closed, True)
    return outcome
