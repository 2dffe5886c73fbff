"""Visual trials. Rows are only added."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from peewee import ModelSelect

from lots.store.engine.paging import Page, page
from lots.store.tables.models import Grade, Shade, ShadeRevision
from lots.store.tables.visual_trials import VisualTrial


def _whole() -> ModelSelect[VisualTrial]:
    return (
        VisualTrial.select(VisualTrial, Grade, ShadeRevision, Shade)
        .join(Grade)
        .switch(VisualTrial)
        .join(ShadeRevision)
        .join(Shade)
    )


def add(grade: Grade, values: Mapping[str, object], by: str, now: datetime) -> VisualTrial:
    """Stores a trial for a grade."""
    return VisualTrial.create(grade=grade, **values, recorded_by=by, recorded_at=now)


def find(number: int) -> VisualTrial | None:
    """Returns a trial with its grade and shade revision, or None. One query."""
    found: VisualTrial | None = _whole().where(VisualTrial.id == number).first()
    return found


def listed(grade: Grade, cursor: str | None, limit: int) -> Page[VisualTrial]:
    """Returns a page of a grade's trials, oldest record first. One query."""
    return page(_whole().where(VisualTrial.grade == grade), VisualTrial.id, cursor, limit)
