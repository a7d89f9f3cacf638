"""Everything a person can do, one method each: the API and the page both come here.

Each change is one job on the writer, answered only once it is durable, and done once for one idempotency
key. `at` may lie in the past: then the entry carries when it was written (`entered`), for all to see.
What people are shown is in `views.py`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeout
from dataclasses import dataclass
from typing import Any, TypeVar

from sqlalchemy import Connection, select

from monitor import links, lot_log, once, reviews
from monitor.check_desk import CheckDesk
from monitor.closing import Closing
from monitor.days import day_span, makers_of
from monitor.errors import BusyError, InputError, NotFoundError, RefusedError
from monitor.late_desk import LateDesk
from monitor.lot_papers import LotPapers
from monitor.moments import moment
from monitor.parts import AlarmBoard, DeviationBook, Pipeline
from monitor.store.database import Store
from monitor.store.schema import lot_event
from monitor.store.writer import Writer
from monitor.views import Views
from rules.errors import EventError
from rules.finding import Finding
from rules.plan import PLACES, Plan, Product
from rules.quantity import format_instant, local, parse_temperature
from rules.reading import MINUTE, REMOVAL_REASONS, Instant, LotEvent

T = TypeVar("T")
_LOT = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}")
_MEASURE = re.compile(r"[A-Za-z][A-Za-z0-9_ -]{0,39}")
_NUMBER = re.compile(r"-?[0-9]{1,12}(\.[0-9]{1,9})?")
_PATIENCE_S = 30.0


@dataclass(frozen=True, slots=True)
class Hand:
    """Whose hand makes an entry, and the request's idempotency key if it had one."""

    by: str
    role: str
    key: once.Key | None = None


class Desk(CheckDesk, LateDesk, LotPapers, Views):
    """The one place where people's entries become records. Methods block until durable; call them off the event loop."""

    def __init__(
        self,
        store: Store,
        writer: Writer,
        plan: Plan,
        pipeline: Pipeline,
        alarms: AlarmBoard,
        deviations: DeviationBook,
        *,
        clock: Callable[[], Instant],
        link_secret: bytes,
    ) -> None:
        self.store, self.plan, self.pipeline, self.clock = store, plan, pipeline, clock
        self.alarm_board, self.deviation_book = alarms, deviations
        self._writer, self._link_secret = writer, link_secret

    # ---- lots ----

    def start_lot(
        self, hand: Hand, product: str, *, lot: str = "", at: Instant | None = None, same_as_last: bool = False
    ) -> dict[str, Any]:
        """Start a lot; a blank `lot` gets an id made from product and day. `same_as_last` places the probes of its last lot again.

        Answers `{lot, product, at, entered, placed, notes, findings}`; a probe that cannot be placed is told in `notes`.
        """
        made = self._product(product)
        if lot and not _LOT.fullmatch(lot):
            raise InputError(f'lot is "{lot[:60]}"; write up to 40 letters, digits, dots, dashes or underscores, such as J-0412')

        def job(conn: Connection, now: Instant) -> dict[str, Any]:
            when, entered = moment(at, now)
            chosen = lot or self._lot_id(conn, made, when)
            event = LotEvent(when, "start", chosen, made.code, "", entered, hand.by)
            if lot_log.read_lot(conn, chosen) is not None:
                raise RefusedError(f'lot "{chosen}" exists already; write another id, or leave it blank to have one made')
            return {"product": made.code, "placed": [], "notes": []} | self._answer(event, self.pipeline.event(conn, event))

        answer = self._do(hand, job)
        if same_as_last and "same_as_last" not in answer:
            answer |= self._place_as_last(hand, made.code, answer["lot"], at)
            self._keep_again(hand, answer)
        return answer

    def step(self, hand: Hand, lot: str, step: str, *, at: Instant | None = None) -> dict[str, Any]:
        """Enter a step, or confirm the one the lot awaits."""
        log = self._lot(lot)
        product = self._product(log.product)
        if product.step(step) is None:
            raise InputError(f'step is "{step}"; {product.code} has {_list(s.name for s in product.steps)}')
        return self._enter(hand, lot, "step", step, "", at)

    def place(self, hand: Hand, lot: str, probe: str, *, at: Instant | None = None) -> dict[str, Any]:
        """Put a core probe into a lot."""
        self._lot(lot)
        cores = [p.id for p in self.plan.probes if p.place == "core"]
        if probe not in cores:
            raise InputError(f'probe is "{probe}"; the core probes of this plan are {_list(cores)}')
        return self._enter(hand, lot, "place", probe, "", at)

    def remove(self, hand: Hand, lot: str, probe: str, reason: str, *, at: Instant | None = None) -> dict[str, Any]:
        """Take a core probe out, with the reason: moved, slipped, failed or done."""
        self._lot(lot)
        if reason not in REMOVAL_REASONS:
            raise InputError(f'reason is "{reason}"; write one of {_list(REMOVAL_REASONS)}')
        return self._enter(hand, lot, "remove", probe, reason, at)

    def check(self, hand: Hand, lot: str, place: str, value: str, *, at: Instant | None = None) -> dict[str, Any]:
        """Note a temperature taken by hand, with its unit: "33.5 °F"."""
        self._lot(lot)
        if place not in PLACES:
            raise InputError(f'place is "{place}"; write one of {_list(PLACES)}')
        celsius = parse_temperature(value)
        if not -60.0 <= celsius <= 400.0:
            raise InputError(f'value is "{value}", which no handheld reads; write -60 to 400 °C, or -76 to 752 °F')
        return self._enter(hand, lot, "check", place, value.strip(), at)

    def measure(self, hand: Hand, lot: str, name: str, value: str, *, at: Instant | None = None) -> dict[str, Any]:
        """Note a measured value of the lot, such as pH 5.2 or nitrite_ppm 120."""
        self._lot(lot)
        if not _MEASURE.fullmatch(name):
            raise InputError(f'name is "{name[:60]}"; write what was measured, such as pH, nitrite_ppm or weight_kg')
        if not _NUMBER.fullmatch(value.strip()):
            raise InputError(f"value of {name} is {value[:60]!r}; write the number that was measured, such as 5.2")
        return self._enter(hand, lot, "measure", name, value.strip(), at)

    def end(self, hand: Hand, lot: str, *, at: Instant | None = None) -> dict[str, Any]:
        """End a lot; what its limits still lack is decided then."""
        self._lot(lot)
        return self._enter(hand, lot, "end", "", "", at)

    def undo(self, hand: Hand, lot: str, event_at: Instant) -> dict[str, Any]:
        """Take back the entry of this lot that stands at `event_at`; both stay on record."""
        entries = [e for e in self._lot(lot).entries if e.at == event_at and e.event != "undo"]
        if not entries:
            raise NotFoundError(f'lot "{lot}" has no entry at {format_instant(event_at)}; GET /api/v1/lots/{lot} lists them')
        if all(e.undone for e in entries):
            raise RefusedError(f'the entry of lot "{lot}" at {format_instant(event_at)} was taken back already')
        return self._enter(hand, lot, "undo", "", format_instant(event_at), None)

    # ---- alarms ----

    def acknowledge(self, hand: Hand, alarm: str, comment: str = "") -> dict[str, Any]:
        """Acknowledge an alarm: somebody knows and is on it."""
        return self._do(hand, lambda conn, now: dict(self.alarm_board.acknowledge(conn, alarm, hand.by, now, comment)))

    def shelve(self, hand: Hand, alarm: str, minutes: int, reason: str) -> dict[str, Any]:
        """Silence an alarm for some minutes, with the reason."""
        if not reason.strip():
            raise InputError("reason is blank; write why the alarm may be silent")
        return self._do(hand, lambda conn, now: dict(self.alarm_board.shelve(conn, alarm, hand.by, now, minutes * MINUTE, reason)))

    def out_of_service(self, hand: Hand, alarm: str, reason: str) -> dict[str, Any]:
        """Take an alarm out of service for maintenance, until somebody returns it; refused for one of a critical limit."""

        def job(conn: Connection, now: Instant) -> dict[str, Any]:
            found = self.alarm_board.alarm(conn, alarm)
            if found["critical"] or found["priority"] == "critical":
                raise RefusedError(f"{found['id']} is critical, and no maintenance silences it; shelve it, for 30 min at most")
            self.alarm_board.out_of_service(conn, found["key"], hand.by, reason, now)
            return dict(self.alarm_board.alarm(conn, alarm))

        return self._do(hand, job)

    def in_service(self, hand: Hand, alarm: str) -> dict[str, Any]:
        """Return an alarm to service; it rings as new if it still stands."""

        def job(conn: Connection, now: Instant) -> dict[str, Any]:
            self.alarm_board.return_to_service(conn, self.alarm_board.alarm(conn, alarm)["key"], hand.by, now)
            return dict(self.alarm_board.alarm(conn, alarm))

        return self._do(hand, job)

    def alarm_of_link(self, token: str) -> dict[str, Any]:
        """The alarm a signed link is for: what its holder may see. Changes nothing, since previewers fetch links."""
        link = links.read_link(self._link_secret, token, self.clock())
        with self.store.read() as conn:
            return {"alarm": dict(self.alarm_board.alarm(conn, link.alarm)), "person": link.person, "expires": format_instant(link.expires)}

    def acknowledge_by_link(self, token: str, comment: str = "") -> dict[str, Any]:
        """Acknowledge by signed link, as the person it was sent to; needs no sign-in and no role."""
        link = links.read_link(self._link_secret, token, self.clock())
        return self._write(lambda conn: dict(self.alarm_board.acknowledge(conn, link.alarm, link.person, self.clock(), comment)))

    # ---- deviations ----

    def open_deviation(self, hand: Hand, text: str, *, lot: str = "", at: Instant | None = None) -> dict[str, Any]:
        """Open a record for what a person found and the plan does not foresee (9 CFR 417.3(b)); the record."""
        product = self._lot(lot).product if lot else ""

        def job(conn: Connection, now: Instant) -> dict[str, Any]:
            when, _ = moment(at, now)
            number = self.deviation_book.open_unforeseen(conn, hand.by, now, lot, text, product, when)
            return dict(self.deviation_book.get(conn, number))

        return self._do(hand, job)

    def act(self, hand: Hand, deviation: str, what: str | int, *, at: Instant | None = None) -> dict[str, Any]:
        """Write down an action taken on a deviation: words, or the number (from 1) of one the plan names; the record."""

        def job(conn: Connection, now: Instant) -> dict[str, Any]:
            return dict(self.deviation_book.act(conn, deviation, hand.by, now, what, moment(at, now)[0]))

        return self._do(hand, job)

    def close_deviation(self, hand: Hand, deviations: Sequence[str], answers: Mapping[str, Any]) -> dict[str, Any]:
        """Answer one or several records together, `{deviations}`; raises NotClosable with each thing missing."""
        closing = Closing.from_json(answers)

        def job(conn: Connection, now: Instant) -> dict[str, Any]:
            return {"deviations": [dict(one) for one in self.deviation_book.close(conn, list(deviations), hand.by, now, closing)]}

        return self._do(hand, job)

    def review_deviation(self, hand: Hand, deviations: Sequence[str], comment: str = "", *, agreed: bool = True) -> dict[str, Any]:
        """The second person's word on answered records, `{deviations}`: agreed closes them, else they are sent back with the reason."""

        def job(conn: Connection, now: Instant) -> dict[str, Any]:
            done = self.deviation_book.review(conn, list(deviations), hand.by, now, comment, agreed=agreed)
            return {"deviations": [dict(one) for one in done]}

        return self._do(hand, job)

    # ---- days and probes ----

    def review_day(self, hand: Hand, day: str, comment: str = "") -> dict[str, Any]:
        """Sign the pre-shipment review of a day; refused while something of that day is still to be done."""
        if hand.role != "reviewer":
            raise RefusedError(f"{hand.by} is not a reviewer; a reviewer signs the day")
        since, until = day_span(day, self.plan.site.zone)
        if since > self.clock():
            raise InputError(f"day is {day}, which has not begun; review a day that has")

        def job(conn: Connection, now: Instant) -> dict[str, Any]:
            matters = self.open_matters(conn, since, until)
            if matters:
                raise RefusedError(f"{day} cannot be signed yet: {'; '.join(matters)}")
            return reviews.sign(conn, day, hand.by, now, makers=makers_of(conn, since, until), comment=comment)

        return self._do(hand, job)

    # ---- how an entry is made ----

    def _enter(self, hand: Hand, lot: str, event: str, name: str, value: str, at: Instant | None) -> dict[str, Any]:
        def job(conn: Connection, now: Instant) -> dict[str, Any]:
            when, entered = moment(at, now)
            made = LotEvent(_free(conn, lot, when), event, lot, name, value, entered, hand.by)
            return self._answer(made, self.pipeline.event(conn, made))

        return self._do(hand, job)

    def _do(self, hand: Hand, job: Callable[[Connection, Instant], dict[str, Any]]) -> dict[str, Any]:
        """Run a person's job on the writer; a key seen before gets the answer given before."""
        if hand.role not in ("operator", "reviewer"):
            raise RefusedError(f"{hand.by} only reads here; an operator or reviewer makes entries")

        def whole(conn: Connection) -> dict[str, Any]:
            now = self.clock()
            if hand.key is not None:
                earlier = once.recall(conn, hand.by, hand.key)
                if earlier is not None:
                    return dict(earlier)
            answer = job(conn, now)
            if hand.key is not None:
                once.keep(conn, hand.by, hand.key, answer, now)
            return answer

        return self._write(whole)

    def _write(self, job: Callable[[Connection], T]) -> T:
        future = self._writer.submit(job)
        try:
            return future.result(_PATIENCE_S)
        except FutureTimeout:
            if future.cancel():
                raise BusyError("the store is too busy to take this now; nothing was changed, try again in a minute") from None
            raise BusyError("the store has not answered yet; look whether the entry is there before making it again") from None

    def keep_answer(self, who: str, key: once.Key, answer: dict[str, Any]) -> Future[None]:
        """Keep the answer to a request whose work was a job of its own (readings are the same when sent twice)."""
        return self._writer.submit(lambda conn: once.keep(conn, who, key, answer, self.clock()))

    def _answer(self, event: LotEvent, findings: Sequence[Finding]) -> dict[str, Any]:
        return {
            "lot": event.lot,
            "event": event.event,
            "name": event.name,
            "value": event.value,
            "at": format_instant(event.at),
            "entered": None if event.entered is None else format_instant(event.entered),
            "by": event.by,
            "findings": [
                {
                    "at": format_instant(f.at),
                    "what": f.what,
                    "lot": f.lot,
                    "step": f.step,
                    "limit": f.limit,
                    "probe": f.probe,
                    "text": f.text,
                }
                for f in findings
            ],
        }

    def _place_as_last(self, hand: Hand, product: str, lot: str, at: Instant | None) -> dict[str, Any]:
        with self.store.read() as conn:
            earlier = lot_log.read_lots(conn, [name for name in lot_log.lots_of_product(conn, product) if name != lot][:1])
        last = next(iter(earlier.values()), None)
        if last is None:
            return {"same_as_last": None, "notes": [f"{product} has no earlier lot; place the probes by hand"]}
        placed, notes = [], []
        plain = Hand(hand.by, hand.role)
        for probe in last.served:
            try:
                self.place(plain, lot, probe, at=at)
                placed.append(probe)
            except (EventError, InputError) as error:
                notes.append(f"{probe} was not placed: {error}")
        return {"same_as_last": last.lot, "placed": placed, "notes": notes}

    def _keep_again(self, hand: Hand, answer: dict[str, Any]) -> None:
        key = hand.key
        if key is not None:
            self._write(lambda conn: once.replace(conn, hand.by, key, answer))

    def _lot_id(self, conn: Connection, product: Product, at: Instant) -> str:
        letters = "".join(part[0] for part in re.split(r"[^A-Za-z0-9]+", product.code) if part).upper()[:4] or "L"
        stem = f"{letters}-{local(at, self.plan.site.zone):%y%m%d}"
        taken = {r.lot for r in conn.execute(select(lot_event.c.lot).where(lot_event.c.lot.startswith(stem, autoescape=True)).distinct())}
        return next(name for name in (stem, *(f"{stem}-{n}" for n in range(2, 10_000))) if name not in taken)

    def _product(self, code: str) -> Product:
        product = self.plan.product_by_code.get(code)
        if product is None:
            raise InputError(f'product is "{code}"; this plan has {_list(self.plan.product_by_code)}')
        return product

    def _lot(self, lot: str) -> lot_log.LotLog:
        with self.store.read() as conn:
            log = lot_log.read_lot(conn, lot)
        if log is None:
            raise NotFoundError(f'there is no lot "{lot}"; GET /api/v1/lots lists them')
        return log


def _free(conn: Connection, lot: str, at: Instant) -> Instant:
    """The first microsecond from `at` on at which this lot has no entry yet, so that `undo` always names one entry."""
    taken = {r.at for r in conn.execute(select(lot_event.c.at).where(lot_event.c.lot == lot, lot_event.c.at >= at))}
    while at in taken:
        at += 1
    return at


def _list(names: Any) -> str:
    return ", ".join(names) or "none"
