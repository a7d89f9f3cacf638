"""Boots that ended before their time was known: what is known of it is only that it lies between two instants.

The steady clock does not cross a boot. So the readings of such a boot are put where what had begun before it is judged by the longest
time that may have passed, less one gap: just before the first instant that is known again. What a lot entered or left in the boot may
still have lasted longer than it is judged for, before or after; a deviation record asks a person to judge that.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo

from sqlalchemy import Connection

from monitor import clock_restamp, ledger, lot_log
from monitor.clock_board import Undated
from monitor.store import events
from rules.limits.spec import Ceiling, Floor
from rules.plan import Plan
from rules.quantity import format_instant, format_span, local
from rules.reading import SECOND, Instant, Span

#: What begins or ends a stretch of a lot for which a limit counts time.
_TURNS = ("start", "step", "place", "remove", "end")


def date(conn: Connection, boots: Sequence[Undated], first: Instant, gap: Span, now: Instant, key: ledger.Signer | None = None) -> Instant:
    """Give boots that ended before their time was known their place before `first`, the first instant after them that is known.

    Each as late as can be, a gap of `gap` behind it: so what had begun before them is judged by the longest time that may have passed.
    Nothing is put nearer than `gap` to what was known before them: whether that is a gap, nobody knows. Returns the first instant of them.
    """
    ledger.seal(conn, now, entered_at=now, key=key)
    edge, placed = first, []
    for one in reversed(boots):
        shift = edge - gap - one.until
        edge = one.since + shift
        again = clock_restamp.Owed(
            one.id, shift, one.first_seq, one.below_seq, one.first_seq, one.first_event, one.below_event,
            min(one.since, max(edge, one.known)), one.since, one.until, seal=clock_restamp.seal_before(conn, one.first_seq),
            after=one.known, before=first, least=one.known + gap,
        )  # fmt: skip
        placed.append((one, again))
    for one, again in reversed(placed):
        clock_restamp.owe(conn, again)
        body = {
            "what": "between", "boot": one.id, "provisional_from": format_instant(one.since), "provisional_to": format_instant(one.until),
            "between": [format_instant(one.known) if one.known else "", format_instant(first)], "judged_by_s": again.shift / SECOND,
            "readings": [one.first_seq, one.below_seq - 1], "lot_events": [one.first_event, one.below_event - 1], "why": again.why(),
        }  # fmt: skip
        ledger.append(conn, "clock", body, now, entered_at=now)
    return max(edge, boots[0].known + 1)


def unsure_lots(conn: Connection, one: Undated, plan: Plan) -> list[str]:
    """The lots for which something began or ended in that boot, but for those that were started and ended in it: there all is known.

    Those too that went through it with a ceiling or floor that forgives time: it forgives each excursion by itself, and which of them
    the time before it and the time after it belong to is not known.
    """
    inside = [e.event for e in events.arrived(conn, one.first_event) if e.seq < one.below_event]
    lots = {e.lot for e in inside if e.event in _TURNS}
    starts = (e for e in ledger.entries_back(conn, "clock") if e.body.get("what") == "provisional")
    begun = next((e.seq for e in starts if e.body["boot"] == one.id), 0)
    for entry in ledger.entries(conn, begun, kind="finding"):
        if entry.body["what"] == "advanced" and one.since <= entry.entered_at <= one.until:
            lots.add(str(entry.body["lot"]))
    for lot, log in lot_log.read_lots(conn, lot_log.recent_lots(conn)).items():
        product = plan.product_by_code.get(log.product)
        limits = [] if product is None else [limit for step in product.steps for limit in step.limits]
        through = log.started is not None and log.started <= one.until and (log.ended is None or log.ended >= one.since)
        if through and any(isinstance(limit.rule, Ceiling | Floor) and limit.rule.allowed for limit in limits):
            lots.add(lot)
    whole = {e.lot for e in inside if e.event == "start"} & {e.lot for e in inside if e.event == "end"}
    return sorted(lots - whole)


def unsure_words(one: Undated, first: Instant, zone: tzinfo, gap: Span) -> str:
    """What a person has to judge, for the deviation record of such a lot."""
    whole = max(first - one.known - (one.until - one.since), gap)
    low, high = (f"{local(at, zone):%Y-%m-%d %H:%M}" for at in (one.known, first))
    known, longer = (f"between {low} and {high}", f"up to {format_span(whole)} longer") if one.known else (f"before {high}", "longer")
    return (
        f"The board did not know the time from one power cut to the next. What was read and entered then is known to lie {known}, and is "
        f"judged as if it was just before {high}. What this lot began or left in that time may have lasted {longer} than it is judged for: "
        "a limit of at most so long that is told as met may not have been met. Find out when the power was away, and judge the product by "
        "the longest time that may have passed."
    )
