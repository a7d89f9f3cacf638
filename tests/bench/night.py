"""A bad night through the whole service: 20 probes, defrost cycles, a door left open, a probe that fails. Who is told how often?

The clock is the story's and moves minute by minute; store, engine, alarms, outbox and couriers are the real ones, and the bells
are programs of this machine that write down what they are given. Nobody answers until half past four. The site is invented.
"""

from __future__ import annotations

import re
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import func, select

from tests.bench.figures import Figure

EVENING_TEXT = "2026-03-02T20:00:00-06:00"
HOURS = 12
#: When the people are told: at once, after ten minutes, and then everybody every quarter of an hour.
RUNGS_MIN, REPEAT_MIN = (0, 10), 15
AWAKE_MIN = 8 * 60 + 30
_ROOM = """
[[room]]
id = "{room}"
kind = "{kind}"
[[standing]]
room = "{room}"
[[standing.limit]]
name = "air"
kind = "ceiling"
class = "operating"
place = "cooler"
max = "{limit}"
allowed = "60 min"
on_delay = "10 min"
off_delay = "10 min"
source = "invented for the bench"
do = ["Shut the door; look at the fan and the ice on the coil."]
"""
_HEAD = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"
"""
_PRODUCT = """
[[product]]
code = "links"
name = "Juniper venison-and-pork links"
[[product.step]]
name = "cure hold"
room = "{room}"
[[product.step.limit]]
name = "cold"
kind = "ceiling"
place = "core"
max = "41 °F"
allowed = "30 min"
source = "invented for the bench"
do = ["Hold the lot and mark it. Get it into another cooler."]
"""
ROOMS = ("cooler-1", "cooler-2", "cooler-3", "freezer-1")
AIR = {f"{room}-{n}": room for room in ROOMS for n in "abc"}
CORES = {f"core-{n}": "cooler-2" if n <= 4 else "cooler-3" for n in range(1, 9)}
DOOR, DOOR_MIN, SHUT_MIN = "cooler-2", 190, 520
FAILING, FAILS_MIN, DIES_MIN = "core-7", 300, 420
_CONFIG = """
plan = "plan.toml"
data = "data"
[server]
port = 0
[[person]]
name = "Odile Marsh"
bells = ["odile"]
[[person]]
name = "Tam Okafor"
role = "reviewer"
bells = ["tam"]
[[duty]]
persons = ["Odile Marsh"]
days = "daily"
from = "18:00"
until = "06:00"
[[bell]]
id = "odile"
program = ["{script}", "{folder}/odile"]
[[bell]]
id = "tam"
program = ["{script}", "{folder}/tam"]
[[escalation]]
after = "0 min"
on_duty = true
[[escalation]]
after = "10 min"
persons = ["Tam Okafor"]
[alarms]
repeat = "15 min"
all_well = ""
drill = ""
"""


class Told(NamedTuple):
    """One message: to whom, when (minutes into the night), of which alarm and cause, its first line."""

    person: str
    minute: float
    alarm: int
    key: str
    kind: str
    line: str


def plan() -> str:
    """The plan: four rooms with three air probes each, and eight core probes."""
    rooms = "".join(
        _ROOM.format(room=room, kind="freezer" if room.startswith("f") else "cooler", limit="5 °F" if room.startswith("f") else "40 °F")
        for room in ROOMS
    )
    air = "".join(f'[[probe]]\nid = "{probe}"\nplace = "cooler"\nroom = "{room}"\nuncertainty = "0 °F"\n' for probe, room in AIR.items())
    cores = "".join(f'[[probe]]\nid = "{probe}"\nplace = "core"\nuncertainty = "0 °F"\n' for probe in CORES)
    return _HEAD + rooms + air + cores + _PRODUCT.format(room="cooler-2")


def fahrenheit(probe: str, minute: int) -> float | None:
    """What a probe reads at a minute of the night, in °F; None: no temperature (an open circuit)."""
    wobble = ((minute * 7 + len(probe) * 13 + ord(probe[-1])) % 10) / 20
    room = AIR.get(probe) or CORES[probe]
    if probe in CORES:
        if probe == FAILING and minute >= FAILS_MIN and minute % 7 >= 3:
            return None
        curve = (
            [(0, 34.0), (DOOR_MIN + 40, 34.0), (SHUT_MIN, 44.0), (HOURS * 60, 36.0)] if room == DOOR else [(0, 34.0), (HOURS * 60, 34.0)]
        )
        return at(curve, minute) + wobble
    rest = -4.0 if room.startswith("f") else 35.0
    # Each room's coil is defrosted every four hours for 25 minutes, one room after another.
    defrost = 9.0 if (minute - 45 * ROOMS.index(room)) % 240 < 25 else 0.0
    door = at([(0, 0.0), (DOOR_MIN, 0.0), (DOOR_MIN + 15, 17.0), (SHUT_MIN, 17.0), (SHUT_MIN + 20, 0.0), (HOURS * 60, 0.0)], minute)
    return rest + defrost + (door if room == DOOR else 0.0) + wobble


def at(curve: list[tuple[int, float]], minute: int) -> float:
    """A value between the points of a curve."""
    (m0, v0), (m1, v1) = next(pair for pair in pairwise(curve) if pair[0][0] <= minute <= pair[1][0])
    return v0 + (v1 - v0) * (minute - m0) / (m1 - m0)


def play(folder: Path, first: int = 1, last: int = HOURS * 60) -> list[Told]:
    """Live through the night, or through its minutes from `first` to `last`; every message that was delivered, in order."""
    from monitor.alarms.tables import alarm, outbox
    from monitor.config import load_config
    from monitor.demo.story import StoryClock
    from monitor.desk import Hand
    from monitor.service import Service
    from rules.quantity import fahrenheit as celsius_of
    from rules.quantity import parse_instant
    from rules.reading import MINUTE, Fault, Reading

    evening = parse_instant(EVENING_TEXT)
    script = folder / "ring"
    script.write_text('#!/bin/sh\nhead -n 1 >> "$1"\n')
    script.chmod(0o755)
    (folder / "plan.toml").write_text(plan(), encoding="utf-8")
    (folder / "larderer.toml").write_text(_CONFIG.format(script=script, folder=folder), encoding="utf-8")
    clock = StoryClock(evening + (first - 1) * MINUTE)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # sdnotify drops its socket unclosed where no service manager listens
        service = Service(load_config(folder / "larderer.toml"), clock=clock, drivers=(), tick_s=3600.0, exports=False)
    service.start()
    odile = Hand("Odile Marsh", "operator")

    def waiting() -> int:
        with service.store.read() as conn:
            return int(conn.scalar(select(func.count()).select_from(outbox).where(outbox.c.state == "waiting")) or 0)

    def pass_(now: int) -> None:
        def job(conn: Any) -> None:
            service.pipeline.tick(conn, now)
            service.rounds.look(conn, now)
            service.writer.urgent()

        service.writer.submit(job).result(60)
        if waiting():
            service.courier.wake()
        until = time.monotonic() + 60
        while waiting():
            if time.monotonic() > until:
                raise TimeoutError("a message was not delivered")
            time.sleep(0.005)

    try:
        for room, lot in (("cooler-2", "J-0412"), ("cooler-3", "J-0413")):
            service.desk.start_lot(odile, "links", lot=lot)
            for probe in (probe for probe, where in CORES.items() if where == room):
                service.desk.place(odile, lot, probe)
        for minute in range(first, last + 1):
            now = evening + minute * MINUTE
            clock.move(now)
            items: list[Any] = []
            for probe in (*AIR, *CORES):
                if probe == FAILING and minute >= DIES_MIN:
                    continue
                value = fahrenheit(probe, minute)
                items.append(Reading(probe, now, celsius_of(value)) if value is not None else Fault(probe, now, "open circuit", "---"))
            service.intake.readings(items).result(60)
            pass_(now)
            if minute >= AWAKE_MIN:  # Odile is up, reads what stands and says so
                for one in service.desk.alarms():
                    if one["unacknowledged"]:
                        service.desk.acknowledge(odile, one["id"])
        with service.store.read() as conn:
            query = select(outbox, alarm.c.key).join(alarm, outbox.c.alarm_id == alarm.c.id, isouter=True).where(outbox.c.state == "sent")
            rows = conn.execute(query.order_by(outbox.c.id)).mappings().all()
        return [
            Told(
                r["person"],
                (r["created_at"] - evening) / MINUTE,
                r["alarm_id"] or 0,
                r["key"] or "",
                r["kind"],
                str(r["body"]).splitlines()[0],
            )
            for r in rows
        ]
    finally:
        service.close()


def steps_between(first: float, last: float) -> int:
    """How many steps a ladder takes from its first message to a later instant: the rungs, then a repeat every quarter of an hour."""
    rungs = sum(1 for after in RUNGS_MIN if first + after <= last)
    return rungs + max(0, int((last - first - RUNGS_MIN[-1]) // REPEAT_MIN))


def too_many(told: list[Told]) -> Iterator[str]:
    """Each cause that told a person twice in one step of its ladder: more messages than steps in its time, or two within ten minutes.

    A cause that grows worse rings again by design, once for each degree; that is a step of its own.
    """
    groups: dict[tuple[str, str], list[Told]] = {}
    for one in told:
        if one.kind == "alarm":
            groups.setdefault((one.person, one.key), []).append(one)
    first: dict[str, float] = {}
    for one in told:
        first.setdefault(one.key, one.minute)
    for (person, key), ones in groups.items():
        worse = sum(" WORSE " in one.line for one in ones)
        if len(ones) - worse > steps_between(first[key], ones[-1].minute):
            yield f"{person} was told {len(ones)} times of {key} between minute {ones[0].minute:g} and {ones[-1].minute:g}"
        plain = [one for one in ones if " WORSE " not in one.line]
        for one, other in pairwise(plain):
            if other.minute - one.minute < min(REPEAT_MIN, RUNGS_MIN[1]):
                yield f"{person} was told of {key} at minute {one.minute:g} and again at {other.minute:g}"


def table(told: list[Told]) -> str:
    """Who was told what how often."""
    lines = []
    for person in dict.fromkeys(one.person for one in told):
        mine = [one for one in told if one.person == person]
        kinds = Counter(one.kind for one in mine)
        lines.append(f"{person}: {len(mine)} messages ({', '.join(f'{count} {kind}' for kind, count in kinds.items())})")
        for key, count in Counter(one.key for one in mine if one.kind == "alarm").items():
            ones = [one for one in mine if one.key == key and one.kind == "alarm"]
            what = re.sub(r"^[A-Z ]+A[0-9]+: ", "", ones[0].line)[:60]
            lines.append(f"  {count:3} of {key}, minute {ones[0].minute:g} to {ones[-1].minute:g}: {what}")
    return "\n".join(lines)


def run(say: Callable[[str], None]) -> list[Figure]:
    """Live through it, print who was told what, and give the figures."""
    with tempfile.TemporaryDirectory() as folder:
        told = play(Path(folder))
    say(table(told))
    broken = [*too_many(told)]
    for text in broken:
        say(f"twice in one step: {text}")
    per = Counter(one.person for one in told)
    causes = len({one.key for one in told if one.kind == "alarm"})
    measured = ", ".join(f"{person} {count}" for person, count in per.items())
    return [
        Figure(
            f"a bad night of {HOURS} h, messages to each person; {causes} causes, nobody awake for {AWAKE_MIN / 60:g} h",
            measured,
            float(len(broken)),
            0.0,
            "told twice in one step",
        )
    ]
