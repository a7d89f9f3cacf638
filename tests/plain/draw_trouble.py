"""Trouble put into a generated history afterwards: a probe that sticks, a core probe that comes out of the meat."""

from __future__ import annotations

from rules.plan import Plan
from rules.quantity import fahrenheit
from rules.reading import MINUTE, SECOND, LotEvent, Reading
from tests.plain.making import Making

AIR = ("chamber", "cooler", "room")


def draw_stuck(m: Making, plan: Plan) -> None:
    """For some of the probes watched for it, a stretch of readings with the value of the first."""
    c = m.choose
    for probe in (p for p in plan.probes if p.stuck_after is not None):
        mine = sorted((n for n, e in enumerate(m.events) if isinstance(e, Reading) and e.probe == probe.id), key=lambda n: m.events[n].at)
        if len(mine) < 6 or not c.chance(60):
            continue
        first = c.number(0, len(mine) - 5)
        held = m.events[mine[first]]
        assert isinstance(held, Reading)
        for n in mine[first : first + c.number(4, 12)]:
            e = m.events[n]
            assert isinstance(e, Reading)
            m.events[n] = e._replace(celsius=held.celsius, offset_c=held.offset_c)


def draw_pulled(m: Making, plan: Plan) -> None:
    """A core probe that goes to the temperature of the air within a minute, and stays there until it is placed again."""
    c = m.choose
    airs = {p.id for p in plan.probes if p.place in AIR}
    cores = sorted({e.probe for e in m.events if isinstance(e, Reading) and e.probe.startswith("core")})
    if not cores:
        return
    probe = c.among(cores)
    mine = sorted((e for e in m.events if isinstance(e, Reading) and e.probe == probe), key=lambda e: e.at)
    air = sorted((e for e in m.events if isinstance(e, Reading) and e.probe in airs), key=lambda e: e.at)
    far = []
    for e in mine:
        before = [a for a in air if a.at < e.at and not a.suspect][-4:]
        far += [(e, a) for a in before if abs(a.celsius - e.celsius) > 10]
    if not far:
        return
    e, beside = c.among(far)
    back = min((x.at for x in m.events if isinstance(x, LotEvent) and x.event == "place" and x.name == probe and x.at > e.at), default=None)
    out = e.at + c.among([30, 45, 60, 61]) * SECOND
    near = c.among([0.0, 0.5, 2.0, -1.0, 2.5])
    kept = [x for x in m.events if not (isinstance(x, Reading) and x.probe == probe and e.at < x.at <= out)]
    gone = c.chance(70)
    m.events = [
        x._replace(celsius=beside.celsius + c.among([0.0, 0.3, -0.3]))
        if gone and isinstance(x, Reading) and x.probe == probe and x.at > out and (back is None or x.at < back)
        else x
        for x in kept
    ]
    m.events.append(Reading(probe, out, beside.celsius + near))


def draw_not_in(m: Making, plan: Plan) -> None:
    """A core probe that lies cold beside the hot chamber: it was never put in."""
    c = m.choose
    cores = sorted({e.probe for e in m.events if isinstance(e, Reading) and e.probe.startswith("core")})
    if cores and plan.products[0].step("cook") is not None:
        probe, f = c.among(cores), c.among([40.0, 60.0])
        first = min(e.at for e in m.events) + m.pace * c.number(0, 4)
        until = first + 30 * MINUTE + m.pace * 6
        m.events = [
            e._replace(celsius=fahrenheit(f + c.among([0.0, 0.5, 1.0])))
            if isinstance(e, Reading) and e.probe == probe and first <= e.at <= until
            else e
            for e in m.events
        ]
