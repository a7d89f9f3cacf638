"""Schema changes, in order (Alembic). A change and the note that it ran commit together.

DDL is transactional on both engines (on SQLite once BEGIN is really sent, which its dialect sees to); each
migration then is one transaction that either ran and says so in `alembic_version`, or did neither.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, inspect, text

from monitor.errors import StoreDamaged, StoreVersion

#: The newest revision in `versions/`. Kept here so that a database that is up to date needs no Alembic in memory.
HEAD = "0002"

_FOLDER = Path(__file__).parent


def current(connection: Connection) -> str:
    """The revision of the database, empty where it has no tables yet."""
    if not inspect(connection).has_table("alembic_version"):
        return ""
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar() or ""


def revisions() -> list[str]:
    """Every revision this program knows, oldest first."""
    from alembic.script import ScriptDirectory

    return [script.revision for script in reversed(list(ScriptDirectory(str(_FOLDER)).walk_revisions()))]


def upgrade(connection: Connection, where: str, target: str = "head") -> None:
    """Bring the database to `target`, one transaction for each migration; nothing to do where it is there.

    Raises StoreVersion where a newer program wrote it, StoreDamaged where the tables are not ours.
    """
    with connection.begin():
        found = current(connection)
        foreign = not found and bool(inspect(connection).get_table_names())
    if foreign:
        raise StoreDamaged(f"{where} holds tables of another program; name another database in [store] url")
    if target == "head" and found == HEAD:
        return
    if found and found not in revisions():
        raise StoreVersion(f"{where} is at revision {found}, which this version does not know; install the newer version that wrote it")
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(_FOLDER).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, target)
