"""The engine: event in, findings out. Nothing here reads a clock; time is in the events.

`feed` takes events in the order of their instants (lot events before readings at one instant; readings of
different probes may cross a little). What is too old raises LateEvent, and the state is then replayed from
a snapshot before it (`rules/history.py` arranges the events). The same events give the same findings.
"""

from __future__ import annotations

import heapq
from typing import Any

from rules import snapshot
from rules.air import AirBoard
from rules.closings import Closing, Closings
from rules.deeds import deed
from rules.doubtful import DoubtfulRows
from rules.errors import LateEvent
from rules.evidence import Evidence
from rules.finding import Finding
from rules.limits.hold_for_step import SAMPLE
from rules.limits.watch import Watch
from rules.lot import Lot
from rules.plan import Plan, Probe
from rules.quantity import format_instant
from rules.reading import Event, Fault, Instant, LotEvent, Reading, Tick
from rules.report import report, standing_day
from rules.run import Run
from rules.standing import StandingRoom, standing_key
from rules.track import AWAKE, BEFORE, NEVER, Track

_STRANGER = Track(Probe("", ""))  # stands for a probe of no plan: never calm, always due
_NOTHING: list[Finding] = []  # what nearly every reading finds; never changed


class Engine:
    """Lots, rooms and probes under a plan."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.plans: dict[str, Plan] = {plan.sha256: plan}
        self.now: Instant = BEFORE
        self.lots: dict[str, Lot] = {}
        self.forgotten: list[str] = []  # lots that ended long ago: their names stay taken
        self._tracks: dict[str, Track] = {}
        self._owner: dict[int, Any] = {}
        self._timers: list[tuple[Instant, int, str, str, str]] = []
        self._timer_at: Instant = NEVER
        self._timer_seq = 0
        self._closings = Closings(self)
        self._due_at: Instant = BEFORE  # of what every track has been told
        self._barrier: Instant = BEFORE
        self._crossed: Instant | None = None
        self._out: list[Finding] = []
        self._calm: set[Track] = set()  # those whose next readings may change nothing
        self.standing: list[StandingRoom] = []
        self.doubtful = DoubtfulRows(self)
        self.air = AirBoard(self)
        self.evidence = Evidence(self)
        self.use(plan)

    def use(self, plan: Plan) -> None:
        """Judge lots started from now on, and rooms, by this plan; lots already started keep theirs."""
        self._wake()
        self.plan = plan
        self.plans[plan.sha256] = plan
        for probe in plan.probes:
            old = self._tracks.get(probe.id)
            self._tracks[probe.id] = track = Track(probe)
            if old is not None:
                track.go_on(old)
        self.air.use(plan)
        self.evidence.stuck.use(self._tracks)
        self._due_at = BEFORE  # the new tracks are to be told
        self._schedule()
        known = {r.key for r in self.standing}  # those go on by the plan of their day
        wanted = [(s.room, limit) for s in plan.standing for limit in s.limits]
        self.standing += [StandingRoom(self, plan, room, limit) for room, limit in wanted if standing_key(room, limit) not in known]

    # --- in -----------------------------------------------------------------------------------------------------

    def feed(self, event: Event) -> list[Finding]:
        """Take one event; raise LateEvent (replay) or EventError (refused, nothing changed)."""
        if type(event) is Reading:
            probe, at, celsius, offset, suspect, high_c = event
            try:
                track = self._tracks[probe]
            except KeyError:
                track = _STRANGER
            if suspect or high_c is not None:
                self._reading(event)
            elif (
                track.calm_low < (celsius := celsius + offset) < track.calm_high
                and 0 < at - track.at <= track.calm_gap
                and at < track.calm_before
            ):
                # What nearly every reading is: none of its watches has anything to do but to know that it came.
                if at > self.now:  # noqa: PLR1730 — max() costs a call on the hottest line
                    self.now = at
                track.at = at
                track.row = track.good = event
                for watch in track.watches:
                    watch.last_at = at
                if at < track.rest_at:
                    return _NOTHING
                self._rest(track, at, celsius, celsius)
            elif track.at < at < track.due_at and self._barrier <= at and track.low < celsius < track.high:
                # Newer than all before it, with nothing due and nothing in doubt.
                if at > self.now:  # noqa: PLR1730
                    self.now = at
                track.at = at
                track.row = track.good = event
                track.calm_low = AWAKE
                lo, hi = celsius - track.u, celsius + track.u
                for read, watch in track.feeds:
                    if read(at, lo, hi):
                        self._wake()
                        self._owner[id(watch)].hear(watch)
                if at >= track.rest_at:
                    self._rest(track, at, celsius, celsius)
                if at >= track.calm_try:
                    self._calm_down(track, at)
            else:
                self._reading(event)
            if not self._out and self._crossed is None:
                return _NOTHING
        elif isinstance(event, Tick):
            self._tick(event.at)
        elif isinstance(event, Fault):
            self._wake()
            self.doubtful.fault(self._tracks.get(event.probe), event)
        else:
            assert isinstance(event, LotEvent)
            self._event(event)
        if self._crossed is not None:
            at, self._crossed = self._crossed, None
            raise LateEvent(at, f"something that other probes depend on happened at {format_instant(at)}, before what is already judged")
        out, self._out = self._out, []
        return out

    def _calm_down(self, track: Track, at: Instant) -> None:
        if not self._out and self._crossed is None and track.calm_down(at):
            self._calm.add(track)

    def _wake(self) -> None:
        """Something happens that may change any watch: every probe's next reading is looked at whole."""
        for track in self._calm:
            track.wake()
        self._calm.clear()

    def _reading(self, r: Reading) -> None:
        probe, at, celsius, offset, suspect, high_c = r
        try:
            track = self._tracks[probe]
        except KeyError:
            self.doubtful.unknown(at, probe)
            return
        track.calm_low = AWAKE
        if track.span is not None:
            within = track.within_span(r)
            if within is None:
                self._wake()
                self.doubtful.fault(track, Fault(probe, at, f"{celsius:g} °C is out of the sensor's span"))
                return
            _, _, celsius, _, _, high_c = r = within
        if at <= track.at:
            self._wake()
            if not self.doubtful.same_instant(track, r):
                return
        if at < self._barrier:
            self.doubtful.late(at, probe)
        if at >= self._timer_at or at > self._closings.at:
            self._move_to(at)
        if at > self.now:  # noqa: PLR1730 — max() costs a call on the hottest line
            self.now = at
        track.at, track.row = at, r
        celsius += offset
        if not suspect:
            suspect = (track.doubt(at, celsius) if track.ruled else "") or self.evidence.doubt(track, r)
        if suspect:
            self._wake()
            self.doubtful.suspect(track, at, celsius, suspect, None if high_c is None else high_c + offset)
            return
        high = celsius
        if high_c is not None:
            high = high_c + offset
            self.problem(
                at, "conflict", probe, f"two values at one instant, {celsius:g} and {high:g} °C: the one worse for each limit counts"
            )
        track.good = r
        if not track.plain:
            self._wake()
            self._first(track, at)
        u = track.u
        for read, watch in track.feeds:
            if read(at, celsius - u, high + u):
                self._wake()
                self._owner[id(watch)].hear(watch)
        self._rest(track, at, celsius, high)
        if at >= track.calm_try:
            self._calm_down(track, at)

    def _rest(self, track: Track, at: Instant, lo: float, hi: float) -> None:
        """Feed the watches that take no guard band, or only a reading now and then."""
        fed = track.bare
        if track.slow and at >= track.slow_at:
            fed = (*fed, *track.slow) if fed else track.slow
            track.slow_at = at + SAMPLE
            track.rest()
        for watch in fed:
            if watch.read(at, lo - watch.u, hi + watch.u):
                if not watch.LOOKS_ON:
                    self._wake()
                self._owner[id(watch)].hear(watch)

    def tell_owner(self, watch: Watch) -> None:
        """A watch has something to say."""
        self._owner[id(watch)].hear(watch)

    def problem(self, at: Instant, what: str, probe: str, text: str) -> None:
        """Tell of evidence that could not be used as it stands."""
        self.doubtful.problem(at, what, probe, text)

    def _first(self, track: Track, at: Instant) -> None:
        track.plain = not track.ruled
        track.due()
        for room in self.standing:
            if track.probe.id in room.probes():
                room.first_reading(track.probe.id, at)

    def _tick(self, at: Instant) -> None:
        if at < self.now:
            return
        self._wake()
        self._move_to(at)
        self.now = at
        for lot in self.lots.values():
            if lot.ended is None:
                lot.cooling.tick(at)
                lot.process.tick(at)

    # --- lot events ---------------------------------------------------------------------------------------------

    def _event(self, event: LotEvent) -> None:
        if event.event == "undo" or event.at < self.now or (event.at == self.now and any(t.at == event.at for t in self._tracks.values())):
            raise LateEvent(
                event.at, f"the event {event.event} of lot {event.lot} at {format_instant(event.at)} changes what has been judged"
            )
        self._wake()
        act = deed(self, event)
        self._move_to(event.at, before=True)
        self.now = event.at
        self._barrier = max(self._barrier, event.at)
        act()

    # --- time ---------------------------------------------------------------------------------------------------

    def _move_to(self, at: Instant, *, before: bool = False) -> None:
        """Run the timers up to `at` (a person's entry at the same instant comes before them), and the closings before it."""
        self._wake()
        while self._timers and self._timers[0][0] < at + (0 if before else 1):
            due, _, lot, kind, arg = heapq.heappop(self._timers)
            self._flush(due)
            self.now = max(self.now, due)
            self._barrier = max(self._barrier, due)
            if kind == "midnight":
                for room in self.standing:
                    if room.key == arg:
                        room.timer(due, kind, arg)
            elif lot in self.lots:
                self.lots[lot].timer(due, kind, arg)
        self._timer_at = self._timers[0][0] if self._timers else NEVER
        self._flush(at)

    def _schedule(self) -> None:
        """Tell every track up to when (not including) its readings meet no timer and no closing."""
        due = min(self._timer_at, self._closings.at + 1)
        if due != self._due_at:
            self._due_at = due
            for track in self._tracks.values():
                track.timer_at = due
                track.due()

    def _flush(self, at: Instant) -> None:
        """Carry out closings asked for before `at`: every reading at their instant has been taken."""
        while self._closings.at < at:
            for closing in self._closings.taken(at):
                self._barrier = max(self._barrier, closing.at + 1)
                self._closings.carry_out(closing)
            for room in self.standing:
                if room.closing_run:
                    room.ended(standing_day)
        self._schedule()

    # --- what lots and rooms ask (see lot.Hub) ------------------------------------------------------------------

    def attach(self, watch: Watch, owner: Any) -> None:
        """Feed the watch with its probe's readings from now on, and with one that stands at this very instant."""
        track = self._tracks[watch.probe]
        self._owner[id(watch)] = owner
        if not track.feeds_to(watch):
            track.add(watch, slow=watch.SLOW)
            good, row = track.good, track.row
            if good is not None and good.at == self.now and (watch.last_at is None or watch.last_at < self.now) and not watch.final:
                high = good.celsius if good.high_c is None else good.high_c
                if watch.read(self.now, good.celsius + good.offset_c - watch.u, high + good.offset_c + watch.u):
                    owner.hear(watch)
            elif row is not None and row.at == self.now and (good is None or good.at < self.now):  # a suspect one
                self.doubtful.tell(watch, row.at, row.celsius + row.offset_c, None if row.high_c is None else row.high_c + row.offset_c)

    def detach(self, watch: Watch) -> None:
        """Feed it no more."""
        track = self._tracks.get(watch.probe)
        if track is not None:
            track.drop(watch)
            self._owner.pop(id(watch), None)

    def around(self, probes: list[Probe], at: Instant) -> list[float]:
        """What these fixed probes read before the last whole half minute, in °C."""
        return self.air.around(probes, at)

    def later(self, at: Instant, lot: str, kind: str, arg: str) -> None:
        """Call the owner's `timer` when time has come to `at`."""
        self._timer_seq += 1
        heapq.heappush(self._timers, (at, self._timer_seq, lot, kind, arg))
        self._timer_at = self._timers[0][0]
        self._schedule()

    def closing(self, at: Instant, owner: Any, run: Run, watch: Watch | None, how: str) -> None:
        """Close the watch once every reading at `at` has been taken."""
        self._closings.ask(Closing(at, owner, run, watch, how))
        self._schedule()

    def ends(self, watch: Watch) -> bool:
        """Whether its lethality, met at this very instant, makes the watch final."""
        return self._closings.ends(watch)

    def keep(self, watch: Watch) -> None:
        """Take back a closing asked for at this very instant: the watch goes on."""
        self._closings.keep(watch)
        self._schedule()

    def say(self, finding: Finding) -> None:
        """Give a finding out."""
        self._out.append(finding)

    def cross(self, at: Instant) -> None:
        """Something has happened at `at` that other probes' readings depend on; it must not lie behind them."""
        self._wake()
        if at < self.now:
            self._crossed = at
        self._barrier = max(self._barrier, at)

    # --- out ----------------------------------------------------------------------------------------------------

    def snapshot(self, *, packed: bool = False) -> dict[str, Any]:
        """The whole state as JSON-able values; `Engine.restore` gives an engine that goes on alike. `packed`: see `snapshot.take`."""
        return snapshot.take(self, packed=packed)

    @classmethod
    def restore(cls, plan: Plan | dict[str, Plan], data: dict[str, Any]) -> Engine:
        """An engine as it was at `data`; `plan` is the plan, or every plan by its SHA-256 if lots run under several."""
        plans = {plan.sha256: plan} if isinstance(plan, Plan) else plan
        engine = cls(plans[data["plan"]])
        engine.plans = dict(plans)
        snapshot.put_back(engine, data)
        return engine

    def track(self, probe: str) -> Track:
        """What the engine knows of a probe of a plan in force."""
        return self._tracks[probe]

    def newest(self, probe: str) -> Reading | None:
        """The probe's newest good reading."""
        track = self._tracks.get(probe)
        return None if track is None else track.good

    def heard(self, probe: str) -> Instant | None:
        """The instant of the probe's newest row, good or not; None where it never sent one."""
        track = self._tracks.get(probe)
        return None if track is None or track.at == BEFORE else track.at

    def serving(self, probe: str) -> list[str]:
        """The lots, then the rooms, that depend on this probe now: "lot J-0412", "room cooler-1"."""
        lots = [f"lot {lot.id}" for lot in self.lots.values() if lot.ended is None and lot.depends_on(probe)]
        return lots + sorted({f"room {room.room}" for room in self.standing if room.reads(probe)})

    def forget(self, before: Instant) -> list[str]:
        """Drop the lots that ended before that instant, so that months do not grow the state; their ids, which stay taken."""
        self._wake()
        busy = {id(closing.owner) for closing in self._closings.waiting}
        gone = [lot for lot in self.lots.values() if lot.ended is not None and lot.ended < before and id(lot) not in busy]
        for lot in gone:
            for watch in lot.all_watches():
                self.detach(watch)
            del self.lots[lot.id]
        names = [lot.id for lot in gone]
        self.forgotten += names
        return names

    def settle(self) -> list[Finding]:
        """Carry out every closing up to and at `now`; later readings at that instant would be late."""
        self._settle()
        out, self._out = self._out, []
        return out

    def _settle(self) -> None:
        self._wake()
        if sum(lot.process.settle(self.now) for lot in self.lots.values()):
            self._barrier = max(self._barrier, self.now + 1)
        self._flush(self.now + 1)

    def report(self, at: Instant | None = None, *, settle: bool = True) -> dict[str, Any]:
        """The Judge JSON of everything judged so far; with `at`, after Tick(at).

        Without `settle`, closings that still wait for readings of their own instant stay open: for a live page.
        """
        if at is not None:
            self._tick(at)
        if settle:
            self._settle()
        return report(self)
