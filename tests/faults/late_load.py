"""A service that takes in a backlog and judges it anew until it is killed: run by `test_late_crash.py`.

Arguments: its folder, and what to do. `prepare`: a lot whose probe was away for hours. `die N`: take the backlog in while live
readings go on, catch up in small slices, and die, as by `kill -9`, at the N-th moment of the writer's work; each batch that
was acknowledged is printed. `finish`: send again what is missing, catch up, and print what became of it as JSON.
"""

import json
import os
import signal
import sys
import warnings
from collections import Counter
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from monitor import ledger, replay
from monitor.config import AlarmsConfig, Config, Person, Server
from monitor.service import Service
from monitor.store import events, readings
from monitor.store.writer import Writer
from rules.engine import Engine
from rules.history import arrange
from rules.quantity import fahrenheit, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, LotEvent, Reading, Tick

START = parse_instant("2026-03-02T08:00:00-06:00")
PLAN = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"
[[probe]]
id = "core-1"
place = "core"
[[probe]]
id = "core-2"
place = "core"
[[product]]
code = "juniper-links"
name = "Juniper venison-and-pork links"
[[product.step]]
name = "cook"
[[product.step.limit]]
name = "lethality"
kind = "lethality"
place = "core"
rows = [{ at = "145 °F", for = "4 min" }]
source = "invented for this test"
[[product.step]]
name = "chill"
[[product.step.limit]]
name = "stabilization"
kind = "cooling"
place = "core"
start = "130 °F"
windows = [{ to = "80 °F", within = "90 min" }, { to = "45 °F", within = "5 h" }]
source = "invented for this test"
"""
AWAY = (START + 70 * MINUTE, START + 400 * MINUTE)
LIVE_FROM = START + 420 * MINUTE


def story() -> list[Reading]:
    """Two cores, a reading each two minutes: held at 150 °F after an hour, then cooled, core-2 too slowly."""
    rows = []
    for at in range(START + MINUTE, START + 500 * MINUTE, 2 * MINUTE):
        minutes = (at - START) / MINUTE
        for probe, half in (("core-1", 60.0), ("core-2", 95.0)):
            celsius = 60 + 1.5 * min(minutes, 60.0) if minutes < 80 else 38 + 112 * 0.5 ** ((minutes - 80) / half)
            rows.append(Reading(probe, at, fahrenheit(round(celsius, 1))))
    return rows


class Mortal(Writer):
    """A writer whose moments can be counted down to its death: after a job, before a commit, after one."""

    moments = 0

    def moment(self) -> None:
        """One moment less."""
        self.moments -= 1
        if self.moments == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    def _attempt(self, conn: Connection, job: Any) -> tuple[bool, Any]:
        done = super()._attempt(conn, job)
        self.moment()
        return done

    def _commit(self, conn: Connection) -> None:
        self.moment()
        super()._commit(conn)
        self.moment()


class Site:
    """The service with no threads but the writer's."""

    def __init__(self, folder: Path) -> None:
        (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
        config = Config(
            folder / "larderer.toml", folder / "plan.toml", folder, Server(port=0),
            persons=(Person("Odile Marsh", "operator"),), alarms=AlarmsConfig(all_well=None),
        )  # fmt: skip
        self.now = START
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            self.service = Service(config, clock=lambda: self.now, drivers=(), tick_s=3600.0, exports=False)
        self.service.writer.__class__ = Mortal
        self.writer: Mortal = self.service.writer  # type: ignore[assignment]  # it has just become one

    def begin(self, now: int) -> None:
        """Start judging at `now`."""
        self.now = now
        self.run(lambda conn: self.service.pipeline.start(conn, now))

    def run(self, job: Any) -> Any:
        """A job on the writer."""
        return self.service.writer.submit(job).result(60)

    def send(self, rows: list[Reading]) -> None:
        """Hand over readings, the clock at the newest."""
        self.now = max(self.now, *(row.at for row in rows))
        self.service.intake.readings(rows).result(60)


def prepare(site: Site) -> None:
    """Everything that came in time."""
    site.begin(START)
    moved = START + 81 * MINUTE
    entries = [("start", "juniper-links", START), ("place", "core-1", START + 1), ("place", "core-2", START + 2), ("step", "chill", moved)]
    live = [r for r in story() if not (r.probe == "core-1" and AWAY[0] <= r.at < AWAY[1]) and r.at < LIVE_FROM]
    for what, name, at in entries:
        before = [r for r in live if r.at < at]
        live = live[len(before) :]
        if before:
            site.send(before)
        site.now = at
        entry = LotEvent(at, what, "J-1", name)
        site.run(lambda conn, entry=entry: site.service.pipeline.event(conn, entry))
    for n in range(0, len(live), 20):
        site.send(live[n : n + 20])


def parts() -> list[list[Reading]]:
    """The backlog in batches, a live batch after each."""
    kept = [r for r in story() if r.probe == "core-1" and AWAY[0] <= r.at < AWAY[1]]
    live = [r for r in story() if r.at >= LIVE_FROM]
    found = []
    for n in range(6):
        found += [kept[n * len(kept) // 6 : (n + 1) * len(kept) // 6], live[n * len(live) // 6 : (n + 1) * len(live) // 6]]
    return found


def die(site: Site, moments: int) -> None:
    """Until the writer's moment comes."""
    site.begin(LIVE_FROM)
    site.writer.moments = moments
    replay.Replay.step.__defaults__ = (25,)
    for n, part in enumerate(parts()):
        site.send(part)
        os.write(1, f"{n}\n".encode())
        for _ in range(2):
            site.run(site.service.pipeline.catch_up)
    while site.service.judging.late is not None:
        site.run(site.service.pipeline.catch_up)
    os.write(1, b"whole\n")


def finish(site: Site) -> dict[str, Any]:
    """What is there, and what it comes to once everything has been sent."""
    site.begin(START + 500 * MINUTE)
    with site.service.store.read() as conn:
        stored = {(s.item.probe, s.item.at) for s in readings.between(conn, -1, 1 << 60)}
    there = [n for n, part in enumerate(parts()) if {(r.probe, r.at) for r in part} <= stored]
    for part in parts():
        site.send(part)
    while site.service.judging.late is not None:
        site.run(site.service.pipeline.catch_up)
    site.now += SECOND + HOUR
    site.run(lambda conn: site.service.pipeline.tick(conn, site.now))
    with site.service.store.read() as conn:
        everything = [*(e.event for e in events.since(conn)), *(s.item for s in readings.between(conn, -1, 1 << 60))]
        faults = ledger.verify(conn)
        found = [tuple(e.body[k] for k in ("at", "what", "lot", "step", "limit", "probe")) for e in ledger.entries(conn, kind="finding")]
        corrections = [(e.body["probe"], e.body["limit"], e.body["was"], e.body["now"]) for e in ledger.entries(conn, kind="correction")]
    engine = Engine(site.service.plan)
    for item in arrange(everything):
        engine.feed(item)
    engine.feed(Tick(site.now))
    report = site.service.pipeline.report()
    return {
        "there": there,
        "equal": report["lots"] == engine.report()["lots"],
        "verdicts": {f"{lim['limit']} {w['probe']}": w["verdict"] for lim in report["lots"][0]["limits"] for w in lim["watches"]},
        "twice": [f for f, n in Counter(found).items() if n > 1],
        "corrections": corrections,
        "faults": faults,
    }


def main(folder: str, what: str, moments: str = "0") -> None:
    """Do it, with replays that are never cheap enough to be done at once."""
    from monitor import judging

    judging.AT_ONCE = -1
    site = Site(Path(folder))
    if what == "prepare":
        prepare(site)
    elif what == "die":
        die(site, int(moments))
    else:
        print("\n" + json.dumps(finish(site)))
    site.service.close()


if __name__ == "__main__":
    main(*sys.argv[1:])
