"""The inspection effort of lots: readings, times of quarantine and verdict, and received mass."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from peewee import Case, fn

from lots.store.engine.column_types import Instant
from lots.store.engine.database import db
from lots.store.receiving import deliveries
from lots.store.tables.models import Decision, Reading, Spool

_MOMENT = Instant()


class Effort(NamedTuple):
    """The inspection effort of a lot.

    Args:
        readings: number of readings, including voided ones, which took time too.
        held_from: time of its first decision with the status quarantined; None without one.
        verdict_at: time of its first decision with another status; None without one.
        mass_g: received net mass, g.
    """

    readings: int = 0
    held_from: datetime | None = None
    verdict_at: datetime | None = None
    mass_g: float = 0.0


def of_lots(numbers: Sequence[int]) -> dict[int, Effort]:
    """Returns the inspection effort by lot. Three queries on indexes, none without lots."""
    if not numbers:
        return {}
    readings = Reading.select(Reading.lot, fn.COUNT(Reading.id)).where(Reading.lot.in_(numbers)).group_by(Reading.lot)
    held = Case(None, [(Decision.standing == "quarantined", Decision.decided_at)])
    ended = Case(None, [(Decision.standing != "quarantined", Decision.decided_at)])
    moments = Decision.select(Decision.lot, fn.MIN(held), fn.MIN(ended)).where(Decision.lot.in_(numbers))
    masses = Spool.select(Spool.lot, fn.SUM(Spool.net_mass_g)).where(Spool.lot.in_(numbers) & deliveries.came())
    found = {number: Effort() for number in numbers}
    for number, count in db.execute(readings):
        found[number] = found[number]._replace(readings=count)
    for number, first, last in db.execute(moments.group_by(Decision.lot)):
        found[number] = found[number]._replace(
            held_from=_MOMENT.python_value(first), verdict_at=_MOMENT.python_value(last)
        )
    for number, mass in db.execute(masses.group_by(Spool.lot)):
        found[number] = found[number]._replace(mass_g=mass or 0.0)
    return found
