"""Years of readings: a reading costs few bytes, and a day is found among many without looking at the others."""

import pytest
from sqlalchemy import text

from monitor import ledger
from monitor.store import readings
from monitor.store.database import Store
from rules.quantity import parse_instant
from rules.reading import HOUR, SECOND, Reading

T0 = parse_instant("2026-03-02T00:00:00Z")
DAY = 24 * HOUR
PROBES = 16
#: 20 days of 16 probes, a reading every 5 minutes from each: the year's shape at a thirtieth of its rows a day.
FILL = """
WITH RECURSIVE tick(n) AS (SELECT 0 UNION ALL SELECT n + 1 FROM tick WHERE n + 1 < 5760),
probe(p) AS (SELECT 1 UNION ALL SELECT p + 1 FROM probe WHERE p < 16)
INSERT INTO reading(at, probe, seq, celsius, offset_c, suspect, received_at)
SELECT :t0 + n * 300000000, p, n * 16 + p, 3.0 + p / 10.0, 0.0, NULL, :t0 + n * 300000000 + 40000 FROM tick CROSS JOIN probe
"""


@pytest.fixture
def engine() -> str:
    """Bytes and plans are SQLite's own; the rows are the same on either engine, as the other tests show."""
    return "sqlite"


def used(store: Store) -> int:
    with store.read() as conn:
        pages, free, size = (conn.exec_driver_sql(f"PRAGMA {name}").scalar() or 0 for name in ("page_count", "freelist_count", "page_size"))
    return int((pages - free) * size)


def test_reading_costs_less_than_80_bytes(store: Store) -> None:
    """With its seal and all the pages of the database, an hour of 16 probes once in 10 s; stamps and values as probes send them."""
    before, arrived = used(store), 0
    for batch in range(360):
        at = T0 + batch * 10 * SECOND
        items = [readings.Arrival(Reading(f"core-{n}", at - n * 50_000, 3.1 + n / 10 + batch % 7 / 50), at + 40_000) for n in range(PROBES)]
        with store.write() as conn:
            arrived += len(readings.store(conn, items))
            if batch % 60 == 59:
                ledger.seal(conn, at)
    assert (used(store) - before) / arrived < 80


def test_day_among_many_is_read_by_its_place(store: Store) -> None:
    """The rows of a day are found by the key, not by looking through all of them; what comes is that day's, whole and in order."""
    with store.write() as conn:
        for n in range(1, PROBES + 1):
            conn.execute(text("INSERT INTO probe_name(id, name) VALUES (:n, :name)"), {"n": n, "name": f"core-{n}"})
        conn.execute(text(FILL), {"t0": T0})
    seen: list[str] = []
    with store.read() as conn:
        assert readings.count(conn) == 5760 * PROBES
        after, until = T0 + 9 * DAY, T0 + 10 * DAY
        found = list(readings.between(conn, after, until))
        assert len(found) == 288 * PROBES
        assert (found[0].item.at, found[-1].item.at) == (after + 300 * SECOND, until)
        assert len(list(readings.between(conn, after, until, ["core-3"]))) == 288
        query = "EXPLAIN QUERY PLAN SELECT * FROM reading WHERE at > :after AND at <= :until ORDER BY at, seq"
        seen = [str(row[3]) for row in conn.execute(text(query), {"after": after, "until": until})]
    assert any("SEARCH reading USING PRIMARY KEY (at>? AND at<?)" in line for line in seen), seen
