"""Makes the tables of an empty database, and refuses one it does not know."""

from __future__ import annotations

from lots.store.database import db, transaction
from lots.store.models import TABLES, SchemaVersion

VERSION = 1


class WrongSchema(Exception):
    """The database was made by another version of this program."""


def ensure_schema() -> None:
    """Gives an empty database its tables; leaves a current one alone.

    Raises:
        WrongSchema: the database has tables of another version, or tables of something else.
    """
    present = set(db.get_tables())
    if not present:
        with transaction():
            db.create_tables(TABLES, safe=True)
            if not SchemaVersion.select().exists():
                SchemaVersion.create(version=VERSION)
        return
    if SchemaVersion._meta.table_name not in present:
        raise WrongSchema("This database holds other tables. Name an empty one, or another file, in LOTS_DATABASE.")
    found = SchemaVersion.get().version
    if found != VERSION:
        raise WrongSchema(
            f"This database has schema version {found}; this program needs {VERSION}. "
            "Use the version of the program that made it."
        )
