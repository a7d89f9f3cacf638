"""A limit in full sentences and the site's unit, for a person who has only the sheet."""

from __future__ import annotations

from functools import singledispatch

from rules.limits import spec
from rules.plan import Advance
from rules.quantity import format_span
from rules.wording import degree_hours, difference, percent, temperature

#: Where a limit is measured, as a person says it. "lot": on what is entered for the lot.
PLACES = {
    "core": "the core of the product", "chamber": "the air of the chamber", "cooler": "the air of the cooler",
    "room": "the air of the room", "wet-bulb": "the wet bulb and the dry bulb beside it",
    "humidity": "the relative humidity of the air", "lot": "values entered for the lot",
}  # fmt: skip


@singledispatch
def limit_words(rule: object, unit: str) -> tuple[str, ...]:
    """What a limit asks, a sentence each; a kind without words of its own is named."""
    return (f"Of the kind {spec.KIND_OF.get(type(rule), type(rule).__name__)}.",)


@limit_words.register
def _(rule: spec.Ceiling, unit: str) -> tuple[str, ...]:
    over = f"; {format_span(rule.allowed)} above it in one excursion is allowed" if rule.allowed else ", at every reading"
    return (f"At most {temperature(rule.max_c, unit)}{over}.", _deadband(rule.max_c - rule.deadband_c, "or less", unit))


@limit_words.register
def _(rule: spec.Floor, unit: str) -> tuple[str, ...]:
    under = f"; {format_span(rule.allowed)} below it in one excursion is allowed" if rule.allowed else ", at every reading"
    return (f"At least {temperature(rule.min_c, unit)}{under}.", _deadband(rule.min_c + rule.deadband_c, "or more", unit))


def _deadband(back_c: float, side: str, unit: str) -> str:
    return f"An excursion is over once it reads {temperature(back_c, unit)} {side}."


@limit_words.register
def _(rule: spec.Exposure, unit: str) -> tuple[str, ...]:
    return tuple(f"Above {temperature(t.above_c, unit)} for no more than {format_span(t.within)} in sum." for t in rule.tiers)


@limit_words.register
def _(rule: spec.Dwell, unit: str) -> tuple[str, ...]:
    bound = (
        f"at or below {temperature(rule.max_c, unit)}" if rule.max_c is not None else f"at or above {temperature(rule.min_c or 0, unit)}"
    )
    return (f"At least {format_span(rule.length)} {bound}, {'without a break' if rule.contiguous else 'in sum'}.",)


@limit_words.register
def _(rule: spec.ComeUp, unit: str) -> tuple[str, ...]:
    band = f"between {temperature(rule.low_c, unit)} and {temperature(rule.high_c, unit)}"
    return (f"No more than {format_span(rule.within)} {band}, until lethality is met.",)


@limit_words.register
def _(rule: spec.HoldLethality, unit: str) -> tuple[str, ...]:
    rows = "; ".join(
        f"{temperature(r.at_c, unit)} " + (f"for {format_span(r.length)}" if r.length else "at two readings") for r in rule.rows
    )
    what = (
        "Held without a break at or above a row's temperature for its time; any one row suffices"
        if len(rule.rows) > 1
        else "Held without a break"
    )
    return (f"{what}: {rows}.",)


@limit_words.register
def _(rule: spec.IntegratedLethality, unit: str) -> tuple[str, ...]:
    return (
        f"A sum of {rule.target_log:g} log10 with D = {format_span(rule.d_value)} at {temperature(rule.reference_c, unit)}, "
        f"z = {difference(rule.z_value_c, unit)}, nothing counted below {temperature(rule.floor_c, unit)}.",
        f"Published tables are hold times; this sum rests on the evaluation of {rule.validated_by}.",
    )


@limit_words.register
def _(rule: spec.Cooling, unit: str) -> tuple[str, ...]:
    said = [f"The clock starts at the last reading at or above {temperature(rule.start_c, unit)}."]
    for window in rule.windows:
        length, since = (window.within, "the mark before") if window.within is not None else (window.by, "the start")
        since = "the start" if window is rule.windows[0] else since
        said.append(f"To {temperature(window.to_c, unit)} within {format_span(length or 0)} of {since}.")
    if rule.begin_within:
        said.append(f"Cooling begins within {format_span(rule.begin_within)} of the end of cooking.")
    if rule.needs:
        parts = [" and ".join(f"{n.measure} at least {n.least:g}" for n in part) for part in rule.needs]
        said.append(f"Only for a lot with {', or '.join(parts)}, entered before the cooling begins.")
    return tuple(said)


@limit_words.register
def _(rule: spec.Profile, unit: str) -> tuple[str, ...]:
    said = [f"Within {difference(rule.tolerance_c, unit)} of its stages, {format_span(rule.settle)} after each begins:"]
    for number, stage in enumerate(rule.stages, 1):
        end = (
            f"for {format_span(stage.length)}"
            if stage.length is not None
            else f"until the core reads {temperature(stage.until_core_c or 0, unit)}"
        )
        said.append(f"{number}. {temperature(stage.set_c, unit)} {end}.")
    if rule.fire_out is not None:
        said.append(f"A fall of {difference(rule.fire_out[0], unit)} within {format_span(rule.fire_out[1])} rings as fire out.")
    return tuple(said)


@limit_words.register
def _(rule: spec.Humidity, unit: str) -> tuple[str, ...]:
    if rule.exempt:
        return (f'Exempt ("{rule.exempt}"): nothing is measured, for {rule.exempt_text}.',)
    times = [f"{percent(rule.share * 100)} of the cook"] if rule.share is not None else []
    times += [format_span(rule.at_least)] if rule.at_least is not None else []
    wanted = f"{times[0]} or {times[1]}, whichever is longer" if len(times) > 1 else "".join(times)
    if rule.min_rh is None:
        return (f"Continuous steam or a sealed oven for {wanted}, as minutes entered for the lot (humid_min).",)
    return (f"Relative humidity of at least {percent(rule.min_rh)} for {wanted}.",)


@limit_words.register
def _(rule: spec.DegreeHours, unit: str) -> tuple[str, ...]:
    said = [f"Sum of degrees above {temperature(rule.base_c, unit)} times hours, until a pH of {rule.until_ph:g} or less is entered:"]
    for band in rule.bands:
        said.append(f"at most {degree_hours(band.limit, unit)}{_band(band, unit)}.")
    return tuple(said)


def _band(band: spec.Band, unit: str) -> str:
    """For which chambers a row of degree-hours is; a row with one end does not include it."""
    if band.from_c is None and band.to_c is None:
        return ""
    if band.from_c is None or band.to_c is None:
        ends = f"below {temperature(band.to_c or 0.0, unit)}" if band.from_c is None else f"above {temperature(band.from_c, unit)}"
    else:
        ends = f"from {temperature(band.from_c, unit)} to {temperature(band.to_c, unit)}"
    return f" where the highest chamber temperature is {ends}"


@limit_words.register
def _(rule: spec.Composition, unit: str) -> tuple[str, ...]:
    bounds = [f"at least {rule.least:g}"] if rule.least is not None else []
    bounds += [f"at most {rule.most:g}"] if rule.most is not None else []
    return (f"{rule.measure}: {' and '.join(bounds)}.",)


def advance_words(advance: Advance | None) -> str:
    """How a step is left."""
    if advance is None:
        return "a person enters the next step"
    how = {
        "auto": "by itself where the meat stays in its room, otherwise a person confirms",
        "ask": "a person is asked",
        "hand": "a person moves it",
    }
    confirm = f", within {format_span(advance.confirm_within)}" if advance.confirm_within else ""
    return f"when {advance.text}: {how[advance.how]}{confirm}"
