"""How lots ended, kept for when the engine has let go of them, so that an old lot is still shown with its verdicts.

Derived: `larderer judge` on the export gives the same again. A late correction keeps the newer result.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from typing import Any

from sqlalchemy import Column, Connection, Table, delete, insert, select

from monitor.store.metadata import INSTANT, TEXT, metadata
from rules.reading import Instant

lot_result = Table(
    "lot_result",
    metadata,
    Column("lot", TEXT, primary_key=True),
    Column("report", TEXT, nullable=False),
    Column("kept_at", INSTANT, nullable=False),
    sqlite_strict=True,
)


def keep(conn: Connection, report_lot: Mapping[str, Any], now: Instant) -> None:
    """Keep one of `lots` of the Judge JSON; call it before the engine forgets the lot."""
    lot = report_lot["lot"]
    conn.execute(delete(lot_result).where(lot_result.c.lot == lot))
    conn.execute(insert(lot_result).values(lot=lot, report=json.dumps(report_lot, ensure_ascii=False), kept_at=now))


def kept(conn: Connection, lots: Collection[str]) -> dict[str, dict[str, Any]]:
    """The kept results of these lots, by lot."""
    if not lots:
        return {}
    rows = conn.execute(select(lot_result.c.lot, lot_result.c.report).where(lot_result.c.lot.in_(list(lots))))
    return {row.lot: json.loads(row.report) for row in rows}
