"""The escalation ladder: who is told of an alarm, when, until somebody acknowledges; and who else hears how it went.

Every wait is kept as (`anchor_at`, `next_at`): the span between them is what was meant, whatever the clock does.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from typing import Any

from sqlalchemy import Connection, RowMapping, func, select, update

from monitor.alarms import message, outbox
from monitor.alarms.causes import Cause
from monitor.alarms.outbox import Target
from monitor.alarms.tables import alarm
from monitor.alarms.tables import outbox as outbox_table
from monitor.config import PRIORITIES, BellConfig, Config, Rung
from monitor.links import make_link
from monitor.roster import to_tell
from rules.plan import Site
from rules.reading import Instant, Span

#: Makes the address at which `person` acknowledges the alarm of that number: (number, person, now) -> address.
LinkMaker = Callable[[int, str, Instant], str]
#: Makes the code by which a message is answered (`monitor.answers`): (message id, alarm's number, person) -> code.
CodeMaker = Callable[[str, int, str], str]


def link_maker(config: Config, key: bytes) -> LinkMaker | None:
    """Makes the signed links of this site's messages; None without a `public_url` to start them with."""
    start = config.server.public_url
    if not start:
        return None
    return lambda number, person, now: f"{start}/a/{make_link(key, f'A{number}', person, now, config.alarms.link_valid)}"


class Ladder:
    """Turns due rungs into outbox rows, by configuration."""

    def __init__(
        self, config: Config, site: Site, link: LinkMaker | None, code: CodeMaker | None = None, remark: Callable[[], str] = lambda: ""
    ) -> None:
        self.config, self.site, self._link, self._code, self._remark = config, site, link, code, remark
        self.things: dict[str, BellConfig] = {b.id: b for b in config.bells if b.topic}

    def rungs(self, priority: str) -> list[Rung]:
        """The rungs that an alarm of this priority climbs, lowest first."""
        rank = PRIORITIES.index(priority)
        return sorted((r for r in self.config.escalation if PRIORITIES.index(r.at_least) <= rank), key=lambda r: r.after)

    def targets(self, rungs: Iterable[Rung], now: Instant) -> list[Target]:
        """Everybody on some rungs, once each: persons by all their bells in turn, other bells each by itself."""
        found: dict[Target, None] = {}
        for rung in rungs:
            for name in (*(to_tell(self.config, self.site.zone, now) if rung.on_duty else ()), *rung.persons):
                person = self.config.person(name)
                if person is not None and person.bells:
                    found[Target(name, person.bells)] = None
        reached = {bell for target in found for bell in target.routes[:1]}
        for rung in rungs:
            found |= {self.own(bell): None for bell in rung.bells if bell not in reached}
        return list(found)

    def own(self, bell: str) -> Target:
        """A bell as a target; it speaks to a person if it is one person's alone."""
        owners = [p.name for p in self.config.persons if bell in p.bells]
        return Target(owners[0] if len(owners) == 1 else "", (bell,))

    def climb(self, conn: Connection, row: RowMapping, cause: Cause, now: Instant, mark: str) -> dict[str, Any]:
        """Tell every rung that is due; the row's new values (`rung`, `next_at`, …). `row["next_at"]` is when it was due."""
        if cause.by:
            for bell in cause.by:
                self.tell(conn, row["id"], cause, Target(cause.person, (bell,)), now, mark)
            return {"told": 1, "told_at": now, "anchor_at": now, "next_at": None}
        rungs = self.rungs(row["priority"])
        due: Instant = now if row["next_at"] is None else row["next_at"]
        rung, reached = row["rung"], []
        while rung < len(rungs) and due <= now:
            reached.append(rungs[rung])
            rung += 1
            if rung < len(rungs):
                due += rungs[rung].after - rungs[rung - 1].after
        if not reached and rung >= len(rungs) and due <= now:
            reached, mark = rungs, mark or "AGAIN"
        if rung >= len(rungs):
            due = now + self.config.alarms.repeat
        targets = self.targets(reached, now)
        for target in targets:
            self.tell(conn, row["id"], cause, target, now, mark)
        values: dict[str, Any] = {"rung": rung, "anchor_at": now, "next_at": due if rungs else None}
        if targets:
            values |= {"told": 1, "told_at": now}
        if cause.momentary and rung >= len(rungs):
            values["next_at"] = None  # told once; until then it climbs only as long as nobody was reached
        return values

    def reached(self, conn: Connection, number: int) -> bool:
        """Whether a message about an alarm has been delivered; to a siren or lamp does not count."""
        return bool(outbox.delivered_by(conn, number) - self.things.keys())

    def goes_on(self, conn: Connection, row: RowMapping, now: Instant) -> tuple[int, Span]:
        """On which rung an alarm that begins to ring starts, and how long from now that rung is told.

        A cause that comes and goes, unacknowledged, climbs on where it was: otherwise it would ring the first rung at every turn
        and never reach the second. Nor does one whose first rung has to be waited for begin that wait anew at every turn. A cause that was
        told a moment ago, no less urgently, is not told again at once, acknowledged or not.
        """
        rungs, quiet = self.rungs(row["priority"]), self.config.alarms.quiet
        wait = rungs[0].after if rungs else 0
        as_urgent = alarm.c.key == row["key"], alarm.c.priority.in_(PRIORITIES[PRIORITIES.index(row["priority"]) :])
        told_at = conn.scalar(select(func.max(alarm.c.told_at)).where(*as_urgent))
        unseen = alarm.c.id < row["id"], alarm.c.closed_at.is_(None), alarm.c.state.in_(("B", "D", "E"))
        older = conn.execute(
            select(func.max(alarm.c.rung).label("rung"), func.min(alarm.c.rang_at).label("rang_at")).where(*as_urgent, *unseen)
        ).one()
        if told_at is None:
            return 0, wait if older.rang_at is None else min(max(older.rang_at + wait - now, 0), wait)
        rung = 0
        if older.rung is not None:
            rung = min(older.rung, len(rungs))
            step = rungs[rung].after - (rungs[rung - 1].after if rung else 0) if rung < len(rungs) else self.config.alarms.repeat
            wait = told_at + step - now
        # Also after a clock that was put back: never longer than a quiet time or a repeat from now.
        wait = min(wait, max((r.after for r in rungs), default=0) + self.config.alarms.repeat)
        return rung, max(wait, min(told_at + quiet - now, quiet))

    def tell(self, conn: Connection, number: int, cause: Cause, target: Target, now: Instant, mark: str) -> None:
        """Put one message about an alarm into the outbox, or bring the one that still waits there up to date."""
        thing = self.things.get(target.routes[0]) if len(target.routes) == 1 else None
        if thing is not None:
            self.switch(conn, thing, now, on=True, number=number, priority=cause.priority)
            return
        older = outbox.undelivered(conn, number, target)
        message_id = older or outbox.next_message_id(conn)
        link = self._link(number, target.person, now) if self._link and target.person else ""
        told = self._remark()
        text = message.body(
            cause, number, self.site, message_id, link, mark, (told,) if told else (), self._answer(message_id, number, target.person)
        )
        values = {"priority": cause.priority, "title": message.title(cause, number, self.site), "body": text}
        if older:
            outbox.rewrite(conn, older, **values)
        else:
            outbox.enqueue(conn, message_id, target, now, kind="alarm", alarm_id=number, **values)

    def _answer(self, message_id: str, number: int, person: str) -> str:
        """How the message may be answered where the board cannot be reached; "" where it cannot."""
        if self._code is None or not person:
            return ""
        code, mail, mqtt, somebody = (
            self._code(message_id, number, person),
            self.config.mail_answers,
            self.config.mqtt,
            self.config.person(person),
        )
        if mail is not None and somebody is not None and somebody.mail:
            return f"Or mail to {mail.address}: {code}" if mail.address else f"Or reply, and leave this in it: {code}"
        return f"Or answer with {code}" if mqtt is not None and mqtt.answers else ""

    def say(
        self, conn: Connection, kind: str, targets: Iterable[Target], now: Instant, title: str, text: str, number: int | None = None
    ) -> None:
        """Put one message that is no alarm (all clear, acknowledged, all well) into the outbox for each target."""
        for target in targets:
            message_id = outbox.next_message_id(conn)
            body = f"{text}\n{self.site.name}, message {message_id}"
            outbox.enqueue(conn, message_id, target, now, kind=kind, priority="low", title=title, body=body, alarm_id=number)

    def switch(
        self, conn: Connection, thing: BellConfig, now: Instant, *, on: bool, number: int | None = None, priority: str = "low"
    ) -> None:
        """Turn a siren or lamp on or off; an older state that still waits is let go."""
        outbox.drop_for_bell(conn, thing.id, now)
        message_id = outbox.next_message_id(conn)
        kind, payload = ("alarm", thing.on) if on else ("quiet", thing.off)
        target = Target("", (thing.id,))
        outbox.enqueue(conn, message_id, target, now, kind=kind, priority=priority, title="", body=payload, alarm_id=number)

    def settle(self, conn: Connection, now: Instant, silent: Callable[[RowMapping], bool]) -> None:
        """Turn off every siren or lamp that no open alarm keeps on. `silent` says that an alarm is hidden."""
        for thing in self.things.values():
            if outbox.last_kind(conn, thing.id) != "alarm":
                continue
            keeping = ("B", "E") if thing.off_when == "acknowledged" else ("B", "C", "E")
            rang_for = outbox.told_by(conn, thing.id)
            rows = conn.execute(select(alarm).where(alarm.c.closed_at.is_(None), alarm.c.state.in_(keeping))).mappings()
            if all(silent(row) for row in rows if row["id"] in rang_for):
                self.switch(conn, thing, now, on=False)

    def all_clear(self, conn: Connection, now: Instant) -> None:
        """Once no told alarm stands any more, tell everybody who was told since the last all-clear."""
        standing = conn.scalar(
            select(func.count()).where(alarm.c.closed_at.is_(None), alarm.c.told == 1, alarm.c.state.in_(("B", "C", "E", "F")))
        )
        if standing:
            return
        last = conn.scalar(select(func.max(outbox_table.c.id)).where(outbox_table.c.kind == "clear")) or 0
        told = set(
            conn.scalars(
                select(outbox_table.c.alarm_id).where(
                    outbox_table.c.id > last, outbox_table.c.kind == "alarm", outbox_table.c.alarm_id.is_not(None)
                )
            )
        )
        rows = list(conn.execute(select(alarm).where(alarm.c.id.in_(told)).order_by(alarm.c.id)).mappings())
        rows = [row for row in rows if not json.loads(row["cause"])["momentary"]]
        if not rows:
            return
        over = ", ".join(f"A{row['id']} {json.loads(row['cause'])['what']}" for row in rows[-5:])
        still = [f"A{row['id']}" for row in rows if row["state"] == "D"]
        text = f"ALL CLEAR {message.clock(now, self.site)}: {over}."
        if still:
            text += f" Not yet acknowledged: {', '.join(still)}."
        people = [t for t in outbox.told(conn, [row["id"] for row in rows]) if t.routes[0] not in self.things]
        self.say(conn, "clear", people, now, f"All clear - {self.site.name}", text)

    def tell_others(self, conn: Connection, row: RowMapping, by: str, now: Instant) -> None:
        """Once one of several told people has acknowledged, the others need not come."""
        others = [t for t in outbox.told(conn, [row["id"]]) if t.person and t.person != by]
        if others:
            what = json.loads(row["cause"])["what"]
            text = f"ACKNOWLEDGED A{row['id']}: {by} has seen it at {message.clock(now, self.site)}: {what}."
            self.say(conn, "acknowledged", others, now, f"A{row['id']} acknowledged by {by} - {self.site.name}", text, row["id"])

    def set(self, conn: Connection, number: int, values: dict[str, Any]) -> None:
        """Write some values of an alarm's row."""
        conn.execute(update(alarm).where(alarm.c.id == number).values(values))
