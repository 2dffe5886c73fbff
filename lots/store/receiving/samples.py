"""Which spools of a delivery are its sample: further draws, and substitutes for spools that were drawn."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from peewee import JOIN, ModelSelect

from lots.store.tables.models import Delivery, Lot, Reading, ReadingVoid, SampleDraw, SampleSubstitute, Spool


@dataclass(slots=True)
class Changes:
    """What became of the first sample of a delivery.

    Attributes:
        draws: further draws, oldest first.
        substitutes: with the drawn spool and the one in its place, oldest first.
        withdrawn: codes of spools that never came.
    """

    draws: list[SampleDraw] = field(default_factory=list)
    substitutes: list[SampleSubstitute] = field(default_factory=list)
    withdrawn: set[str] = field(default_factory=set)


def changes_of(
    delivery_ids: Iterable[int], known_at: datetime | None = None, *, withdrawn: bool = True
) -> dict[int, Changes]:
    """Returns what became of the samples of these deliveries, by delivery; only what was recorded by `known_at` when given.

    Three queries, two where withdrawn spools are not asked for, none without a delivery.
    """
    found = {number: Changes() for number in delivery_ids}
    if not found:
        return found
    draws = SampleDraw.select().where(SampleDraw.delivery.in_(list(found))).order_by(SampleDraw.id)
    substitutes = _substitutes().where(SampleSubstitute.delivery.in_(list(found))).order_by(SampleSubstitute.id)
    gone = Spool.select(Spool.code, Spool.delivery).where(
        Spool.delivery.in_(list(found)) & Spool.withdrawn_at.is_null(False)
    )
    if known_at is not None:
        draws = draws.where(SampleDraw.recorded_at <= known_at)
        substitutes = substitutes.where(SampleSubstitute.recorded_at <= known_at)
        gone = gone.where(Spool.withdrawn_at <= known_at)
    for draw in draws:
        found[draw.delivery_id].draws.append(draw)
    for substitute in substitutes:
        found[substitute.delivery_id].substitutes.append(substitute)
    for spool in gone if withdrawn else ():
        found[spool.delivery_id].withdrawn.add(spool.code)
    return found


def _substitutes() -> ModelSelect[SampleSubstitute]:
    """Substitutes with the codes of both spools."""
    drawn, instead = Spool.alias(), Spool.alias()
    return (
        SampleSubstitute.select(SampleSubstitute, drawn.id, drawn.code, instead.id, instead.code)
        .join(drawn, on=(SampleSubstitute.drawn == drawn.id), attr="drawn")
        .switch(SampleSubstitute)
        .join(instead, on=(SampleSubstitute.substitute == instead.id), attr="substitute")
    )


def delivery(number: int) -> Delivery | None:
    """A delivery with its lot, or None. One query."""
    found: Delivery | None = Delivery.select(Delivery, Lot).join(Lot).where(Delivery.id == number).first()
    return found


def drawable(delivery_ids: Iterable[int]) -> dict[int, list[str]]:
    """Returns, by delivery, the codes of the spools that can be drawn: all that came and were not withdrawn; none that was wound here. One query."""
    found: dict[int, list[str]] = {number: [] for number in delivery_ids}
    here = Spool.delivery.in_(list(found)) & ~Spool.spliced & Spool.withdrawn_at.is_null()
    for row in Spool.select(Spool.code, Spool.delivery).where(here).order_by(Spool.id):
        found[row.delivery_id].append(row.code)
    return found


def measured(lot_id: int, kind: str | None = None) -> set[str]:
    """Codes of a lot's spools that have a reading, of this kind when given, which was not voided, screening ones included. One query."""
    query = Reading.select(Spool.code).join(Spool).switch(Reading)
    query = query.join(ReadingVoid, JOIN.LEFT_OUTER, on=(ReadingVoid.reading == Reading.id))
    which = (Reading.lot == lot_id) & ReadingVoid.id.is_null()
    if kind is not None:
        which &= Reading.kind == kind
    return set(query.where(which).distinct().scalars())


def add_draw(delivery_id: int, codes: Sequence[str], reason: str, by: str, now: datetime) -> SampleDraw:
    """Stores a further draw."""
    return SampleDraw.create(
        delivery=delivery_id, spool_codes=list(codes), reason=reason, recorded_by=by, recorded_at=now
    )


def add_substitute(
    delivery_id: int, drawn: Spool, substitute: Spool, reason: str, by: str, now: datetime
) -> SampleSubstitute:
    """Stores that another spool is measured in place of a drawn one."""
    return SampleSubstitute.create(
        delivery=delivery_id, drawn=drawn, substitute=substitute, reason=reason, recorded_by=by, recorded_at=now
    )
