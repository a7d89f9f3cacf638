"""Causes about the store itself: no room, no second copy, records that do not agree with their hashes."""

from __future__ import annotations

from typing import Final

from monitor.alarms.causes import Cause
from rules.quantity import format_span
from rules.reading import HOUR, Instant, Span

ROOM: Final = "store-room"
COPY: Final = "store-copy"
SOUND: Final = "store-sound"
EXPORT_COPY: Final = "export-copy"
REHEARSAL: Final = "store-rehearsal"
_DAY: Final[Span] = 24 * HOUR


def little_room(since: Instant, free_mb: int, spare_mb: int) -> Cause:
    """The disk is nearly full: what comes now is still stored."""
    return Cause(
        ROOM, f"only {free_mb} MB left for records", "the monitor", since,
        f"The disk of the data folder has {free_mb} MB left, less than the {spare_mb} MB of [store] spare_mb. Once it is full nothing "
        "can be recorded or judged.", "high", limit=f"{spare_mb} MB left",
        do=("Free some room: move old exports and copies to another disk, or change the card.",),
    )  # fmt: skip


def copy_due(since: Instant, last: Instant | None, every: Span, now: Instant) -> Cause:
    """There is no second copy of the records, or none that is recent. `last`: when the newest was made."""
    days = f"{every // _DAY} days" if every >= 2 * _DAY else format_span(every)
    what = "there is no second copy of the records" if last is None else "the second copy of the records is old"
    told = "None was ever made here." if last is None else f"The newest was made {max(0, now - last) // _DAY} days ago."
    return Cause(
        COPY, what, "the monitor", since, f"{told} One disk that dies takes everything with it.", "medium", limit=f"a copy every {days}",
        do=("Make one on another disk with: larderer backup FILE",), nags=False,
    )  # fmt: skip


def rehearsal_failed(since: Instant, wrong: str) -> Cause:
    """The newest copy was tried out and cannot take the records' place. `wrong`: what was found."""
    return Cause(
        REHEARSAL, "the copy of the records cannot be restored", "the monitor", since,
        f"The newest copy was tried out, and that failed: {wrong}", "high", limit="a copy that can be restored",
        do=("Make a copy on another disk with: larderer backup FILE", "Try it out with: larderer restore FILE --rehearse"), nags=False,
    )  # fmt: skip


def rehearsal_due(since: Instant, last: Instant | None, every: Span, now: Instant) -> Cause:
    """No copy was tried out for longer than `[backup] rehearse_every`. `last`: when the newest was."""
    told = "None was ever tried out here." if last is None else f"That was last done {max(0, now - last) // _DAY} days ago."
    days = f"{every // _DAY} days" if every >= 2 * _DAY else format_span(every)
    return Cause(
        REHEARSAL, "no copy of the records was tried out", "the monitor", since,
        f"{told} A copy that was never restored may be none.", "medium", limit=f"a copy tried out every {days}",
        do=("Put the disk for the copies in, then: larderer restore --rehearse",), nags=False,
    )  # fmt: skip


def exports_not_copied(since: Instant, owed: int, wrong: str) -> Cause:
    """Exports lie on the board's own disk only, where `[export] copy_to` names another. `wrong`: why, and what to do."""
    return Cause(
        EXPORT_COPY, f"{owed} day's export is not copied" if owed == 1 else f"{owed} exports of days are not copied", "the monitor", since,
        f"{wrong[:1].upper()}{wrong[1:]}. It is made up for within a minute once that is mended; the exports themselves are made.",
        "medium", limit="each day's export on a second disk",
        do=("Put the disk for the exports in, or look to its room.",), nags=False,
    )  # fmt: skip


def not_sound(since: Instant, fault: str) -> Cause:
    """The records of the end of the ledger do not agree with their hashes: they were changed outside the program, or a disk failed."""
    return Cause(
        SOUND, "records do not agree with their hashes", "the monitor", since, fault, "critical", limit="an unbroken ledger",
        do=("Keep the file as it is. Check it whole with: larderer verify", "Tell the reviewer; look for a copy from before."), nags=False,
    )  # fmt: skip
