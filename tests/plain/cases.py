"""Cases written by hand: temperatures in °C, times in minutes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rules.limits.spec import Rule
from rules.plan import Limit, Plan, Probe, Product, Room, Site, Step
from rules.quantity import format_span
from rules.reading import MINUTE, Event, Fault, LotEvent, Reading, Span
from tests.plain.judge import judge


def minutes(text: str) -> Span:
    """Microseconds of "12" or "12:30"."""
    whole, _, seconds = text.partition(":")
    return int(whole) * MINUTE + int(seconds or 0) * MINUTE // 60


def readings(probe: str, script: str) -> list[Event]:
    """Readings of "0 33, 5:30 34.5, 6 fault, 7 35?": a value with ? is suspect."""
    found: list[Event] = []
    for item in filter(None, script.split(", ")):
        time, value = item.split(" ")
        at = minutes(time)
        if value == "fault":
            found.append(Fault(probe, at, "open circuit"))
        else:
            found.append(Reading(probe, at, float(value.rstrip("?")), suspect="source" if value.endswith("?") else ""))
    return found


def acts(script: str, lot: str = "J-1") -> list[Event]:
    """Lot events of "0 start p; 0 place core-1; 30 remove core-1 moved; 60 end"."""
    found: list[Event] = []
    for item in filter(None, script.split("; ")):
        time, event, *rest = item.split(" ")
        found.append(LotEvent(minutes(time), event, lot, rest[0] if rest else "", " ".join(rest[1:])))
    return found


PROBES = (Probe("core-1", "core"), Probe("core-2", "core"), Probe("core-3", "core"), Probe("chamber-1", "chamber", "house"))


def plan_of(*steps: Step, probes: Sequence[Probe] = PROBES, rooms: bool = False) -> Plan:
    """A plan of one product `p`; without rooms the fixed probe serves everywhere."""
    fixed = probes if rooms else [replace(p, room=None) for p in probes]
    named = (Room("house", "chamber"), Room("cooler", "cooler")) if rooms else ()
    return Plan(Site("ferncliff", "Ferncliff Yard Smokehouse"), (Product("p", "p", steps),), named, tuple(fixed))


def watches(plan: Plan, events: Sequence[Event], limit: str = "limit", at: Span | None = None) -> list[str]:
    """Each watch as "probe verdict time"."""
    limits = [found for lot in judge(plan, events, at)["lots"] for found in lot["limits"] if found["limit"] == limit]
    told = [(w["probe"], w["verdict"], "" if w["at"] is None else " " + format_span(w["at"])) for found in limits for w in found["watches"]]
    return [f"{probe} {verdict}{time}" for probe, verdict, time in told]


def verdict_of(plan: Plan, events: Sequence[Event], limit: str = "limit", at: Span | None = None) -> str:
    """A limit's verdict."""
    return next(str(found["verdict"]) for lot in judge(plan, events, at)["lots"] for found in lot["limits"] if found["limit"] == limit)


def one(
    rule: Rule, script: str, gap: str = "15", end: str = "60", u: float = 0.0, placed: str = "0 place core-1", guard: bool = True
) -> str:
    """One core probe under one limit from 0 to `end`."""
    plan = plan_of(
        Step("step", None, (Limit("limit", rule, "core", minutes(gap), guard=guard),)), probes=(Probe("core-1", "core", None, u),)
    )
    events = [*acts(f"0 start p; {placed}; {end} end" if end else f"0 start p; {placed}"), *readings("core-1", script)]
    [told] = watches(plan, events)
    return told.removeprefix("core-1 ")


def m(n: float) -> Span:
    """Minutes."""
    return round(n * MINUTE)


def limit_of(rule: Rule, place: str = "core", gap: float = 15, **more: object) -> Limit:
    """A limit named `limit`."""
    return Limit("limit", rule, place, m(gap), **more)  # type: ignore[arg-type]
