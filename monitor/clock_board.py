"""A board's time from its start on: provisional, on the steady clock, until the system's clock can be trusted.

A board without a clock battery starts with a wrong time, in the past usually. What is read is kept at once all the same. Until the
kernel says that the clock is kept (adjtimex(2)), or somebody sets it, time is *provisional*: CLOCK_BOOTTIME with an offset that is
chosen once for each boot (boot_id, random(4)) and does not move. No network is waited for. What follows once time is trusted is in
`clock_restamp.py`; what is chosen and why, in `docs/judging-choices.md`.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, func, select

from monitor.clock import SystemClock, steady_clock, wall_clock
from monitor.clock_trust import clock_is_kept
from monitor.clock_watch import STEP
from monitor.store import blocks, events, plans
from monitor.store.evidence import FUTURE_AHEAD
from monitor.store.schema import ledger as ledger_table
from monitor.store.schema import newest
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.reading import MINUTE, SECOND, Fault, Instant, Reading, Span

BOOT: Final = "clock.boot"
_UNDATED: Final = "clock.undated"
#: Under which the store keeps when the service was last seen running.
ALIVE: Final = "alive_at"
_BOOT_ID: Final = Path("/proc/sys/kernel/random/boot_id")
_RTCS: Final = Path("/sys/class/rtc")
#: Provisional time and the system's drift apart by this much before stamps follow.
_TREMBLES: Final[Span] = SECOND // 50


def boot_id() -> str:
    """The kernel's name for this boot, "" where it gives none."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return ""


def set_from_battery() -> bool:
    """Whether the kernel set its clock at boot from one with a battery (`hctosys` of the rtc class, sysfs)."""
    try:
        return any(one.read_text(encoding="ascii").strip() == "1" for one in _RTCS.glob("*/hctosys"))
    except OSError:
        return False


@dataclass(frozen=True, slots=True)
class Boot:
    """One boot: `offset` makes time of the steady clock, `wall_offset` would have made the system's; arrivals from the places on are of it.

    `since`: the instant, provisional, at which the service first ran in it; `known`: the newest instant before that whose time is known.
    `by`: the person by whose word time is known, "" otherwise: it is counted on from there until something keeps the system's clock.
    """

    id: str
    provisional: bool
    offset: Span
    wall_offset: Span
    since: Instant
    known: Instant
    first_seq: int
    first_event: int
    by: str = ""

    @property
    def counted(self) -> bool:
        """Whether its time is counted by the steady clock; otherwise it is the system's."""
        return self.provisional or bool(self.by)


@dataclass(frozen=True, slots=True)
class Undated:
    """A boot that ended before its time was known: what arrived in it, and its first and last instant by its provisional time.

    The right ones lie between `known`, the newest instant before it whose time is known, and the first after it.
    """

    id: str
    known: Instant
    since: Instant
    until: Instant
    first_seq: int
    below_seq: int
    first_event: int
    below_event: int


class BoardClock:
    """The service's clock on a board; `begin` once the store is open, `trusted` at every tick, `trust` to follow the system from then on.

    `wall`, `steady`, `kept`, `boot` and `battery` say what the machine says.
    """

    def __init__(
        self,
        wall: Callable[[], Instant] = wall_clock,
        steady: Callable[[], Span] = steady_clock,
        kept: Callable[[], bool | None] = clock_is_kept,
        boot: Callable[[], str] = boot_id,
        battery: Callable[[], bool] = set_from_battery,
    ) -> None:
        self.wall, self.steady = wall, steady
        self._kept, self._boot_id, self._battery = kept, boot, battery
        self._system = SystemClock(wall, steady)
        self.boot: Boot | None = None
        #: From when on something of provisional time is still to be put right and judged again; None where nothing is.
        self.settling_from: Instant | None = None
        #: Where a time begins of which nobody knows how long after the time before it: the starts of boots without the time.
        self.blind: tuple[Instant, ...] = ()
        #: Counts the changes from provisional to trusted time and back, so that who keeps a stamp can say of which it is.
        self.epoch = 0
        self._change = threading.Lock()
        self._lifted_by: Span = 0

    def __call__(self) -> Instant:
        """Microseconds since 1970 UTC."""
        boot = self.boot
        return self.steady() + boot.offset if boot is not None and boot.counted else self._system()

    @property
    def provisional(self) -> bool:
        """Whether time is not trusted yet."""
        return self.boot is not None and self.boot.provisional

    @property
    def unsettled(self) -> bool:
        """Whether verdicts are provisional: time is, or what was stored while it was is not yet put right and judged again."""
        return self.provisional or self.settling

    @property
    def settling(self) -> bool:
        """Whether something of provisional time is still to be put right and judged again."""
        return self.settling_from is not None

    def doubtful(self, since: Instant, until: Instant | None) -> bool:
        """Whether nobody knows yet how long a stretch lasted that began at `since`; `until` None: up to now.

        While what was stored is being put right every stretch that reaches into that time is: of its stamps some are right already.
        """
        end = self() if until is None else until
        if self.settling_from is not None and end >= self.settling_from:
            return True
        return self.provisional and any(since < begun <= end for begun in self.blind)

    @property
    def lift(self) -> Span:
        """How far time is from the system's clock; 0 once that is followed."""
        return self() - self.wall() if self.boot is not None and self.boot.counted else 0

    def begin(self, conn: Connection, plan: Plan) -> tuple[Boot, Boot | None]:
        """This boot, as it is remembered from now on, and what was remembered before (None: nothing)."""
        was = remembered(conn)
        wall, steady, name = self.wall(), self.steady(), self._boot_id()
        if was is not None and was.id and was.id == name:
            self.boot = was  # the steady clock ran on: how long nobody watched is known
            self._lifted_by = was.offset - was.wall_offset
            self.blind = (*(one.since for one in undated(conn)), was.since)
            return was, was
        newest = known = newest_instant(conn)
        if was is not None and was.provisional:
            known = was.known
            _remember_undated(conn, was, newest)
        # A store of an earlier version says nothing of boots: there only a clock behind what is stored is known to be wrong.
        unsure = wall < newest or ((was is not None or not newest) and not self._battery())
        provisional = self._kept() is False and unsure
        now = max(wall, newest + unbridged(conn, plan)) if provisional and newest else wall
        place, event = blocks.read(conn).next_seq, events.last_seq(conn)
        self.boot = Boot(name, provisional, now - steady, wall - steady, now, known, place, event)
        self._lifted_by = now - wall
        self.blind = (*(one.since for one in undated(conn)), now)
        remember(conn, self.boot)
        return self.boot, was

    def trusted(self) -> bool:
        """Whether the system's clock may be followed: it is kept, or was set; never for a time before what was stored."""
        boot = self.boot
        if boot is None or not boot.counted or (boot.by and self.settling):
            return False
        stepped = abs(self.wall() - self.steady() - boot.wall_offset) >= STEP
        return boot.since + self.shift() > boot.known and (stepped or self._kept() is True)

    def shift(self) -> Span:
        """What is to be added to provisional time to make the system's."""
        return -self.lift

    def follow(self, boot: Boot) -> None:
        """From now on time is told as this boot says."""
        with self._change:
            self.boot = boot
            if not boot.counted:
                self._system = SystemClock(self.wall, self.steady)
            self._lifted_by = boot.offset - boot.wall_offset
            self.epoch += 1

    def said(self, at: Instant, by: str) -> Boot:
        """This boot with the time that a person says it is now."""
        assert self.boot is not None
        steady = self.steady()
        return replace(self.boot, provisional=False, by=by, offset=at - steady, wall_offset=self.wall() - steady)

    def stamp(self, items: Sequence[Reading | Fault]) -> tuple[Sequence[Reading | Fault], Instant, int]:
        """The items as `lifted`, the time, and the epoch that both are of."""
        with self._change:
            return self.lifted(items), self(), self.epoch

    def lifted(self, items: Sequence[Reading | Fault]) -> Sequence[Reading | Fault]:
        """The items, with those that were stamped by the system's wrong clock stamped by provisional time."""
        if self.boot is None or not self.boot.counted:
            return items
        # The two clocks are read one after the other. A stamp must not tremble with that: the same, sent again, would not be known.
        if abs(self.lift - self._lifted_by) >= _TREMBLES:
            self._lifted_by = self.lift
        lift = self._lifted_by
        if not lift:
            return items
        wall = self.wall()
        return [item._replace(at=item.at + lift) if abs(item.at - wall) <= FUTURE_AHEAD else item for item in items]


def remembered(conn: Connection) -> Boot | None:
    """The boot that the store remembers."""
    body: dict[str, Any] | None = plans.get_setting(conn, BOOT)
    return None if body is None else Boot(**body)


def remember(conn: Connection, boot: Boot) -> None:
    """Have the store remember this boot."""
    plans.set_setting(conn, BOOT, asdict(boot))


def undated(conn: Connection) -> list[Undated]:
    """The boots that ended before their time was known, and whose readings are not put in their place yet; oldest first."""
    return [Undated(**body) for body in plans.get_setting(conn, _UNDATED) or ()]


def forget_undated(conn: Connection) -> None:
    """They have a place now."""
    plans.set_setting(conn, _UNDATED, None)


def _remember_undated(conn: Connection, was: Boot, until: Instant) -> None:
    below, below_event = blocks.read(conn).next_seq, events.last_seq(conn) + 1
    if below == was.first_seq and below_event == was.first_event + 1:
        return  # nothing came while it ran
    one = Undated(was.id, was.known, was.since, max(was.since, until), was.first_seq, below, was.first_event + 1, below_event)
    plans.set_setting(conn, _UNDATED, [asdict(u) for u in (*undated(conn), one)])


def newest_instant(conn: Connection) -> Instant:
    """The newest instant that the store knows of, by its own clock or of a reading that was not ahead of it; 0 where it is empty."""
    read = conn.execute(select(func.max(newest.c.at), func.max(newest.c.fault_at))).one()
    written = conn.execute(select(ledger_table.c.entered_at).order_by(ledger_table.c.seq.desc()).limit(1)).scalar()
    return max(read[0] or 0, read[1] or 0, written or 0, plans.get_setting(conn, ALIVE) or 0)


def unbridged(conn: Connection, plan: Plan) -> Span:
    """How long a power cut of unknown length is taken for: longer than any gap that any limit bridges.

    Of every plan that ever was in force, since a lot is judged by the one in force at its start, and a lot may go on for months.
    """
    return max(blind_span(plan), *(blind_span(load_plan(version.text)) for version in plans.between(conn, 0, 2**62)), 0)


def blind_span(plan: Plan) -> Span:
    """Longer than any gap that a limit of the plan bridges."""
    limits = [limit for product in plan.products for step in product.steps for limit in step.limits]
    limits += [limit for standing in plan.standing for limit in standing.limits]
    return max((max(limit.max_gap, limit.sampled or 0) for limit in limits), default=0) + MINUTE
