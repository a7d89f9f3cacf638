"""The papers of a lot: what was received for it, whether it is on hold, and its release.

They are records of their own in the ledger (`receipt`, `release`), not measurements of the lot: a supplier's lot is no number, and
nothing here is judged against a limit of the plan. They come out in the day's file with the other records.

A release is the review of one lot's records before it is shipped (9 CFR 417.5(c), 1996, as amended), signed by a reviewer. It is
refused while the lot runs, while a deviation of it is not closed (417.3: no product that is injurious or adulterated enters
commerce), and while a critical limit was not decided.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Connection, select

from monitor import ledger, lot_log, lot_results
from monitor.errors import InputError, NotFoundError, RefusedError
from monitor.moments import moment
from monitor.store.schema import ledger as ledger_table
from rules.plan import Plan
from rules.quantity import format_instant, parse_instant, parse_temperature
from rules.reading import Instant

if TYPE_CHECKING:
    from monitor.desk import Hand
    from monitor.store.database import Store

RECEIPT: Final = "receipt"
RELEASE: Final = "release"
_WEIGHT: Final = re.compile(r"[0-9]{1,6}(\.[0-9]{1,3})?")
_LONGEST: Final = 120
#: What a closed deviation may have done with product that is then not there to be released.
_GONE: Final = ("destroyed", "returned", "diverted")


class LotPapers:
    """Receipts, hold and release; `Desk` has the rest."""

    store: Store
    plan: Plan
    clock: Callable[[], Instant]
    pipeline: Any
    deviation_book: Any
    _do: Callable[[Hand, Callable[[Connection, Instant], dict[str, Any]]], dict[str, Any]]

    def receive(
        self, hand: Hand, lot: str, material: str, supplier: str, supplier_lot: str, temperature: str, weight_kg: str, *,
        accepted: bool = True, note: str = "", at: Instant | None = None,
    ) -> dict[str, Any]:  # fmt: skip
        """Write down what was received for a lot; the receipt.

        `temperature` with its unit ("36 °F"), `weight_kg` a number. `accepted` False: it was sent back or set aside, and `note` says why.
        Raises InputError for what is missing or cannot be, NotFoundError for an unknown lot.
        """
        words = {"material": material, "supplier": supplier, "supplier_lot": supplier_lot}
        for name, asks in (("material", "what came"), ("supplier", "who delivered it"), ("supplier_lot", "the lot on its label")):
            words[name] = " ".join(words[name].split())
            if not words[name]:
                raise InputError(f"{asks} is blank; write it, so that the meat can be traced back")
            if len(words[name]) > _LONGEST:
                raise InputError(f"{asks} is {len(words[name])} letters long; write {_LONGEST} at most")
        celsius = parse_temperature(temperature)
        if not -60.0 <= celsius <= 60.0:
            raise InputError(f'temperature is "{temperature}", which no delivery has; write -60 to 60 °C, or -76 to 140 °F')
        if not _WEIGHT.fullmatch(weight_kg.strip()) or float(weight_kg) == 0:
            raise InputError(f'weight is "{weight_kg[:20]}"; write the kilograms that came, such as 42.5')
        if not accepted and not note.strip():
            raise InputError("the note is blank; write why it was not accepted")
        self._need(lot)

        def job(conn: Connection, now: Instant) -> dict[str, Any]:
            when, entered = moment(at, now)
            body = {
                "lot": lot, "what": "received" if accepted else "refused", **words, "temperature": temperature.strip(),
                "weight_kg": weight_kg.strip(), "text": note.strip()[:2000], "at": format_instant(when),
            }  # fmt: skip
            entry = ledger.append(conn, RECEIPT, body, when, hand.by, entered_at=now)
            return _receipt(entry) | {"entered": None if entered is None else format_instant(entered)}

        return self._do(hand, job)

    def withdraw_receipt(self, hand: Hand, lot: str, seq: int, reason: str) -> dict[str, Any]:
        """Take back one receipt that was written wrongly, with the reason; both stay on record."""
        if not reason.strip():
            raise InputError("the reason is blank; write what was wrong with it")

        def job(conn: Connection, now: Instant) -> dict[str, Any]:
            known = {one["seq"]: one for one in receipts_of(conn, lot)}
            if seq not in known:
                raise NotFoundError(f'lot "{lot}" has no receipt {seq}')
            if known[seq]["withdrawn"]:
                raise RefusedError(f"receipt {seq} was taken back already")
            body = {"lot": lot, "what": "withdrawn", "receipt": seq, "text": reason.strip()[:2000]}
            ledger.append(conn, RECEIPT, body, now, hand.by, entered_at=now)
            return {"lot": lot, "receipt": seq, "withdrawn": reason.strip()}

        return self._do(hand, job)

    def release(self, hand: Hand, lot: str, comment: str = "") -> dict[str, Any]:
        """Sign the release of a lot; RefusedError names everything that is still to be done first.

        Where a deviation's answer says that product was destroyed, returned or diverted, `comment` has to say what is left to be released.
        """
        if hand.role != "reviewer":
            raise RefusedError(f"{hand.by} is not a reviewer; a reviewer releases a lot")
        self._need(lot)

        def job(conn: Connection, now: Instant) -> dict[str, Any]:
            papers = self._papers(conn, lot)
            if papers["released"] and not papers["release_again"]:
                raise RefusedError(f"{lot} was released already, by {papers['released']['by']}")
            if papers["missing"]:
                raise RefusedError(f"{lot} cannot be released yet: {'; '.join(papers['missing'])}")
            if papers["gone"] and not comment.strip():
                raise InputError(f"the comment is blank, but {'; '.join(papers['gone'])}; write what is left of {lot} to be released")
            made = {entry.by for entry in self._need(lot).entries if entry.by}
            body = {"lot": lot, "what": "released", "verdict": papers["verdict"], "own_records": hand.by in made, "text": comment.strip()}
            return _released(ledger.append(conn, RELEASE, body, now, hand.by, entered_at=now))

        return self._do(hand, job)

    def papers(self, lot: str) -> dict[str, Any]:
        """How the lot's papers stand.

        `receipts` (`seq, at, entered, by, what, material, supplier, supplier_lot, temperature, weight_kg, text, withdrawn`), `on_hold` (ids
        of its deviations that are not closed), `missing` (what a release still waits for, in words), `gone` (what its deviations say was
        destroyed, returned or diverted, in words), `released` (`at, by, text,
        own_records` of the newest release, or None), `release_again` (a deviation was opened after it), `verdict`.
        """
        self._need(lot)
        with self.store.read() as conn:
            return self._papers(conn, lot)

    def holds(self) -> list[dict[str, Any]]:
        """Lots on hold: a deviation touched them and no release was signed since; the newest such deviation first.

        `lot`, `waiting` (ids of its deviations that are not closed), `closed` (ids of those that are), `since` (the first of them).
        """
        with self.store.read() as conn:
            held: dict[str, dict[str, Any]] = {}
            for one in self.deviation_book.listed(conn):
                for lot in one["affected"]:
                    slip = held.setdefault(lot, {"lot": lot, "waiting": [], "closed": [], "first": one["opened_at"], "last": 0})
                    slip["waiting" if one["closed"] is None else "closed"].append(one["id"])
                    slip["first"], slip["last"] = min(slip["first"], one["opened_at"]), max(slip["last"], one["opened_at"])
            unseen, oldest = set(held), min((one["last"] for one in held.values()), default=0)
            for entry in ledger.entries_back(conn, RELEASE):
                if not unseen or entry.at < oldest:
                    break  # what is older released nothing that deviated since
                lot = str(entry.body["lot"])
                if lot in unseen and entry.at >= held[lot]["last"]:
                    del held[lot]
                unseen.discard(lot)
        found = sorted(held.values(), key=lambda one: -int(one["last"]))
        return [{"lot": o["lot"], "waiting": o["waiting"], "closed": o["closed"], "since": format_instant(o["first"])} for o in found]

    def _papers(self, conn: Connection, lot: str) -> dict[str, Any]:
        log = lot_log.read_lot(conn, lot)
        report = next((one for one in self.pipeline.report()["lots"] if one["lot"] == lot), None) or lot_results.kept(conn, [lot]).get(lot)
        listed = [one for one in self.deviation_book.listed(conn) if lot in one["affected"]]
        waiting = [one for one in listed if one["closed"] is None]
        gone = [
            f"{one['id']} says: {one['answers']['quantity']} {one['answers']['disposition']}"
            for one in listed
            if one["answers"].get("disposition") in _GONE
        ]
        missing = [] if log is not None and log.ended is not None else ["it has not ended"]
        missing += [f"deviation {one['id']} is not closed" for one in waiting]
        if report is None:
            missing.append("its judgement is not kept here; look at the file of its day")
        elif log is not None and log.ended is not None:
            missing += [
                f"{one['limit']} is still open" for one in report["limits"] if one["class"] == "critical" and one["verdict"] == "open"
            ]
        signed = [_released(entry) for entry in _entries_of(conn, RELEASE, lot)]
        newest = signed[-1] if signed else None
        later = newest is not None and any(one["opened_at"] > parse_instant(newest["at"]) for one in listed)
        return {
            "lot": lot, "receipts": receipts_of(conn, lot), "on_hold": [one["id"] for one in waiting], "missing": missing, "gone": gone,
            "released": newest, "release_again": later, "verdict": report["verdict"] if report else "unproven",
        }  # fmt: skip

    def _need(self, lot: str) -> lot_log.LotLog:
        with self.store.read() as conn:
            log = lot_log.read_lot(conn, lot)
        if log is None:
            raise NotFoundError(f'there is no lot "{lot}"; GET /api/v1/lots lists them')
        return log


def receipts_of(conn: Connection, lot: str) -> list[dict[str, Any]]:
    """What was received for a lot, in the order in which it was written down; see `LotPapers.papers`."""
    found: dict[int, dict[str, Any]] = {}
    for entry in _entries_of(conn, RECEIPT, lot):
        if entry.body["what"] == "withdrawn":
            found[entry.body["receipt"]]["withdrawn"] = entry.body["text"]
        else:
            found[entry.seq] = _receipt(entry)
    return list(found.values())


def _entries_of(conn: Connection, kind: str, lot: str) -> list[ledger.Entry]:
    """The lot's ledger entries of one kind. The body is canonical JSON, so that the lot can be looked for in its text."""
    wanted = ledger_table.c.body.contains(f'"lot":"{lot}"', autoescape=True)
    query = select(ledger_table.c.seq).where(ledger_table.c.kind == kind, wanted).order_by(ledger_table.c.seq)
    places = [row.seq for row in conn.execute(query)]
    found = [entry for seq in places for entry in ledger.entries(conn, seq - 1, most=1)]
    return [entry for entry in found if entry.body.get("lot") == lot]


def _receipt(entry: ledger.Entry) -> dict[str, Any]:
    names = ("what", "material", "supplier", "supplier_lot", "temperature", "weight_kg", "text")
    late = None if entry.entered_at == entry.at else format_instant(entry.entered_at)
    facts = {"seq": entry.seq, "at": format_instant(entry.at), "entered": late, "by": entry.by, "withdrawn": ""}
    return facts | {name: entry.body[name] for name in names}


def _released(entry: ledger.Entry) -> dict[str, Any]:
    body = entry.body
    return {"at": format_instant(entry.at), "by": entry.by, "text": body["text"], "own_records": body["own_records"], "lot": body["lot"]}
