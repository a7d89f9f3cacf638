"""What the service does about its board's time: says at the start that it is provisional, and puts it right once it can be trusted.

`begin` runs in the first transaction of a start, `look` and `go_on` in jobs of their own at every tick. After each rollback of the writer
what is in memory is read again from the store (`undone`).
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from typing import Final

from sqlalchemy import Connection

from monitor import clock_restamp, clock_undated, ledger, lot_log
from monitor.alarms import troubles
from monitor.alarms.alarms import Alarms
from monitor.clock_board import BoardClock, Boot, forget_undated, remember, remembered, unbridged, undated
from monitor.clock_watch import STEP
from monitor.errors import InputError, RefusedError
from monitor.intake import Intake
from monitor.pipeline import Pipeline
from rules.quantity import format_instant, format_span, parse_instant
from rules.reading import HOUR, SECOND, Instant, Span

#: Who found what the clock alone can tell, in a deviation record.
_CLOCK: Final = "the board's clock"
_KEY: Final = troubles.clock_provisional(0, 0).key
#: Nothing was read by this program before; nor does a board come back after so long.
_FIRST: Final[Instant] = parse_instant("2026-01-01T00:00:00Z")
_FAR: Final[Span] = 3 * 366 * 24 * HOUR
_UNDATED: Final = "what was stored in it keeps its provisional time until the right one is known, and then is known to lie before that"
_PROVISIONAL: Final = (
    "the clock was behind what is stored, or nothing vouches for it: time is counted from there by the steady clock until the time is known"
)


class ClockKeeper:
    """Keeps a `BoardClock` with the store; None for a clock: does nothing. `read` opens the store for reading."""

    def __init__(
        self,
        board: BoardClock | None,
        pipeline: Pipeline,
        alarms: Alarms,
        intake: Intake,
        key: ledger.Signer | None,
        read: Callable[[], AbstractContextManager[Connection]],
    ) -> None:
        self._board, self._pipeline, self._alarms, self._intake, self._key, self._read = board, pipeline, alarms, intake, key, read
        #: The boot as it was before time was put right last, and by how much that was: for `undone`.
        self._was: tuple[Boot, Span] | None = None

    def begin(self, conn: Connection) -> None:
        """Decide how time is told in this boot, and note it where that is new."""
        board = self._board
        if board is None:
            return
        boot, was = board.begin(conn, self._pipeline.plan)
        now = board()
        if was is not boot:
            body = {
                "what": "provisional" if boot.provisional else "boot", "boot": boot.id, "at": format_instant(now),
                "system": format_instant(now - board.lift), "steady_s": board.steady() / SECOND,
            }  # fmt: skip
            if boot.provisional:
                body["why"] = _PROVISIONAL
            if was is not None and was.provisional:
                body["before"] = f"boot {was.id} ended before its time was known: {_UNDATED}"
            ledger.append(conn, "clock", body, now, entered_at=now)
        if not boot.provisional:
            self._date(conn, boot, now)
        board.settling_from = _settling_from(conn)
        if boot.provisional and boot.known and boot.offset != boot.wall_offset:
            self._alarms.raise_(conn, troubles.clock_provisional(now, unbridged(conn, self._pipeline.plan)), now)
        elif not board.unsettled:
            self._alarms.clear(conn, _KEY, now)

    @property
    def due(self) -> bool:
        """Whether `look` has something to do."""
        return self._board is not None and self._board.trusted()

    @property
    def owing(self) -> bool:
        """Whether `go_on` has something to do, or will have once `look` has."""
        return self._board is not None and (self._board.settling or self.due)

    def look(self, conn: Connection) -> bool:
        """Put time right where it has become trusted; whether it was put right just now.

        The last thing that it does is to change what is in memory, and it wants to be a job of its own: so nothing that comes
        after it can undo what is stored of it and leave memory changed, but for the whole transaction (`undone`).
        """
        board = self._board
        if board is None or not board.trusted():
            return False
        boot = board.boot
        assert boot is not None
        self._put_right(conn, board, replace(boot, provisional=False, by=""), board.shift())
        return True

    @property
    def said_by(self) -> str:
        """By whose word the time is known; "" where it is the system's, or provisional."""
        boot = None if self._board is None else self._board.boot
        return "" if boot is None else boot.by

    def say(self, conn: Connection, at: Instant, by: str) -> float:
        """It is `at` now, a person says: the time is known by that. Returns by how many seconds it was put right.

        The last thing that its job does, as `look`. Raises RefusedError where the time is known, InputError where `at` cannot be.
        """
        board = self._board
        if board is None or board.boot is None or not board.boot.counted:
            raise RefusedError(
                f"the time is known here, by the system's clock: it is {format_instant(self._pipeline.now())}; where that is wrong, see to "
                "the network, or set it with timedatectl"
            )
        if board.boot.by and board.settling:
            raise RefusedError("what was read before is still being put right by the time said last; say it again in a few minutes")
        right = board.said(at, by)
        shift, known = right.offset - board.boot.offset, board.boot.known
        if known and board.boot.since + shift <= known:
            up = format_span(board() - board.boot.since)
            raise InputError(
                f"the time is {format_instant(at)}, but before the board started, {up} ago, there are records up to "
                f"{format_instant(known)}; look at date, year and hour"
            )
        if at < _FIRST or at > max(known, _FIRST) + _FAR:
            raise InputError(f"the time is {format_instant(at)}, which is years away from the newest record; look at the year")
        self._put_right(conn, board, right, shift)
        return shift / SECOND

    def go_on(self, conn: Connection) -> None:
        """Store again, and have judged again, the next of what was stamped before time was put right; a job of its own, as `look`."""
        board = self._board
        if board is None:
            return
        now = board()
        more = clock_restamp.step(conn, self._pipeline.rejudge, now)
        if not more and not board.provisional:
            self._alarms.clear(conn, _KEY, now)
        board.settling_from = _settling_from(conn) if more else None

    def undone(self) -> None:
        """The writer undid a transaction: what is in memory is what the store says, which may be that time is provisional still."""
        board = self._board
        if board is None or board.boot is None:
            return
        with self._read() as conn:
            stored, settling_from = remembered(conn), _settling_from(conn)
        if self._was is not None and stored is not None:
            (boot, shift), self._was = self._was, None
            if stored == boot:
                board.follow(boot)
                self._intake.put_right(-shift)
        board.settling_from = settling_from

    def _put_right(self, conn: Connection, board: BoardClock, right: Boot, shift: Span) -> None:
        """From now on time is told as `right` says, `shift` from what was told till now."""
        boot, now = board.boot, board()
        assert boot is not None
        stored = remembered(conn)
        if stored is not None and stored != boot:  # what seemed to be undone had been kept after all: a server that died as it answered
            board.follow(stored)
            self._intake.put_right(shift)
            return
        if abs(shift) >= STEP:
            again = clock_restamp.begin(conn, boot, shift, now, self._key, by=right.by)
            right = replace(right, since=boot.since + shift, first_seq=again.below_seq, first_event=again.below_event - 1)
        else:
            body = {"what": "trusted", "boot": boot.id, "by_s": shift / SECOND}
            ledger.append(conn, "clock", body, now + shift, right.by, entered_at=now + shift)
        right = replace(right, since=self._date(conn, right, now + shift))
        remember(conn, right)
        if not clock_restamp.owed(conn):
            self._alarms.clear(conn, _KEY, now + shift)
        board.settling_from = _settling_from(conn)
        board.follow(right)
        self._intake.put_right(shift)
        self._was = (boot, shift)

    def _date(self, conn: Connection, boot: Boot, now: Instant) -> Instant:
        """Give the boots before this one that never knew the time a place before it; the first instant that hangs on this one's time."""
        boots = undated(conn)
        if not boots:
            return boot.since
        plan = self._pipeline.plan
        gap, zone = unbridged(conn, plan), plan.site.zone
        placed = clock_undated.place(boots, boot.since, gap)
        unsure: dict[str, clock_undated.Placed] = {}
        rooms: dict[str, tuple[clock_undated.Placed, bool]] = {}
        for one in placed:
            # A person's word may be put right yet, and what hangs on it then comes nearer to what was known before.
            through = one.cramped or bool(boot.by)
            unsure |= dict.fromkeys(clock_undated.unsure_lots(conn, one.boot, plan, through=through), one)
            for room, critical in clock_undated.unsure_rooms(conn, one.boot, through=through).items():
                rooms[room] = (one, critical or (room in rooms and rooms[room][1]))
        since = clock_undated.date(conn, placed, boot.since, gap, now, self._key)
        forget_undated(conn)
        for lot, one in sorted(unsure.items()):
            text = clock_undated.unsure_words(one, boot.since, zone, gap, "this lot")
            product = lot_log.read_lots(conn, [lot])[lot].product
            self._pipeline.deviations.open_unforeseen(conn, _CLOCK, now, lot, text, product, boot.since)
            self._alarms.raise_(conn, troubles.clock_undated(now, lot, text), now)
        for room, (one, critical) in sorted(rooms.items()):
            text = f"{room}: {clock_undated.unsure_words(one, boot.since, zone, gap, 'this room')}"
            if critical:
                self._pipeline.deviations.open_unforeseen(conn, _CLOCK, now, "", text, at=boot.since)
            self._alarms.raise_(conn, troubles.clock_undated_room(now, room, text), now)
        return since


def _settling_from(conn: Connection) -> Instant | None:
    """The first instant touched by what is still to be put right or judged again."""
    return min((one.since for one in clock_restamp.owed(conn)), default=None)
