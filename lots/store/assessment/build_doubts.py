"""Suspect builds, whose control print is outside its control chart, and the control prints of charts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime

from lots.store.engine.paging import Page, page
from lots.store.readings import of_what_came, whole
from lots.store.tables.models import BuildDoubt, Reading, ReadingExclusion, ReadingVoid


def known(build_keys: Iterable[str], known_at: datetime | None = None) -> dict[str, BuildDoubt]:
    """Returns the open doubt by build, as of `known_at` when given. One query, none without builds."""
    wanted = sorted(set(build_keys))
    if not wanted:
        return {}
    in_force = BuildDoubt.lifted_at.is_null()
    if known_at is not None:
        in_force = (BuildDoubt.recorded_at <= known_at) & (in_force | (BuildDoubt.lifted_at > known_at))
    query = BuildDoubt.select().where(BuildDoubt.build_key.in_(wanted) & in_force).order_by(BuildDoubt.id.desc())
    return {row.build_key: row for row in query}


def controls(kind: str, control_of: str, most: int) -> list[Reading]:
    """Returns the newest valid control prints of a printer and recipe that have a build, oldest first. One query on an index."""
    counting = ~Reading.screening & ReadingVoid.id.is_null() & ReadingExclusion.id.is_null() & of_what_came()
    counting &= (Reading.kind == kind) & (Reading.control_of == control_of) & Reading.build_key.is_null(False)
    return list(whole().where(counting).order_by(Reading.id.desc()).limit(most))[::-1]


def lots_of(build_key: str) -> list[int]:
    """Returns the ids of the lots with readings of a build. One query on an index."""
    query = Reading.select(Reading.lot).where(Reading.build_key == build_key).distinct()
    return sorted(row.lot_id for row in query)


def add(values: Mapping[str, object], by: str, now: datetime) -> BuildDoubt:
    """Stores that a build is suspect."""
    return BuildDoubt.create(**values, recorded_by=by, recorded_at=now)


def find(number: int) -> BuildDoubt | None:
    """Returns a doubt by id, or None."""
    return BuildDoubt.get_or_none(BuildDoubt.id == number)


def lift(row: BuildDoubt, reason: str, by: str, now: datetime) -> bool:
    """Lifts a doubt. Returns False when it was lifted before."""
    said = {"lifted_at": now, "lifted_by": by, "lifted_reason": reason}
    return bool(BuildDoubt.update(said).where((BuildDoubt.id == row.id) & BuildDoubt.lifted_at.is_null()).execute())


def listed(in_force: bool | None, cursor: str | None, limit: int) -> Page[BuildDoubt]:
    """Returns a page of doubts, oldest first. `in_force`: True for open ones, False for lifted ones, None for both."""
    query = BuildDoubt.select()
    if in_force is not None:
        query = query.where(BuildDoubt.lifted_at.is_null(in_force))
    return page(query, BuildDoubt.id, cursor, limit)
