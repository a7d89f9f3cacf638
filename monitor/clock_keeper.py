"""What the service does about its board's time: says at the start that it is provisional, and puts it right once it can be trusted.

`begin` runs in the first transaction of a start, `look` in one at every tick, `done` after that. Should it be undone (`undone`, at
each rollback of the writer), time is provisional again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

from sqlalchemy import Connection

from monitor import clock_restamp, ledger
from monitor.alarms import troubles
from monitor.alarms.alarms import Alarms
from monitor.clock_board import BoardClock, Boot, remember
from monitor.clock_watch import STEP
from monitor.intake import Intake
from monitor.pipeline import Pipeline
from rules.quantity import format_instant
from rules.reading import SECOND, Span

_PROVISIONAL: Final = (
    "the clock was behind what is stored, or nothing vouches for it: time is counted from there by the steady clock until the time is known"
)


class ClockKeeper:
    """Keeps a `BoardClock` with the store; None for a clock: does nothing."""

    def __init__(self, board: BoardClock | None, pipeline: Pipeline, alarms: Alarms, intake: Intake, key: ledger.Signer | None) -> None:
        self._board, self._pipeline, self._alarms, self._intake, self._key = board, pipeline, alarms, intake, key
        self._undo: Callable[[], None] | None = None

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
                body["before"] = f"boot {was.id} ended before its time was known: what was stored in it keeps its provisional time"
            ledger.append(conn, "clock", body, now, entered_at=now)
        cause = troubles.clock_provisional(now, boot.since - boot.known)
        if boot.provisional and boot.known and boot.offset != boot.wall_offset:
            self._alarms.raise_(conn, cause, now)
        elif not boot.provisional:
            self._alarms.clear(conn, cause.key, now)

    def look(self, conn: Connection) -> bool:
        """Put time right where it has become trusted, and store again what was stamped before; whether it was put right just now."""
        board = self._board
        if board is None:
            return False
        trusted = board.trusted()
        if trusted:
            self._put_right(conn, board)
        clock_restamp.step(conn, self._pipeline.rejudge, board())
        return trusted

    def done(self, error: BaseException | None) -> None:
        """What `look` did was committed, or was not."""
        if error is not None:
            self.undone()
        self._undo = None

    def undone(self) -> None:
        """What `look` did was undone: the writer may run it once more, and it has to find time provisional then."""
        undo, self._undo = self._undo, None
        if undo is not None:
            undo()

    def _put_right(self, conn: Connection, board: BoardClock) -> None:
        boot, now, shift = board.boot, board(), board.shift()
        assert boot is not None
        if abs(shift) >= STEP:
            clock_restamp.begin(conn, boot, shift, now, self._key)
        else:
            remember(conn, replace(boot, provisional=False))
            ledger.append(conn, "clock", {"what": "trusted", "boot": boot.id, "by_s": shift / SECOND}, now, entered_at=now)
        board.follow()
        self._intake.put_right(shift)
        self._undo = lambda: self._wrong_again(board, boot, shift)
        self._alarms.clear(conn, troubles.clock_provisional(now, 0).key, board())

    def _wrong_again(self, board: BoardClock, boot: Boot, shift: Span) -> None:
        board.back(boot)
        self._intake.put_right(-shift)
