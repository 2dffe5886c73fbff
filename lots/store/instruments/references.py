"""Working copies of master plaques, and remeasurement sessions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime

from peewee import JOIN, ModelSelect

from lots.store.engine.paging import Page, page
from lots.store.tables.decisions import Decision
from lots.store.tables.models import Instrument, Lot, Shade, ShadeRevision
from lots.store.tables.studies import Remeasurement, RemeasurementVoid, WorkingCopy


def add_copy(values: Mapping[str, object], by: str, now: datetime) -> WorkingCopy:
    """Stores a working copy."""
    return WorkingCopy.create(**values, recorded_by=by, recorded_at=now)


def _copies() -> ModelSelect[WorkingCopy]:
    return WorkingCopy.select(WorkingCopy, ShadeRevision).join(ShadeRevision)


def copies(shade: Shade, cursor: str | None, limit: int) -> Page[WorkingCopy]:
    """Returns a page of a shade's working copies of all revisions, with their revisions, oldest first. One query."""
    return page(_copies().where(WorkingCopy.shade == shade), WorkingCopy.id, cursor, limit)


def copies_of(revisions: Iterable[int]) -> list[WorkingCopy]:
    """Returns all working copies of these revisions, oldest first. One query."""
    return list(_copies().where(WorkingCopy.shade_revision.in_(list(revisions))).order_by(WorkingCopy.id))


def add_session(values: Mapping[str, object], by: str, now: datetime) -> Remeasurement:
    """Stores a session."""
    return Remeasurement.create(**values, recorded_by=by, recorded_at=now)


def _sessions() -> ModelSelect[Remeasurement]:
    return (
        Remeasurement.select(Remeasurement, Instrument, ShadeRevision, RemeasurementVoid)
        .join(Instrument)
        .switch(Remeasurement)
        .join(ShadeRevision)
        .switch(Remeasurement)
        .join(
            RemeasurementVoid,
            JOIN.LEFT_OUTER,
            on=(RemeasurementVoid.remeasurement == Remeasurement.id),
            attr="void",
        )
    )


def find_session(number: int) -> Remeasurement | None:
    """Returns a session with its instrument, revision and void, or None."""
    return _sessions().where(Remeasurement.id == number).get_or_none()


def sessions(shade: Shade, cursor: str | None, limit: int) -> Page[Remeasurement]:
    """Returns a page of a shade's sessions, including voided ones, oldest record first. One query."""
    return page(_sessions().where(Remeasurement.shade == shade), Remeasurement.id, cursor, limit)


def sessions_of(revisions: Iterable[int]) -> list[Remeasurement]:
    """Returns all sessions of these revisions that are not voided, oldest record first. One query."""
    query = _sessions().where(Remeasurement.shade_revision.in_(list(revisions)), RemeasurementVoid.id.is_null())
    return list(query.order_by(Remeasurement.id))


def void_session(session: Remeasurement, reason: str, by: str, now: datetime) -> RemeasurementVoid:
    """Voids a session."""
    return RemeasurementVoid.create(remeasurement=session, reason=reason, voided_by=by, voided_at=now)


def scheduled() -> list[Shade]:
    """Returns shades with a remeasurement interval, with a working copy that has one, or with a session. One query."""
    copied = WorkingCopy.select(WorkingCopy.shade).where(WorkingCopy.remeasure_every_days.is_null(False))
    read = Remeasurement.select(Remeasurement.shade)
    which = Shade.remeasure_every_days.is_null(False) | Shade.id.in_(copied) | Shade.id.in_(read)
    return list(Shade.select().where(which).order_by(Shade.code))


def decisions(revision_id: int) -> list[Decision]:
    """Returns all decisions under a shade revision with their lots, oldest first. One query on an index."""
    query = Decision.select(Decision, Lot).join(Lot).where(Decision.shade_revision == revision_id)
    return list(query.order_by(Decision.decided_at, Decision.id))


def touch(shade_id: int) -> None:
    """Raises a shade's version, because its representation has changed."""
    Shade.update(version=Shade.version + 1).where(Shade.id == shade_id).execute()
