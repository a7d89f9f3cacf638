"""Provisional time put right: what was stored in it is stored again with the right time, and judged again.

What is stored stays as it came, sealed, and counts no more (`evidence.Restamped`); an export has it in unjudged.csv. Beside it stands
the same with the shift added, as an arrival of its own. That is done block by block between live commits, since a board may have been
without the time for a week, and is owed across a crash; then everything from the first of it on is judged again, with corrections.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace

from sqlalchemy import Connection, delete, or_

from monitor import late, ledger
from monitor.clock_board import ALIVE, Boot
from monitor.store import blocks, events, evidence, plans, readings
from monitor.store.readings import Arrival, Stored
from monitor.store.schema import newest
from rules.quantity import format_instant, format_span, parse_instant
from rules.reading import SECOND, Fault, Instant, LotEvent, Reading, Span

_OWED = "clock.restamping"
#: So many rows are stored again in one commit, or those of one sealed block if they are more.
_ROWS = 5000


@dataclass(frozen=True, slots=True)
class Owed:
    """What is to be stored again: places `first_seq` to before `below_seq`, done before `next_seq`; `since`: the first instant touched."""

    boot: str
    shift: Span
    first_seq: int
    below_seq: int
    next_seq: int
    first_event: int
    below_event: int
    since: Instant
    begun: Instant
    ended: Instant
    rows: int = 0
    #: The ledger's place of the last seal that is done with; what is next is looked for behind it.
    seal: int = 0
    #: Of a boot that ended before its time was known: its times lie between these two; both 0 where the right time is known.
    after: Instant = 0
    before: Instant = 0
    #: Rows whose place would be before this are not stored again, and so count no more; so many were left out.
    least: Instant = 0
    left_out: int = 0
    #: All is stored again; that it is judged again is owed still.
    judging: bool = False

    def why(self) -> str:
        """The reason, for corrections."""
        if self.before:
            after = f"after {format_instant(self.after)} and " if self.after else ""
            return (
                f"the board ran from one power cut to the next without the right time: what was read then is known to lie {after}before "
                f"{format_instant(self.before)}, and is judged as if it was read just before the latter"
            )
        way = "late" if self.shift > 0 else "early"
        return (
            f"the board started without the right time: its clock from {format_instant(self.begun)} to {format_instant(self.ended)} was "
            f"{format_span(abs(self.shift))} too {way}, and what was read then is judged by its right time"
        )


def owed(conn: Connection) -> list[Owed]:
    """What is still to be stored again or judged again, in the order in which it is done; empty where nothing is."""
    kept = plans.get_setting(conn, _OWED) or ()
    return [Owed(**body) for body in ([kept] if isinstance(kept, dict) else kept)]  # an earlier version knew of one at most


def _put(conn: Connection, all_of_it: Sequence[Owed]) -> None:
    plans.set_setting(conn, _OWED, [asdict(one) for one in all_of_it])


def begin(conn: Connection, boot: Boot, shift: Span, now: Instant, key: ledger.Signer | None = None, *, by: str = "") -> Owed:
    """Time is trusted: note it, store the lot events of that time again, and what is owed of the readings.

    `now`: by the time that was counted till now; `by`: the person by whose word, "" where it is the system's.
    """
    ledger.seal(conn, now + shift, entered_at=now + shift, key=key)
    below, below_event = blocks.read(conn).next_seq, events.last_seq(conn) + 1
    again = Owed(
        boot.id, shift, boot.first_seq, below, boot.first_seq, boot.first_event + 1, below_event,
        min(boot.since, boot.since + shift), boot.since, now, seal=seal_before(conn, boot.first_seq),
    )  # fmt: skip
    again = owe(conn, again)
    plans.set_setting(conn, ALIVE, now + shift)  # the next start takes it for an instant that is known
    body = {
        "what": "trusted", "boot": boot.id, "provisional_from": format_instant(boot.since), "provisional_to": format_instant(now),
        "from": format_instant(now), "to": format_instant(now + shift), "by_s": shift / SECOND,
        "readings": [boot.first_seq, below - 1], "lot_events": [again.first_event, below_event - 1],
        "blind_from": format_instant(boot.known), "blind_to": format_instant(boot.since + shift),
    }  # fmt: skip
    ledger.append(conn, "clock", body, now + shift, by, entered_at=now + shift)
    return again


def owe(conn: Connection, again: Owed) -> Owed:
    """Store its lot events again, and note that its readings are to be; a plan put in force in it was so at the right time too."""
    again = _events(conn, again)
    plans.shift(conn, again.begun, again.ended, again.shift, again.after)
    evidence.restamp(conn, evidence.Restamped(again.first_seq, again.first_seq, again.first_event, again.below_event))
    if again.shift < 0:  # what is newest would stand until that time has come; what is stored again says it anew
        conn.execute(delete(newest).where(or_(newest.c.at >= again.begun, newest.c.fault_at >= again.begun)))
    _put(conn, [*owed(conn), again])
    return again


def step(conn: Connection, rejudge: Callable[[Connection, Instant, str], object], now: Instant) -> bool:
    """Store the next of it again; once all of it is, have it judged again. Whether more is to do, the judging included."""
    all_of_it = owed(conn)
    stored = next((i for i, one in enumerate(all_of_it) if not one.judging and one.next_seq < one.below_seq), None)
    if stored is not None:
        all_of_it[stored] = _store(conn, all_of_it[stored], now)
        _put(conn, all_of_it)
        return True
    if not all_of_it:
        return False
    for one in all_of_it:
        if not one.judging:
            rejudge(conn, one.since, one.why())
    waiting = late.waiting(conn)
    left = [] if waiting is None else [replace(one, judging=True) for one in all_of_it if one.why() in waiting.asked]
    _put(conn, left)
    return bool(left)


def _store(conn: Connection, again: Owed, now: Instant) -> Owed:
    """The next rows of one boot stored again."""
    done = 0
    while done < _ROWS and again.next_seq < again.below_seq:
        last, found, sealed = _block(conn, again)
        arrivals = [a for a in (_again(one, again) for one in found) if a.item.at >= again.least]
        readings.store(conn, arrivals)
        done += len(found)
        touched = [a.item.at for a in arrivals] + [one.item.at for one in found]
        again = replace(
            again, next_seq=last + 1, since=min([again.since, *touched]), rows=again.rows + len(arrivals), seal=sealed,
            left_out=again.left_out + len(found) - len(arrivals),
        )  # fmt: skip
    evidence.restamp(conn, evidence.Restamped(again.first_seq, again.next_seq, again.first_event, again.below_event))
    if again.next_seq >= again.below_seq:
        body = {"what": "restamped", "boot": again.boot, "by_s": again.shift / SECOND, "readings": again.rows, "why": again.why()}
        if again.left_out:
            body["left_out"] = again.left_out
        ledger.append(conn, "clock", body, now, entered_at=now)
    return again


def _block(conn: Connection, again: Owed) -> tuple[int, Sequence[Stored], int]:
    """The next sealed block, as far as it is of that time: its last place, its rows in order of arrival, its seal's place."""
    for entry in ledger.entries(conn, again.seal, kind=ledger.SEAL):
        if entry.body["last_seq"] >= again.next_seq:
            last = min(entry.body["last_seq"], again.below_seq - 1)
            return last, readings.of_block(conn, again.next_seq, last, entry.body["spans"]), entry.seq
    return again.below_seq - 1, [], again.seal  # retention took it meanwhile


def seal_before(conn: Connection, first_seq: int) -> int:
    """The ledger's place of the last seal before a row's place; 0 where there is none. Read from the end: that time is the newest."""
    return next((entry.seq for entry in ledger.entries_back(conn, ledger.SEAL) if entry.body["last_seq"] < first_seq), 0)


def right(at: Instant, received_at: Instant, shift: Span) -> Instant:
    """The right instant of a stamp: shifted where it is the board's own, left alone where its source knew the time.

    The board's own is what lies within 2 min of the board's time, and nearer to that than to the right time.
    """
    off = abs(at - received_at)
    own = off <= evidence.FUTURE_AHEAD and off <= abs(at - received_at - shift)
    return at + shift if own else at


def _again(one: Stored, again: Owed) -> Arrival:
    item: Reading | Fault = one.item._replace(at=right(one.item.at, one.received_at, again.shift))
    received_at = one.received_at + again.shift
    if item.at < again.before:  # its source knew the time, and it came at some time after that
        received_at = max(received_at, item.at)
    return Arrival(item, received_at)


def _events(conn: Connection, again: Owed) -> Owed:
    """Store the lot events of that time again. What a person dated back into it, by the clock on the page, goes with it."""
    moved: dict[tuple[str, Instant], Instant] = {}
    since = again.since
    for one in events.arrived(conn, again.first_event):
        event, shift = one.event, again.shift
        if one.seq >= again.below_event:
            break
        at = event.at
        if at >= again.begun and abs(at - one.received_at) <= abs(at - one.received_at - shift):
            at = max(at + shift, again.after + 1)
        moved[event.lot, event.at] = at
        value = event.value
        if event.event == "undo":
            target = parse_instant(value)
            value = format_instant(moved.get((event.lot, target), target))
        entered = None if event.entered is None else event.entered + shift
        events.add(conn, LotEvent(at, event.event, event.lot, event.name, value, entered, event.by), one.received_at + shift)
        since = min(since, at, event.at)
    return replace(again, since=since)
