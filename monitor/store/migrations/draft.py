"""Drafts the next migration: `python -m monitor.store.migrations.draft 0002 "why the tables change"`.

Compares a database migrated as far as it goes with the tables the program now has, and writes the difference
into `versions/`; set `HEAD` in `__init__.py` to it. Read it before it is used: a renamed column looks like a
column dropped and another added, and what stored rows need is not seen.
"""

from __future__ import annotations

import importlib
import sys
import tempfile
from pathlib import Path

import monitor
from monitor.store import migrations
from monitor.store.database import Store
from monitor.store.schema import APPEND_ONLY

_FOLDER = Path(__file__).parent


def register_every_table() -> None:
    """Import each module of the monitor that puts tables on the metadata, found by its import line."""
    root = Path(monitor.__file__).parent
    for path in sorted(root.rglob("*.py")):
        if _FOLDER not in path.parents and "from monitor.store.metadata import" in path.read_text(encoding="utf-8"):
            importlib.import_module(".".join(("monitor", *path.relative_to(root).with_suffix("").parts)))


def draft(revision: str, why: str) -> Path:
    """Write `versions/<revision>_<why>.py` and return its path."""
    from alembic import command
    from alembic.config import Config

    register_every_table()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "draft.sqlite"
        store = Store(path)
        with store.write_engine.connect() as connection:
            config = Config()
            config.set_main_option("script_location", str(_FOLDER).replace("%", "%%"))
            config.set_main_option("file_template", "%%(rev)s_%%(slug)s")
            config.attributes["connection"] = connection
            if migrations.revisions():
                migrations.upgrade(connection, str(path))
            script = command.revision(config, why, autogenerate=True, rev_id=revision)
        store.close()
    if script is None or isinstance(script, list):
        raise RuntimeError("the draft was not written")
    path = Path(script.path)
    _add_triggers(path)
    return path


def _add_triggers(path: Path) -> None:
    """Write out the triggers of the append-only tables that the draft creates; Alembic does not see triggers."""
    text = path.read_text(encoding="utf-8")
    created = [table for table in APPEND_ONLY if f"op.create_table('{table}'," in text]
    if created:
        text = text.replace(
            "from alembic import op\n", "from alembic import op\n\nfrom monitor.store.migrations.triggers import refuse_changes\n", 1
        )
        text = text.rstrip("\n") + f"\n    refuse_changes({', '.join(map(repr, created))})\n"
    path.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    print(draft(sys.argv[1], sys.argv[2]))
