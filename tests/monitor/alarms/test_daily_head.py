"""The daily word carries the ledger's head to people's telephones: whoever rewrites the record cannot reach it there."""

from __future__ import annotations

import re
import sqlite3
import warnings
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import select

from monitor.alarms.tables import outbox
from monitor.config import AlarmsConfig, BellConfig, Config, Person, Rung, Server, StoreConfig
from monitor.export.check import check_path
from monitor.service import Service
from rules.quantity import fahrenheit, parse_instant
from rules.reading import HOUR, MINUTE, Reading
from tests.ferncliff import COOLER, SITE

SIX = parse_instant("2026-03-02T06:00:00-06:00")


def copied(database: Path, to: Path) -> Path:
    """A whole copy of a SQLite file in use."""
    with closing(sqlite3.connect(database)) as here, closing(sqlite3.connect(to)) as there:
        here.backup(there)
    return to


@pytest.fixture
def mornings(tmp_path: Path) -> tuple[list[str], Path, Path]:
    """Two daily words, the database after them, and a copy of it from before the second."""
    (tmp_path / "plan.toml").write_text(SITE + COOLER, encoding="utf-8")
    config = Config(
        tmp_path / "larderer.toml", tmp_path / "plan.toml", tmp_path / "data", Server(port=0), store=StoreConfig(spare_mb=0, copy_every=0),
        persons=(Person("Odile Marsh", "operator", ("phone",)),), bells=(BellConfig("phone", program=("/bin/true",)),),
        escalation=(Rung(0, persons=("Odile Marsh",)),), alarms=AlarmsConfig(all_well=7 * 60),
    )  # fmt: skip
    now = [SIX]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # sdnotify drops its socket unclosed where no service manager listens
        service = Service(config, clock=lambda: now[0], drivers=(), tick_s=3600.0, exports=False)
    database = tmp_path / "data" / "larderer.sqlite"
    try:
        service.start()
        for at in (SIX, SIX + HOUR + MINUTE, SIX + 20 * HOUR, SIX + 25 * HOUR + MINUTE):
            now[0] = at
            service.intake.readings([Reading("cooler-air", at, fahrenheit(37.0))]).result(10)
            if at == SIX + 20 * HOUR:
                copied(database, tmp_path / "before.sqlite")
            service.writer.submit(lambda conn: service.pipeline.tick(conn, now[0])).result(10)
        with service.store.read() as conn:
            said = list(conn.scalars(select(outbox.c.body).where(outbox.c.kind == "well").order_by(outbox.c.id)))
    finally:
        service.close()
    return said, database, tmp_path / "before.sqlite"


def test_head_in_each_daily_word_is_found_again_in_the_record(mornings: tuple[list[str], Path, Path]) -> None:
    """Each morning's is another, and both stand in the unbroken history; in a record that was cut back before it, it is missed."""
    said, database, before = mornings
    assert len(said) == 2
    heads = [re.findall(r"head ([0-9a-f]{64})", body)[0] for body in said]
    assert heads[0] != heads[1]
    for head in heads:
        assert check_path(database, head=head).wrong == []
    assert check_path(before, head=heads[0]).wrong == []
    assert "is not among these records" in " ".join(check_path(before, head=heads[1]).wrong)
