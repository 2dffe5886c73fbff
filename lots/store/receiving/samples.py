"""Changes of a delivery's sample: additional draws and substitutes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from peewee import JOIN, ModelSelect

from lots.store.tables.models import Delivery, Lot, Reading, ReadingVoid, SampleDraw, SampleSubstitute, Spool


@dataclass(slots=True)
class Changes:
    """The changes of a delivery's first sample.

    Attributes:
        draws: additional draws, oldest first.
        substitutes: with the drawn spool and its substitute, oldest first.
        withdrawn: codes of withdrawn spools.
    """

    draws: list[SampleDraw] = field(default_factory=list)
    substitutes: list[SampleSubstitute] = field(default_factory=list)
    withdrawn: set[str] = field(default_factory=set)


def changes_of(
    delivery_ids: Iterable[int], known_at: datetime | None = None, *, withdrawn: bool = True
) -> dict[int, Changes]:
    """Returns the changes of samples by delivery, up to `known_at` when given.

    Three queries, two without `withdrawn`, none without deliveries.
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
    """Returns the query of substitutes with the codes of both spools."""
    drawn, instead = Spool.alias(), Spool.alias()
    return (
        SampleSubstitute.select(SampleSubstitute, drawn.id, drawn.code, instead.id, instead.code)
        .join(drawn, on=(SampleSubstitute.drawn == drawn.id), attr="drawn")
        .switch(SampleSubstitute)
        .join(instead, on=(SampleSubstitute.substitute == instead.id), attr="substitute")
    )


def delivery(number: int) -> Delivery | None:
    """Returns a delivery with its lot, or None. One query."""
    found: Delivery | None = Delivery.select(Delivery, Lot).join(Lot).where(Delivery.id == number).first()
    return found


def drawable(delivery_ids: Iterable[int]) -> dict[int, list[str]]:
    """Returns the codes of spools that can be drawn by delivery, without withdrawn and respooled ones. One query."""
    found: dict[int, list[str]] = {number: [] for number in delivery_ids}
    here = Spool.delivery.in_(list(found)) & ~Spool.spliced & Spool.withdrawn_at.is_null()
    for row in Spool.select(Spool.code, Spool.delivery).where(here).order_by(Spool.id):
        found[row.delivery_id].append(row.code)
    return found


def measured(lot_id: int, kind: str | None = None) -> set[str]:
    """Returns the codes of a lot's spools with a reading that is not voided, of `kind` when given. Screening readings count. One query."""
    query = Reading.select(Spool.code).join(Spool).switch(Reading)
    query = query.join(ReadingVoid, JOIN.LEFT_OUTER, on=(ReadingVoid.reading == Reading.id))
    which = (Reading.lot == lot_id) & ReadingVoid.id.is_null()
    if kind is not None:
        which &= Reading.kind == kind
    return set(query.where(which).distinct().scalars())


def add_draw(delivery_id: int, codes: Sequence[str], reason: str, by: str, now: datetime) -> SampleDraw:
    """Stores an additional draw."""
    return SampleDraw.create(
        delivery=delivery_id, spool_codes=list(codes), reason=reason, recorded_by=by, recorded_at=now
    )


def add_substitute(
    delivery_id: int, drawn: Spool, substitute: Spool, reason: str, by: str, now: datetime
) -> SampleSubstitute:
    """Stores a substitute for a drawn spool."""
    return SampleSubstitute.create(
        delivery=delivery_id, drawn=drawn, substitute=substitute, reason=reason, recorded_by=by, recorded_at=now
    )
