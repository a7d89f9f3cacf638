"""What a HACCP plan summary says (9 CFR 417.2(c)), made from the plan alone. What the plan does not say is named, not invented."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from monitor.plan_sheet.words import PLACES, advance_words, limit_words
from rules.book import MARKS, load_book, load_table, read_in_original
from rules.book_text import condition_words
from rules.limits.spec import Humidity
from rules.plan import Limit, Plan, Probe, Product, Step
from rules.plan_check import check_plan
from rules.quantity import format_span
from rules.sources import source_lines
from rules.wording import difference, percent

NOT_STATED = "NOT STATED in the plan."
CAUTIONS = (
    "Food can make people ill. This sheet supports a HACCP plan and does not replace one: it lists what one file says.",
    "Limits must be validated for the establishment's own products by a qualified person. Local codes, local law and the inspector decide; "
    "where they ask more than this sheet, they hold.",
    "A thermometer is only as good as its last calibration. What was not measured was not controlled.",
    "Cure (nitrite) is toxic in excess: weigh it.",
    "A limit that is met was met as measured. That is no statement that the food cannot make anyone ill.",
)
_RECORDS = "Readings, lot events, deviation record: in the ledger and each day's export."


@dataclass(frozen=True, slots=True)
class Entry:
    """One limit. `fields` are (label, sentences) in the order in which they are read."""

    title: str
    critical: bool
    fields: tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True, slots=True)
class Part:
    """A product, or the rooms that are watched with no lot. `steps` are (step, room, how it is left)."""

    title: str
    facts: tuple[tuple[str, str], ...]
    steps: tuple[tuple[str, str, str], ...]
    entries: tuple[Entry, ...]


@dataclass(frozen=True, slots=True)
class PlanSheet:
    """The whole sheet. `probes` are rows under PROBE_HEADS, `marks` the verification marks in use, `documents` those cited with title and
    date, `unsaid` what the plan leaves out.
    """

    title: str
    name: str
    sha256: str
    facts: tuple[tuple[str, str], ...]
    parts: tuple[Part, ...]
    probes: tuple[tuple[str, ...], ...]
    unsaid: tuple[str, ...]
    marks: tuple[tuple[str, str], ...]
    documents: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...] = CAUTIONS


PROBE_HEADS = ("Probe", "Measures", "Room", "Uncertainty", "Allowed error", "Checked every")
GROUPS = ((True, "Critical limits"), (False, "Operating limits"))


def plan_sheet(plan: Plan, name: str) -> PlanSheet:
    """The sheet of a plan; `name` is that of its file."""
    site = plan.site
    facts = (
        ("Site", f"{site.name} ({site.id})"),
        ("Plan file", name),
        ("SHA-256", plan.sha256),
        ("Time zone", site.timezone),
        ("Altitude", "not stated" if site.altitude_m is None else f"{site.altitude_m:g} m"),
        ("Limit books", ", ".join(site.books) or "none"),
    )
    parts = [_product(plan, product) for product in plan.products]
    if plan.standing:
        entries = [_entry(plan, None, None, limit, room.room) for room in plan.standing for limit in room.limits]
        parts.append(Part("Rooms, watched day and night with no lot", (), (), tuple(entries)))
    used = {c.mark for limit in _limits(plan) for c in limit.citations}
    return PlanSheet(
        f"{site.name}: HACCP plan summary", name, plan.sha256, facts, tuple(parts), tuple(_probe(p, site.unit) for p in plan.probes),
        tuple(_unsaid(plan)), tuple((m, words) for m, words in MARKS.items() if m in used), tuple(_documents(plan)),
    )  # fmt: skip


def _limits(plan: Plan) -> Iterator[Limit]:
    for standing in plan.standing:
        yield from standing.limits
    for product in plan.products:
        for step in product.steps:
            yield from step.limits


def _product(plan: Plan, product: Product) -> Part:
    facts = [("Code", product.code), ("Meat", product.species), ("Cured", "yes" if product.cured else "no")]
    facts.append(("Fat", "not stated" if product.fat_pct is None else percent(product.fat_pct)))
    if product.diameter_m is not None:
        facts.append(("Diameter", f"{product.diameter_m * 1000:g} mm"))
    steps = []
    for step in product.steps:
        marks = [word for word, on in (("optional", step.optional), ("may repeat", step.repeats)) if on]
        steps.append((step.name + (f" ({', '.join(marks)})" if marks else ""), step.room or "-", advance_words(step.advance)))
    entries = [_entry(plan, product, step, limit, step.room) for step in product.steps for limit in step.limits]
    return Part(product.name, tuple(facts), tuple(steps), tuple(entries))


def _entry(plan: Plan, product: Product | None, step: Step | None, limit: Limit, room: str | None) -> Entry:
    unit = plan.site.unit
    over = f" (through {', '.join(limit.over)})" if len(limit.over) > 1 else ""
    place = f"{step.name}{over}" if step is not None else f"room {room}"
    asks = [*limit_words(limit.rule, unit)]
    if _exempt(limit):
        title = f"{place}: {limit.name}"
        return Entry(title, limit.critical, (("Limit", tuple(asks)), ("Source", ("The exemption's own, as above.", *source_lines(limit)))))
    rooms = {s.room for s in product.steps if s is step or s.name in limit.over} if product is not None else {room}
    if limit.kind == "cooling":
        asks.append("It opens as soon as the lot's lethality is met, and runs on through every step until its last mark.")
    fields = [
        ("Hazard", (limit.hazard,) if limit.hazard else (NOT_STATED,)),
        ("Limit", tuple(asks)),
        ("Monitoring: what", (f"{PLACES[limit.place][0].upper()}{PLACES[limit.place][1:]}.",)),
        ("Monitoring: how", (_how(plan, limit, rooms),)),
        ("Monitoring: how often", (_how_often(limit),)),
        ("Monitoring: who", ("The program watches and rings. Who answers, and who measures by hand: " + NOT_STATED,)),
        ("Corrective action", limit.do or (NOT_STATED,)),
        ("Verification", (_verification(plan, limit, rooms),)),
        ("Records", (_RECORDS,)),
        ("Source", tuple(source_lines(limit)) or (NOT_STATED,)),
    ]
    fields += _of_the_book(limit)
    return Entry(f"{place}: {limit.name}", limit.critical, tuple(fields))


def _exempt(limit: Limit) -> bool:
    """Whether nothing is measured, so that nothing else is to be said of it."""
    return isinstance(limit.rule, Humidity) and bool(limit.rule.exempt)


def _serving(plan: Plan, limit: Limit, rooms: set[str | None]) -> list[Probe]:
    return [p for p in plan.probes if p.place == limit.place and (limit.place == "core" or not plan.rooms or p.room in rooms)]


def _how(plan: Plan, limit: Limit, rooms: set[str | None]) -> str:
    if limit.place == "lot":
        return "A person enters the value for the lot."
    if limit.sampled:
        return "By hand with a handheld thermometer, entered for the lot; streaming probes do not count."
    serving = _serving(plan, limit, rooms)
    errors = {_error(p, plan.site.unit) for p in serving}
    if len(errors) > 1:
        named = ", ".join(f"{p.id} (uncertainty {_error(p, plan.site.unit)})" for p in serving)
    else:
        named = ", ".join(p.id for p in serving) + "".join(f" (uncertainty {'each ' if len(serving) > 1 else ''}{e})" for e in errors)
    which = f"Any of these, placed in the lot: {named}" if limit.place == "core" else f"Fixed probes: {named}"
    dry = [p.dry_bulb for p in serving if p.dry_bulb is not None]
    which += f", with {', '.join(dry)} as dry bulb" if dry else ""
    which = which if serving else "NO PROBE of the plan can serve it"
    worst = " Of several the worst for the lot decides" + (f"; at least {limit.probes} must show it." if limit.probes else ".")
    guard = (
        " The probe's uncertainty is counted against the lot." if limit.guard else " The probe's uncertainty is NOT counted (guard = none)."
    )
    return f"{which}.{worst}{guard}"


def _how_often(limit: Limit) -> str:
    if limit.place == "lot":
        return "Once a lot, or as often as it is entered; every value entered counts."
    if limit.sampled:
        return f"Every {format_span(limit.sampled)}; more than {format_span(limit.max_gap)} between two checks counts as not measured."
    delay = f" Rings {format_span(limit.on_delay)} after it is exceeded." if limit.on_delay else ""
    return f"Continuously; more than {format_span(limit.max_gap)} between two readings counts as not measured.{delay}"


def _verification(plan: Plan, limit: Limit, rooms: set[str | None]) -> str:
    """Only what the plan says: how often the serving probes are checked, and with what error they pass."""
    checked = [p for p in _serving(plan, limit, rooms) if p.check_every is not None or p.tolerance_c is not None]
    if not checked or limit.sampled:
        return NOT_STATED
    unit = plan.site.unit
    said = []
    for p in checked:
        every = f"checked every {format_span(p.check_every)}" if p.check_every is not None else "how often checked is not stated"
        error = f"allowed error {difference(p.tolerance_c, unit)}" if p.tolerance_c is not None else "allowed error not stated"
        said.append(f"{p.id} {every}, {error}")
    return f"{'; '.join(said)}. Direct observation and review of records: {NOT_STATED}"


def _of_the_book(limit: Limit) -> Iterator[tuple[str, tuple[str, ...]]]:
    """What the book's table asks besides, and its note."""
    if not limit.book:
        return
    table = load_table(limit.book)
    if table.conditions:
        yield (
            "Asked, not judged",
            tuple(f"{words[0].upper()}{words[1:]}." for c in table.conditions if (words := condition_words(c.values))),
        )
    if table.note:
        yield "Note of the book", (table.note,)


def _documents(plan: Plan) -> Iterator[tuple[str, str]]:
    """Title and date of every document cited, in the order of the plan."""
    told = set()
    for limit in _limits(plan):
        titles = load_book(limit.book.partition("/")[0]).documents if limit.book else {}
        for document in dict.fromkeys(c.document for c in limit.citations):
            if document in titles and document not in told:
                told.add(document)
                title, date = titles[document]
                yield document, f"{title} ({date})"


def _error(probe: Probe, unit: str) -> str:
    if probe.uncertainty_c is None:
        return "not stated"
    return percent(probe.uncertainty_c) if probe.place == "humidity" else difference(probe.uncertainty_c, unit)


def _probe(probe: Probe, unit: str) -> tuple[str, ...]:
    tolerance = "not stated" if probe.tolerance_c is None else difference(probe.tolerance_c, unit)
    every = "not stated" if probe.check_every is None else format_span(probe.check_every)
    return probe.id, probe.place, probe.room or "in the lot", _error(probe, unit), tolerance, every


def _unsaid(plan: Plan) -> Iterator[str]:
    """What an inspector would look for and this plan does not hold."""
    found = [(name, limit) for name, limit in _named_limits(plan) if not _exempt(limit)]
    for what in ("hazard", "corrective action"):
        names = [name for name, limit in found if limit.critical and not (limit.hazard if what == "hazard" else limit.do)]
        if names:
            yield f"No {what} for the critical {_plural('limit', names)} {'; '.join(names)}."
    names = [name for name, limit in found if not limit.citations and not limit.source]
    if names:
        yield f"No source for the {_plural('limit', names)} {'; '.join(names)}."
    names = [n for n, x in found if x.critical and not x.confirmed and any(not read_in_original(c.mark) for c in x.citations)]
    if names:
        yield f"Rows that were not read in the original and that nobody has confirmed: {'; '.join(names)}."
    bare = [p.id for p in plan.probes if p.uncertainty_c is None]
    if bare:
        yield f"No uncertainty for the {_plural('probe', bare)} {', '.join(bare)}."
    unchecked = [p.id for p in plan.probes if p.check_every is None]
    if unchecked:
        yield f"Not how often the {_plural('probe', unchecked)} {', '.join(unchecked)} {'is' if len(unchecked) == 1 else 'are'} checked."
    yield "Who monitors, who acts and who verifies (9 CFR 417.2(c)(4), (5), (7); 417.3(a)). A plan file names no person."
    yield "Verification procedures and their frequency beyond what is listed with the probes (9 CFR 417.2(c)(7), 417.4(a)(2))."
    yield "The hazard analysis, the flow diagram, the product's description and its intended use."
    yield "Signature and date of the person responsible (9 CFR 417.2(d)): ______________________________  ____________"
    remarks = check_plan(plan)
    counts = [(s, sum(r.severity == s for r in remarks)) for s in ("error", "warning")]
    yield (
        "The plan check finds "
        + " and ".join(f"{n or 'no'} {s if n == 1 else s + 's'}" for s, n in counts)
        + "; larderer plan check lists them."
    )
    for remark in remarks:
        if remark.severity == "error":
            yield f"Plan check, error in line {remark.line}: {remark.sentence}."


def _plural(word: str, names: list[str]) -> str:
    return word if len(names) == 1 else word + "s"


def _named_limits(plan: Plan) -> Iterator[tuple[str, Limit]]:
    for standing in plan.standing:
        for limit in standing.limits:
            yield f"room {standing.room}, {limit.name}", limit
    for product in plan.products:
        for step in product.steps:
            for limit in step.limits:
                yield f"{product.code}, {step.name}, {limit.name}", limit
