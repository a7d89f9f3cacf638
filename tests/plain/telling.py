"""Where the engine and the plain judge differ, told so that a person can follow it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from rules.engine import Engine
from rules.history import arrange
from rules.plan import Plan
from rules.quantity import format_span, parse_instant, to_fahrenheit
from rules.reading import Event, Fault, Instant, LotEvent, Reading, Tick
from tests.plain.judge import judge
from tests.plain.scenarios import START, Scenario

TOLD = ("not-in-the-meat", "off", "back", "fire-out")  # what both say of a lot beside verdicts


def engine_report(plan: Plan, events: Sequence[Event], at: Instant | None) -> dict[str, Any]:
    """What the engine says of events fed one by one."""
    engine = Engine(plan)
    rows = [e for e in events if at is None or e.at <= at]
    for event in arrange(rows):
        engine.feed(event)
    engine.feed(Tick(at if at is not None else rows[-1].at))
    report = engine.report()
    for lot in report["lots"]:
        said = engine.lots[lot["lot"]].said
        lot["told"] = sorted((f.what, f.probe, f.at) for f in said if f.what in TOLD)
    return report


def verdicts(report: dict[str, Any]) -> dict[str, str]:
    """A report as flat lines: lot, limit and watch verdicts, watches with their instants."""
    lines = {}
    for day in report["standing"]:
        name = f"{day['room']}/{day['day']}/{day['limit']} (standing {day['kind']})"
        lines[name] = str(day["verdict"])
        lines[name + " watches"] = _watches(day)
    for lot in report["lots"]:
        lines[lot["lot"] + " told"] = ", ".join(f"{what} {probe} {_when(at)}" for what, probe, at in lot.get("told", ()))
        lines[lot["lot"]] = str(lot["verdict"])
        for limit in lot["limits"]:
            name = f"{lot['lot']}/{limit['step']}/{limit['limit']} ({limit['kind']}, {limit['class']})"
            lines[name] = str(limit["verdict"])
            lines[name + " watches"] = _watches(limit)
    return lines


def _watches(limit: dict[str, Any]) -> str:
    told = sorted((w["probe"], str(w["verdict"]), _when(w["at"])) for w in limit["watches"])
    return ", ".join(f"{probe} {verdict} {at}" for probe, verdict, at in told)


def _when(at: str | Instant | None) -> str:
    return "" if at is None else clock(parse_instant(at) if isinstance(at, str) else at)


def clock(at: Instant) -> str:
    """Time since the scenario's start."""
    return format_span(at - START)


def differences(scenario: Scenario) -> list[str]:
    """Every line on which the two differ."""
    engine = verdicts(engine_report(scenario.plan, scenario.events, scenario.at))
    plain = verdicts(judge(scenario.plan, scenario.events, scenario.at))
    names = sorted(engine.keys() | plain.keys())
    return [f"{name}: engine {engine.get(name)!r}, plain {plain.get(name)!r}" for name in names if engine.get(name) != plain.get(name)]


def shortened(scenario: Scenario, fails: Callable[[Scenario], bool]) -> Scenario:
    """The scenario with every event left out that the failure does not need."""
    size = max(1, len(scenario.events) // 2)
    while size:
        start = 0
        while start < len(scenario.events):
            fewer = scenario._replace(events=scenario.events[:start] + scenario.events[start + size :])
            if fails(fewer):
                scenario = fewer
            else:
                start += size
        size //= 2
    return scenario


def fails(scenario: Scenario) -> bool:
    """Whether the two differ; histories that either refuses are of no use here."""
    try:
        return bool(differences(scenario))
    except (ValueError, KeyError, StopIteration, IndexError, AttributeError, TypeError):
        return False


def tell(scenario: Scenario) -> str:
    """A scenario in readable form."""
    lines = []
    for step in scenario.plan.products[0].steps:
        lines.append(f"step {step.name} room={step.room} optional={step.optional} repeats={step.repeats} {step.advance or ''}")
        for limit in step.limits:
            lines.append(
                f"  {limit.name}: {limit.rule} place={limit.place} max_gap={format_span(limit.max_gap)} critical={limit.critical}"
                f" guard={limit.guard} over={limit.over} sampled={limit.sampled} probes={limit.probes}"
            )
    for room in scenario.plan.standing:
        lines += [f"standing {room.room}: {limit.name}: {limit.rule} max_gap={format_span(limit.max_gap)}" for limit in room.limits]
    read = {e.probe for e in scenario.events if isinstance(e, Reading | Fault)}
    for p in (p for p in scenario.plan.probes if p.id in read):
        ruled = f"stuck_after={p.stuck_after} max_rate={p.max_rate_c_s} span={p.span_c} dry_bulb={p.dry_bulb}"
        lines.append(f"probe {p.id} in {p.room} U={p.uncertainty_c} {ruled}")
    for event in scenario.events:
        if isinstance(event, Reading):
            value = event.celsius + event.offset_c
            lines.append(f"{clock(event.at)}: {event.probe} {value:.4f} °C ({to_fahrenheit(value):.2f} °F) {event.suspect}")
        elif isinstance(event, Fault):
            lines.append(f"{clock(event.at)}: {event.probe} fault")
        elif isinstance(event, LotEvent):
            lines.append(f"{clock(event.at)}: {event.lot} {event.event} {event.name} {event.value}")
    lines.append("judged " + ("to the last event" if scenario.at is None else f"at {clock(scenario.at)}"))
    return "\n".join(lines)
