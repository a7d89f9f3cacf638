"""Reading one limit of a plan: its kind's own keys, its book, and the keys that every limit may carry."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from rules.book import Table, load_table
from rules.errors import BookError
from rules.limits.spec import (
    Ceiling,
    ComeUp,
    Cooling,
    Dwell,
    Exposure,
    Floor,
    HoldLethality,
    IntegratedLethality,
    Need,
    Row,
    Rule,
    Tier,
    Window,
    default_max_gap,
)
from rules.plan import PLACES, Limit
from rules.plan_process import PROCESS_KEYS, PROCESS_READERS, process_place
from rules.plan_read import Node, show
from rules.reading import Span
from rules.strictness import laxer

COMMON_KEYS = (
    "name", "kind", "class", "place", "over", "max_gap", "sampled", "probes", "guard", "on_delay", "off_delay", "priority",
    "book", "confirmed", "source", "do", "hazard",
)  # fmt: skip
_HOLD_KEYS = ("rows",)
_INTEGRAL_KEYS = ("reference", "d_value", "z_value", "floor", "target_log", "validated_by")
KIND_KEYS: Mapping[str, tuple[str, ...]] = {
    "ceiling": ("max", "allowed", "deadband"),
    "floor": ("min", "allowed", "deadband"),
    "exposure": ("tiers",),
    "dwell": ("max", "min", "for", "contiguous"),
    "come-up": ("low", "high", "within"),
    "lethality": ("method", *_HOLD_KEYS, *_INTEGRAL_KEYS),
    "cooling": ("start", "windows", "needs", "begin_within"),
    **PROCESS_KEYS,
}
#: Where a temperature can be measured.
_THERMOMETERS = tuple(p for p in PLACES if p != "humidity")
STANDING_KINDS = ("ceiling", "floor", "exposure")
PRIORITIES = ("low", "medium", "high", "critical")
#: Of a limit judged on hand checks the longest interval is this much more than the time between two checks.
_SAMPLED_GAP = (12, 10)


@dataclass(frozen=True, slots=True)
class Context:
    """What a limit is read within: the site's unit, the product's fat, whether it watches a room with no lot, the probes' places."""

    unit: str
    fat_pct: float | None = None
    standing: bool = False
    places: frozenset[str] = frozenset()


def read_limit(node: Node, context: Context) -> Limit | None:
    """The limit of one table, or None where it cannot be made; every mistake is noted."""
    kind = _kind(node, context)
    if kind is None:
        return None
    node.only((*COMMON_KEYS, *KIND_KEYS[kind]))
    table = _table(node, kind)
    # Without the book that it names, nothing can be said of what the limit leaves out.
    book_rule = _book_rule(node, table, context)
    unbooked = node.has("book") and (table is None or (book_rule is None and not all(node.has(k) for k in _INTEGRAL_KEYS)))
    rule = None if unbooked else _READERS[kind](node, book_rule)
    place = process_place(node, kind, rule, context.places) if kind in PROCESS_KEYS else _place(node, kind, context)
    sampled = node.span("sampled", None, zero=False)
    if sampled and context.standing:
        node.wrong("sampled", "a standing limit has no lot to check by hand; take sampled out")
    probes = node.number("probes", None, whole=True)
    common: dict[str, Any] = {
        "name": node.text("name", kind),
        "max_gap": _max_gap(node, kind, place or "core", sampled),
        "critical": node.choice("class", ("critical", "operating"), "critical") == "critical" and kind != "profile",
        "over": _over(node, context),
        "sampled": sampled,
        "probes": None if probes is None else int(probes),
        "guard": node.choice("guard", ("none",), "") != "none",
        "on_delay": node.span("on_delay", 0),
        "off_delay": node.span("off_delay", 0),
        "priority": node.choice("priority", PRIORITIES, ""),
        "confirmed": node.text("confirmed"),
        "source": node.text("source"),
        "do": node.texts("do"),
        "hazard": node.text("hazard"),
        "line": node.line,
    }
    if rule is None or place is None:
        return None
    if table is None:
        return Limit(rule=rule, place=place, **common)
    # A limit with a mistake of its own is not compared: one mistake, one sentence.
    reason = laxer(rule, book_rule, context.unit) if book_rule is not None else ""
    if reason:
        node.wrong("", f"the limit is laxer than its book {table.ref}: {reason}")
    citations = table.citations(context.fat_pct, integrated=isinstance(rule, IntegratedLethality))
    return Limit(rule=rule, place=place, book=table.ref, citations=citations, **common)


def _kind(node: Node, context: Context) -> str | None:
    kind = show(node.data.get("kind")).strip('"')
    allowed = STANDING_KINDS if context.standing else tuple(KIND_KEYS)
    if context.standing and kind in KIND_KEYS and kind not in allowed:
        node.wrong("kind", f"kind {kind} needs a lot, and a standing limit has none; write one of {', '.join(allowed)}")
        return None
    return node.choice("kind", allowed, "", required=True) or None


def _table(node: Node, kind: str) -> Table | None:
    ref = node.text("book")
    if not ref:
        return None
    try:
        table = load_table(ref)
        table_kind = table.kind
        if table_kind == kind:
            return table
        table.rule()
    except BookError as error:
        node.wrong("book", str(error))
        return None
    node.wrong(
        "book", f'table "{ref}" is of the kind {table_kind}, and the limit of the kind {kind}; write kind = "{table_kind}" or another table'
    )
    return None


def _book_rule(node: Node, table: Table | None, context: Context) -> Rule | None:
    if table is None:
        return None
    if not (table.kind == "lethality" and _method(node) == "integrated"):
        return table.rule(context.fat_pct)
    try:
        return table.integrated(str(node.data.get("validated_by", "")))
    except BookError as error:
        if not all(node.has(k) for k in _INTEGRAL_KEYS):
            node.wrong("book", str(error))
        return None


def _place(node: Node, kind: str, context: Context) -> str | None:
    default = "core" if kind in ("come-up", "lethality", "cooling") else ""
    place = node.choice("place", _THERMOMETERS, default, required=not default)
    if context.standing and place == "core":
        node.wrong("place", 'place is "core", and a standing limit has no lot to put a core probe in; write "cooler", "room" or "chamber"')
        return None
    return place or None


def _over(node: Node, context: Context) -> tuple[str, ...]:
    if context.standing and node.has("over"):
        node.wrong("over", "a standing limit has no steps to run over; take over out")
        return ()
    return node.texts("over")


def _max_gap(node: Node, kind: str, place: str, sampled: Span | None) -> Span:
    if sampled is None:
        return node.span("max_gap", default_max_gap(kind, place), zero=False)
    if node.has("max_gap"):
        node.wrong("max_gap", "max_gap of a sampled limit is 1.2 times sampled; take max_gap out, or sampled")
    return sampled * _SAMPLED_GAP[0] // _SAMPLED_GAP[1]


# One reader a kind. `base` is the book's rule, whose figures stand where the plan writes none.


def _ceiling(node: Node, base: Any) -> Rule | None:
    max_c = node.temperature("max", base.max_c if base else None, required=base is None)
    deadband = node.difference("deadband", 0.5)
    allowed = node.span("allowed", base.allowed if base else 0)
    return None if max_c is None or deadband is None else Ceiling(max_c, allowed, deadband)


def _floor(node: Node, base: Any) -> Rule | None:
    min_c = node.temperature("min", base.min_c if base else None, required=base is None)
    deadband = node.difference("deadband", 0.5)
    allowed = node.span("allowed", base.allowed if base else 0)
    return None if min_c is None or deadband is None else Floor(min_c, allowed, deadband)


def _exposure(node: Node, base: Any) -> Rule | None:
    if base is not None and not node.has("tiers"):
        return Exposure(base.tiers)
    tiers = []
    for tier in node.tables("tiers", required=True):
        tier.only(("above", "within"))
        above, within = tier.temperature("above", required=True), tier.span("within", None, required=True)
        if above is not None and within is not None:
            tiers.append(Tier(above, within))
    if len({t.above_c for t in tiers}) < len(tiers):
        node.wrong("tiers", "two tiers have the same above; write one of them")
    return Exposure(tuple(sorted(tiers, key=lambda t: t.above_c))) if tiers else None


def _dwell(node: Node, base: Any) -> Rule | None:
    length = node.span("for", base.length if base else None, required=base is None, zero=False)
    max_c, min_c = node.temperature("max", base.max_c if base else None), node.temperature("min", base.min_c if base else None)
    if node.has("max") == node.has("min") and (node.has("max") or base is None):
        node.wrong("", 'a dwell has one bound; write either max = "38 °F" or min = "145 °F"')
        return None
    contiguous = node.flag("contiguous", base.contiguous if base else False)
    return None if length is None or (max_c is None and min_c is None) else Dwell(length, max_c, min_c, contiguous)


def _come_up(node: Node, base: Any) -> Rule | None:
    required = base is None
    low = node.temperature("low", base.low_c if base else None, required=required)
    high = node.temperature("high", base.high_c if base else None, required=required)
    within = node.span("within", base.within if base else None, required=required, zero=False)
    if low is None or high is None or within is None:
        return None
    if low >= high:
        node.wrong("low", f"low is {show(node.data.get('low'))} and not below high; write the lower temperature as low")
        return None
    return ComeUp(low, high, within)


def _method(node: Node) -> str:
    """The method stated, or the one that the written-out keys belong to."""
    stated = node.data.get("method")
    if stated in ("hold", "integrated"):
        return str(stated)
    return "integrated" if any(node.has(k) for k in _INTEGRAL_KEYS) and not node.has("rows") else "hold"


def _lethality(node: Node, base: Any) -> Rule | None:
    node.choice("method", ("hold", "integrated"), "hold")
    method = _method(node)
    for key in _INTEGRAL_KEYS if method == "hold" else _HOLD_KEYS:
        if node.has(key):
            other = "integrated" if method == "hold" else "hold"
            node.wrong(key, f'{key} belongs to the method {other} and this limit is {method}; take it out or write method = "{other}"')
    return _integrated(node, base) if method == "integrated" else _hold(node, base)


def _hold(node: Node, base: Any) -> Rule | None:
    if base is not None and not node.has("rows"):
        return HoldLethality(base.rows)
    rows = []
    for row in node.tables("rows", required=True):
        row.only(("at", "for"))
        at, length = row.temperature("at", required=True), row.span("for", None, required=True)
        if at is not None and length is not None:
            rows.append(Row(at, length))
    if len({r.at_c for r in rows}) < len(rows):
        node.wrong("rows", "two rows have the same at; write one of them")
    return HoldLethality(tuple(sorted(rows, key=lambda r: r.at_c))) if rows else None


def _integrated(node: Node, base: Any) -> Rule | None:
    required = base is None
    reference = node.temperature("reference", base.reference_c if base else None, required=required)
    d_value = node.span("d_value", base.d_value if base else None, required=required, zero=False)
    z_value = node.difference("z_value", base.z_value_c if base else None, required=required)
    floor = node.temperature("floor", base.floor_c if base else None, required=required)
    target = node.number("target_log", base.target_log if base else None)
    if target is None and not node.has("target_log"):
        node.missing("target_log")
    validated_by = node.text("validated_by", required=True)
    if z_value == 0:
        node.wrong("z_value", f'z_value is {show(node.data.get("z_value"))}; write a difference above 0, such as "10 °F"')
        return None
    if reference is None or d_value is None or z_value is None or floor is None or target is None:
        return None
    return IntegratedLethality(reference, d_value, z_value, floor, target, validated_by)


def _cooling(node: Node, base: Any) -> Rule | None:
    start = node.temperature("start", base.start_c if base else None, required=base is None)
    windows = base.windows if base is not None and not node.has("windows") else _windows(node)
    needs = base.needs if base is not None and not node.has("needs") else _needs(node)
    begin = node.span("begin_within", base.begin_within if base else None, zero=False)
    if start is None or not windows:
        return None
    above = start
    for i, window in enumerate(windows):
        if window.to_c >= above:
            before = "start" if i == 0 else "the window before"
            node.wrong("windows", f"window {i + 1} does not go below {before}; write the windows from warm to cold")
            return None
        above = window.to_c
    return Cooling(start, windows, needs, begin)


def _windows(node: Node) -> tuple[Window, ...]:
    windows = []
    for window in node.tables("windows", required=True):
        window.only(("to", "within", "by"))
        to = window.temperature("to", required=True)
        within, by = window.span("within", None, zero=False), window.span("by", None, zero=False)
        if window.has("within") == window.has("by"):
            window.wrong("", "a window has one time; write within (from the mark before) or by (from the start)")
        elif to is not None and (within is not None or by is not None):
            windows.append(Window(to, within, by))
    return tuple(windows)


def _needs(node: Node) -> tuple[tuple[Need, ...], ...]:
    needs = []
    for part in node.tables("needs"):
        values = [(k, part.number(k, None)) for k in part.data]
        if not values:
            part.wrong("", "an alternative of needs is empty; write a measure and its least value, such as { nitrite_ppm = 100 }")
        needs.append(tuple(Need(k, v) for k, v in values if v is not None))
    return tuple(n for n in needs if n)


_READERS: Mapping[str, Callable[[Node, Any], Rule | None]] = {
    "ceiling": _ceiling,
    "floor": _floor,
    "exposure": _exposure,
    "dwell": _dwell,
    "come-up": _come_up,
    "lethality": _lethality,
    "cooling": _cooling,
    **PROCESS_READERS,
}
