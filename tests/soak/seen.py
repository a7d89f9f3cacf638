"""What the soak has seen: samples of each hour, sums over all lives, what the store holds at the end; and all of it in words."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import func, select

from monitor.alarms.tables import alarm, outbox
from monitor.judging import FINDING
from monitor.store.database import Store
from monitor.store.schema import fault, ledger, reading
from rules.reading import HOUR, Instant
from tests.bench.figures import percentile
from tests.soak.story import DAY_MIN, Story, readings_an_hour

AIM_MB, AIM_STORED, AIM_START_S = 110.0, 80.0, 3.0
#: Ended lots stay in memory so long, so that memory is level only after it.
LEVEL_AFTER_DAYS = 14
#: What is opened when it is first needed (the process that rings bells, a second reader's connection) is open after so much of one life.
OPEN_AFTER_HOURS = 48
#: What is taken for growth: more than this share, and more than so much (MB, descriptors, threads, kB). The log fills up to
#: `sqlite.WAL_PAGES`, 4.1 MB, before it is folded back, so that much is none.
GROWTH = {"mb": (0.03, 3.0), "descriptors": (0.0, 2.0), "threads": (0.0, 2.0), "wal_kb": (0.1, 4200.0)}
_NAMES = {"mb": "resident memory, MB", "descriptors": "descriptors", "threads": "threads", "wal_kb": "write-ahead log, kB"}
#: A message that still waits for its bell after so long was forgotten.
_TOLD_WITHIN = HOUR


@dataclass
class Seen:
    """What was seen of a story of so many minutes."""

    minutes: int
    every_s: int
    samples: list[dict[str, Any]] = field(default_factory=list)
    lives: list[dict[str, float]] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)
    #: Over all lives that are over: messages heard, commits, bytes written, seconds of processor time.
    sums: Counter[str] = field(default_factory=Counter)
    #: Processor time of each day, in seconds.
    days_s: list[float] = field(default_factory=list)
    #: Statements that read the whole of a table that grows (`tests/soak/reads.py`).
    whole: set[str] = field(default_factory=set)
    seconds: float = 0.0
    now: Instant = 0
    #: The hour with which the long life begins, and the one with which it ends.
    long: tuple[int, int] = (0, 0)

    def hour(self, told: dict[str, Any]) -> None:
        """Take in what a child says at the end of an hour."""
        self.samples.append({name: told[name] for name in ("hour", "bells_mb", *_NAMES)})
        self.whole.update(told["whole"])
        if told["hour"] % 24 == 23:
            self.days_s.append(self.sums["cpu_s"] + told["cpu_s"] - sum(self.days_s))

    def life_is_over(self, told: dict[str, Any]) -> None:
        """Take in the last word of a child."""
        self.counts.update(told.get("counts", {}))
        for name in ("messages", "commits", "written", "cpu_s"):
            self.sums[name] += told.get(name, 0)

    def day_in_words(self, told: dict[str, Any]) -> str:
        """The day whose last hour `told` is of."""
        return (
            f"day {told['hour'] // 24 + 1}: {self.days_s[-1]:.0f} s of processor time; memory {told['mb']:.0f} MB, "
            f"{told['descriptors']} descriptors, {told['threads']} threads, write-ahead log {told['wal_kb'] / 1000:.1f} MB"
        )

    @property
    def longest(self) -> list[dict[str, Any]]:
        """The samples of the longest life."""
        return [one for one in self.samples if self.long[0] <= one["hour"] < self.long[1]] or self.samples


def thirds(values: list[float]) -> tuple[float, float]:
    """The median of the first and of the last third."""
    third = max(1, len(values) // 3)
    return percentile(values[:third], 0.5), percentile(values[-third:], 0.5)


def _growth(seen: Seen) -> list[tuple[str, str]]:
    found = []
    for name, (share, least) in GROWTH.items():
        before, after = thirds([one[name] for one in seen.longest])
        if after - before > max(least, share * before):
            found.append((name, f"{_NAMES[name]} grew from {before:,.1f} to {after:,.1f}"))
    return found


def _too_short(seen: Seen, name: str) -> str:
    """Why growth of this is not judged, or ""."""
    if len(seen.longest) < OPEN_AFTER_HOURS:
        return f"the longest life has less than {OPEN_AFTER_HOURS} h, and not all is opened at once"
    if name == "mb" and seen.minutes < 2 * LEVEL_AFTER_DAYS * DAY_MIN:
        return f"ended lots stay in memory for {LEVEL_AFTER_DAYS} days"
    return ""


def grew(seen: Seen) -> list[str]:
    """A sentence for each thing that the longest life's last third holds more of than its first, where that can be level."""
    return [text for name, text in _growth(seen) if not _too_short(seen, name)]


class Stored(NamedTuple):
    """What the store holds at the end."""

    rows: Counter[str]
    findings: Counter[str]
    messages: Counter[str]
    bytes: int
    overdue: list[str]


def stored(path: Path, now: Instant) -> Stored:
    """Count it. `overdue` has a sentence for each message that waits for its bell too long at `now`."""
    with Store(str(path)).open() as store, store.read() as conn:
        rows: Counter[str] = Counter()
        for table in (reading, fault, ledger, alarm):
            rows[table.name] = conn.execute(select(func.count()).select_from(table)).scalar_one()
        for kind, number in conn.execute(select(ledger.c.kind, func.count()).group_by(ledger.c.kind)):
            rows[f"ledger: {kind}"] = number
        findings = Counter(json.loads(text)["what"] for text in conn.scalars(select(ledger.c.body).where(ledger.c.kind == FINDING)))
        messages = Counter(conn.scalars(select(outbox.c.state)))
        late = select(outbox.c.message_id, outbox.c.title).where(outbox.c.state == "waiting", outbox.c.created_at < now - _TOLD_WITHIN)
        overdue = [f"message {one} ({title}) still waits for its bell" for one, title in conn.execute(late)]
        pages, free, size = (conn.exec_driver_sql(f"PRAGMA {what}").scalar_one() for what in ("page_count", "freelist_count", "page_size"))
    return Stored(rows, findings, messages, (pages - free) * size, overdue)


def _listed(counted: Counter[str]) -> str:
    return ", ".join(f"{number:,} {what}" for what, number in sorted(counted.items(), key=lambda one: -one[1])) or "none"


def in_words(seen: Seen, held: Stored, report: dict[str, Any]) -> list[str]:
    """Lines for a person; the first says what was lived through."""
    days, rows = seen.minutes / DAY_MIN, held.rows
    a_day = max(days, 1 / 24)
    kept = rows["reading"] + rows["fault"]
    story = Story(seen.minutes, seen.every_s, range(seen.minutes // 2))
    faults = Counter(story.fault(hour) for hour in range(-(-seen.minutes // 60)))
    lots = Counter(lot["verdict"] for lot in report["lots"])
    lines = [
        f"{days:g} simulated days, 16 probes, a reading every {seen.every_s} s each, two lots a day, a fault every hour; "
        f"{seen.seconds / 60:.1f} min of this machine's time, {len(seen.lives)} processes one after the other",
        f"faults, by the hour: {_listed(faults)}",
        f"readings: {kept:,} in the store, of some {readings_an_hour(seen.every_s) * seen.minutes // 60:,} that the probes took, "
        f"{rows['fault']:,} of them faults; as they came in: {_listed(seen.counts)}",
        f"findings: {rows['ledger: finding']:,} ({_listed(held.findings)}); corrections {rows['ledger: correction']:,}; "
        f"records in the ledger {rows['ledger']:,}",
        f"alarms: {rows['alarm']:,}",
        f"messages: {held.messages.total():,} written ({_listed(held.messages)}), {round(seen.sums['messages']):,} heard by the telephones",
        f"lots still in memory at the end: {_listed(lots)}",
        f"the database: {held.bytes / 1e6:,.1f} MB, {held.bytes / max(1, kept):.1f} bytes a reading, records and all "
        f"(aim: under {AIM_STORED:g})",
        f"written to the device: {seen.sums['written'] / 1e6 / a_day:,.0f} MB a simulated day, exports and restarts included, in "
        f"{seen.sums['commits'] / a_day:,.0f} commits a day; the story's clock ticks once a minute, a plant's once a second "
        "(`python -m tests.bench disk` measures that)",
    ]  # fmt: skip
    for name, what in _NAMES.items():
        whole, part = thirds([one[name] for one in seen.samples]), thirds([one[name] for one in seen.longest])
        lines.append(
            f"{what}: first third {whole[0]:,.1f}, last third {whole[1]:,.1f}, most {max(one[name] for one in seen.samples):,.1f}; "
            f"in the longest life ({len(seen.longest)} h) {part[0]:,.1f} and {part[1]:,.1f}"
        )
    if seen.days_s:
        first, last = thirds(seen.days_s)
        lines.append(
            f"processor time of a simulated day, starts and exports included: {first:.0f} s in the first third, {last:.0f} s in the last, "
            f"most {max(seen.days_s):.0f} s"
        )
    start = seen.lives[-1]
    lines.append(
        f"start after the last kill, with all of it in the store, its upkeep's first look included: {start['started_s']:.2f} s, "
        f"{start['started_cpu_s']:.2f} s of them processor time (aim: {AIM_START_S:g} s)"
    )
    rings = [one["bells_mb"] for one in seen.samples if one["bells_mb"]]
    lines.append(
        f"resident memory at the end of the longest life: {seen.longest[-1]['mb']:.0f} MB, the story and its telephones included "
        f"(aim: {AIM_MB:g} MB); the process that rings bells had up to "
        f"{max(rings, default=0.0):.0f} MB more at {len(rings)} of {len(seen.samples)} hours' ends, and was none at the others"
    )
    lines += [f"not judged, since {why}: {text}" for name, text in _growth(seen) if (why := _too_short(seen, name))]
    return lines
