"""The commands about what is stored, on each engine: people, import, verify, export, backup, restore."""

from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.commands import copying, offline
from monitor.config import load_config
from monitor.errors import StoreLocked
from monitor.export.__main__ import export_with
from monitor.judge import read_plan
from monitor.store.database import Store
from monitor.store.writer import Writer
from rules.quantity import parse_instant
from tests.ferncliff import COOLER, SITE


def configured(folder: Path, url: str) -> Path:
    """A configuration whose store address stands in a file, as one with a secret does."""
    folder.mkdir()
    (folder / "plan.toml").write_text(SITE + COOLER, encoding="utf-8")
    (folder / "store-url").write_text(url if "://" in url else f"sqlite:///{url}", encoding="utf-8")
    (folder / "store-url").chmod(0o600)
    path = folder / "larderer.toml"
    path.write_text('plan = "plan.toml"\ndata = "data"\n[store]\nurl_file = "store-url"\n', encoding="utf-8")
    return path


def test_commands_keep_copy_and_restore_what_is_stored(tmp_path: Path, database: str, new_database: Callable[[], str]) -> None:
    """A person and a logger's file go in; it verifies, exports, is copied, and the copy goes on in another database."""
    path = configured(tmp_path / "site", database)
    assert "Code for the first sign-in" in offline.add_user(path, "Odile Marsh", "operator")
    rows = [
        f"2026-03-02T{hour:02d}:{minute:02d}:00-06:00,cooler-air,3.{minute % 10},C" for hour in range(8, 12) for minute in range(0, 60, 5)
    ]
    logger = tmp_path / "logger.csv"
    logger.write_text("\n".join(["time,probe,value,unit", *rows, ""]), encoding="utf-8")
    assert offline.import_file(path, logger).startswith("logger.csv: 48 rows read; 48 ")
    code, text = offline.verify_live(path, None, None)
    assert code == 0
    assert "every reading is as it was when it arrived" in text
    config = load_config(path, check_bells=False)
    with Store(database) as store, store.write() as conn:
        from monitor.store import plans

        plan = read_plan(config.plan)
        plans.put(conn, plan.sha256, config.plan.read_text(encoding="utf-8"), parse_instant("2026-03-01T00:00:00-06:00"))
    exported = export_with(config, "2026-03-02", parse_instant("2026-03-04T08:00:00-06:00"))
    assert offline.verify_path(exported.path, None, None)[0] == 0

    copy = tmp_path / "copy.sqlite"
    assert "follow on each other unbroken" in copying.backup_to(path, copy)
    other = configured(tmp_path / "other", new_database())
    assert "the restore is in the ledger" in copying.restore_from(other, copy)
    code, text = offline.verify_live(other, None, None)
    assert code == 0
    assert "Odile Marsh  operator" in offline.list_users(other)


@pytest.mark.parametrize("engine", ["postgresql"], indirect=True)  # a file's service holds the data folder, which other tests show
def test_import_beside_a_service_on_another_machine_is_refused(tmp_path: Path, database: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only the database is shared, so its lock says so, once the wait for it is over."""
    monkeypatch.setattr(offline, "WAIT_S", 1.0)
    path = configured(tmp_path / "site", database)
    logger = tmp_path / "logger.csv"
    logger.write_text("time,probe,value,unit\n2026-03-02T08:00:00-06:00,cooler-air,3.5,C\n", encoding="utf-8")
    with Store(database) as store, Writer(store) as writer:
        writer.submit(lambda _conn: None).result(30)
        with pytest.raises(StoreLocked, match="another service writes"):
            offline.import_file(path, logger)
