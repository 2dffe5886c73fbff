"""Adds letters to suppliers, certificates, the date of an order, and the cost of measuring."""

from __future__ import annotations

from typing import Any

from peewee import SqliteDatabase

from lots.store.upkeep.migrations.version_7_tables import NEW, WIDER
from lots.store.upkeep.rebuild_table import rebuild

# All new columns are optional.
_ADDED = (
    "delivery ADD COLUMN ordered_at TEXT",
    "shop_details ADD COLUMN usual_quarantine_days INTEGER CHECK (usual_quarantine_days > 0)",
    "shop_details ADD COLUMN bench_cost_per_h DOUBLE PRECISION CHECK (bench_cost_per_h >= 0)",
    "shop_details ADD COLUMN bench_currency VARCHAR(3)",
    "shop_details ADD COLUMN minutes_per_reading DOUBLE PRECISION CHECK (minutes_per_reading > 0)",
)
# An index of ended loads, for the consumption of the last weeks.
_ENDED = 'CREATE INDEX "load_unloaded_at" ON "load" ("unloaded_at")'


def up(_migrator: Any, db: Any) -> None:
    """Adds tables and columns. NULL is not part of a digest, so no digest of the history changes."""
    with db.bind_ctx(NEW, bind_refs=False, bind_backrefs=False):
        db.create_tables(NEW, safe=False)
    db.execute_sql(_ENDED)
    if isinstance(db, SqliteDatabase):
        for model in WIDER:
            rebuild(db, model)
    else:
        for added in _ADDED:
            db.execute_sql(f"ALTER TABLE {added}")
