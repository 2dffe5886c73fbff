"""The table of visual trials: plaques that observers judged against a reference. What a trial shows is worked out whenever somebody asks."""

from __future__ import annotations

from typing import Any

from peewee import CharField, ForeignKeyField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.row import Row
from lots.store.tables.setup import Grade, ShadeRevision


class VisualTrial(Row):
    """A trial for a grade, against a revision of its shade; `body` holds plaques, judgements and what was asked, as they were posted. It never changes."""

    grade = ForeignKeyField(Grade, backref="visual_trials")
    grade_id: int
    shade_revision = ForeignKeyField(ShadeRevision)
    shade_revision_id: int
    judged_at = Instant()
    body = Json[Any]()
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)
