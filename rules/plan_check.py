"""What is wrong, doubtful or worth knowing in a plan that loads: its limits against its books, its probes, its steps."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from typing import Literal, NamedTuple, TypeAlias

from rules.book import MARKS, Table, book_names, load_book, load_table, read_in_original
from rules.limits.spec import Ceiling, ComeUp, Cooling, Dwell, Exposure, Floor, HoldLethality, IntegratedLethality
from rules.plan import Limit, Plan, Product, Step
from rules.plan_lines import key_lines, line_of
from rules.quantity import fahrenheit, format_span
from rules.reading import HOUR, Span
from rules.strictness import laxer
from rules.wording import temperature

Severity: TypeAlias = Literal["error", "warning", "note"]

#: A temperature at which a core is being cooked and not kept warm: the lowest row of the published meat tables.
_COOKED_C = fahrenheit(130)
#: McMinn et al. 2018, Meat Muscle Biol. 2(1):168-179 (abstract): the meat table holds from 140 °F up and not at 130 °F.
_SUPPORTED_C = fahrenheit(140)
_LONG_DELAY = 4 * HOUR
_MEASURES = ("nitrite_ppm", "erythorbate_ppm", "salt_pct", "moisture_pct", "brine_pct", "water_activity", "weight_kg", "pH")
_DEFAULT_BOOK = "us-inspected-2021"


class PlanRemark(NamedTuple):
    """One thing to know about a plan, in one sentence. `line` is that of the plan file, 0 where unknown.

    An error keeps the plan from being used as it stands; a warning asks a person to look; a note only says.
    """

    severity: Severity
    sentence: str
    line: int


def check_plan(plan: Plan) -> list[PlanRemark]:
    """Every remark on a plan, in the order of its file."""
    found = [*_site(plan), *_rooms(plan), *_probes(plan), *_standing(plan)]
    for product in plan.products:
        found += _product(plan, product)
    return sorted(dict.fromkeys(found), key=lambda r: (r.line, ("error", "warning", "note").index(r.severity)))


def _site(plan: Plan) -> Iterator[PlanRemark]:
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


def _rooms(plan: Plan) -> Iterator[PlanRemark]:
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


def _probes(plan: Plan) -> Iterator[PlanRemark]:
    used = {(limit.place, room) for limit, rooms in _all_limits(plan) for room in rooms}
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
        if probe.stuck_after is not None:
            sentence = f"probe {probe.id}: stuck_after is not judged by this version, so a probe that sticks is not found out"
            yield PlanRemark("warning", f"{sentence}; compare it by hand at every check", probe.line)


def _all_limits(plan: Plan) -> Iterator[tuple[Limit, tuple[str | None, ...]]]:
    """Every limit with the rooms it runs in."""
    for standing in plan.standing:
        for limit in standing.limits:
            yield limit, (standing.room,)
    for product in plan.products:
        for step in product.steps:
            for limit in step.limits:
                yield limit, _rooms_of(product, step, limit)


def _rooms_of(product: Product, step: Step, limit: Limit) -> tuple[str | None, ...]:
    return tuple(s.room for s in product.steps if s is step or s.name in limit.over)


def _standing(plan: Plan) -> Iterator[PlanRemark]:
    for standing in plan.standing:
        for limit in standing.limits:
            where = f"standing {standing.room}, limit {limit.name}"
            yield from _served(plan, limit, (standing.room,), where)
            yield from _limit(plan, None, limit, where)


def _served(plan: Plan, limit: Limit, rooms: tuple[str | None, ...], where: str) -> Iterator[PlanRemark]:
    if limit.sampled:
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


def _product(plan: Plan, product: Product) -> Iterator[PlanRemark]:
    covered = _covered(product)
    for i, step in enumerate(product.steps):
        where = f"product {product.code}, step {step.name}"
        if step.name not in covered:
            sentence = f"{where}: no limit watches it; write a [[product.step.limit]] below it, or name the step in another limit's over"
            yield PlanRemark("error", sentence, step.line)
        if step.advance is not None and i == len(product.steps) - 1:
            yield PlanRemark("warning", f"{where}: it is the last step and advances into nothing; take advance out", step.line)
        for limit in step.limits:
            named = f"{where}, limit {limit.name}"
            yield from _served(plan, limit, _rooms_of(product, step, limit), named)
            yield from _limit(plan, product, limit, named)
            yield from _interval(step, limit, named)
            yield from _bare_floor(product, step, limit, named, plan.site.unit)
    kinds = {limit.kind for step in product.steps for limit in step.limits}
    if "lethality" in kinds:
        for kind in ("come-up", "cooling"):
            if kind not in kinds:
                sentence = f"product {product.code}: it is cooked and has no {kind} limit; write one, or say in the plan's records why not"
                yield PlanRemark("warning", sentence, product.line)


def _covered(product: Product) -> set[str]:
    """Steps that some limit watches. Cooling opens as soon as lethality is met, so it watches from there to its own step."""
    covered = {s.name for s in product.steps if s.limits}
    cooked = None
    for i, step in enumerate(product.steps):
        for limit in step.limits:
            covered |= set(limit.over)
            if limit.kind == "lethality":
                cooked = i
            elif limit.kind == "cooling" and cooked is not None:
                covered |= {s.name for s in product.steps[cooked:i]}
    return covered


def _interval(step: Step, limit: Limit, where: str) -> Iterator[PlanRemark]:
    rule = limit.rule
    times: list[tuple[Span, str]] = []
    if step.advance is not None and step.advance.when == "after" and not limit.over:
        times.append((step.advance.length, "the step"))
        if isinstance(rule, Dwell) and rule.length > step.advance.length:
            sentence = f"{where}: the step ends after {format_span(step.advance.length)}, before the {format_span(rule.length)} are over"
            yield PlanRemark("error", f'{sentence}; write when = "dwell met"', limit.line)
    match rule:
        case ComeUp():
            times.append((rule.within, "the come-up"))
        case Cooling():
            times += [(w.within or w.by or 0, "a cooling window") for w in rule.windows]
        case Dwell():
            times.append((rule.length, "the dwell"))
        case Exposure():
            times += [(t.within, "a tier") for t in rule.tiers]
        case HoldLethality():
            times.append((max(r.length for r in rule.rows), "the longest hold"))
        case _:
            pass
    shortest, what = min(times, default=(0, ""))
    if 0 < shortest < limit.max_gap:
        key = "sampled" if limit.sampled else "max_gap"
        sentence = f"{where}: the monitoring interval of {format_span(limit.max_gap)} is longer than {what}, {format_span(shortest)}"
        # Two readings that far apart can still show a short hold; the other kinds could pass whole between two readings.
        severity: Severity = "warning" if isinstance(rule, HoldLethality) else "error"
        yield PlanRemark(severity, f"{sentence}; write a shorter {key}", limit.line)


def _bare_floor(product: Product, step: Step, limit: Limit, where: str, unit: str) -> Iterator[PlanRemark]:
    rule = limit.rule
    if limit.place != "core" or not isinstance(rule, Floor | Dwell) or rule.min_c is None or rule.min_c < _COOKED_C - 0.001:
        return
    before = product.steps[: product.steps.index(step)]
    cooks = any(x.kind == "lethality" for x in step.limits) or (
        "cook" in step.name.lower() and not any(x.kind == "lethality" for s in before for x in s.limits)
    )
    if not cooks:
        return
    at = temperature(rule.min_c, unit)
    if isinstance(rule, Floor):
        sentence = f'{where}: {at} at the core is a bare temperature; a cook is held for a time, so write kind = "lethality" with its book'
        yield PlanRemark("error", sentence, limit.line)
    else:
        sentence = f'{where}: a dwell at {at} adds up broken holds; write kind = "lethality" with its book for a cook'
        yield PlanRemark("warning", sentence, limit.line)


def _limit(plan: Plan, product: Product | None, limit: Limit, where: str) -> Iterator[PlanRemark]:
    """What can be said of a limit by itself and of its book."""
    yield from _alarm(limit, where)
    table = load_table(limit.book) if limit.book else None
    if table is not None:
        yield from _marks(plan, limit, table, where)
        yield from _fits(product, limit, table, where)
    elif product is not None:
        yield from _against_site_books(plan, product, limit, where)
    yield from _lethality(limit, where, plan.site.unit)
    if limit.critical and not limit.do:
        yield PlanRemark("warning", f'{where}: no corrective action; write do = ["…"], what to do with the lot and its cause', limit.line)
    if limit.critical and table is None and not limit.source:
        yield PlanRemark("warning", f"{where}: neither book nor source supports this critical limit; write one of them", limit.line)
    if not limit.guard:
        yield PlanRemark("warning", f'{where}: guard = "none" leaves the probe\'s uncertainty out, which favours the lot', limit.line)
    if isinstance(limit.rule, Cooling):
        for need in (n for part in limit.rule.needs for n in part):
            near = difflib.get_close_matches(need.measure, _MEASURES, n=1)
            if need.measure not in _MEASURES and near:
                yield PlanRemark("warning", f'{where}: needs names "{need.measure}"; did you mean "{near[0]}"?', limit.line)


def _alarm(limit: Limit, where: str) -> Iterator[PlanRemark]:
    for key, delay in (("on_delay", limit.on_delay), ("off_delay", limit.off_delay)):
        if delay > _LONG_DELAY:
            sentence = f"{where}: {key} is {format_span(delay)}, so nobody hears of it in time; write minutes"
            yield PlanRemark("warning", sentence, limit.line)
    if limit.critical and limit.on_delay:
        sentence = f"{where}: on_delay lets a critical limit ring {format_span(limit.on_delay)} late; take it out"
        yield PlanRemark("warning", sentence, limit.line)
    rule = limit.rule
    if isinstance(rule, Ceiling | Floor) and rule.allowed and limit.on_delay > rule.allowed:
        sentence = f"{where}: on_delay {format_span(limit.on_delay)} is longer than allowed {format_span(rule.allowed)}"
        yield PlanRemark("warning", f"{sentence}, so it rings after the limit is passed; write a shorter on_delay", limit.line)


def _marks(plan: Plan, limit: Limit, table: Table, where: str) -> Iterator[PlanRemark]:
    if table.book not in plan.site.books:
        yield PlanRemark("warning", f"{where}: book {table.book} is none of the site's books; write it into [site] books", limit.line)
    for mark in dict.fromkeys(c.mark for c in limit.citations if not read_in_original(c.mark)):
        cited = next(c for c in limit.citations if c.mark == mark)
        rests = f"{where}: {table.ref} has rows marked {mark} ({MARKS[mark]}; {cited.document}, {cited.section})"
        if limit.confirmed:
            yield PlanRemark("note", f"{rests}, confirmed by {limit.confirmed}", limit.line)
            continue
        severity: Severity = "error" if limit.critical else "warning"
        ask = 'compare them with the document and write confirmed = "who, when, against what"'
        yield PlanRemark(severity, f"{rests}, which nobody has confirmed; {ask}", limit.line)


def _fits(product: Product | None, limit: Limit, table: Table, where: str) -> Iterator[PlanRemark]:
    if product is None:
        return
    # A meat product judged by a poultry table is judged more strictly: any poultry in it makes that the right one.
    if table.species and product.species not in table.species and not (product.species == "meat" and "meat" not in table.species):
        fitting = [t.name for t in load_book(table.book).tables.values() if t.kind == table.kind and product.species in t.species]
        remedy = f"write one of {', '.join(fitting)}" if fitting else "take another book"
        yield PlanRemark(
            "error", f"{where}: {table.ref} is for {' or '.join(table.species)}, the product is {product.species}; {remedy}", limit.line
        )
    if table.cured is not None and table.cured != product.cured:
        is_cured, wants = ("cured" if product.cured else "uncured"), ("cured" if table.cured else "uncured")
        fitting = [t.name for t in load_book(table.book).tables.values() if t.kind == table.kind and t.cured in (None, product.cured)]
        sentence = f"{where}: {table.ref} is for {wants} product, and {product.code} is {is_cured}"
        yield PlanRemark(
            "error", f"{sentence}; write one of {', '.join(fitting)}, or cured = {str(table.cured).lower()} if it is", limit.line
        )
    if table.name == "meat-5-log":
        sentence = f"{where}: 5-log is for shelf-stable meat, and for other meat only with further support (FSIS-GD-2021-14 p. 18)"
        yield PlanRemark("warning", f"{sentence}; write meat-6.5-log, or the support as source", limit.line)


def _against_site_books(plan: Plan, product: Product, limit: Limit, where: str) -> Iterator[PlanRemark]:
    """A limit that names no book, against those tables of the site's books that speak of such a product."""
    if limit.kind not in ("lethality", "come-up", "cooling"):
        return
    unit = plan.site.unit
    tables = _candidates(plan.site.books, product, limit)
    if isinstance(limit.rule, HoldLethality):
        for row in (r for r in limit.rule.rows if r.length == 0):
            asked_by = tables or _candidates((_DEFAULT_BOOK,), product, limit)
            asks = [(t, a) for t in asked_by if (a := _asks(t, row.at_c, product)) is not None]
            if asks and min(a for _, a in asks) > 0:
                table, time = asks[0]
                at = temperature(row.at_c, unit)
                sentence = f"{where}: {at} for 0 s is a bare temperature, where {table.ref} asks to hold it for {format_span(time)}"
                yield PlanRemark("error", f'{sentence}; write that time, or book = "{table.ref}"', limit.line)
                return
    reasons = [(t, laxer(limit.rule, t.rule(product.fat_pct), unit)) for t in tables]
    if not reasons or not reasons[0][1]:
        return
    table, reason = reasons[0]
    if all(r for _, r in reasons):
        severity: Severity = "warning" if limit.confirmed else "error"
        yield PlanRemark(severity, f"{where}: laxer than every table of the site's books, {table.ref} first: {reason}", limit.line)
    elif limit.kind == "lethality":
        yield PlanRemark("warning", f"{where}: laxer than {table.ref}: {reason}", limit.line)


def _candidates(books: tuple[str, ...], product: Product, limit: Limit) -> list[Table]:
    return [
        table
        for name in books
        if name in book_names()
        for table in load_book(name).tables.values()
        if table.kind == limit.kind
        and table.compare
        and (not table.species or product.species in table.species)
        and table.cured in (None, product.cured)
        and not isinstance(limit.rule, IntegratedLethality)
    ]


def _asks(table: Table, at_c: float, product: Product) -> Span | None:
    """How long a hold table wants a temperature held; None where it begins above it."""
    rule = table.rule(product.fat_pct)
    rows = [r.length for r in rule.rows if r.at_c <= at_c + 0.0005] if isinstance(rule, HoldLethality) else []
    return min(rows, default=None)


def _lethality(limit: Limit, where: str, unit: str) -> Iterator[PlanRemark]:
    rule = limit.rule
    lowest = rule.rows[0].at_c if isinstance(rule, HoldLethality) else rule.floor_c if isinstance(rule, IntegratedLethality) else None
    if lowest is None:
        return
    if lowest < _SUPPORTED_C - 0.001:
        sentence = f"{where}: rows below {temperature(_SUPPORTED_C, unit)} are met by holds that a study did not find supported at 130 °F"
        yield PlanRemark("warning", f"{sentence} (McMinn et al. 2018, Meat Muscle Biol. 2(1):168-179, abstract)", limit.line)
    if isinstance(rule, IntegratedLethality):
        sentence = f"{where}: published tables are hold times; the sum is accepted only with a qualified evaluation (FSIS-GD-2021-14 p. 68)"
        yield PlanRemark("note", f"{sentence}, here that of {rule.validated_by}", limit.line)
    elif limit.book and limit.book.startswith("us-inspected"):
        sentence = f"{where}: its humidity condition is not judged by this version; keep that record, or the exemption (a casing, p. 31)"
        yield PlanRemark("note", sentence, limit.line)
