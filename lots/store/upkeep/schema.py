"""Creates the tables of an empty database, and checks the schema version of others."""

from __future__ import annotations

from lots.store.engine.database import Engine, db, locks_rows, transaction
from lots.store.tables.models import TABLES, SchemaVersion

VERSION = 8
# The version of an incomplete database that `lots move` is filling. No other command may use it.
FILLING = -1
# The key of PostgreSQL's advisory lock for creating or migrating tables. It must be unique within the database.
LOCK = 0x6C6F7473


class WrongSchema(Exception):
    """The database has tables of another version or another program."""


def ensure_schema() -> None:
    """Creates the tables of an empty database. A current database is not changed.

    Raises:
        WrongSchema: the database has tables of another version or another program.

    Notes:
        Of several processes that start at once, one creates the tables. The others wait for its lock and check again.
    """
    found = found_version(db)
    if found is None:
        with transaction():
            if locks_rows():  # on SQLite the transaction already has the write lock
                db.execute_sql("SELECT pg_advisory_xact_lock(%s)", (LOCK,))
            found = found_version(db)
            if found is None:
                db.create_tables(TABLES, safe=True)
                SchemaVersion.create(version=VERSION)
                return
    require_version(found)


def found_version(engine: Engine) -> int | None:
    """Returns the schema version of a database, `FILLING` during a move, or None without tables.

    Raises:
        WrongSchema: the tables belong to another program.
    """
    present = engine.get_tables()
    if not present:
        return None
    row = None
    if SchemaVersion._meta.table_name in present:
        row = engine.execute_sql("SELECT version FROM schema_version").fetchone()
    if row is None:
        raise WrongSchema("This database has other tables. Name an empty one, or another file, in LOTS_DATABASE.")
    return int(row[0])


def require_version(found: int, needed: int = VERSION, which: str = "This database") -> None:
    """Checks the schema version of a database.

    Args:
        found: from `found_version`.
        needed: the required version.
        which: the name of the database in the message.

    Raises:
        WrongSchema: the version differs. The message has both versions and the remedy.
    """
    if found == needed:
        return
    if found == FILLING:
        raise WrongSchema(
            f"{which} is incomplete: lots move is filling it or was interrupted. Run the same lots move again."
        )
    if found < needed:
        advice = "Stop the server, then upgrade the database with: lots migrate"
    else:
        advice = "Use the newer version of the program that made it."
    raise WrongSchema(f"{which} has schema version {found}. This program needs version {needed}. {advice}")
