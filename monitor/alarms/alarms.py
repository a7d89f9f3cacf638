"""Alarms as the service uses them: each call works on a Connection, inside the caller's transaction.

The alarm and its message are therefore committed with the readings that caused them, or not at all. Nothing
here waits: delivery is the courier's. `now` is given, and must not run backwards while the service runs; a
clock found set back after a restart is answered by `Ladder`'s anchors.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any, Final

from sqlalchemy import Connection, RowMapping, func, insert, or_, select, update

from monitor.alarms import excursions, hidden, outbox
from monitor.alarms.all_well import AllWell
from monitor.alarms.causes import Cause
from monitor.alarms.hidden import Hiding, hiding_of, in_force
from monitor.alarms.ladder import CodeMaker, Ladder, LinkMaker
from monitor.alarms.life import Happening, Hidden, Life, State
from monitor.alarms.listing import describe, open_alarms, open_rows, row_of
from monitor.alarms.tables import alarm, alarm_event
from monitor.config import PRIORITIES, Config
from monitor.errors import InputError, RefusedError
from rules.plan import Site
from rules.quantity import format_instant, format_span
from rules.reading import MINUTE, Instant, Span

#: `monitor.ledger.append`, or anything of its shape: (conn, kind, body, at, by).
Record = Callable[[Connection, str, Mapping[str, Any], Instant, str], object]

#: A critical alarm is silent for no longer than this at a time (our choice; the standards ask for a bound).
SHELVE_CRITICAL: Final[Span] = 30 * MINUTE


class Alarms:
    """The alarms of one site. Stateless between calls: everything is in the tables, so a rollback undoes everything."""

    def __init__(
        self,
        config: Config,
        site: Site,
        record: Record,
        link: LinkMaker | None = None,
        status: Callable[[Connection], str] | None = None,
        code: CodeMaker | None = None,
        remark: Callable[[], str] = lambda: "",
    ) -> None:
        """`link` makes acknowledge links, `code` what a message is answered with; `status` adds a sentence to the daily *all well*.

        `remark` gives a sentence that every message carries just now, or none.
        """
        self._config, self._record = config, record
        self._ladder = Ladder(config, site, link, code, remark)
        self._all_well = AllWell(config, site, self._ladder, status)

    # ---- the condition ----

    def raise_(self, conn: Connection, cause: Cause, now: Instant) -> int:
        """The condition of a cause stands: its alarm's number. Calling again for what is known already changes nothing.

        A worse severity rings again. A new excursion while an older one of the same key is returned but
        unacknowledged becomes an alarm of its own beside it (a branch); a latched one is raised again itself.
        """
        rows = open_rows(conn, cause.key)
        trunk = rows[0] if rows else None
        if trunk is not None and (trunk["rang_at"] is None or trunk["state"] in ("B", "C")):
            return self._join(conn, trunk, cause, now)
        newest = select(alarm).where(alarm.c.key == cause.key).order_by(alarm.c.id.desc()).limit(1)
        last = trunk or conn.execute(newest).mappings().first()
        if last is not None and last["since"] == cause.since and last["severity"] >= cause.severity:
            return int(last["id"])  # a replay tells again what has been told
        if trunk is not None and trunk["latched"]:
            return self._join(conn, trunk, cause, now)
        number = conn.execute(
            insert(alarm)
            .values(
                key=cause.key,
                state=State.NORMAL.value,
                cause=_text(cause.as_json()),
                members=_text([cause.member]),
                probes=_text([cause.member]),
                followed=int(excursions.followed(cause)),
                priority=cause.priority,
                severity=cause.severity,
                critical=int(cause.critical),
                latched=int(cause.latched),
                since=cause.since,
                raised_at=now,
                branch_of=None if trunk is None else trunk["id"],
            )
            .returning(alarm.c.id)
        ).scalar_one()
        self._note(conn, number, now, "raised", "", cause.text, {"cause": cause.as_json()})
        if wait := _delay_left(cause, now):
            self._ladder.set(conn, number, {"anchor_at": now, "next_at": now + wait})
        else:
            self._ring(conn, row_of(conn, number), now)
        return int(number)

    def clear(self, conn: Connection, key: str, now: Instant, member: str = "") -> None:
        """The condition of a key is over, for one member or for all; the alarm returns after its off-delay.

        A key that ends in `*` clears every key that begins so. Nothing known by that key: nothing happens.
        """
        for row in open_rows(conn, None if key.endswith("*") else key):
            if key.endswith("*") and not row["key"].startswith(key[:-1]):
                continue
            if row["rang_at"] is not None and row["state"] not in ("B", "C"):
                continue
            members = [m for m in json.loads(row["members"]) if member and m != member]
            if members:
                self._ladder.set(conn, row["id"], {"members": _text(members)})
                continue
            cause = _cause(row)
            if row["rang_at"] is None:
                self._ladder.set(conn, row["id"], {"closed_at": now, "returned_at": now, "next_at": None})
                self._note(conn, row["id"], now, "over before it rang")
            elif cause.off_delay > 0:
                if row["clear_at"] is None:
                    self._ladder.set(conn, row["id"], {"clear_at": now + cause.off_delay})
            else:
                self._return(conn, row, now)

    def reset(self, conn: Connection, key: str, by: str, now: Instant, why: str = "its deviation record is closed") -> None:
        """What held a latched alarm is complete: acknowledge it for the person who completed it, and let it go."""
        held = [row for row in open_rows(conn, key) if row["latched"]]
        for row in held:
            if Life(State(row["state"])).unacknowledged:
                self.acknowledge(conn, row["id"], by, now, why)
            self._move(conn, row_of(conn, row["id"]), Happening.RESET, now, by, why, {"next_at": None, "clear_at": None})
        self._after_quieter(conn, now)
        if any(row["told"] for row in held):
            self._ladder.all_clear(conn, now)

    # ---- people ----

    def acknowledge(self, conn: Connection, alarm_id: int | str, by: str, now: Instant, comment: str = "") -> dict[str, Any]:
        """Somebody has seen an alarm; the alarm as it stands. Twice is once. Older branches of the same cause go with it.

        It silences; it clears no condition and closes no deviation. Raises NotFoundError, InputError.
        """
        if not by.strip():
            raise InputError("an acknowledgement names nobody; say who has seen the alarm")
        row = row_of(conn, alarm_id)
        if row["rang_at"] is None:
            raise RefusedError(f"alarm A{row['id']} has not rung yet, so there is nothing to acknowledge")
        if Life(State(row["state"])).unacknowledged:
            older = [r for r in open_rows(conn, row["key"]) if r["id"] < row["id"] and Life(State(r["state"])).unacknowledged]
            for one in (row, *older):
                self._acknowledge_row(conn, one, by, now, comment)
            self._ladder.tell_others(conn, row, by, now)
            self._after_quieter(conn, now)
        elif comment and comment != row["comment"]:
            self._note(conn, row["id"], now, "comment", by, comment)
        return self.alarm(conn, row["id"])

    def _acknowledge_row(self, conn: Connection, row: RowMapping, by: str, now: Instant, comment: str) -> None:
        realarm = self._config.alarms.realarm
        cause = _cause(row)
        stays = (
            row["state"] == "B"
            and not row["latched"]
            and cause.nags
            and realarm
            and PRIORITIES.index(row["priority"]) >= PRIORITIES.index("medium")
        )
        values = {
            "acknowledged_at": now,
            "acknowledged_by": by,
            "comment": comment,
            "anchor_at": now,
            "next_at": now + realarm if stays else None,
        }
        outbox.drop(conn, row["id"], f"acknowledged by {by}", now)
        self._move(conn, row, Happening.ACKNOWLEDGE, now, by, comment, values)
        if cause.settled and row["state"] == "B":
            self._move(conn, row_of(conn, row["id"]), Happening.CLEAR, now, "", "seen, and nothing can change it", {"returned_at": now})

    def shelve(self, conn: Connection, alarm_id: int | str, by: str, now: Instant, length: Span, reason: str) -> dict[str, Any]:
        """Silence an alarm for a while, with the reason: 30 min at most for a critical one. It rings as new if it still stands then."""
        row = row_of(conn, alarm_id)
        critical = bool(row["critical"]) or row["priority"] == "critical"
        most = SHELVE_CRITICAL if critical else self._config.alarms.shelve_at_most
        if not by.strip() or not reason.strip():
            raise InputError(f"alarm A{row['id']} is shelved without {'a name' if not by.strip() else 'a reason'}; say who does it and why")
        if not 0 < length <= most:
            kind = "a critical alarm" if critical else "an alarm"
            raise RefusedError(f"{kind} is shelved for {format_span(length)}; choose up to {format_span(most)}")
        if row["closed_at"] is not None:
            raise RefusedError(f"alarm A{row['id']} is back to normal and acknowledged; there is nothing to shelve")
        self._hide(conn, row["key"], Hidden.SHELVED, now, now + length, by, reason)
        return self.alarm(conn, row["id"])

    def unshelve(self, conn: Connection, alarm_id: int | str, by: str, now: Instant) -> dict[str, Any]:
        """End a shelving before its time."""
        row = row_of(conn, alarm_id)
        self._unhide(conn, row["key"], Hidden.SHELVED, now, by)
        return self.alarm(conn, row["id"])

    def suppress(self, conn: Connection, scope: str, reason: str, now: Instant) -> None:
        """Suppress by design what a scope names (a key, or its beginning and `*`); critical causes are not covered."""
        self._hide(conn, scope, Hidden.SUPPRESSED, now, None, "", reason)

    def unsuppress(self, conn: Connection, scope: str, now: Instant) -> None:
        """End a suppression by design."""
        self._unhide(conn, scope, Hidden.SUPPRESSED, now, "")

    def out_of_service(self, conn: Connection, scope: str, by: str, reason: str, now: Instant) -> None:
        """Take what a scope names out of service for maintenance, until a person returns it; critical causes are not covered."""
        if not by.strip() or not reason.strip():
            raise InputError("taking an alarm out of service needs a name and a reason; say who does it and why")
        self._hide(conn, scope, Hidden.OUT_OF_SERVICE, now, None, by, reason)

    def return_to_service(self, conn: Connection, scope: str, by: str, now: Instant) -> None:
        """Return it to service."""
        self._unhide(conn, scope, Hidden.OUT_OF_SERVICE, now, by)

    # ---- time ----

    def due(self, conn: Connection, now: Instant) -> Instant | None:
        """Do everything whose time has come: on- and off-delays, rungs, repeats, re-alarms, shelvings, *all well*.

        Returns when it should be called next, or None with nothing to wait for.
        """
        excursions.follow(conn, self, now)
        for over in hidden.expired(conn, now):
            self._unhide(conn, over.scope, Hidden(over.kind), now, "")
        waits = or_(alarm.c.next_at <= now, alarm.c.clear_at <= now, alarm.c.anchor_at > now)
        for row in conn.execute(select(alarm).where(alarm.c.closed_at.is_(None), waits).order_by(alarm.c.id)).mappings().all():
            self._due(conn, _reanchored(conn, row, now), now)
        spoken = self._all_well.due(conn, now)
        times = [conn.scalar(select(func.min(column)).where(alarm.c.closed_at.is_(None))) for column in (alarm.c.next_at, alarm.c.clear_at)]
        return min((t for t in (*times, hidden.next_expiry(conn), spoken) if t is not None), default=None)

    def _due(self, conn: Connection, row: RowMapping, now: Instant) -> None:
        if row["clear_at"] is not None and row["clear_at"] <= now:
            self._return(conn, row, now)
        elif row["next_at"] is None or row["next_at"] > now:
            return
        elif row["rang_at"] is None:
            self._ring(conn, row, now)
        elif row["state"] == "D" and self._ladder.reached(conn, row["id"]):
            self._ladder.set(conn, row["id"], {"next_at": None})  # a momentary one is told once: somebody has it
        elif row["state"] == "C":
            self._move(conn, row, Happening.REALARM, now, "", "still there", {"rung": 0, "next_at": now})
            self._climb(conn, row_of(conn, row["id"]), now, "STILL")
        else:
            self._climb(conn, row, now)

    def hurry(self, conn: Connection, number: int, now: Instant) -> None:
        """A message about this alarm reached nobody: the next rung is told now, not when its turn comes."""
        row = row_of(conn, number)
        if row["rang_at"] is None or row["rung"] >= len(self._ladder.rungs(row["priority"])):
            return
        cause = _cause(row)
        # A momentary one waits for no rung, but it has to reach somebody all the same.
        if row["next_at"] is not None or (cause.momentary and not cause.by and row["state"] == State.RETURNED.value):
            self._ladder.set(conn, number, {"next_at": now})
            self._climb(conn, row_of(conn, number), now)

    def settle(self, conn: Connection, now: Instant) -> None:
        """Turn off every siren or lamp that nothing keeps on."""
        self._after_quieter(conn, now)

    def lapse(self, conn: Connection, number: int, now: Instant, why: str) -> None:
        """Let an alarm go that is over and that nobody needs to see any more; what is not over stays."""
        row = row_of(conn, number)
        if row["state"] == State.RETURNED.value:
            outbox.drop(conn, number, why, now)
            self._ladder.set(conn, number, {"state": State.NORMAL.value, "closed_at": now, "next_at": None})
            self._note(conn, number, now, "lapsed", "", why)

    # ---- what people are shown ----

    def open_alarms(self, conn: Connection, now: Instant | None = None) -> list[dict[str, Any]]:
        """Every alarm not back to normal and acknowledged, hidden ones last."""
        return open_alarms(conn, now)

    def alarm(self, conn: Connection, alarm_id: int | str) -> dict[str, Any]:
        """One alarm, open or closed; raises NotFoundError."""
        return describe(row_of(conn, alarm_id), in_force(conn))

    def hidden(self, conn: Connection) -> list[Hiding]:
        """Everything shelved, suppressed or out of service."""
        return in_force(conn)

    # ---- inside ----

    def _join(self, conn: Connection, row: RowMapping, cause: Cause, now: Instant) -> int:
        """The condition is known already, or a latched one is back: take in what is new, and ring again if it is worse."""
        members = json.loads(row["members"])
        returned = row["rang_at"] is not None and row["state"] in ("D", "E", "F")
        worse = returned or cause.severity > row["severity"] or PRIORITIES.index(cause.priority) > PRIORITIES.index(row["priority"])
        values: dict[str, Any] = {"clear_at": None}
        # Acknowledged for fewer: nobody has seen that this member is of it too.
        also = cause.widens and cause.member not in members and row["state"] == "C"
        if cause.member not in members:
            values["members"] = _text([cause.member] if returned else [*members, cause.member])
            values["probes"] = _text(sorted({*json.loads(row["probes"]), cause.member}))
            self._note(conn, row["id"], now, "also", "", cause.text, {"member": cause.member})
        if worse:
            values |= {
                "cause": _text(cause.as_json()),
                "priority": cause.priority,
                "severity": cause.severity,
                "critical": int(cause.critical),
                "latched": int(cause.latched or row["latched"]),
                "followed": int(excursions.followed(cause)),
            }
        elif cause.widens:
            values["cause"] = _text(cause.as_json())
        self._ladder.set(conn, row["id"], values)
        if worse and row["rang_at"] is None:
            sooner = now + _delay_left(cause, now)
            self._ladder.set(conn, row["id"], {"next_at": sooner if row["next_at"] is None else min(sooner, row["next_at"])})
        elif worse or also:
            self._move(conn, row, Happening.RAISE, now, "", cause.text, {"rung": 0, "anchor_at": now, "next_at": now, "returned_at": None})
            self._climb(conn, row_of(conn, row["id"]), now, "AGAIN" if returned else "WORSE" if worse else "ALSO")
        return int(row["id"])

    def _ring(self, conn: Connection, row: RowMapping, now: Instant) -> None:
        """The on-delay is over: the alarm exists for people from now on."""
        cause = _cause(row)
        rung, wait = self._ladder.goes_on(conn, row, now)
        self._move(conn, row, Happening.RAISE, now, "", "", {"rang_at": now, "anchor_at": now, "next_at": now + wait, "rung": rung})
        row = row_of(conn, row["id"])
        if cause.momentary:  # what is still to be told of the same by an older one is told by this, with its newer words
            for older in open_rows(conn, row["key"]):
                if older["id"] < row["id"] and older["state"] == State.RETURNED.value:
                    self._ladder.set(conn, older["id"], {"next_at": None})
        if wait <= 0 or cause.by:
            self._climb(conn, row, now)
        if cause.momentary:
            self._move(conn, row, Happening.CLEAR, now, "", "", {"returned_at": now})

    def _climb(self, conn: Connection, row: RowMapping, now: Instant, mark: str = "") -> None:
        cause = _cause(row)
        if hiding_of(in_force(conn), row["key"], bool(row["critical"])) is not None or not _tellable(row, cause):
            self._ladder.set(conn, row["id"], {"next_at": None})
            return
        self._ladder.set(conn, row["id"], self._ladder.climb(conn, row, cause, now, mark))

    def _return(self, conn: Connection, row: RowMapping, now: Instant) -> None:
        """The condition is over and believed so."""
        values: dict[str, Any] = {"returned_at": now, "clear_at": None, "members": "[]"}
        if not (row["latched"] and row["state"] == "B"):  # a latched one that nobody has seen goes on being told
            values["next_at"] = None
        self._move(conn, row, Happening.CLEAR, now, "", "", values)
        self._after_quieter(conn, now)
        if row["told"]:
            self._ladder.all_clear(conn, now)

    def _after_quieter(self, conn: Connection, now: Instant) -> None:
        hidings = in_force(conn)
        self._ladder.settle(conn, now, lambda row: hiding_of(hidings, row["key"], bool(row["critical"])) is not None)

    def _move(
        self, conn: Connection, row: RowMapping, happening: Happening, now: Instant, by: str, text: str, values: Mapping[str, Any]
    ) -> None:
        """One transition: the row, its event and the ledger together."""
        life = Life(State(row["state"]), bool(row["latched"])).after(happening)
        closed = {"closed_at": now, "next_at": None, "clear_at": None} if life.over else {}
        self._ladder.set(conn, row["id"], {**values, "state": life.state.value, **closed})
        self._note(conn, row["id"], now, happening.value, by, text, {"state": life.state.value})

    def _note(
        self, conn: Connection, number: int, now: Instant, what: str, by: str = "", text: str = "", more: Mapping[str, Any] | None = None
    ) -> None:
        conn.execute(insert(alarm_event).values(alarm_id=number, at=now, what=what, by=by, text=text))
        self._record(conn, "alarm", {"alarm": f"A{number}", "what": what, "text": text, **(more or {})}, now, by)

    def _hide(self, conn: Connection, scope: str, kind: Hidden, now: Instant, until: Instant | None, by: str, reason: str) -> None:
        hidden.hide(conn, scope, kind, now, until, by, reason)
        ends = {} if until is None else {"until": format_instant(until)}
        self._record(conn, "alarm-hidden", {"scope": scope, "how": kind.name.lower(), "reason": reason, **ends}, now, by)
        this = Hiding(0, scope, kind.value, now, until, by, reason)
        for row in open_rows(conn):
            if this.covers(row["key"], bool(row["critical"])):
                outbox.drop(conn, row["id"], kind.name.lower(), now)
                if row["rang_at"] is not None:
                    self._ladder.set(conn, row["id"], {"next_at": None})
        self._after_quieter(conn, now)

    def _unhide(self, conn: Connection, scope: str, kind: Hidden, now: Instant, by: str) -> None:
        if not hidden.end(conn, scope, kind, now, by):
            return
        self._record(conn, "alarm-shown", {"scope": scope, "how": kind.name.lower()}, now, by)
        this, hidings = Hiding(0, scope, kind.value, 0, None, "", ""), in_force(conn)
        for row in open_rows(conn):
            critical = bool(row["critical"])
            if row["rang_at"] is None or not this.covers(row["key"], critical) or hiding_of(hidings, row["key"], critical) is not None:
                continue
            if row["state"] == "C":
                self._move(conn, row, Happening.REALARM, now, "", "no longer hidden and still there", {})
            if row["state"] in ("B", "C", "E"):
                self._ladder.set(conn, row["id"], {"rung": 0, "anchor_at": now, "next_at": now})
                self._climb(conn, row_of(conn, row["id"]), now, "STILL")


def _reanchored(conn: Connection, row: RowMapping, now: Instant) -> RowMapping:
    """The row with its waits moved back to a clock that was put back; what was waited for is kept, not prolonged."""
    ahead = (row["anchor_at"] or now) - now
    if ahead <= 0:
        return row
    moved = {name: row[name] - ahead for name in ("anchor_at", "next_at", "clear_at") if row[name] is not None}
    conn.execute(update(alarm).where(alarm.c.id == row["id"]).values(moved))
    return row_of(conn, row["id"])


def _delay_left(cause: Cause, now: Instant) -> Span:
    """What is left of the on-delay: it counts from the condition's own instant, and is never longer than itself."""
    return min(max(cause.since + cause.on_delay - now, 0), cause.on_delay)


def _tellable(row: RowMapping, cause: Cause) -> bool:
    """Whether people are still to be told: nobody has seen it, and it stands, is held, or was over as soon as it was known."""
    return row["state"] in ("B", "E") or (row["state"] == "D" and cause.momentary)


def _cause(row: RowMapping) -> Cause:
    return Cause.from_json(json.loads(row["cause"]))


def _text(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))
