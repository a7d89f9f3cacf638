"""Boots that ended before their time was known: what is known of it is only that it lies between two instants.

The steady clock does not cross a boot. So the readings of such a boot are put where what had begun before it is judged by the longest
time that may have passed, less one gap: just before the first instant that is known again. What a lot entered or left in the boot may
still have lasted longer than it is judged for, before or after; a deviation record asks a person to judge that.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import NamedTuple

from sqlalchemy import Connection

from monitor import clock_restamp, ledger, lot_log
from monitor.clock_board import Undated
from monitor.provisional import leans
from monitor.store import events, plans
from rules.limits.spec import Ceiling, Floor
from rules.plan import Limit, Plan
from rules.plan_load import load_plan
from rules.quantity import format_instant, format_span, local
from rules.reading import SECOND, Instant, Span

#: What begins or ends a stretch of a lot for which a limit counts time.
_TURNS = ("start", "step", "place", "remove", "end")


class Placed(NamedTuple):
    """Such a boot and the shift that puts it in its place; `cramped`: some of what was read in it finds none, and is left out."""

    boot: Undated
    shift: Span
    cramped: bool


def place(boots: Sequence[Undated], first: Instant, gap: Span) -> list[Placed]:
    """A place for each of them before `first`, the first instant after them that is known; oldest first.

    Each as late as can be, a gap of `gap` behind it: so what had begun before them is judged by the longest time that may have passed.
    Nothing is put nearer than `gap` to what was known before them: whether that is a gap, nobody knows.
    """
    edge, placed = first, []
    for one in reversed(boots):
        shift = edge - gap - one.until
        edge = one.since + shift
        placed.append(Placed(one, shift, edge < one.known + gap))
    return placed[::-1]


def date(conn: Connection, placed: Sequence[Placed], first: Instant, gap: Span, now: Instant, key: ledger.Signer | None = None) -> Instant:
    """Put boots that ended before their time was known in the places that `place` gave them. Returns the first instant of them."""
    ledger.seal(conn, now, entered_at=now, key=key)
    for one, shift, _ in placed:
        edge = one.since + shift
        again = clock_restamp.Owed(
            one.id, shift, one.first_seq, one.below_seq, one.first_seq, one.first_event, one.below_event,
            min(one.since, max(edge, one.known)), one.since, one.until, seal=clock_restamp.seal_before(conn, one.first_seq),
            after=one.known, before=first, least=one.known + gap,
        )  # fmt: skip
        clock_restamp.owe(conn, again)
        body = {
            "what": "between", "boot": one.id, "provisional_from": format_instant(one.since), "provisional_to": format_instant(one.until),
            "between": [format_instant(one.known) if one.known else "", format_instant(first)], "judged_by_s": shift / SECOND,
            "readings": [one.first_seq, one.below_seq - 1], "lot_events": [one.first_event, one.below_event - 1], "why": again.why(),
        }  # fmt: skip
        ledger.append(conn, "clock", body, now, entered_at=now)
    return max(placed[0].boot.since + placed[0].shift, placed[0].boot.known + 1)


def unsure_lots(conn: Connection, one: Undated, plan: Plan, *, through: bool) -> list[str]:
    """The lots for which something began or ended in that boot, but for those that were started and ended in it: there all is known.

    Those too that went through it with a ceiling or floor that forgives time: it forgives each excursion by itself, and which of them
    the time before it and the time after it belong to is not known. `through`: whatever their limits. `plan`: of a lot that has none.
    """
    inside = [e.event for e in events.arrived(conn, one.first_event) if e.seq < one.below_event]
    lots = {e.lot for e in inside if e.event in _TURNS}
    starts = (e for e in ledger.entries_back(conn, "clock") if e.body.get("what") == "provisional")
    begun = next((e.seq for e in starts if e.body["boot"] == one.id), 0)
    for entry in ledger.entries(conn, begun, kind="finding"):
        if entry.body["what"] == "advanced" and one.since <= entry.entered_at <= one.until:
            lots.add(str(entry.body["lot"]))
    known: dict[str, Plan] = {}
    for lot, log in lot_log.read_lots(conn, lot_log.lots_not_ended_before(conn, one.first_event)).items():
        if log.started is None or not _ran(log, one):
            continue
        version = plans.in_force(conn, log.started)
        if version is not None and version.sha256 not in known:
            known[version.sha256] = load_plan(version.text, "plan in the store")
        product = (plan if version is None else known[version.sha256]).product_by_code.get(log.product)
        if through or (product is not None and any(_forgives(limit) for step in product.steps for limit in step.limits)):
            lots.add(lot)
    whole = {e.lot for e in inside if e.event == "start"} & {e.lot for e in inside if e.event == "end"}
    return sorted(lots - whole)


def _ran(log: lot_log.LotLog, one: Undated) -> bool:
    """Whether a lot ran in that boot, or may have; by what was written when, since times of after it may be put right already."""
    entries = [e for e in log.entries if not e.undone]
    if any(e.event == "end" and e.seq < one.first_event for e in entries):
        return False
    begun = log.started is not None and log.started <= one.until
    return begun or any(e.event == "start" and e.seq < one.below_event for e in entries)


def _forgives(limit: Limit) -> bool:
    return isinstance(limit.rule, Ceiling | Floor) and bool(limit.rule.allowed)


def unsure_rooms(conn: Connection, one: Undated, *, through: bool) -> dict[str, bool]:
    """The rooms with a standing limit that a longer power cut might break, and whether such a one is critical; `through`: with any.

    A standing limit is judged by the local day, and on which day, and how long before the next reading, that boot lay is not known.
    """
    found: dict[str, bool] = {}
    for version in plans.between(conn, one.known, 2**62):
        for standing in load_plan(version.text, "plan in the store").standing:
            if unsure := [limit.critical for limit in standing.limits if through or leans(limit)]:
                found[standing.room] = any(unsure) or found.get(standing.room, False)
    return found


def unsure_words(one: Placed, first: Instant, zone: tzinfo, gap: Span, where: str) -> str:
    """What a person has to judge, for the deviation record of such a lot, or for a room; `where` names it."""
    boot = one.boot
    whole = max(first - boot.known - (boot.until - boot.since), gap)
    low, high = (f"{local(at, zone):%Y-%m-%d %H:%M}" for at in (boot.known, first))
    known, longer = (f"between {low} and {high}", f"up to {format_span(whole)} longer") if boot.known else (f"before {high}", "longer")
    left_out = (
        f"What was read then and would lie nearer than {format_span(gap)} to what was read before is left out, whatever it showed: look "
        "at it (unjudged.csv of the day's export). "
        if one.cramped
        else ""
    )
    return (
        f"The board did not know the time from one power cut to the next. What was read and entered then is known to lie {known}, and is "
        f"judged as if it was just before {high}. {left_out}What {where} began or left in that time may have lasted {longer} than it is "
        "judged for: a limit of at most so long that is told as met may not have been met. Find out when the power was away, and judge the "
        "product by the longest time that may have passed."
    )
