"""The plan around its limits: site, rooms, probes, and whether a probe can serve each limit."""

from __future__ import annotations

import difflib
from collections.abc import Iterator

from rules.book import book_names
from rules.checks.one_limit import one_limit
from rules.checks.remark import PlanRemark
from rules.plan import Limit, Plan, Probe, Product, Step
from rules.plan_lines import key_lines, line_of
from rules.plan_process import ENTERED


def site(plan: Plan) -> Iterator[PlanRemark]:
    """Books, name and time zone."""
    lines = key_lines(plan.text)
    line = line_of(lines, ("site", "books"))
    if not plan.site.books:
        yield PlanRemark("warning", 'the site names no books; write books = ["us-inspected-2021"] or those that bind it', line)
    for name in plan.site.books:
        if name not in book_names():
            near = difflib.get_close_matches(name, book_names(), n=1)
            remedy = f'did you mean "{near[0]}"?' if near else f"write some of {', '.join(book_names())}"
            yield PlanRemark("error", f'site: there is no book "{name}"; {remedy}', line)
    if ("site", "id") not in lines:
        yield PlanRemark("warning", "the site has no id, which names its topics and export folders; write id", line_of(lines, ("site",)))
    if ("site", "timezone") not in lines:
        yield PlanRemark("warning", "the site names no timezone, so its days are those of UTC; write timezone", line_of(lines, ("site",)))


def rooms(plan: Plan) -> Iterator[PlanRemark]:
    """Rooms that are named and not declared."""
    if not plan.rooms:
        return
    known = ", ".join(plan.room_by_id)

    def undeclared(room: str | None, who: str, line: int) -> Iterator[PlanRemark]:
        if room is not None and room not in plan.room_by_id:
            yield PlanRemark("error", f'{who}: room "{room}" is not declared; write one of {known}, or a [[room]] with that id', line)

    lines = key_lines(plan.text)
    for i, standing in enumerate(plan.standing):
        yield from undeclared(standing.room, "standing", line_of(lines, ("standing", i, "room")))
    for probe in plan.probes:
        yield from undeclared(probe.room, f"probe {probe.id}", probe.line)
    for product in plan.products:
        for step in product.steps:
            where = f"product {product.code}, step {step.name}"
            yield from undeclared(step.room, where, step.line)
            if step.room is None:
                yield PlanRemark("error", f"{where}: no room, so no fixed probe serves it; write room = one of {known}", step.line)


def probes(plan: Plan) -> Iterator[PlanRemark]:
    """Probes that nobody can place, that no limit looks at, or whose error is not stated."""
    used = {(limit.place, room) for limit, rooms in _all_limits(plan) for room in rooms}
    # A wet bulb is read with the chamber probe beside it.
    used |= {("chamber", room) for place, room in used if place == "wet-bulb"}
    for probe in plan.probes:
        if probe.place == "core":
            if probe.room is not None:
                yield PlanRemark("warning", f"probe {probe.id}: a core probe is placed in a lot and has no room; take room out", probe.line)
            if not any(place == "core" for place, _ in used):
                yield PlanRemark("warning", f"probe {probe.id}: no limit looks at a core; write one, or take the probe out", probe.line)
        elif plan.rooms and probe.room is None:
            sentence = f"probe {probe.id}: nobody can place it, since a {probe.place} probe belongs to a room; write room"
            yield PlanRemark("error", f"{sentence} = one of {', '.join(plan.room_by_id)}", probe.line)
        elif (probe.place, probe.room) not in used and (plan.rooms or not any(place == probe.place for place, _ in used)):
            where = f" in {probe.room}" if probe.room else ""
            yield PlanRemark("note", f"probe {probe.id}: no limit looks at a {probe.place}{where}; it is recorded only", probe.line)
        if probe.uncertainty_c is None:
            sentence = f"probe {probe.id}: its uncertainty is not stated and taken as 0, which favours the lot"
            yield PlanRemark("warning", f'{sentence}; write uncertainty = "0.5 °F" or what its certificate says', probe.line)
        if probe.stuck_after is not None and not any(_beside(plan, probe, other) for other in plan.probes if other is not probe):
            sentence = f"probe {probe.id}: nothing is read beside it, so stuck_after cannot find out that it sticks"
            yield PlanRemark("warning", f"{sentence}; compare it by hand at every check, or write a second probe", probe.line)


def _beside(plan: Plan, probe: Probe, other: Probe) -> bool:
    """Whether two probes can be in one place, so that one moving shows that the other sticks (docs/judging-choices.md, 28)."""
    return not plan.rooms or "core" in (probe.place, other.place) or probe.room == other.room


def _all_limits(plan: Plan) -> Iterator[tuple[Limit, tuple[str | None, ...]]]:
    """Every limit with the rooms it runs in."""
    for standing in plan.standing:
        for limit in standing.limits:
            yield limit, (standing.room,)
    for product in plan.products:
        for step in product.steps:
            for limit in step.limits:
                yield limit, rooms_of(product, step, limit)


def rooms_of(product: Product, step: Step, limit: Limit) -> tuple[str | None, ...]:
    """The rooms a limit of a step runs in."""
    return tuple(s.room for s in product.steps if s is step or s.name in limit.over)


def standing(plan: Plan) -> Iterator[PlanRemark]:
    """Limits that watch a room with no lot."""
    for standing in plan.standing:
        for limit in standing.limits:
            where = f"standing {standing.room}, limit {limit.name}"
            yield from served(plan, limit, (standing.room,), where)
            yield from one_limit(plan, None, limit, where)


def served(plan: Plan, limit: Limit, rooms: tuple[str | None, ...], where: str) -> Iterator[PlanRemark]:
    """Whether enough probes can serve a limit."""
    if limit.sampled or limit.place == ENTERED:
        return
    of_place = [p for p in plan.probes if p.place == limit.place]
    serving = [p for p in of_place if limit.place == "core" or not plan.rooms or p.room in rooms]
    if not serving:
        here = "" if limit.place == "core" or not plan.rooms else f" in {' or '.join(str(r) for r in dict.fromkeys(rooms))}"
        sentence = f"{where}: no {limit.place} probe can serve it{here}"
        by_hand = ', or sampled = "15 min"' if limit.place == "core" else ""
        yield PlanRemark("error", f'{sentence}; write a [[probe]] with place = "{limit.place}"{by_hand}', limit.line)
    elif limit.probes and limit.probes > len(serving):
        sentence = f"{where}: probes = {limit.probes}, and the plan has {len(serving)} that can serve it"
        yield PlanRemark("error", f"{sentence}; write {len(serving)} or fewer, or more [[probe]] tables", limit.line)
