"""The engine's whole state as JSON-able values, and back. Plans are named by their SHA-256, never copied."""

from __future__ import annotations

import heapq
import json
import zlib
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from rules.errors import RulesError
from rules.finding import Finding, Problem
from rules.limits.come_up import FirstCold
from rules.limits.cooling import CoolingWatch
from rules.limits.degree_hours import HottestWatch
from rules.limits.hold_for_step import CoreHold, FallWatch
from rules.limits.humidity import DryBulb
from rules.limits.profile import CoreStage
from rules.limits.watch import Watch
from rules.lot import Lot
from rules.reading import HOUR, Reading
from rules.run import Run
from rules.standing import StandingRoom
from rules.track import Track

if TYPE_CHECKING:
    from rules.engine import Engine

#: What is written, and what is read besides: before 6 a lot that is over stood among the others.
FORMAT, BEFORE = 6, 5
#: An ended lot that nobody feeds, times or closes any more is written out once; this long after its end, to be sure.
SEALED_AFTER = HOUR
TRACK = ("at", "slow_at")
ROWS = ("row", "good")
LOT = (
    "ended", "current", "entered", "since", "by_start", "by_itself", "placed", "measures", "cold", "doubted",
)  # fmt: skip
MOVERS: dict[str, type[Watch]] = {c.__name__: c for c in (FirstCold, FallWatch, HottestWatch, CoreStage, DryBulb)}
ADVANCE = ("straddling", "prompt", "decided")
COOLING = ("left_lethal", "counted")


def take(engine: Engine, *, packed: bool = False) -> dict[str, Any]:
    """The state of `engine`. `packed`: an ended lot that changes no more is given as bytes, the same each time, and not taken anew."""
    sealed = _sealed(engine) if packed else {}
    names = _names(engine, [lot for lot in engine.lots.values() if id(lot) not in sealed])
    return {
        "format": FORMAT,
        "plan": engine.plan.sha256,
        "now": engine.now,
        "barrier": engine._barrier,
        "duplicates": engine.doubtful.duplicates,
        "forgotten": list(engine.forgotten),
        "timer_seq": engine._timer_seq,
        "timers": [list(t) for t in sorted(engine._timers)],
        "problems": [list(p) for p in engine.doubtful.problems],
        "tracks": {k: _track(t) for k, t in engine._tracks.items()},
        "order": {k: [[names[id(w)] for w in ws] for ws in (t.watches, t.bare, t.slow)] for k, t in engine._tracks.items()},
        "lots": [sealed.get(id(lot)) or _lot(lot) for lot in engine.lots.values()],
        "standing": [_standing(room) for room in engine.standing],
        "air": engine.air.state(),
        "evidence": engine.evidence.state(),
        "pending": [
            [at, _run_name(owner, run), "" if watch is None else names[id(watch)], how]
            for at, owner, run, watch, how in engine._closings.waiting
        ],
    }


def _sealed(engine: Engine) -> dict[int, bytes]:
    """The ended lots that no reading, timer, closing or entry can reach any more, by identity, with their packed state.

    An entry for an ended lot is refused (`rules/deeds.py`), and whatever lies before its end is judged again by another engine.
    """
    over = [lot for lot in engine.lots.values() if lot.ended is not None and lot.ended + SEALED_AFTER < engine.now]
    if not over:
        return {}
    fed = {id(owner) for owner in engine._owner.values()}
    closing, timed = {id(owner) for _, owner, *_ in engine._closings.waiting}, {timer[2] for timer in engine._timers}
    found: dict[int, bytes] = {}
    for lot in over:
        if id(lot) in fed or id(lot.forecast) in fed or id(lot) in closing or lot.id in timed:
            lot.sealed = None
            continue
        if lot.sealed is None:
            lot.sealed = zlib.compress(json.dumps(_lot(lot), separators=(",", ":"), ensure_ascii=False).encode("utf-8"))
        found[id(lot)] = lot.sealed
    return found


def put_back(engine: Engine, data: dict[str, Any]) -> None:
    """Give a fresh engine the state `data`; RulesError where another version wrote it."""
    if data.get("format") not in (FORMAT, BEFORE):
        raise RulesError(f"snapshot format is {data.get('format')!r}, this version reads {FORMAT}; replay from the lots' start instead")
    engine.now, engine._barrier, engine.doubtful.duplicates = data["now"], data["barrier"], data["duplicates"]
    engine.forgotten = list(data["forgotten"])
    for lot_data in data["lots"]:
        if isinstance(lot_data, bytes):
            lot = _put_lot(engine, json.loads(zlib.decompress(lot_data)))
            lot.sealed = lot_data
        else:
            lot = _put_lot(engine, lot_data)
        engine.lots[lot.id] = lot
    engine.standing = [_put_standing(engine, room_data) for room_data in data["standing"]]
    engine._timers = [tuple(t) for t in data["timers"]]
    heapq.heapify(engine._timers)
    engine._timer_seq = data["timer_seq"]
    engine._timer_at = engine._timers[0][0] if engine._timers else engine._timer_at
    engine._schedule()
    engine.doubtful.problems = [Problem(*p) for p in data["problems"]]
    engine.air.restore(data["air"])
    watches = _watches(engine, engine.lots.values())
    for key, row in data["tracks"].items():
        track = engine._tracks.get(key) or _old_track(engine, key)
        for name in TRACK:
            setattr(track, name, row[name])
        for name in ROWS:
            setattr(track, name, None if row[name] is None else Reading(*row[name]))
        fed = [[watches[n] for n in listed] for listed in data["order"][key]]
        track.feed(*(tuple(w for _, w in found) for found in fed))
        engine._owner.update({id(w): owner for found in fed for owner, w in found})
    engine.evidence.restore(data["evidence"])
    for at, run_name, watch_name, how in data["pending"]:
        owner, run = _owner_and_run(engine, run_name)
        watch = watches[watch_name][1] if watch_name else None
        engine.closing(at, owner, run, watch, how)


def _old_track(engine: Engine, probe: str) -> Track:
    """The track of a probe that only an older plan knows."""
    known = next(plan.probe_by_id[probe] for plan in engine.plans.values() if probe in plan.probe_by_id)
    track = engine._tracks[probe] = Track(known)
    return track


def _track(track: Track) -> dict[str, Any]:
    rows = {name: None if getattr(track, name) is None else list(getattr(track, name)) for name in ROWS}
    return {**{name: getattr(track, name) for name in TRACK}, **rows}


# --- names of watches, so that order and pending closings can be written down ---------------------------------------


def _watches(engine: Engine, lots: Iterable[Lot]) -> dict[str, tuple[Any, Watch]]:
    """Every watch of these lots, of the rooms and of the air by a name that stays the same in a restored engine, with its owner."""
    found: dict[str, tuple[Any, Watch]] = {}
    for lot in lots:
        for key, newest in lot.runs.items():
            for run in newest.every():
                for i, watch in enumerate(run.watches):
                    if not _is_tracker(lot, watch):
                        found[f"lot\t{lot.id}\t{key}\t{run.generation}\t{i}"] = (lot, watch)
        for key, trackers in lot.cooling.trackers.items():
            for probe, tracker in trackers.items():
                found[f"tracker\t{lot.id}\t{key}\t{probe}"] = (lot, tracker)
        for i, mover in enumerate(lot.movers):
            found[f"mover\t{lot.id}\t{i}"] = (lot, mover)
        for probe, fit in lot.forecast.watches.items():
            found[f"forecast\t{lot.id}\t{probe}"] = (lot.forecast, fit)
    for probe, air in engine.air.watches.items():
        found[f"air\t{probe}"] = (engine.air, air)
    for room in engine.standing:
        for j, run in enumerate(_room_runs(room)):
            for i, watch in enumerate(run.watches):
                found[f"room\t{room.key}\t{j}\t{i}"] = (room, watch)
    return found


def _names(engine: Engine, lots: Iterable[Lot]) -> dict[int, str]:
    return {id(watch): name for name, (_, watch) in _watches(engine, lots).items()}


def _room_runs(room: StandingRoom) -> list[Run]:
    return [run for _, run in room.closing_run] + ([room.run] if room.run else [])


def _run_name(owner: Any, run: Run) -> str:
    if isinstance(owner, Lot):
        return f"lot\t{owner.id}\t{run.key}\t{run.generation}"
    return f"room\t{owner.key}\t{[r is run for r in _room_runs(owner)].index(True)}"


def _owner_and_run(engine: Engine, name: str) -> tuple[Any, Run]:
    parts = name.split("\t")
    if parts[0] == "lot":
        lot = engine.lots[parts[1]]
        return lot, list(lot.runs[parts[2]].every())[int(parts[3])]
    room = next(r for r in engine.standing if r.key == parts[1])
    return room, _room_runs(room)[int(parts[2])]


# --- lots -----------------------------------------------------------------------------------------------------------


def _lot(lot: Lot) -> dict[str, Any]:
    return {
        "id": lot.id,
        "plan": lot.plan.sha256,
        "product": lot.product.code,
        "started": lot.started,
        **{name: _copy(getattr(lot, name)) for name in LOT},
        "advance": {name: _copy(getattr(lot.advance, name)) for name in ADVANCE},
        "cooling": {name: _copy(getattr(lot.cooling, name)) for name in COOLING},
        "said": [list(f) for f in lot.said],
        "runs": {key: run.state() for key, run in lot.runs.items()},
        "forecast": lot.forecast.state(),
        "process": lot.process.state(),
        "trackers": {key: {p: t.state() for p, t in ts.items()} for key, ts in lot.cooling.trackers.items()},
        "told": {key: [w.probe if _is_tracker(lot, w) else "" for w in lot.runs[key].watches] for key in lot.cooling.trackers},
        "movers": [
            {"type": type(m).__name__, "limit": _limit_key(lot, m), "state": m.state(), "step": _mover_step(lot, m)} for m in lot.movers
        ],
    }


def _copy(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _copy(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_copy(v) for v in value]
    return value


def _is_tracker(lot: Lot, watch: Watch) -> bool:
    """Whether a watch of a run is also what follows its probe through the lot."""
    return any(watch is tracker for trackers in lot.cooling.trackers.values() for tracker in trackers.values())


def _limit_key(lot: Lot, watch: Watch) -> str:
    return next(key for key, run in lot.runs.items() if run.limit is watch.limit)


def _mover_step(lot: Lot, mover: Watch) -> str:
    if not isinstance(mover, CoreHold):
        return ""
    return next(s.name for s in lot.product.steps if s.advance is mover.advance)


def _put_lot(engine: Engine, data: dict[str, Any]) -> Lot:
    plan = engine.plans[data["plan"]]
    lot = Lot(engine, plan, plan.product_by_code[data["product"]], data["id"], data["started"])
    for name in LOT:
        setattr(lot, name, _copy(data[name]))
    for name in ADVANCE:
        setattr(lot.advance, name, _copy(data["advance"][name]))
    for name in COOLING:
        setattr(lot.cooling, name, _copy(data["cooling"][name]))
    lot.says.said = [Finding(*f) for f in data["said"]]
    for key, state in data["runs"].items():
        lot.runs[key].restore(state)
    for key, states in data["trackers"].items():
        run = lot.runs[key]
        for probe, state in states.items():
            tracker = CoolingWatch(run.limit, probe, state["u"], lot.unit, state["opened"])
            tracker.restore(state)
            lot.cooling.trackers[key][probe] = tracker
        for i, probe in enumerate(data["told"][key]):
            if probe:  # the watch is the tracker itself
                tracker = lot.cooling.trackers[key][probe]
                if run.live.get(probe) is run.watches[i]:
                    run.live[probe] = tracker
                run.watches[i] = tracker
    lot.cooling.relink()
    lot.forecast.restore(data["forecast"])
    for item in data["movers"]:
        limit, state = lot.runs[item["limit"]].limit, item["state"]
        args = (limit, state["probe"], state["u"], lot.unit, state["opened"])
        mover: Watch
        if item["type"] == "CoreHold":
            advance = lot.product.step(item["step"])
            assert advance is not None
            assert advance.advance is not None
            mover = CoreHold(advance.advance, *args)
        else:
            mover = MOVERS[item["type"]](*args)
        mover.restore(state)
        lot.movers.append(mover)
    lot.process.restore(data["process"])
    return lot


# --- rooms ----------------------------------------------------------------------------------------------------------


def _standing(room: StandingRoom) -> dict[str, Any]:
    return {
        "room": room.room,
        "limit": room.limit.name,
        "plan": room.plan.sha256,
        "day": room.day,
        "closed": _copy(room.closed),
        "run": room.run.state() if room.run else None,
        "closing": [[day, run.state()] for day, run in room.closing_run],
    }


def _put_standing(engine: Engine, data: dict[str, Any]) -> StandingRoom:
    """A room's limit as it was judged that day, be it by an older plan."""
    plan = engine.plans[data["plan"]]
    limit = next(limit for s in plan.standing if s.room == data["room"] for limit in s.limits if limit.name == data["limit"])
    room = StandingRoom(engine, plan, data["room"], limit)
    room.day, room.closed = data["day"], _copy(data["closed"])
    if data["run"] is not None:
        room.run = _room_run(room, data["run"])
    room.closing_run = [(day, _room_run(room, state)) for day, state in data["closing"]]
    return room


def _room_run(room: StandingRoom, state: dict[str, Any]) -> Run:
    run = Run(room.key, room.limit, (), room.plan.site.unit)
    run.restore(state)
    return run
