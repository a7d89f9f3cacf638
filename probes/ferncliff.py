"""A day at Ferncliff Yard Smokehouse, an invented site: two lots from the grinder to the cooler, with the people's notes.

Juniper links (J-0301): the grind warms past 34 °F and is re-chilled; cured overnight; cooked with sage turkey links and *held*; bathed too
briefly and bloomed on a warm counter, so that the first cooling window slips; chilled.
Turkey links (T-0302): pulled at the peak, when the core first touches 145 °F, before any row of the table was held; iced and chilled
in time. All figures of the schedule are invented; limits are the plan's affair.
"""

from __future__ import annotations

from collections.abc import Sequence

from probes.fault_script import ProbeFault
from probes.sim_models import LEAN, Batch, Bath, Chamber, Cooler, Link, Room
from probes.sim_world import Script, World
from rules.quantity import fahrenheit
from rules.reading import MINUTE, Instant

JUNIPER, TURKEY = "J-0301", "T-0302"
OPERATOR = "Odile Marsh"

#: From 14:00 on the first day to 15:00 on the second.
LENGTH_MIN = 25 * 60
START_HOUR = 14

_DIAMETER_M = 0.030
_MORNING = 14.5 * 60  # 04:30


def build(world: World) -> None:
    """Furnish the plant and set its people to work."""
    world.places = {
        "cutting": Room(fahrenheit(46)),
        "stuffing": Room(fahrenheit(47)),
        "counter": Room(fahrenheit(76)),
        "house-1": Chamber(celsius=20.0, room_c=20.0),
        "cooler-1": Cooler(),
        "rack": Room(fahrenheit(27)),
        "bath": Bath(fahrenheit(60)),
        "ice bath": Bath(fahrenheit(33)),
    }
    world.air = {
        "chamber-1": "house-1",
        "cooler-air": "cooler-1",
        "cutting-air": "cutting",
        "stuffing-air": "stuffing",
        "counter-air": "counter",
    }
    world.core = {"core-1": None, "core-2": None, "core-3": None, "core-4": None}
    world.rest_place = "cutting"
    world.play(_juniper(world))
    world.play(_turkey(world))
    world.play(_cooler(world))
    world.play(_house(world))


def _grind(world: World, lot: str, meat: Batch, minutes: float, warms_c: float) -> Script:
    """Run the grinder for some minutes, in which its work warms the meat by so much."""
    meat.grinding_c_s = warms_c / (minutes * 60.0)
    yield world.after(minutes)
    meat.grinding_c_s = 0.0
    world.check(lot, meat)


def _juniper(world: World) -> Script:
    lot, meat = JUNIPER, Batch(fahrenheit(30.5))
    world.put(meat, "cutting")
    world.note(lot, "start", "juniper-links")
    world.note(lot, "step", "grind")
    world.place_probe(lot, "core-1", meat)
    world.place_probe(lot, "core-2", meat)
    world.check(lot, meat)
    yield world.after(10)
    world.check(lot, meat)
    yield from _grind(world, lot, meat, 12, 2.0)  # too warm: 34 °F is passed
    yield world.after(2)
    world.put(meat, "rack")  # spread on trays on frozen racks, which chill faster than air
    meat.time_constant_s = 1500.0
    yield world.after(12)
    world.check(lot, meat)
    yield world.after(12)
    world.check(lot, meat)
    yield lambda: meat.core_c <= fahrenheit(30.5)
    yield world.after(3)
    world.put(meat, "cutting")
    meat.time_constant_s = 4 * 3600.0
    world.check(lot, meat)
    yield from _grind(world, lot, meat, 9, 1.0)
    world.note(lot, "step", "mix")
    meat.grinding_c_s = 0.6 / 600.0
    yield world.after(10)
    meat.grinding_c_s = 0.0
    world.note(lot, "step", "stuff")
    world.put(meat, "stuffing")
    yield world.after(35)
    links = [Link(_DIAMETER_M, meat.core_c), Link(_DIAMETER_M * 1.05, meat.core_c)]
    for probe, link in zip(("core-1", "core-2"), links, strict=True):
        world.core[probe] = link
        world.put(link, "cooler-1")
    world.note(lot, "step", "cure")
    yield world.at(_MORNING + 100)  # into the house with the turkey
    for link in links:
        world.put(link, "house-1")
    world.note(lot, "step", "cook")
    yield lambda: min(link.core_c for link in links) >= fahrenheit(146)
    yield world.after(12)  # held
    for link in links:
        world.put(link, "bath")
    world.note(lot, "step", "bath")
    yield world.after(2.5)  # too short
    for link in links:
        world.put(link, "counter")
    world.note(lot, "step", "bloom")
    yield world.after(135)
    for link in links:
        world.put(link, "cooler-1")
    world.note(lot, "step", "chill")
    yield lambda: max(link.core_c for link in links) <= fahrenheit(38)
    yield world.after(90)  # it enters "hold" by itself
    world.take_probe(lot, "core-1", "done")
    world.take_probe(lot, "core-2", "done")
    world.note(lot, "end")


def _turkey(world: World) -> Script:
    lot, meat = TURKEY, Batch(fahrenheit(30))
    yield world.at(_MORNING)
    world.put(meat, "cutting")
    world.note(lot, "start", "sage-turkey-links")
    world.note(lot, "step", "grind")
    world.place_probe(lot, "core-3", meat)
    world.place_probe(lot, "core-4", meat)
    world.check(lot, meat)
    yield from _grind(world, lot, meat, 12, 0.5)
    yield from _grind(world, lot, meat, 12, 0.4)
    world.note(lot, "step", "stuff")
    world.put(meat, "stuffing")
    yield world.at(_MORNING + 100)
    links = [Link(_DIAMETER_M * 0.95, meat.core_c, LEAN), Link(_DIAMETER_M, meat.core_c, LEAN)]
    for probe, link in zip(("core-3", "core-4"), links, strict=True):
        world.core[probe] = link
        world.put(link, "house-1")
    world.note(lot, "step", "cook")
    yield lambda: max(link.core_c for link in links) >= fahrenheit(145.5)
    for link in links:
        world.put(link, "ice bath")
    world.note(lot, "step", "bath")
    yield world.after(12)
    for link in links:
        world.put(link, "cooler-1")
    world.note(lot, "step", "chill")
    yield lambda: max(link.core_c for link in links) <= fahrenheit(38)
    yield world.after(120)  # it enters "hold" by itself
    world.take_probe(lot, "core-3", "done")
    world.take_probe(lot, "core-4", "done")
    world.note(lot, "end")


def _cooler(world: World) -> Script:
    """Doors opened through the working day, and a defrost in the night."""
    cooler = world.places["cooler-1"]
    assert isinstance(cooler, Cooler)
    for minutes in (95.0, 150.0, 170.0, 205.0, 260.0):
        yield world.at(minutes)
        cooler.door_open = True
        yield world.after(2)
        cooler.door_open = False
    yield world.at(11 * 60.0)  # 01:00
    cooler.defrosting = True
    yield world.after(20)
    cooler.defrosting = False
    for minutes in (14.5, 16.2, 19.5, 21.0, 22.4, 24.0):
        yield world.at(minutes * 60.0)
        cooler.door_open = True
        yield world.after(2)
        cooler.door_open = False


def _house(world: World) -> Script:
    """Light the house before the links hang in it, and put it out when they are gone."""
    house = world.places["house-1"]
    assert isinstance(house, Chamber)
    yield world.at(_MORNING + 70)
    house.stages = [(fahrenheit(130), 5400.0), (fahrenheit(150), 2400.0), (fahrenheit(180), 1e9)]
    yield world.at(_MORNING + 270)
    house.off()


def faults(start: Instant) -> Sequence[ProbeFault]:
    """The day's troubles: none of them decides a verdict, each should ring."""
    return (
        ProbeFault("unplug", "core-2", start + 9 * 60 * MINUTE, 6 * MINUTE),
        ProbeFault("error-code", "cooler-air", start + 10 * 60 * MINUTE, 4 * MINUTE, 9999.0),
        ProbeFault("dropout", "core-4", start + round((_MORNING + 110) * MINUTE), 10 * MINUTE, 0.6),
        ProbeFault("stuck", "counter-air", start + 21 * 60 * MINUTE, 20 * MINUTE),
    )
