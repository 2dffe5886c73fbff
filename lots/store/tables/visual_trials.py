"""The table of visual trials: plaques that observers judged against a reference. What a trial shows is worked out whenever somebody asks."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from peewee import CharField, ForeignKeyField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.row import Row
from lots.store.tables.setup import Grade, KeptConditions, ShadeRevision


class Vote(TypedDict):
    """One observer's judgement of a plaque."""

    observer: str
    accepted: bool


class KeptPlaque(TypedDict):
    """A plaque as it was posted, with what it lies apart from the reference: with the judgements, or with how many there were."""

    code: NotRequired[str]
    apart: list[float]
    lab: NotRequired[list[float]]
    judgements: NotRequired[list[Vote]]
    accepted: NotRequired[int]
    judged: NotRequired[int]


class TrialBody(TypedDict):
    """A trial as it was posted."""

    plaques: list[KeptPlaque]
    conditions: KeptConditions
    share: float
    confidence: float
    within: float


class VisualTrial(Row):
    """A trial for a grade, against a revision of its shade; `body` holds plaques, judgements and what was asked, as they were posted. It never changes."""

    grade = ForeignKeyField(Grade, backref="visual_trials")
    grade_id: int
    shade_revision = ForeignKeyField(ShadeRevision)
    shade_revision_id: int
    judged_at = Instant()
    body = Json[TrialBody]()
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)
