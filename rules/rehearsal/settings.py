"""What a rehearsal assumes: the piece, what surrounds it in each step, and how long it stays there."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from rules.errors import QuantityError, RehearsalError
from rules.plan import Plan, Product, Step
from rules.quantity import fahrenheit, format_span, parse_span, parse_temperature
from rules.reading import HOUR, MINUTE, Span
from rules.science.conduction import LEAN, SAUSAGE, Material
from rules.wording import temperature

#: Surface coefficients in W/(m² K). 20 gives the published 5.1 h of a 110 mm rolled beef joint from 70 to 10 °C in air of 0 °C at
#: 1.2 m/s (a meat refrigeration textbook, read in a copy: S); the others are plausible figures, common practice, no source.
TRANSFER: Mapping[str, float] = {"chamber": 20.0, "cooler": 12.0, "freezer": 15.0, "work": 8.0, "water": 300.0}
#: Air where nothing else is said, °C: invented for the rehearsal.
AIR_C: Mapping[str, float] = {"cooler": 2.0, "freezer": -18.0, "work": 20.0, "chamber": 20.0}
START_C = fahrenheit(40)
#: How long a step lasts where nothing in the plan ends it: invented for the rehearsal.
BESIDE_THE_COOK: Span = 30 * MINUTE
IN_A_WORK_ROOM: Span = 15 * MINUTE
LONGEST_STEP: Span = 24 * HOUR

_STAY = re.compile(r"\s*(?P<step>[^=]+?)\s*=\s*(?P<at>[^,]*?)\s*(?P<water>\bwater\b)?\s*(?:\bfor\b\s*(?P<length>.+?))?\s*")


@dataclass(frozen=True, slots=True)
class Stay:
    """What surrounds the piece in a step, and for how long; None: as the plan and the defaults say."""

    celsius: float | None = None
    length: Span | None = None
    water: bool = False


@dataclass(frozen=True, slots=True)
class Settings:
    """The piece and its surroundings. `chamber_c` stands in for a profile; `stays` by the step's name."""

    diameter_m: float
    start_c: float = START_C
    chamber_c: float | None = None
    stays: Mapping[str, Stay] = field(default_factory=dict)


def parse_stay(text: str) -> tuple[str, Stay]:
    """A step's name and its stay from "bath = 60 °F water for 10 min"; temperature, water and time may be left out.

    Raises RehearsalError in one sentence.
    """
    match = _STAY.fullmatch(text)
    try:
        if match is not None and (match["at"] or match["length"]):
            celsius = parse_temperature(match["at"]) if match["at"] else None
            return match["step"], Stay(celsius, parse_span(match["length"]) if match["length"] else None, bool(match["water"]))
    except QuantityError as error:
        raise RehearsalError(f'--step "{text}": {error}') from None
    raise RehearsalError(f'--step is "{text}"; write the step and its surroundings, such as "bath = 60 °F water for 10 min"')


def material(product: Product) -> Material:
    """What stands for the product's meat: poultry is taken as lean."""
    return SAUSAGE if product.species == "meat" else LEAN


def kind_of(plan: Plan, step: Step, hot: bool) -> str:
    """The kind of the step's room; where the plan names no rooms, a chamber for the cook and a cooler after it."""
    room = plan.room_by_id.get(step.room or "")
    if room is not None:
        return room.kind
    return "chamber" if hot else "cooler"


def assumptions(product: Product, settings: Settings, unit: str) -> list[str]:
    """Every assumption as a sentence, in the site's unit, with its source and mark."""
    stuff = material(product)
    return [
        f"The piece is a long cylinder, {settings.diameter_m * 1000:g} mm across, of one temperature throughout "
        f"({temperature(settings.start_c, unit)}) when the first step begins; the core probe sits exactly on its axis.",
        f"Its meat conducts like {stuff.name}: diffusivity {stuff.diffusivity:.3g} m²/s, conductivity {stuff.conductivity:g} W/(m K); "
        f"mark {stuff.mark}. Measured sausages lie between 1.2e-7 and 1.4e-7 m²/s.",
        "Surface coefficients, W/(m² K): " + ", ".join(f"{k} {v:g}" for k, v in TRANSFER.items()) + ". That of the chamber gives a "
        "published cooling time of a rolled joint in moving air (a textbook read in a copy: S); the others are common practice, no source.",
        "Nothing evaporates. A wet surface in dry air stays near the wet bulb, so a real core comes up later than this one.",
        "The chamber has its set temperature at once and everywhere; rooms hold theirs ("
        + ", ".join(f"{k} {temperature(v, unit)}" for k, v in AIR_C.items() if k != "chamber")
        + ", invented) unless --step says otherwise.",
        f"A step that nothing in the plan ends lasts {format_span(IN_A_WORK_ROOM)} in a work room and {format_span(BESIDE_THE_COOK)} "
        "beside the cook, invented, unless --step says otherwise; every move happens within 10 s, with nobody late.",
    ]
