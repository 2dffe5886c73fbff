"""Makes the tables of an empty database, and refuses one it does not know."""

from __future__ import annotations

from lots.store.engine.database import Engine, db, locks_rows, transaction
from lots.store.tables.models import TABLES, SchemaVersion

VERSION = 8
# Stands in place of the version while `lots move` fills a database: it is not whole yet, so nobody may work with it.
FILLING = -1
# PostgreSQL's lock on making or migrating tables. Any number will do, so long as nothing else in a database takes it.
LOCK = 0x6C6F7473


class WrongSchema(Exception):
    """The database was made by another version of this program."""


def ensure_schema() -> None:
    """Gives an empty database its tables; leaves a current one alone.

    Raises:
        WrongSchema: the database has tables of another version, or tables of something else.

    Notes:
        Several processes may start at once on an empty database. One of them makes the tables; the others wait, look again and find them.
    """
    found = found_version(db)
    if found is None:
        with transaction():
            if locks_rows():  # SQLite's transaction has the write lock already
                db.execute_sql("SELECT pg_advisory_xact_lock(%s)", (LOCK,))
            found = found_version(db)
            if found is None:
                db.create_tables(TABLES, safe=True)
                SchemaVersion.create(version=VERSION)
                return
    require_version(found)


def found_version(engine: Engine) -> int | None:
    """Returns the version of a database's tables, `FILLING` while a move fills it, None when it has no tables at all.

    Raises:
        WrongSchema: its tables are of something else.
    """
    present = engine.get_tables()
    if not present:
        return None
    row = None
    if SchemaVersion._meta.table_name in present:
        row = engine.execute_sql("SELECT version FROM schema_version").fetchone()
    if row is None:
        raise WrongSchema("This database holds other tables. Name an empty one, or another file, in LOTS_DATABASE.")
    return int(row[0])


def require_version(found: int, needed: int = VERSION, which: str = "This database") -> None:
    """Refuses every version but the one needed.

    Args:
        found: as `found_version` gives it.
        needed: the only one that will do.
        which: how the message calls the database.

    Raises:
        WrongSchema: says which version was found, which is needed, and what to do about it.
    """
    if found == needed:
        return
    if found == FILLING:
        raise WrongSchema(
            f"{which} is being filled by lots move, or was when that broke off. Run the same lots move again."
        )
    if found < needed:
        advice = "Stop whatever serves it and bring it up to date with: lots migrate"
    else:
        advice = "Use the version of the program that made it."
    raise WrongSchema(f"{which} has schema version {found}; this program needs {needed}. {advice}")
