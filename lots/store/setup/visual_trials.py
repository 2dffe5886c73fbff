"""Visual trials. They are only ever added."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from lots.store.engine.paging import Page, page
from lots.store.tables.models import Grade, Shade, ShadeRevision
from lots.store.tables.visual_trials import VisualTrial


def _whole() -> Any:
    return (
        VisualTrial.select(VisualTrial, Grade, ShadeRevision, Shade)
        .join(Grade)
        .switch(VisualTrial)
        .join(ShadeRevision)
        .join(Shade)
    )


def add(grade: Grade, values: dict[str, Any], by: str, now: datetime) -> Any:
    """Adds a trial for a grade."""
    return VisualTrial.create(grade=grade, **values, recorded_by=by, recorded_at=now)


def find(number: int) -> Any:
    """A trial with its grade and the shade revision it was judged against, or None. One query."""
    return _whole().where(VisualTrial.id == number).first()


def listed(grade: Grade, cursor: str | None, limit: int) -> Page:
    """A page of a grade's trials, in the order they were recorded. One query."""
    return page(_whole().where(VisualTrial.grade == grade), VisualTrial.id, cursor, limit)
