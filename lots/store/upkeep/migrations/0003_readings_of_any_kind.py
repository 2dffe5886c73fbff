"""The tables list no kinds of readings any more and have room for longer names, so that a new characteristic changes none of them."""

from __future__ import annotations

from typing import Any

from peewee import SqliteDatabase

from lots.store.upkeep.migrations.version_3_tables import MADE_ANEW
from lots.store.upkeep.rebuild_table import rebuild

# PostgreSQL chose the name of the rule itself, so it is asked which rules look at the column.
_RULES_ON_KIND = """
SELECT quote_ident(rule.conname) FROM pg_constraint AS rule
JOIN pg_attribute AS part ON part.attrelid = rule.conrelid AND part.attnum = ANY (rule.conkey)
WHERE rule.conrelid = 'reading'::regclass AND rule.contype = 'c' AND part.attname = 'kind'
"""
# A longer VARCHAR changes no row there, whatever the size of the table.
_ON_POSTGRESQL = (
    "ALTER TABLE reading ALTER COLUMN kind TYPE VARCHAR(60)",
    'ALTER TABLE "import" ALTER COLUMN kind TYPE VARCHAR(60)',
    "ALTER TABLE instrument_study ALTER COLUMN measure TYPE VARCHAR(60)",
)


def up(_migrator: Any, db: Any) -> None:
    """Takes the list of kinds out of the rules and makes the columns wide; every row stays as it is."""
    if isinstance(db, SqliteDatabase):
        for model in MADE_ANEW:
            rebuild(db, model)
        return
    for (rule,) in db.execute_sql(_RULES_ON_KIND).fetchall():
        db.execute_sql(f"ALTER TABLE reading DROP CONSTRAINT {rule}")
    for statement in _ON_POSTGRESQL:
        db.execute_sql(statement)
