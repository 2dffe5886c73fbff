"""What the inspection of some lots took: readings, days until a verdict, and the mass that came."""

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
    """What the inspection of one lot took.

    Args:
        readings: recorded of it, voided ones too, for they took time as well.
        held_from: its first decision that left it in quarantine; None without.
        verdict_at: its first decision that did not; None while there is none.
        mass_g: the net mass that came, g.
    """

    readings: int = 0
    held_from: datetime | None = None
    verdict_at: datetime | None = None
    mass_g: float = 0.0


def of_lots(numbers: Sequence[int]) -> dict[int, Effort]:
    """Returns what the inspection of these lots took, by number. Three queries on indexes of the lot, none without lots."""
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
