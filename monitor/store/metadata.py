"""The one MetaData on which every table of the monitor registers, and the column types they share.

Tables are STRICT where SQLite can be (`sqlite_strict=True`), so that a wrong type is refused by the
database itself; a STRICT table takes only the types below (SQLite "STRICT Tables", section 2).
"""

from __future__ import annotations

from sqlalchemy import BigInteger, Double, LargeBinary, MetaData, SmallInteger, Text
from sqlalchemy.dialects import sqlite
from sqlalchemy.types import TypeEngine

#: Constraint names are fixed, so that a later migration can name what it changes.
NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}

metadata = MetaData(naming_convention=NAMING)

#: Whole microseconds since 1970 UTC (`rules.reading.Instant`), or a length of time in microseconds.
INSTANT = BigInteger().with_variant(sqlite.INTEGER(), "sqlite")
#: A whole number, also for growing keys: as an INTEGER PRIMARY KEY it is SQLite's own row number.
WHOLE = BigInteger().with_variant(sqlite.INTEGER(), "sqlite")
#: A small whole number: a probe's number, a flag (0 or 1; STRICT tables have no boolean).
SMALL = SmallInteger().with_variant(sqlite.INTEGER(), "sqlite")
#: A double kept to the last bit: raw temperatures, offsets.
REAL: TypeEngine[float] = Double().with_variant(sqlite.REAL(), "sqlite")
#: Text, JSON included (kept as canonical JSON text, since its hash must be the same tomorrow); sorted by its code points on
#: either engine, whatever the server's language.
TEXT = Text().with_variant(Text(collation="C"), "postgresql")
#: Bytes.
BYTES = LargeBinary().with_variant(sqlite.BLOB(), "sqlite")
