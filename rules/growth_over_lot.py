"""Predicted growth over a lot's own curve, after a cooling or come-up that was deviated or unproven.

It informs the person who decides the corrective action. It decides nothing itself: it meets no limit and condemns no schedule.
Definition: `docs/judging-choices.md`, 37; models and their sources: `rules/science/growth.py`. Pure: events and a report in, facts out.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Mapping
from datetime import tzinfo
from functools import cache
from itertools import pairwise
from typing import Any, NamedTuple

from rules.limits.spec import ComeUp, Cooling
from rules.plan import Limit, Plan, Product
from rules.quantity import at_or_above, at_or_below, format_instant, format_span, parse_instant
from rules.reading import SECOND, Event, Instant, LotEvent, Reading, Span
from rules.science.errors import ScienceError
from rules.science.growth import Growth, Model, model, models, predict
from rules.science.growth_forms import Conditions
from rules.wording import clock

KINDS = ("cooling", "come-up")
#: Of readings that come closer than this, one is enough for a prediction.
THIN: Span = 30 * SECOND
#: What a cook leaves alive (FSIS-GD-2021-14 speaks of these two for cooling).
SPORE_FORMERS = ("C. perfringens", "C. botulinum")
CAVEAT = "A prediction informs the corrective action. It makes no limit met, and it condemns no schedule that a book allows."

Curve = list[tuple[Instant, float]]


class Asked(NamedTuple):
    """One watch whose growth is asked for: where it stands in the report, its limit, what its probe may be off by.

    `cooked`: the lot's lethality was met before, so that only spores are left to grow.
    """

    shown: dict[str, Any]
    limit: Limit
    probe: str
    clock: Instant | None
    u: float
    cooked: bool


def asks_growth(lot: Mapping[str, Any]) -> bool:
    """Whether a lot of the Judge JSON has a cooling or come-up that was deviated or unproven."""
    return any(
        limit["kind"] in KINDS and any(watch["verdict"] in ("deviated", "unproven") for watch in limit["watches"])
        for limit in lot["limits"]
    )


def add_growth(report: dict[str, Any], plan: Plan, events: Iterable[Event]) -> None:
    """Put `growth` beside the watches of each such limit of a Judge JSON, from the events it was judged from, arranged."""
    wanted = {str(lot["lot"]): asked for lot in report["lots"] if (asked := _asked(lot, plan))}
    if not wanted:
        return
    doubted = {str(lot["lot"]): _stretches(lot) for lot in report["lots"]}
    for lot, found in _gather({name: {a.probe for a in asked} for name, asked in wanted.items()}, events, doubted).items():
        product = plan.product_by_code[next(str(shown["product"]) for shown in report["lots"] if shown["lot"] == lot)]
        for one in wanted[lot]:
            one.shown.setdefault("growth", []).append(_told(one, found, product))


def _asked(lot: Mapping[str, Any], plan: Plan) -> list[Asked]:
    product = plan.product_by_code.get(str(lot["product"]))
    found: list[Asked] = []
    lethal = [limit["verdict"] for limit in lot["limits"] if limit["kind"] == "lethality"]
    cooked = bool(lethal) and all(verdict == "met" for verdict in lethal)
    for shown in lot["limits"] if product else ():
        step = product.step(shown["step"]) if product and shown["kind"] in KINDS else None
        limit = next((x for x in step.limits if x.name == shown["limit"]), None) if step else None
        for watch in shown["watches"] if limit is not None and not limit.sampled else ():
            probe = plan.probe_by_id.get(watch["probe"])
            if limit is None or probe is None or watch["verdict"] not in ("deviated", "unproven"):
                continue
            began = watch["evidence"].get("clock_at")
            u = (probe.uncertainty_c or 0.0) if limit.guard else 0.0
            found.append(Asked(shown, limit, probe.id, parse_instant(began) if began else None, u, cooked and shown["kind"] == "cooling"))
    return found


class _Read(NamedTuple):
    """What a probe read, 16 bytes a reading, since a lot may be watched for weeks."""

    at: array[int]
    celsius: array[float]


class _Found(NamedTuple):
    """What a lot's probes read in it, and what was measured of it."""

    curves: dict[str, _Read]
    measures: dict[str, float]


Stretches = dict[str, list[tuple[Instant, Instant]]]


def _stretches(lot: Mapping[str, Any]) -> Stretches:
    """When each probe's readings were suspect, be it by their source or by what the engine found: out of the meat, stuck, too fast."""
    return {p: [(parse_instant(a), parse_instant(b)) for a, b in found] for p, found in lot.get("suspect", {}).items()}


def _gather(wanted: Mapping[str, set[str]], events: Iterable[Event], doubted: Mapping[str, Stretches]) -> dict[str, _Found]:
    """The good readings of these lots' probes while they were placed, offset added, and each lot's newest measures."""
    found = {lot: _Found({probe: _Read(array("q"), array("d")) for probe in probes}, {}) for lot, probes in wanted.items()}
    home: dict[str, str] = {}
    for event in events:
        if isinstance(event, Reading):
            lot = home.get(event.probe, "")
            if lot and not event.suspect and event.probe in found[lot].curves and not _doubted(doubted[lot], event):
                curve = found[lot].curves[event.probe]
                curve.at.append(event.at)
                curve.celsius.append((event.celsius if event.high_c is None else event.high_c) + event.offset_c)
        elif isinstance(event, LotEvent) and event.lot in found:
            if event.event == "place":
                home[event.name] = event.lot
            elif event.event == "remove":
                home.pop(event.name, None)
            elif event.event == "end":
                home = {probe: lot for probe, lot in home.items() if lot != event.lot}
            elif event.event == "measure":
                try:
                    found[event.lot].measures[event.name] = float(event.value)
                except ValueError:
                    continue  # the engine has refused it with a sentence of its own
    return found


def _doubted(doubted: Stretches, reading: Reading) -> bool:
    return any(since <= reading.at <= until for since, until in doubted.get(reading.probe, ()))


def _told(asked: Asked, found: _Found, product: Product) -> dict[str, Any]:
    """The facts about one watch."""
    curve = _stretch(asked, found.curves[asked.probe])
    if len(curve) < 2:
        return {"probe": asked.probe, "predictions": [], "refused": [], "notes": ["Too few readings for a prediction."]}
    known = Conditions(found.measures.get("pH"), found.measures.get("water_activity"), None)
    gaps = [(a, b) for a, b in pairwise(curve) if b[0] - a[0] > asked.limit.max_gap]
    predictions: list[tuple[Model, Growth]] = []
    refused: list[str] = []
    for one in models():
        if asked.cooked and not one.organism.startswith(SPORE_FORMERS):
            continue
        try:
            worst = _worst_case(one, curve, asked.limit.max_gap, known)
            predictions.append((one, predict(one, worst, cured=product.cured, conditions=known)))
        except ScienceError as error:
            refused.append(str(error))
    predictions.sort(key=lambda pair: -pair[1].log10)
    notes = [CAVEAT]
    if asked.cooked:
        notes.append("Only models of spore-formers are asked, since the lot's lethality was met; what came onto it later is not predicted.")
    if asked.u:
        notes.append("Each reading is taken with the probe's uncertainty added.")
    if gaps:
        unseen = format_span(sum(b[0] - a[0] for a, b in gaps))
        notes.append(
            f"{unseen} of it was not measured; there each model is given the temperature between the two ends at which it grows fastest."
        )
    return {
        "probe": asked.probe,
        "from_at": format_instant(curve[0][0]),
        "to_at": format_instant(curve[-1][0]),
        "unmeasured_s": sum(b[0] - a[0] for a, b in gaps) // SECOND,
        "cured": product.cured,
        "predictions": [
            {
                "model": one.name, "organism": one.organism, "matrix": one.matrix, "log10": round(growth.log10, 3),
                "outside_log10": round(growth.outside_log, 3), "upper_bound": growth.upper_bound, "mark": one.mark,
                "notes": list(growth.notes),
            }
            for one, growth in predictions
        ],
        "refused": refused,
        "notes": notes,
    }  # fmt: skip


def _stretch(asked: Asked, whole: _Read) -> Curve:
    """From the clock's start, or the first reading, to where the limit's last temperature was reached; U added, and thinned."""
    rule = asked.limit.rule
    curve = [(at, celsius + asked.u) for at, celsius in zip(*whole, strict=True) if asked.clock is None or at >= asked.clock]
    end = len(curve)
    if isinstance(rule, Cooling):
        cold = at_or_below(rule.windows[-1].to_c)
        while end > 1 and curve[end - 2][1] < cold:
            end -= 1  # the first reading of the cold stretch at the end is the last that counts
    elif isinstance(rule, ComeUp):
        hot = at_or_above(rule.high_c + 2.0 * asked.u)  # T - U at or above `high`, U being added here
        for i, ((at, a), (then, b)) in enumerate(pairwise(curve)):
            if a >= hot and b >= hot and then - at <= asked.limit.max_gap:
                end = i + 1
                break
    return _thinned(curve[:end])


def _thinned(curve: Curve) -> Curve:
    kept: Curve = []
    for i, row in enumerate(curve):
        if not kept or row[0] - kept[-1][0] >= THIN or i == len(curve) - 1 or curve[i + 1][0] - row[0] > THIN:
            kept.append(row)
    return kept


def _worst_case(one: Model, curve: Curve, max_gap: Span, known: Conditions) -> Curve:
    """The curve with every gap spent at the temperature between its ends at which this model grows fastest."""
    worst: Curve = curve[:1]
    for (at, before), (then, after) in pairwise(curve):
        if then - at > max_gap:
            held = min(max(_optimum(one.name, known), min(before, after)), max(before, after))
            worst += [(at, held), (then, held)]
        worst.append((then, after))
    return worst


@cache
def _optimum(name: str, known: Conditions) -> float:
    """A model's fastest temperature, which takes a scan to find."""
    return model(name).optimum(known)


def words(told: Mapping[str, Any], zone: tzinfo, now: Instant) -> list[str]:
    """The facts as sentences: the worst prediction, the others, those that refused, then what goes with them."""
    if not told["predictions"]:
        return [
            f"{told['probe']}: no model says how much could have grown. " + " ".join([*told["notes"], *map(_sentence, told["refused"])])
        ]
    begins, ends = (clock(parse_instant(told[name]), zone, now) for name in ("from_at", "to_at"))
    worst, *others = told["predictions"]
    lines = [
        f"Predicted growth over what {told['probe']} read from {begins} to {ends}: {_figure(worst)} by {worst['model']} "
        f"({worst['organism']} in {worst['matrix']}), the worst of {len(told['predictions'])} models."
    ]
    lines += [_sentence(note) for note in worst["notes"]]
    if others:
        lines.append("The others: " + "; ".join(f"{_figure(p)} by {p['model']} ({p['organism']})" for p in others) + ".")
    if told["refused"]:
        lines.append("Not applicable: " + " ".join(map(_sentence, told["refused"])))
    return [*lines, *told["notes"]]


def _figure(prediction: Mapping[str, Any]) -> str:
    return f"{'at most ' if prediction['upper_bound'] else ''}{prediction['log10']:.2f} log10"


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith(".") else text + "."
