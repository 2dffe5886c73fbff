"""Drops the lists of kinds of readings and widens their columns, so that a new characteristic needs no migration."""

from __future__ import annotations

from typing import Any

from peewee import SqliteDatabase

from lots.store.upkeep.migrations.version_3_tables import MADE_ANEW
from lots.store.upkeep.rebuild_table import rebuild

# PostgreSQL named the constraint itself, so the constraints on the column are looked up.
_RULES_ON_KIND = """
SELECT quote_ident(rule.conname) FROM pg_constraint AS rule
JOIN pg_attribute AS part ON part.attrelid = rule.conrelid AND part.attnum = ANY (rule.conkey)
WHERE rule.conrelid = 'reading'::regclass AND rule.contype = 'c' AND part.attname = 'kind'
"""
# On PostgreSQL a longer VARCHAR rewrites no rows.
_ON_POSTGRESQL = (
    "ALTER TABLE reading ALTER COLUMN kind TYPE VARCHAR(60)",
    'ALTER TABLE "import" ALTER COLUMN kind TYPE VARCHAR(60)',
    "ALTER TABLE instrument_study ALTER COLUMN measure TYPE VARCHAR(60)",
)


def up(_migrator: Any, db: Any) -> None:
    """Drops the constraints on kinds and widens the columns. Rows do not change."""
    if isinstance(db, SqliteDatabase):
        for model in MADE_ANEW:
            rebuild(db, model)
        return
    for (rule,) in db.execute_sql(_RULES_ON_KIND).fetchall():
        db.execute_sql(f"ALTER TABLE reading DROP CONSTRAINT {rule}")
    for statement in _ON_POSTGRESQL:
        db.execute_sql(statement)
