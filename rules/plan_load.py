"""Loading a plan: one TOML text in, one `Plan` out, or every mistake in it at once."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Callable
from zoneinfo import ZoneInfo

from rules.errors import PlanError, QuantityError
from rules.limits.spec import Dwell, HoldLethality, IntegratedLethality
from rules.plan import PLACES, ROOM_KINDS, SPECIES, Advance, Limit, Plan, Probe, Product, Room, Site, Standing, Step
from rules.plan_limit import Context, read_limit
from rules.plan_lines import key_lines
from rules.plan_process import humidity_uncertainty, percent_value, with_dry_bulbs
from rules.plan_read import Mistakes, Node, show
from rules.quantity import parse_difference, parse_span, parse_temperature
from rules.reading import HOUR, MINUTE, SECOND

_AFTER = re.compile(r"after\s+(.+)", re.IGNORECASE)
_CORE = re.compile(r"core\s*(<=|>=|≤|≥)\s*(.+?)\s+for\s+(.+)", re.IGNORECASE)
_ALTITUDE = re.compile(r"\s*(-?\d+(?:\.\d+)?)\s*(m|ft)\s*")
_PERCENT = re.compile(r"\s*(\d+(?:\.\d+)?)\s*%\s*")
_RATE = re.compile(r"\s*(.+?)\s*(?:/|per)\s*(s|sec|second|min|minute|h|hour)\s*")
_RATE_SPAN = {"s": SECOND, "m": MINUTE, "h": HOUR}
_SPAN = re.compile(r"\s*(.+?)\s+to\s+(.+?)\s*")
_FOOT_M = 0.3048


def load_plan(text: str, name: str = "plan.toml") -> Plan:
    """The plan of one TOML text. Raises PlanError with every mistake: file `name`, line, place, and what to write.

    A plan that loads can be judged by; whether it should be is for `rules.plan_check.check_plan` to say.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PlanError([f"{name}: the file is not TOML ({error}); look at that line and the one before it"]) from None
    mistakes = Mistakes(name, key_lines(text))
    plan = _plan(Node(data, (), "", mistakes), text)
    if mistakes.found:
        raise PlanError(mistakes.sentences())
    return plan


def _plan(root: Node, text: str) -> Plan:
    root.only(("site", "room", "probe", "standing", "product"))
    site = _site(root.table("site"))
    rooms = tuple(_room(n) for n in root.tables("room"))
    probe_nodes = root.tables("probe")
    probes = tuple(_probe(n) for n in probe_nodes)
    places = frozenset(p.place for p in probes)
    standing = tuple(s for n in root.tables("standing") if (s := _standing(n, site)) is not None)
    products = tuple(_product(n, site, places) for n in root.tables("product"))
    probes = with_dry_bulbs(probes, probe_nodes, products)
    _unique(root, "room", "id", [r.id for r in rooms])
    _unique(root, "probe", "id", [p.id for p in probes])
    _unique(root, "product", "code", [p.code for p in products])
    if not root.has("product") and not root.has("standing"):
        root.wrong("", "the plan has no product and no standing limit; write a [[product]] or a [[standing]]")
    return Plan(site, products, rooms, probes, standing, hashlib.sha256(text.encode("utf-8")).hexdigest(), text)


def _unique(parent: Node, key: str, by: str, names: list[str]) -> None:
    for i, name in enumerate(names):
        if name and name in names[:i]:
            child = parent.data[key][i]
            node = Node(child, (*parent.path, key, i), f"{parent.place}.{key}" if parent.place else key, parent.mistakes)
            node.wrong(by, f'a {key} of the {by} "{name}" stands above; write another {by}')


def _site(node: Node | None) -> Site:
    if node is None:
        return Site("site", "")
    node.only(("id", "name", "timezone", "unit", "altitude", "books"))
    site_id = node.text("id", "site")
    if not re.fullmatch(r"[A-Za-z0-9_-]+", site_id):
        node.wrong("id", f'id is {show(site_id)}; write letters, digits, "-" and "_" only, since it names folders and topics')
    zone = node.text("timezone", "UTC")
    try:
        ZoneInfo(zone)
    except (ValueError, OSError, KeyError):
        node.wrong("timezone", f'timezone is {show(zone)}; write a name of the time zone database, such as "America/Chicago"')
        zone = "UTC"
    return Site(site_id, node.text("name", site_id), zone, node.choice("unit", ("F", "C"), "C"), _altitude(node), node.texts("books"))


def _altitude(node: Node) -> float | None:
    text = node.text("altitude")
    if not text:
        return None
    match = _ALTITUDE.fullmatch(text)
    metres = float(match[1]) * (_FOOT_M if match[2] == "ft" else 1.0) if match else None
    if metres is None or not -500 < metres < 9000:
        node.wrong("altitude", f'altitude is {show(text)}; write metres or feet, such as "180 m" or "590 ft"')
        return None
    return metres


def _room(node: Node) -> Room:
    node.only(("id", "kind"))
    return Room(node.text("id", required=True), node.choice("kind", ROOM_KINDS, "work"))


#: What a plan says of the checking of a probe against ice, boiling water or a reference.
_CHECKING = ("tolerance", "check_every")


def _probe(node: Node) -> Probe:
    node.only(("id", "place", "room", "uncertainty", "span", "silent_after", "max_rate", "stuck_after", "source", "dry_bulb", *_CHECKING))
    humid = node.data.get("place") == "humidity"
    return Probe(
        id=node.text("id", required=True),
        place=node.choice("place", PLACES, "core", required=True),
        room=node.text("room") or None,
        uncertainty_c=humidity_uncertainty(node) if humid else node.difference("uncertainty"),
        span_c=_sensor_span(node, percent_value if humid else parse_temperature),
        silent_after=node.span("silent_after", 2 * MINUTE, zero=False),
        max_rate_c_s=_max_rate(node, percent_value if humid else parse_difference),
        stuck_after=node.span("stuck_after", None, zero=False),
        source=node.text("source") or None,
        line=node.line,
        tolerance_c=node.difference("tolerance"),
        check_every=node.span("check_every", None, zero=False),
    )


def _sensor_span(node: Node, parse: Callable[[str], float]) -> tuple[float, float] | None:
    value = node.data.get("span")
    if value is None:
        return None
    ends: list[str] = []
    if isinstance(value, str) and (match := _SPAN.fullmatch(value)):
        ends = [match[1], match[2]]
    elif isinstance(value, list) and len(value) == 2:
        ends = value
    try:
        low, high = (parse(e) for e in ends)
        if low < high:
            return low, high
    except (QuantityError, ValueError):
        pass
    what = "the lowest and the highest" if parse is percent_value else "the coldest and the hottest"
    example = "0 % to 100 %" if parse is percent_value else "-40 °C to 150 °C"
    node.wrong("span", f'span is {show(value)}; write {what} the sensor reads, such as "{example}"')
    return None


def _max_rate(node: Node, parse: Callable[[str], float]) -> float | None:
    value = node.data.get("max_rate")
    if value is None:
        return None
    match = _RATE.fullmatch(value) if isinstance(value, str) else None
    try:
        rate = parse(match[1]) / (_RATE_SPAN[match[2][0]] / SECOND) if match else 0.0
    except QuantityError:
        rate = 0.0
    if rate <= 0:
        node.wrong(
            "max_rate", f'max_rate is {show(value)}; write a difference per time, such as "3 {"%" if parse is percent_value else "°C"}/min"'
        )
        return None
    return rate


def _standing(node: Node, site: Site) -> Standing | None:
    node.only(("room", "limit"))
    room = node.text("room", required=True)
    limits = _limits(node, Context(site.unit, standing=True))
    if not node.data.get("limit"):
        node.wrong("", "a standing watch has no limit; write [[standing.limit]] below it")
    return Standing(room, limits) if room else None


def _product(node: Node, site: Site, places: frozenset[str]) -> Product:
    node.only(("code", "name", "species", "cured", "fat", "diameter", "step"))
    code = node.text("code", required=True)
    fat = _fat(node)
    step_nodes = node.tables("step")
    if not step_nodes:
        node.wrong("", "the product has no step; write [[product.step]] below it")
    steps = tuple(_step(n, Context(site.unit, fat, places=places)) for n in step_nodes)
    _unique(node, "step", "name", [s.name for s in steps])
    for step, step_node in zip(steps, step_nodes, strict=True):
        _check_over(step, steps, step_node)
        _check_advance(step, steps, step_node)
    species, cured, diameter = node.choice("species", SPECIES, "meat"), node.flag("cured"), node.thickness("diameter")
    return Product(code, node.text("name", code), steps, species, cured, fat, node.line, diameter)


def _fat(node: Node) -> float | None:
    value = node.data.get("fat")
    if value is None:
        return None
    match = _PERCENT.fullmatch(value) if isinstance(value, str) else None
    if match is None or float(match[1]) > 100:
        node.wrong("fat", f'fat is {show(value)}; write it with its unit, such as "12 %"')
        return None
    return float(match[1])


def _step(node: Node, context: Context) -> Step:
    node.only(("name", "room", "limit", "advance", "optional", "repeats"))
    advance = node.table("advance")
    return Step(
        name=node.text("name", required=True),
        room=node.text("room") or None,
        limits=_limits(node, context),
        advance=_advance(advance) if advance is not None else None,
        optional=node.flag("optional"),
        repeats=node.flag("repeats"),
        line=node.line,
    )


def _limits(node: Node, context: Context) -> tuple[Limit, ...]:
    found = [read_limit(n, context) for n in node.tables("limit")]
    _unique(node, "limit", "name", [limit.name if limit else "" for limit in found])
    return tuple(limit for limit in found if limit is not None)


def _advance(node: Node) -> Advance | None:
    node.only(("when", "how", "confirm_within"))
    text = node.text("when", required=True)
    how = node.choice("how", ("auto", "ask", "hand"), "ask")
    confirm = node.span("confirm_within", None, zero=False)
    if text in ("lethality met", "dwell met"):
        return Advance(text, how, confirm_within=confirm, text=text)
    try:
        if after := _AFTER.fullmatch(text):
            length = parse_span(after[1])
            if length > 0:
                return Advance("after", how, length, confirm_within=confirm, text=text)
        if core := _CORE.fullmatch(text):
            bound, length = parse_temperature(core[2]), parse_span(core[3])
            at_most = bound if core[1] in ("<=", "≤") else None
            if length > 0:
                return Advance("core", how, length, at_most, bound if at_most is None else None, confirm, text)
    except QuantityError as error:
        node.wrong("when", str(error))
        return None
    if text:
        node.wrong("when", f'when is {show(text)}; write "lethality met", "dwell met", "after 12 h" or "core <= 40 °F for 10 min"')
    return None


def _check_over(step: Step, steps: tuple[Step, ...], node: Node) -> None:
    names = [s.name for s in steps]
    for raw in node.tables("limit"):
        over = [o for o in raw.texts("over") if isinstance(o, str)]
        if not over:
            continue
        here = names.index(step.name)
        unknown = [o for o in over if o not in names]
        if unknown:
            raw.wrong("over", f'over names "{unknown[0]}", which is no step of this product; write some of {", ".join(names)}')
        elif over != names[here : here + len(over)]:
            good = ", ".join(f'"{n}"' for n in names[here : here + max(2, len(over))])
            raw.wrong("over", f"over does not name the steps that follow one another from this one on; write over = [{good}]")


def _check_advance(step: Step, steps: tuple[Step, ...], node: Node) -> None:
    if step.advance is None or step.advance.when not in ("lethality met", "dwell met"):
        return
    wanted: tuple[type, ...] = (HoldLethality, IntegratedLethality) if step.advance.when == "lethality met" else (Dwell,)
    running = [limit for s in steps for limit in s.limits if s is step or step.name in limit.over]
    raw_kinds = [raw.data.get("kind") for raw in node.tables("limit")]
    kind = step.advance.when.removesuffix(" met")
    # A limit of that kind that could not be read has its own sentence already.
    if not any(isinstance(limit.rule, wanted) for limit in running) and kind not in raw_kinds:
        node.wrong("advance", f'when is "{step.advance.when}", and no {kind} limit runs in this step; write one, or when = "after 12 h"')
