"""Migrations: complete, in order, all or nothing."""

import subprocess
import sys
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from sqlalchemy import inspect, text

from monitor.store import migrations
from monitor.store.database import Store
from monitor.store.metadata import metadata
from monitor.store.migrations.draft import register_every_table
from monitor.store.schema import APPEND_ONLY, append_only_ddl

FOLDER = Path(migrations.__file__).parent


def test_head_is_the_newest_migration() -> None:
    """The revision that lets Alembic stay unloaded is the last one there is."""
    assert migrations.revisions()[-1] == migrations.HEAD


def test_migrations_make_exactly_the_tables_of_the_program(store: Store, engine: str) -> None:
    """A migrated database and the tables of every module have no difference, triggers included."""
    register_every_table()
    with store.read() as conn:
        found = compare_metadata(MigrationContext.configure(conn, opts={"compare_type": True}), metadata)
        if engine == "postgresql":
            named = set(conn.execute(text("SELECT tgname FROM pg_trigger WHERE NOT tgisinternal")).scalars())
            assert found == []
            assert named == {f"{table}_no_{verb}" for table in APPEND_ONLY for verb in ("update", "delete")}
            return
        triggers = set(conn.execute(text("SELECT sql FROM sqlite_master WHERE type = 'trigger'")).scalars())
        strict = set(conn.execute(text("SELECT name FROM pragma_table_list WHERE strict")).scalars())
    assert found == []
    assert triggers >= {statement for table in APPEND_ONLY for statement in append_only_ddl(table)}
    assert strict >= {table.name for table in metadata.sorted_tables if table.dialect_options["sqlite"]["strict"]}


ONLY_THE_STORE = """
import sys
from pathlib import Path
from sqlalchemy import inspect
from monitor.store.database import Store
with Store(Path(sys.argv[1])) as store, store.read() as conn:
    print(*sorted(inspect(conn).get_table_names()))
"""


def test_every_table_is_made_whichever_command_comes_first(tmp_path: Path) -> None:
    """A program that has loaded nothing but the store (an import, a first user) makes a database that the service can use."""
    done = subprocess.run(
        [sys.executable, "-c", ONLY_THE_STORE, str(tmp_path / "first.sqlite")], capture_output=True, text=True, check=True, timeout=60
    )
    register_every_table()
    assert set(done.stdout.split()) == {table.name for table in metadata.sorted_tables} | {"alembic_version"}


def test_opening_again_changes_nothing(store: Store, engine: str) -> None:
    """A database that is up to date is left as it is."""
    made = {"sqlite": "SELECT name, sql FROM sqlite_master ORDER BY name", "postgresql": "SELECT oid, relname FROM pg_class ORDER BY oid"}
    query = text(made[engine])
    with store.read() as conn:
        before = conn.execute(query).all()
    store.close()
    with store.open().read() as conn:
        assert conn.execute(query).all() == before


def test_migration_that_fails_leaves_neither_tables_nor_its_note(store: Store, tmp_path: Path) -> None:
    """A change and the note that it ran commit together."""
    (tmp_path / "more").mkdir()
    (tmp_path / "more" / "0002_fails.py").write_text(
        "from alembic import op\nimport sqlalchemy as sa\n"
        f"revision = 'fails'\ndown_revision = {migrations.HEAD!r}\nbranch_labels = None\ndepends_on = None\n\n"
        "def upgrade():\n    op.create_table('half', sa.Column('id', sa.Integer, primary_key=True))\n"
        "    op.execute('INSERT INTO setting VALUES (\\'half\\', \\'1\\')')\n    raise RuntimeError('power cut')\n"
    )
    config = Config()
    config.set_main_option("script_location", str(FOLDER))
    config.set_main_option("version_locations", f"{FOLDER / 'versions'} {tmp_path / 'more'}")
    config.set_main_option("path_separator", "space")
    with store.write_engine.connect() as conn:
        config.attributes["connection"] = conn
        with pytest.raises(RuntimeError, match="power cut"):
            command.upgrade(config, "heads")
    with store.read() as conn:
        assert migrations.current(conn) == migrations.HEAD
        assert not inspect(conn).has_table("half")
        assert conn.execute(text("SELECT count(*) FROM setting")).scalar() == 0
