"""The table of visual trials, in which observers assess plaques against a reference. Results are computed on request."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from peewee import CharField, ForeignKeyField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.row import Row
from lots.store.tables.setup import Grade, KeptConditions, ShadeRevision


class Vote(TypedDict):
    """An observer's assessment of a plaque."""

    observer: str
    accepted: bool


class KeptPlaque(TypedDict):
    """A plaque as sent, with its difference from the reference, and its assessments or their counts."""

    code: NotRequired[str]
    apart: list[float]
    lab: NotRequired[list[float]]
    judgements: NotRequired[list[Vote]]
    accepted: NotRequired[int]
    judged: NotRequired[int]


class TrialBody(TypedDict):
    """A trial as sent."""

    plaques: list[KeptPlaque]
    conditions: KeptConditions
    share: float
    confidence: float
    within: float


class VisualTrial(Row):
    """An immutable trial for a grade against a revision of its shade. `body` holds plaques, assessments and options as sent."""

    grade = ForeignKeyField(Grade, backref="visual_trials")
    grade_id: int
    shade_revision = ForeignKeyField(ShadeRevision)
    shade_revision_id: int
    judged_at = Instant()
    body = Json[TrialBody]()
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)
