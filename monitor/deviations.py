"""Deviation records: opened by a finding, product on hold, closed only with their corrective action.

9 CFR 417.3(a) asks of every corrective action that the cause be identified and eliminated, that the CCP be
under control after it, that measures to prevent recurrence be established, and that no product that is
injurious or otherwise adulterated because of the deviation enter commerce; 417.3(b), for a deviation the plan
has no action for, that the product be segregated and held, reviewed for acceptability, acted upon, and that
a person trained under 417.7 reassess whether it belongs in the plan. 417.3(c): all of it is written down and
itself verified. A verdict stays what it was: closing a record says what was done, not that the limit was met.

`unproven` opens a record like `deviated`: what was not measured was not controlled.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

from sqlalchemy import Column, Connection, ForeignKey, Index, RowMapping, Table, insert, select, text, update

from monitor.alarms.alarms import Record
from monitor.alarms.causes import find_limit, finding_key
from monitor.alarms.limit_text import limit_text
from monitor.closing import Closing, missing_from
from monitor.config import Config, Person
from monitor.errors import InputError, NotClosable, NotFoundError, RefusedError
from monitor.ledger import LATE
from monitor.store.metadata import INSTANT, SMALL, TEXT, WHOLE, metadata
from rules.finding import Finding
from rules.plan import Plan
from rules.quantity import format_instant
from rules.reading import SECOND, Instant
from rules.sources import short_source

#: `state`: open (to be dealt with), answered (waits for the second person), closed. `facts` and `answers` are JSON.
deviation = Table(
    "deviation",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("key", TEXT, nullable=False, index=True),
    Column("state", TEXT, nullable=False),
    Column("at", INSTANT, nullable=False),
    Column("opened_at", INSTANT, nullable=False),
    Column("lot", TEXT, nullable=False),
    Column("step", TEXT, nullable=False),
    Column("limit", TEXT, nullable=False),
    Column("verdict", TEXT, nullable=False),
    Column("unforeseen", SMALL, nullable=False),
    Column("facts", TEXT, nullable=False),
    Column("answers", TEXT, nullable=False, server_default="{}"),
    Column("answered_at", INSTANT),
    Column("answered_by", TEXT, nullable=False, server_default=""),
    Column("reviewed_by", TEXT, nullable=False, server_default=""),
    Column("review", TEXT, nullable=False, server_default=""),
    Column("closed_at", INSTANT),
    sqlite_strict=True,
)
# Partial on PostgreSQL too (migration 0001); to say so here would load its dialect on a board with a file.
Index("ix_deviation_open", deviation.c.closed_at, sqlite_where=text("closed_at IS NULL"))

#: Every action taken and every note, in order; never changed. `kind`: action, note, correction, sent-back.
action = Table(
    "deviation_action",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("deviation_id", WHOLE, ForeignKey("deviation.id"), nullable=False, index=True),
    Column("at", INSTANT, nullable=False),
    Column("entered_at", INSTANT, nullable=False),
    Column("by", TEXT, nullable=False),
    Column("kind", TEXT, nullable=False),
    Column("text", TEXT, nullable=False),
    Column("planned", SMALL, nullable=False),
    sqlite_strict=True,
)

_OPENING: Final = ("deviated", "unproven")


class Deviations:
    """The deviation records of one site, on a Connection inside the caller's transaction."""

    def __init__(
        self,
        config: Config,
        record: Record,
        reset: Callable[[Connection, str, str, Instant], None] | None = None,
        people: Callable[[Connection], Sequence[Person]] | None = None,
    ) -> None:
        """`reset(conn, key, by, now)`, `Alarms.reset`, lets go the alarm that a record holds; `people`: who works here."""
        self._record, self._reset = record, reset
        self._people = people if people is not None else lambda _conn: config.persons

    # ---- opening ----

    def open(
        self, conn: Connection, finding: Finding, plan: Plan, now: Instant, product: str = "", facts: Mapping[str, Any] | None = None
    ) -> int | None:
        """The record of a critical limit's deviated or unproven verdict; None for any other finding.

        Probes that find the same limit of the same lot broken share one open record. `facts` adds what is known
        beyond the finding: `from`, `to` (instants as text), `governing_c`, `margin`. A replay opens nothing twice.
        """
        if not finding.critical or finding.what not in _OPENING:
            return None
        key = finding_key(finding)
        known = conn.execute(select(deviation).where(deviation.c.key == key).order_by(deviation.c.id.desc())).mappings().all()
        seen = {"at": format_instant(finding.at), "probe": finding.probe, "verdict": finding.what, "text": finding.text, **(facts or {})}
        for row in known:
            told = json.loads(row["facts"])["observed"]
            if any((o["at"], o["probe"], o["verdict"]) == (seen["at"], seen["probe"], seen["verdict"]) for o in told):
                return int(row["id"])
        if known and known[0]["state"] == "open":
            return self._add(conn, known[0], seen, finding.what, now)
        limit = find_limit(finding, plan, product)
        known_product = plan.product_by_code.get(product)
        body = {
            "lot": finding.lot,
            "product": product,
            "product_name": known_product.name if known_product else "",
            "step": finding.step,
            "limit": finding.limit,
            "limit_text": limit_text(limit, plan.site.unit) if limit else "",
            "source": short_source(limit) if limit else "",
            "hazard": limit.hazard if limit else "",
            "do": list(limit.do) if limit else [],
            "plan": plan.sha256,
            "observed": [seen],
        }
        return self._open(conn, key, finding.at, now, finding.what, body, by="", unforeseen=not (limit and limit.do))

    def unfilled(self, conn: Connection) -> list[dict[str, Any]]:
        """Open records of which a verdict's facts are not filled in yet, each `{id, lot, step, limit, observed}`."""
        rows = conn.execute(select(deviation).where(deviation.c.closed_at.is_(None), deviation.c.verdict.in_(_OPENING))).mappings()
        found = [{"id": r["id"], "lot": r["lot"], "step": r["step"], "limit": r["limit"], **_observed(r)} for r in rows]
        return [one for one in found if any("from" not in seen for seen in one["observed"])]

    def fill(self, conn: Connection, number: int, known: Sequence[Mapping[str, Any]], affected: Sequence[str], now: Instant) -> None:
        """Add what is known of each verdict of a record, in their order, and the lots that it touches: these are on hold, too."""
        row = self._row(conn, number)
        facts = json.loads(row["facts"])
        seen = [{**one, **more} for one, more in zip(facts["observed"], known, strict=True)]
        facts |= {"observed": seen, "affected": sorted({*facts.get("affected", ()), *affected})}
        conn.execute(update(deviation).where(deviation.c.id == number).values(facts=_text(facts)))
        body = {"deviation": f"D{number}", "what": "facts", "observed": seen, "affected": facts["affected"]}
        self._record(conn, "deviation", body, now, "")

    def open_unforeseen(
        self, conn: Connection, by: str, now: Instant, lot: str, what: str, product: str = "", at: Instant | None = None
    ) -> int:
        """A person's record of a hazard or deviation that the plan does not foresee: 417.3(b)."""
        if not by.strip() or not what.strip():
            raise InputError(f"the record has no {'name' if not by.strip() else 'description'}; say who found it and what was found")
        when = now if at is None else at
        seen = {"at": format_instant(when), "probe": "", "verdict": "unforeseen", "text": what}
        body: dict[str, Any] = {
            "lot": lot,
            "product": product,
            "product_name": "",
            "step": "",
            "limit": "",
            "limit_text": "",
            "source": "",
            "hazard": what,
        }
        body |= {"do": [], "plan": "", "observed": [seen]}
        return self._open(conn, f"unforeseen/{lot}/{now}", when, now, "unforeseen", body, by=by, unforeseen=True)

    def correct(self, conn: Connection, finding: Finding, now: Instant) -> None:
        """A late reading changed the verdict to met: noted on the open record, which a person still closes."""
        for row in conn.execute(
            select(deviation).where(deviation.c.key == finding_key(finding), deviation.c.closed_at.is_(None))
        ).mappings():
            self._note(conn, row["id"], finding.at, now, "", "correction", f"{finding.probe}: {finding.what}. {finding.text}")

    # ---- dealing with it ----

    def act(
        self, conn: Connection, deviation_id: int | str, by: str, now: Instant, what: str | int, at: Instant | None = None
    ) -> dict[str, Any]:
        """Write down an action taken: free text, or the number (from 1) of a planned one; the record as it stands then."""
        row = self._row(conn, deviation_id)
        planned = json.loads(row["facts"])["do"]
        if row["state"] == "closed":
            raise RefusedError(f"deviation D{row['id']} is closed; open a new record for what was found since")
        words = what if isinstance(what, str) else ""
        if isinstance(what, int):
            if not 1 <= what <= len(planned):
                raise InputError(
                    f"action number is {what}; the plan has {len(planned)} for this limit, so write its number or your own words"
                )
            words = planned[what - 1]
        if not by.strip() or not words.strip():
            raise InputError(f"the action has no {'name' if not by.strip() else 'text'}; say who did it and what was done")
        if at is not None and at > now:
            raise InputError(f"the action is dated {format_instant(at)}, which is still to come; write when it was done")
        self._note(conn, row["id"], now if at is None else at, now, by, "action", words.strip(), planned=words in planned)
        return self.get(conn, row["id"])

    def close(
        self, conn: Connection, ids: int | str | Iterable[int | str], by: str, now: Instant, closing: Closing
    ) -> list[dict[str, Any]]:
        """Answer one or several records together. Where the site has a second person they then wait for `review`, else they are closed.

        Raises NotClosable with a sentence for each thing missing; nothing is changed then.
        """
        rows = self._rows(conn, ids)
        missing = [] if by.strip() else ["it is not said who closes it; say who"]
        missing += [f"deviation D{r['id']} is closed already" for r in rows if r["state"] == "closed"]
        for row in rows:
            missing += [m for m in missing_from(closing, bool(row["unforeseen"])) if m not in missing]
        needs_second, reviewers = self._second(conn, by)
        if needs_second and not reviewers:
            missing.append(
                f"{by} is the only reviewer here and cannot review an own answer; let another person answer, or name another reviewer"
            )
        if missing:
            raise NotClosable(missing)
        for row in rows:
            values = {"state": "answered", "answers": _text(closing.as_json()), "answered_at": now, "answered_by": by}
            conn.execute(update(deviation).where(deviation.c.id == row["id"]).values(values))
            self._record(conn, "deviation", {"deviation": f"D{row['id']}", "what": "answered", "answers": closing.as_json()}, now, by)
            if not needs_second:
                self._finish(conn, row, by, now, {})
        return [self.get(conn, row["id"]) for row in rows]

    def review(
        self, conn: Connection, ids: int | str | Iterable[int | str], by: str, now: Instant, comment: str = "", *, agreed: bool = True
    ) -> list[dict[str, Any]]:
        """The second person's word: agreed closes the records; not agreed sends them back, and then the comment says why."""
        rows = self._rows(conn, ids)
        person = next((p for p in self._people(conn) if p.name == by), None)
        missing = [f"deviation D{r['id']} is {r['state']}; only an answered one can be reviewed" for r in rows if r["state"] != "answered"]
        if person is None or person.role != "reviewer":
            missing.append(f"{by or 'nobody'} is not a reviewer of this site; let a reviewer do it")
        missing += [f"{by} answered deviation D{r['id']}; another person reviews it" for r in rows if r["answered_by"] == by]
        if not agreed and not comment.strip():
            missing.append("it is sent back without a reason; write what is still wrong")
        if missing:
            raise NotClosable(missing)
        for row in rows:
            if agreed:
                self._finish(conn, row, by, now, {"reviewed_by": by, "review": comment})
            else:
                conn.execute(update(deviation).where(deviation.c.id == row["id"]).values(state="open"))
                self._note(conn, row["id"], now, now, by, "sent-back", comment)
        return [self.get(conn, row["id"]) for row in rows]

    # ---- what people are shown ----

    def get(self, conn: Connection, deviation_id: int | str) -> dict[str, Any]:
        """One record with its actions; raises NotFoundError."""
        return self._shown(conn, self._row(conn, deviation_id))

    def listed(self, conn: Connection, since: Instant | None = None) -> list[dict[str, Any]]:
        """Records, open ones first, then the newest; `since` leaves out those closed before."""
        query = select(deviation).order_by(deviation.c.closed_at.is_not(None), deviation.c.id.desc())
        if since is not None:
            query = query.where(deviation.c.closed_at.is_(None) | (deviation.c.closed_at >= since))
        return [self._shown(conn, row) for row in conn.execute(query).mappings().all()]

    def on_hold(self, conn: Connection) -> list[str]:
        """Lots that may not leave: those with a record that is not closed."""
        rows = conn.execute(select(deviation.c.lot, deviation.c.facts).where(deviation.c.closed_at.is_(None))).all()
        return sorted({lot for row in rows for lot in (row.lot, *json.loads(row.facts).get("affected", ())) if lot})

    # ---- inside ----

    def _open(
        self, conn: Connection, key: str, at: Instant, now: Instant, verdict: str, facts: dict[str, Any], *, by: str, unforeseen: bool
    ) -> int:
        number = conn.execute(
            insert(deviation)
            .values(
                key=key,
                state="open",
                at=at,
                opened_at=now,
                lot=facts["lot"],
                step=facts["step"],
                limit=facts["limit"],
                verdict=verdict,
                unforeseen=int(unforeseen),
                facts=_text(facts),
            )
            .returning(deviation.c.id)
        ).scalar_one()
        self._record(conn, "deviation", {"deviation": f"D{number}", "what": "opened", "verdict": verdict, **facts}, now, by)
        return int(number)

    def _add(self, conn: Connection, row: RowMapping, seen: Mapping[str, Any], verdict: str, now: Instant) -> int:
        """Another probe, or a worse verdict, of what is open already."""
        facts = json.loads(row["facts"])
        facts["observed"].append(dict(seen))
        worse = verdict if verdict == "deviated" else row["verdict"]
        conn.execute(update(deviation).where(deviation.c.id == row["id"]).values(facts=_text(facts), verdict=worse))
        self._record(conn, "deviation", {"deviation": f"D{row['id']}", "what": "also", **seen}, now, "")
        return int(row["id"])

    def _note(
        self, conn: Connection, number: int, at: Instant, now: Instant, by: str, kind: str, what: str, *, planned: bool = False
    ) -> None:
        conn.execute(insert(action).values(deviation_id=number, at=at, entered_at=now, by=by, kind=kind, text=what, planned=int(planned)))
        body: dict[str, Any] = {"deviation": f"D{number}", "what": kind, "text": what, "done": format_instant(at), "planned": planned}
        if by and now - at > LATE:
            body["late_s"] = (now - at) // SECOND
        self._record(conn, "deviation", body, now, by)

    def _finish(self, conn: Connection, row: RowMapping, by: str, now: Instant, values: Mapping[str, Any]) -> None:
        conn.execute(update(deviation).where(deviation.c.id == row["id"]).values(state="closed", closed_at=now, **values))
        self._record(conn, "deviation", {"deviation": f"D{row['id']}", "what": "closed", **values}, now, by)
        if self._reset is not None:
            self._reset(conn, row["key"], by, now)

    def _second(self, conn: Connection, by: str) -> tuple[bool, list[str]]:
        """Whether a second person reviews, and who may: where anybody but the closer works here, and a reviewer is among them."""
        workers = [p for p in self._people(conn) if p.role != "inspector"]
        reviewers = [p.name for p in workers if p.role == "reviewer"]
        return bool(reviewers) and any(p.name != by for p in workers), [name for name in reviewers if name != by]

    def _rows(self, conn: Connection, ids: int | str | Iterable[int | str]) -> list[RowMapping]:
        many = [ids] if isinstance(ids, int | str) else list(ids)
        if not many:
            raise InputError("no deviation is named; name at least one, such as D3")
        return [self._row(conn, one) for one in dict.fromkeys(many)]

    def _row(self, conn: Connection, deviation_id: int | str) -> RowMapping:
        given = str(deviation_id).strip()
        digits = given[1:] if given[:1] in ("D", "d") else given
        if not digits.isascii() or not digits.isdecimal() or len(digits) > 15:
            raise InputError(f'deviation is "{given[:40]}"; write its number, such as D3')
        row = conn.execute(select(deviation).where(deviation.c.id == int(digits))).mappings().one_or_none()
        if row is None:
            raise NotFoundError(f'there is no deviation "D{digits}"; look at the list of deviations')
        return row

    def _shown(self, conn: Connection, row: RowMapping) -> dict[str, Any]:
        facts = json.loads(row["facts"])
        actions = conn.execute(select(action).where(action.c.deviation_id == row["id"]).order_by(action.c.id)).mappings()
        where = " ".join(part for part in (row["lot"], row["step"], row["limit"]) if part)
        needs, reviewers = self._second(conn, row["answered_by"])
        return {
            **facts,
            "id": f"D{row['id']}",
            "number": row["id"],
            "text": f"{where}: {facts['observed'][-1]['text']}".lstrip(": "),
            "verdict": row["verdict"],
            "state": row["state"],
            "unforeseen": bool(row["unforeseen"]),
            "probes": sorted({o["probe"] for o in facts["observed"] if o["probe"]}),
            "at": format_instant(row["at"]),
            "opened": format_instant(row["opened_at"]),
            "opened_at": row["opened_at"],
            "on_hold": row["closed_at"] is None,
            "affected": sorted({*facts.get("affected", ()), *([row["lot"]] if row["lot"] else [])}),
            "actions": [
                {
                    "at": format_instant(a["at"]),
                    "entered": format_instant(a["entered_at"]),
                    "by": a["by"],
                    "kind": a["kind"],
                    "text": a["text"],
                    "planned": bool(a["planned"]),
                }
                for a in actions
            ],
            "answers": json.loads(row["answers"]),
            "answered": None if row["answered_at"] is None else format_instant(row["answered_at"]),
            "answered_by": row["answered_by"],
            "reviewers": reviewers if needs else [],
            "reviewed_by": row["reviewed_by"],
            "review": row["review"],
            "closed": None if row["closed_at"] is None else format_instant(row["closed_at"]),
            "closed_at": row["closed_at"],
        }


def _observed(row: RowMapping) -> dict[str, Any]:
    return {"observed": json.loads(row["facts"])["observed"]}


def _text(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))
