"""Adds sessions of the pages, the feed of changes, webhooks, and an index of idempotency answers by age."""

from __future__ import annotations

from typing import Any

from peewee import SqliteDatabase

from lots.store.upkeep.migrations.version_5_tables import NEW

_WIDER = (
    'ALTER TABLE "event" ADD COLUMN "announces" {boolean}',
    "CREATE INDEX event_announces ON event (id) WHERE announces",
    'CREATE INDEX "repeated_request_recorded_at" ON "repeated_request" ("recorded_at")',
)


def up(_migrator: Any, db: Any) -> None:
    """Adds tables, a column and indexes. Entries before this step are not in the feed."""
    with db.bind_ctx(NEW, bind_refs=False, bind_backrefs=False):
        db.create_tables(NEW, safe=False)
    boolean = "INTEGER" if isinstance(db, SqliteDatabase) else "BOOLEAN"
    for statement in _WIDER:
        db.execute_sql(statement.format(boolean=boolean))
