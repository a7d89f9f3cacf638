"""Stuck: a probe that repeats one value for `stuck_after` while another one beside it moved (`docs/judging-choices.md`, 28).

What a probe saw is kept so that nobody has to look back: of every reading only those that may still be the far end of a span.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from rules.quantity import format_span
from rules.reading import Instant, Reading
from rules.track import BEFORE, NEVER, Track

if TYPE_CHECKING:
    from rules.engine import Engine

#: A span of 1 °C, of values rounded to 0.001.
FAR_C = 1.0 - 0.0005
#: So many of the newest spans are kept, for a reading that comes a little behind those of other probes.
KEPT = 16


class Eye:
    """One probe's value and since when it repeats, and the newest of its readings from which it has moved 1 °C since.

    `lows` and `highs` hold, rising and falling, [°C, until] of the values below (above) which it has not been since; `until` is
    the probe's next reading of another value. Raw values: a new calibration offset is no movement.
    """

    __slots__ = ("after", "highs", "lows", "rule", "since", "spans", "track", "trusted_at", "value")

    def __init__(self, rule: StuckRule, track: Track) -> None:
        self.rule, self.track, self.after = rule, track, track.probe.stuck_after
        self.value: float | None = None
        self.since: Instant = BEFORE
        self.trusted_at: Instant = BEFORE  # the newest reading that repeated for `after` and was taken all the same
        self.lows: deque[list[Any]] = deque()
        self.highs: deque[list[Any]] = deque()
        self.spans: deque[tuple[Instant, Instant]] = deque(maxlen=KEPT)  # (known at, `until` of the far end)

    def read(self, at: Instant, _lo: float, _hi: float) -> None:
        """Take the reading that its track holds as the newest good one."""
        r = self.track.good
        assert r is not None
        raw = r.celsius
        if raw == self.value and r.high_c is None:
            return
        self.value, self.since = (raw if r.high_c is None else None), at
        moved = self._take(round(raw, 3), at)
        if r.high_c is not None:
            moved = self._take(round(r.high_c, 3), at) or moved
        if moved and self.rule.trusted and at < self.rule.engine.now:
            self.rule.moved_late(self, at)

    def _take(self, value: float, at: Instant) -> bool:
        lows, highs, entry = self.lows, self.highs, [value, NEVER]
        if lows:
            newest = lows[-1]  # the newest value is the last of both
            newest[1] = at
            if value >= newest[0]:
                while highs and highs[-1][0] <= value:
                    highs.pop()
            if value <= newest[0]:
                while lows and lows[-1][0] >= value:
                    lows.pop()
        lows.append(entry)
        highs.append(entry)
        if value - lows[0][0] < FAR_C and highs[0][0] - value < FAR_C:
            return False
        far = BEFORE
        while value - lows[0][0] >= FAR_C:
            far = max(far, lows.popleft()[1])
        while highs[0][0] - value >= FAR_C:
            far = max(far, highs.popleft()[1])
        self.spans.append((at, far))
        return True

    def moved_since(self, since: Instant, before: Instant) -> bool | None:
        """Whether its readings from its newest before `since` on, and before `before`, span 1 °C; None where that is forgotten."""
        for known_at, until in reversed(self.spans):
            if known_at < before:
                return until >= since
        return None if len(self.spans) == KEPT else False

    def state(self) -> dict[str, Any]:
        """The running state as JSON-able values."""
        plain = {name: getattr(self, name) for name in ("value", "since", "trusted_at")}
        return {**plain, **{name: [list(x) for x in getattr(self, name)] for name in ("lows", "highs", "spans")}}

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave."""
        self.value, self.since, self.trusted_at = state["value"], state["since"], state["trusted_at"]
        self.lows, self.highs = deque(list(x) for x in state["lows"]), deque(list(x) for x in state["highs"])
        if self.lows:
            self.highs[-1] = self.lows[-1]
        self.spans = deque(((x[0], x[1]) for x in state["spans"]), maxlen=KEPT)


class StuckRule:
    """The eyes of every probe, where any probe of a plan has `stuck_after`; none otherwise."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.eyes: dict[str, Eye] = {}
        self.trusted: set[str] = set()  # probes with a reading that a movement told late would make suspect

    def use(self, tracks: dict[str, Track]) -> None:
        """Follow the probes of a new plan too."""
        if not self.eyes and all(t.probe.stuck_after is None for t in tracks.values()):
            return
        for name, track in tracks.items():
            eye = self.eyes.get(name)
            if eye is None or eye.track is not track:
                fresh = self.eyes[name] = Eye(self, track)
                if eye is not None:
                    fresh.restore(eye.state())
            track.look(self.eyes[name], BEFORE if track.probe.stuck_after is not None else NEVER)

    def doubt(self, track: Track, r: Reading) -> str:
        """Why a repeated value is not to be believed, or ""; also from when on the next one has to be asked about."""
        eye = self.eyes.get(track.probe.id)
        if eye is None or eye.after is None:
            return ""
        if r.celsius != eye.value or r.high_c is not None:
            track.still_at = r.at + eye.after
            return ""
        track.still_at = eye.since + eye.after
        if r.at < track.still_at:
            return ""
        for other in self._beside(track, r.at):
            moved = other.moved_since(eye.since, r.at)
            if moved is None:
                self.engine.cross(r.at)  # far behind the others: what they read then comes again in a replay
            if moved:
                return f"has not moved for {format_span(r.at - eye.since)} while {other.track.probe.id} moved"
        eye.trusted_at = r.at
        self.trusted.add(track.probe.id)
        return ""

    def moved_late(self, mover: Eye, at: Instant) -> None:
        """A probe moved at an instant that lies behind other probes' readings: was one of those trusted wrongly?"""
        for name in list(self.trusted):
            eye = self.eyes[name]
            if eye.trusted_at <= eye.since:
                self.trusted.discard(name)
            elif eye.trusted_at > at and mover.spans[-1][1] >= eye.since and any(o is mover for o in self._beside(eye.track, at)):
                self.engine.cross(at)

    def _beside(self, track: Track, at: Instant) -> Iterator[Eye]:
        """The eyes of the other probes where this one is, in the plan's order: fixed ones of its rooms, and cores placed there."""
        engine, probe = self.engine, track.probe
        live = [lot for lot in engine.lots.values() if lot.ended is None]
        rooms: set[str | None]
        if probe.place == "core":
            holder = next((lot for lot in live if probe.id in lot.placed), None)
            if holder is None:
                return
            rooms = holder.rooms(at)
        elif probe.room is None and engine.plan.rooms:
            return
        else:
            rooms = {probe.room}
        anywhere = not engine.plan.rooms
        cores = {name for lot in live if anywhere or lot.rooms(at) & rooms for name in lot.placed}
        for name, eye in self.eyes.items():
            other = eye.track.probe
            here = name in cores if other.place == "core" else other.place != "humidity" and (anywhere or other.room in rooms)
            if here and eye.track is not track:
                yield eye

    def state(self) -> dict[str, Any]:
        """The running state as JSON-able values."""
        return {name: eye.state() for name, eye in self.eyes.items()}

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave."""
        for name, data in state.items():
            track = self.engine.track(name)
            eye = self.eyes[name] = Eye(self, track)
            eye.restore(data)
            track.look(eye, NEVER if eye.after is None else BEFORE)
            if eye.trusted_at > eye.since:
                self.trusted.add(name)
