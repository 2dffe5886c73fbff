"""Adds characteristics of instruments, recipes and builds of test prints, dryings and confirmations of readings."""

from __future__ import annotations

import json
from typing import Any

from peewee import SqliteDatabase

from lots.store.upkeep.migrations.shop_entry import Engine, note_changed
from lots.store.upkeep.migrations.version_4_tables import NEW, WIDER
from lots.store.upkeep.rebuild_table import rebuild

# All new columns are optional.
_ADDED = (
    "instrument ADD COLUMN measures TEXT",
    "shade_revision ADD COLUMN instrument_id BIGINT REFERENCES instrument (id)",
    "shade_revision ADD COLUMN standard_uncertainty DOUBLE PRECISION CHECK (standard_uncertainty >= 0)",
    "grade ADD COLUMN dry_c DOUBLE PRECISION CHECK (dry_c > 0)",
    "grade ADD COLUMN dry_h DOUBLE PRECISION CHECK (dry_h > 0)",
    "grade ADD COLUMN softening_c DOUBLE PRECISION CHECK (softening_c > 0)",
    "grade ADD COLUMN dry_for_h DOUBLE PRECISION CHECK (dry_for_h > 0)",
    "grade ADD COLUMN dry_for_open_h DOUBLE PRECISION CHECK (dry_for_open_h > 0)",
    "limits_revision ADD COLUMN rules INTEGER",
    "lot ADD COLUMN color_between TEXT",
    "lot ADD COLUMN printed TEXT",
    "lot ADD COLUMN flow_uncertainty DOUBLE PRECISION",
    "lot ADD COLUMN moisture_at TEXT",
    "spool ADD COLUMN color TEXT",
    "spool ADD COLUMN flow_uncertainty DOUBLE PRECISION",
    "spool ADD COLUMN dried_by_rule_at TEXT",
    "reading ADD COLUMN to_confirm BOOLEAN",
    "reading ADD COLUMN build_key VARCHAR(200)",
    "reading ADD COLUMN control_of VARCHAR(200)",
)
_INDEXES = (
    "CREATE INDEX reading_build ON reading (build_key) WHERE build_key IS NOT NULL",
    "CREATE INDEX reading_control ON reading (kind, control_of, id) WHERE control_of IS NOT NULL",
)
# Characteristic -> words in the kind of an instrument. Specks and hairs are counted without an instrument.
_MEASURES = {
    "diameter": ("micromet", "caliper", "calliper", "laser"),
    "shrinkage": ("micromet", "caliper", "calliper", "laser"),
    "color": ("colorimet", "colourimet", "spectrophotomet"),
    "opacity": ("colorimet", "colourimet", "spectrophotomet"),
    "gloss": ("glossmet", "gloss met"),
    "bond": ("tensile",),
    "moisture": ("balance", "moisture"),
}


def up(_migrator: Any, db: Any) -> None:
    """Adds tables and columns, then fills the characteristics of instruments from their kinds and readings."""
    with db.bind_ctx(NEW, bind_refs=False, bind_backrefs=False):
        db.create_tables(NEW, safe=False)
    if isinstance(db, SqliteDatabase):
        for model in WIDER:
            rebuild(db, model)
    else:
        for statement in (*(f"ALTER TABLE {added}" for added in _ADDED), *_INDEXES):
            db.execute_sql(statement)
    sql = Engine(db)
    measured: dict[int, set[str]] = {}
    for number, kind in sql.rows("SELECT DISTINCT instrument_id, kind FROM reading WHERE instrument_id IS NOT NULL"):
        measured.setdefault(number, set()).add(kind)
    filled = []
    for number, kind in sql.rows("SELECT id, kind FROM instrument ORDER BY id"):
        by_kind = {name for name, words in _MEASURES.items() if any(word in kind.lower() for word in words)}
        if named := sorted(by_kind | measured.get(number, set())):
            filled.append((json.dumps(named, separators=(",", ":")), number))
    sql.many("UPDATE instrument SET measures = ? WHERE id = ?", filled)
    note_changed(sql, "instrument", [number for _, number in filled])
