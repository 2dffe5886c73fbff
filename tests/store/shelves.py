"""A small schema in a first and a second version, and the step between them."""

from __future__ import annotations

import re
import textwrap
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from peewee import (
    SQL,
    BigAutoField,
    BooleanField,
    CharField,
    Check,
    DoubleField,
    ForeignKeyField,
    Model,
    TextField,
)

from lots.store.engine import database
from lots.store.engine.column_types import Instant
from lots.store.engine.database import db
from lots.store.tables.models import SchemaVersion


class Numbered(Model):
    """A row with an id."""

    id = BigAutoField()

    class Meta:
        database = db
        legacy_table_names = False


class OldShelf(Numbered):
    """Version 1."""

    code = CharField(20, unique=True)
    below = ForeignKeyField("self", null=True)
    word = CharField(20, constraints=[Check("word IN ('low, and wide (so)', 'high')")])
    height_mm = DoubleField(constraints=[SQL("DEFAULT 300"), Check("height_mm > 0 AND (height_mm < 3000)")])
    closed_at = Instant(null=True)

    class Meta:
        table_name = "shelf"
        indexes = ((("word", "height_mm"), False),)
        constraints = (Check("code <> word"),)


class Shelf(OldShelf):
    """Version 2: two columns more."""

    depth_mm = DoubleField(default=200, constraints=[Check("depth_mm >= 0")])
    note = TextField(null=True)

    class Meta:
        table_name = "shelf"
        indexes = ((("word", "height_mm"), False),)
        constraints = (Check("code <> word"),)


OPEN = "CREATE UNIQUE INDEX IF NOT EXISTS shelf_open ON shelf (word) WHERE closed_at IS NULL"
for shelf in (OldShelf, Shelf):
    shelf.add_index(SQL(OPEN))
    shelf.add_index(SQL("CREATE INDEX IF NOT EXISTS shelf_code_lower ON shelf (LOWER(code))"))


class Box(Numbered):
    """In both versions; it refers to a rebuilt table."""

    shelf = ForeignKeyField(OldShelf)


class Tag(Numbered):
    """New in version 2."""

    shelf = ForeignKeyField(Shelf, unique=True)
    worn = BooleanField()
    words = CharField(30, constraints=[Check("words <> ''")])
    torn_at = Instant(null=True)


TORN = "CREATE INDEX IF NOT EXISTS tag_torn ON tag (torn_at) WHERE worn"
TORN_ON_FILE = "CREATE TRIGGER shelf_stays BEFORE DELETE ON shelf BEGIN SELECT RAISE(ABORT, 'a shelf stays'); END"
Tag.add_index(SQL(TORN))

# A migration step with frozen copies of its tables.
STEP = f'''
"""Shelves have a depth and a note; tags are hung on them."""

from peewee import *
from lots.store.engine.column_types import Instant
from lots.store.upkeep.rebuild_table import rebuild


def models(db):
    class Numbered(Model):
        id = BigAutoField()
        class Meta:
            database = db
            legacy_table_names = False

    class Shelf(Numbered):
        code = CharField(20, unique=True)
        below = ForeignKeyField("self", null=True)
        word = CharField(20, constraints=[Check("word IN ('low, and wide (so)', 'high')")])
        height_mm = DoubleField(constraints=[SQL("DEFAULT 300"), Check("height_mm > 0 AND (height_mm < 3000)")])
        closed_at = Instant(null=True)
        depth_mm = DoubleField(default=200, constraints=[Check("depth_mm >= 0")])
        note = TextField(null=True)
        class Meta:
            indexes = ((("word", "height_mm"), False),)
            constraints = (Check("code <> word"),)

    Shelf.add_index(SQL("{OPEN}"))
    Shelf.add_index(SQL("CREATE INDEX IF NOT EXISTS shelf_code_lower ON shelf (LOWER(code))"))

    class Tag(Numbered):
        shelf = ForeignKeyField(Shelf, unique=True)
        worn = BooleanField()
        words = CharField(30, constraints=[Check("words <> ''")])
        torn_at = Instant(null=True)

    Tag.add_index(SQL("{TORN}"))
    return Shelf, Tag


def up(migrator, db):
    Shelf, Tag = models(db)
    if isinstance(db, SqliteDatabase):
        rebuild(db, Shelf, {{"depth_mm": "height_mm / 2"}})
    else:
        depth = DoubleField(default=200, constraints=[Check("depth_mm >= 0")])
        migrator.migrate(migrator.add_column("shelf", "depth_mm", depth))
        migrator.migrate(migrator.add_column("shelf", "note", TextField(null=True)))
        db.execute_sql("UPDATE shelf SET depth_mm = height_mm / 2")
    db.create_tables([Tag], safe=False)
'''  # it only looks like a query
NEXT = """
def up(migrator, db):
    db.execute_sql("ALTER TABLE tag ADD COLUMN hue TEXT")
"""


def write(folder: Path, name: str, text: str) -> None:
    """Writes a migration step."""
    (folder / f"{name}.py").write_text(textwrap.dedent(text), "utf-8")


def make_old() -> None:
    """Tables of version 1 with rows."""
    db.create_tables([SchemaVersion, OldShelf, Box])
    if not database.locks_rows():
        db.execute_sql(TORN_ON_FILE)
    SchemaVersion.create(version=1)
    at = datetime(2026, 11, 25, 12, 0, 0, 1, UTC)
    OldShelf.insert(id=4, code="A", word="high", height_mm=0.1 + 0.2, closed_at=None).execute()
    OldShelf.insert(id=7, code="B", word="high", height_mm=1, closed_at=at, below=4).execute()
    Box.insert(id=2, shelf=7).execute()


def described() -> list[tuple[str, ...]]:
    """The engine's description of the tables, without whitespace."""
    if not database.locks_rows():
        found = db.execute_sql("SELECT type, name, tbl_name, sql FROM sqlite_master").fetchall()
    else:
        found = []
        for query in (
            """SELECT table_name, column_name, data_type, character_maximum_length, is_nullable, column_default
            FROM information_schema.columns WHERE table_schema = 'public'""",
            """SELECT conrelid::regclass::text, conname, contype::text, pg_get_constraintdef(oid)
            FROM pg_constraint WHERE connamespace = 'public'::regnamespace""",
            "SELECT tablename, indexname, indexdef FROM pg_indexes WHERE schemaname = 'public'",
        ):
            found += db.execute_sql(query).fetchall()
    return sorted(tuple(re.sub(r"\s+", " ", str(part)) for part in row) for row in found)


def rows() -> list[tuple[Any, ...]]:
    """Every row of version 1's tables, in its columns."""
    columns = "id, code, below_id, word, height_mm, closed_at"
    shelves = db.execute_sql(f"SELECT {columns} FROM shelf ORDER BY id").fetchall()  # our own names
    return [tuple(row) for row in shelves + db.execute_sql("SELECT id, shelf_id FROM box").fetchall()]
