"""Reading the limits that judge a process: profile, humidity, degree-hours, composition; and the probes beside them."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any

from rules.book import book_names, load_book
from rules.book_process import DEFAULT_BOOK, EXEMPTIONS, exemption, percent
from rules.errors import QuantityError
from rules.limits.spec import Band, Composition, DegreeHours, Humidity, Profile, Rule, Stage
from rules.plan import Limit, Probe, Product
from rules.plan_read import Node, show
from rules.quantity import parse_difference, parse_span
from rules.reading import MINUTE, Span
from rules.science.degree_hours import parse_degree_hours
from rules.science.errors import ScienceError

PROCESS_KEYS: Mapping[str, tuple[str, ...]] = {
    "profile": ("stages", "tolerance", "settle", "fire_out"),
    "humidity": ("min_rh", "share", "at_least", "exempt"),
    "degree-hours": ("base", "limit", "until_ph"),
    "composition": ("measure", "min", "max"),
}
#: The place of a limit that is judged on what people enter for the lot, and that no probe serves.
ENTERED = "lot"
_PLACES: Mapping[str, tuple[str, ...]] = {
    "profile": ("chamber",),
    "humidity": ("humidity", "wet-bulb"),
    "degree-hours": ("chamber", "core"),
}
_FALL = re.compile(r"\s*(.+?)\s+in\s+(.+?)\s*")
_MEASURE = re.compile(r"[A-Za-z][A-Za-z0-9_]*")


# One reader a kind, as in `plan_limit`: `base` is the book's rule, whose figures stand where the plan writes none.


def _profile(node: Node, base: Any) -> Rule | None:
    if node.data.get("class") == "critical":
        node.wrong(
            "class", "a profile is operating and never critical; take class out, and let lethality or a ceiling be the critical limit"
        )
    stages = base.stages if base is not None and not node.has("stages") else _stages(node)
    tolerance = node.difference("tolerance", base.tolerance_c if base else 5.0)
    settle = node.span("settle", base.settle if base else 15 * MINUTE)
    fire_out = _fire_out(node, base.fire_out if base else None)
    return Profile(stages, tolerance, settle, fire_out) if stages and tolerance is not None else None


def _stages(node: Node) -> tuple[Stage, ...]:
    stages = []
    for stage in node.tables("stages", required=True):
        stage.only(("set", "for", "until_core"))
        set_c = stage.temperature("set", required=True)
        length, until = stage.span("for", None, zero=False), stage.temperature("until_core")
        if stage.has("for") == stage.has("until_core"):
            stage.wrong("", 'a stage has one end; write for = "2 h" or until_core = "145 °F"')
        elif set_c is not None and (length is not None or until is not None):
            stages.append(Stage(set_c, length, until))
    return tuple(stages)


def _fire_out(node: Node, default: tuple[float, Span] | None) -> tuple[float, Span] | None:
    value = node.data.get("fire_out")
    if value is None:
        return default
    match = _FALL.fullmatch(value) if isinstance(value, str) else None
    try:
        fall, within = (parse_difference(match[1]), parse_span(match[2])) if match else (0.0, 0)
    except QuantityError:
        fall, within = 0.0, 0
    if fall <= 0 or within <= 0:
        node.wrong("fire_out", f'fire_out is {show(value)}; write a fall within a time, such as "20 °F in 10 min"')
        return default
    return fall, within


def _humidity(node: Node, base: Any) -> Rule | None:
    if node.has("exempt"):
        return _exempt(node)
    min_rh = _percent(node, "min_rh", base.min_rh if base else None)
    share = _share(node, base.share if base else None)
    at_least = node.span("at_least", base.at_least if base else None, zero=False)
    if share is None and at_least is None:
        if not (node.has("share") or node.has("at_least")):
            node.wrong("", 'the limit asks no time; write share = "50 %" of the cook, at_least = "60 min", or both')
        return None
    if node.has("min_rh") and min_rh is None:
        return None
    return Humidity(min_rh, share, at_least)


def _exempt(node: Node) -> Rule | None:
    for key in ("min_rh", "share", "at_least", "place"):
        if node.has(key):
            node.wrong(key, f"an exempt product is not measured; take {key} out, or exempt")
    code = node.text("exempt", required=True)
    book = node.text("book").partition("/")[0] or DEFAULT_BOOK
    if not code or book not in book_names():
        return None
    table = load_book(book).tables.get(EXEMPTIONS)
    codes = [str(r.values["code"]) for r in table.rows] if table is not None else []
    if table is None or not codes:
        node.wrong("exempt", f'exempt is "{code}", and book "{book}" has no exemptions from humidity; take exempt out and write min_rh')
    elif code not in codes:
        node.wrong("exempt", f'exempt is "{code}", which book "{book}" does not have; write one of {", ".join(codes)}')
    else:
        return Humidity(exempt=code, exempt_text=exemption(table, code))
    return None


def _percent(node: Node, key: str, default: float | None) -> float | None:
    if not node.has(key):
        return default
    value = percent(node.data[key])
    if value is None or not 0 < value <= 100:
        node.wrong(key, f'{key} is {show(node.data[key])}; write per cent above 0 and up to 100, such as "90 %"')
        return None
    return value


def _share(node: Node, default: float | None) -> float | None:
    if not node.has("share"):
        return default
    raw = node.data["share"]
    number = isinstance(raw, int | float) and not isinstance(raw, bool)
    value = float(raw) if number else percent(raw)
    value = value / 100 if value is not None and not number else value
    if value is None or not 0 < value <= 1:
        node.wrong("share", f'share is {show(raw)}; write the part of the cook, such as "25 %" or 0.25')
        return None
    return value


def _degree_hours(node: Node, base: Any) -> Rule | None:
    base_c = node.temperature("base", base.base_c if base else None, required=base is None)
    bands = base.bands if base is not None and not node.has("limit") else _bands(node)
    until_ph = node.number("until_ph", base.until_ph if base else None)
    if base is None and not node.has("until_ph"):
        node.missing("until_ph")
    if until_ph is not None and until_ph > 14:
        node.wrong("until_ph", f"until_ph is {show(node.data.get('until_ph'))}, and no pH is above 14; write one such as 5.3")
        return None
    return DegreeHours(base_c, bands, until_ph) if base_c is not None and bands and until_ph is not None else None


def _bands(node: Node) -> tuple[Band, ...]:
    value = node.data.get("limit")
    try:
        limit = parse_degree_hours(value) if isinstance(value, str) else 0.0
    except ScienceError:
        limit = 0.0
    if value is None:
        node.wrong("", 'limit is missing; write limit = "1200 °F h", or name a book with its degree-hours')
    elif limit <= 0:
        node.wrong("limit", f'limit is {show(value)}; write degree-hours with their unit, such as "1200 °F h" or "665 °C h"')
    return (Band(None, None, limit),) if limit > 0 else ()


def _composition(node: Node, base: Any) -> Rule | None:
    stated = "measure" if node.has("measure") else "name"
    measure = node.text(stated)
    if base is not None and stated == "name":
        measure = base.measure
    if not measure:
        node.missing("name")
        return None
    if not _MEASURE.fullmatch(measure):
        node.wrong(stated, f'{stated} is "{measure}"; write the name under which the value is entered, such as measure = "nitrite_ppm"')
        return None
    if base is not None and measure != base.measure:
        node.wrong("measure", f'measure is "{measure}", and the book\'s table is of {base.measure}; write that, or take book out')
        return None
    least = _bound(node, "min", base.least if base else None)
    most = _bound(node, "max", base.most if base else None)
    if least is None and most is None:
        if not (node.has("min") or node.has("max")):
            node.wrong("", "a composition has a bound; write min = 120, max = 156, or both")
        return None
    if least is not None and most is not None and least > most:
        node.wrong("min", f"min is {least:g} and above max, which is {most:g}; write the lower value as min")
        return None
    return Composition(measure, least, most)


def _bound(node: Node, key: str, default: float | None) -> float | None:
    value = node.data.get(key)
    if value is None:
        return default
    if not isinstance(value, int | float) or isinstance(value, bool) or not 0 <= value < 1e9:
        node.wrong(key, f"{key} is {show(value)}; write a bare number in the measure's own unit, such as 156, without quotation marks")
        return default
    return float(value)


PROCESS_READERS: Mapping[str, Callable[[Node, Any], Rule | None]] = {
    "profile": _profile,
    "humidity": _humidity,
    "degree-hours": _degree_hours,
    "composition": _composition,
}


def process_place(node: Node, kind: str, rule: Rule | None, places: Iterable[str]) -> str | None:
    """Where a limit of these kinds is measured; `places` are those of the plan's probes. None where it is wrong."""
    if kind == "composition" or (isinstance(rule, Humidity) and rule.min_rh is None):
        _refuse(node, kind, ("place", "probes") if not node.has("exempt") else ("probes",), "is judged on what is entered for the lot")
        _refuse(node, kind, ("sampled",), "is judged on what is entered for the lot, not on hand checks")
        return ENTERED
    if kind != "degree-hours":
        _refuse(node, kind, ("sampled",), "cannot be judged on hand checks")
    allowed = _PLACES[kind]
    default = allowed[0] if kind != "humidity" or "humidity" in places else "wet-bulb"
    return node.choice("place", allowed, default) or None


def _refuse(node: Node, kind: str, keys: tuple[str, ...], why: str) -> None:
    for key in keys:
        if node.has(key):
            more = ", or write min_rh" if kind == "humidity" and key == "place" else ""
            node.wrong(key, f"this {kind} limit {why}; take {key} out{more}")


# --- probes -----------------------------------------------------------------------------------------------------------


def percent_value(text: str) -> float:
    """Per cent of a text such as "100 %". Raises QuantityError."""
    value = percent(text)
    if value is None:
        raise QuantityError(f'humidity is {text!r}; write per cent, such as "90 %"')
    return value


def humidity_uncertainty(node: Node) -> float | None:
    """A humidity probe's uncertainty in per cent of relative humidity."""
    if not node.has("uncertainty"):
        return None
    value = percent(node.data["uncertainty"])
    if value is None or value > 50:
        node.wrong("uncertainty", f'uncertainty is {show(node.data["uncertainty"])}; a humidity probe\'s is in per cent, such as "2 %"')
        return None
    return value


def with_dry_bulbs(plan_probes: tuple[Probe, ...], nodes: list[Node], products: tuple[Product, ...]) -> tuple[Probe, ...]:
    """The probes with the dry bulb of each wet bulb: the one named, else the only chamber probe of its room.

    Several and none named is a mistake only where a humidity limit asks for the pair.
    """
    asked = {
        s.room for p in products for step in p.steps for limit in step.limits if _wants_pair(limit) for s in _steps(p, step.name, limit)
    }
    return tuple(_with_dry_bulb(probe, node, plan_probes, asked) for probe, node in zip(plan_probes, nodes, strict=True))


def _wants_pair(limit: Limit) -> bool:
    return limit.kind == "humidity" and limit.place == "wet-bulb"


def _steps(product: Product, step: str, limit: Limit) -> list[Any]:
    return [s for s in product.steps if s.name in (limit.over or (step,))]


def _with_dry_bulb(probe: Probe, node: Node, probes: tuple[Probe, ...], asked: set[str | None]) -> Probe:
    named = node.text("dry_bulb")
    if probe.place != "wet-bulb":
        if named:
            node.wrong("dry_bulb", f"dry_bulb belongs to a wet-bulb probe, and this one's place is {show(probe.place)}; take it out")
        return probe
    beside = [p.id for p in probes if p.place == "chamber" and p.room == probe.room]
    where = f" of {probe.room}" if probe.room else ""
    if named:
        if named in beside:
            return replace(probe, dry_bulb=named)
        remedy = f"write one of {', '.join(beside)}" if beside else f"write a chamber probe{where} into the plan"
        node.wrong("dry_bulb", f"dry_bulb is {show(named)}, which is no chamber probe{where}; {remedy}")
    elif len(beside) == 1:
        return replace(probe, dry_bulb=beside[0])
    elif probe.room in asked:
        if beside:
            node.wrong("", f"several chamber probes{where} could be its dry bulb; write dry_bulb = one of {', '.join(beside)}")
        else:
            node.wrong("", f"a humidity limit asks for its dry bulb, and there is no chamber probe{where}; write one into the plan")
    return probe
