"""Thermometer checks as records: who checked which probe against what, and what it read.

A check is recorded here and in the ledger. It changes no reading and no verdict by itself.
"""

from __future__ import annotations

import math
from typing import Any

from sqlalchemy import Column, Connection, Table, insert, select

from monitor import ledger
from monitor.errors import InputError
from monitor.store.metadata import INSTANT, REAL, TEXT, WHOLE, metadata
from rules.quantity import format_instant
from rules.reading import Instant

METHODS = ("ice-point", "boiling-point", "comparison")

calibration = Table(
    "calibration",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("probe", TEXT, nullable=False, index=True),
    Column("at", INSTANT, nullable=False),
    Column("entered", INSTANT),
    Column("method", TEXT, nullable=False),
    Column("reference_c", REAL, nullable=False),
    Column("indicated_c", REAL, nullable=False),
    Column("comment", TEXT, nullable=False),
    Column("by", TEXT, nullable=False),
    sqlite_strict=True,
)


def add(
    conn: Connection,
    probe: str,
    method: str,
    *,
    reference_c: float,
    indicated_c: float,
    at: Instant,
    entered: Instant | None,
    now: Instant,
    by: str,
    comment: str = "",
) -> dict[str, Any]:
    """Record one check and give it back as `newest` does; raises InputError for a method or value that cannot be."""
    if method not in METHODS:
        raise InputError(f"method is {method!r}; write one of {', '.join(METHODS)}")
    for name, value in (("reference", reference_c), ("indicated", indicated_c)):
        if not (math.isfinite(value) and -100.0 <= value <= 500.0):
            raise InputError(f"{name} is {value:g} °C, which no thermometer here reads; write -100 to 500 °C")
    result = conn.execute(
        insert(calibration).values(
            probe=probe, method=method, reference_c=reference_c, indicated_c=indicated_c, at=at, entered=entered, by=by, comment=comment
        )
    )
    assert result.inserted_primary_key is not None
    row = conn.execute(select(calibration).where(calibration.c.id == result.inserted_primary_key[0])).one()
    made = _plain(row)
    ledger.append(conn, "calibration", made, at, by, entered_at=now)
    return made


def newest(conn: Connection, probe: str = "", most: int = 100) -> list[dict[str, Any]]:
    """The newest checks, of one probe or of all: `id, probe, at, entered, method, reference_c, indicated_c, error_c, by, comment`."""
    asked = select(calibration).order_by(calibration.c.at.desc(), calibration.c.id.desc()).limit(most)
    return [_plain(row) for row in conn.execute(asked.where(calibration.c.probe == probe) if probe else asked)]


def _plain(row: Any) -> dict[str, Any]:
    return {
        "id": row.id,
        "probe": row.probe,
        "at": format_instant(row.at),
        "entered": None if row.entered is None else format_instant(row.entered),
        "method": row.method,
        "reference_c": row.reference_c,
        "indicated_c": row.indicated_c,
        "error_c": round(row.indicated_c - row.reference_c, 6),
        "by": row.by,
        "comment": row.comment,
    }
