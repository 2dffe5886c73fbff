"""The data of the list of spools to measure: lots in quarantine, their deliveries, and numbers of readings per spool."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from peewee import JOIN, fn

from lots.store.assessment.lots import still_open
from lots.store.engine.compiled_queries import Prepared, given
from lots.store.tables.models import (
    Delivery,
    Grade,
    LimitsRevision,
    Lot,
    Reading,
    ReadingExclusion,
    ReadingVoid,
    Spool,
    Supplier,
)


def lots_in_quarantine(most: int) -> list[Lot]:
    """Returns the oldest lots in quarantine with open deliveries, oldest first, with names and limits. Read-only rows.

    One query on the index of statuses.
    """
    columns = (Lot.id, Lot.supplier_lot, Lot.received_at, Lot.rules, Lot.by_hand, Supplier.name, Grade.code)
    query = Lot.select(*columns, LimitsRevision.id, LimitsRevision.body).join(Supplier).switch(Lot).join(Grade)
    query = query.switch(Lot).join(LimitsRevision, JOIN.LEFT_OUTER)
    # Sorted in Python, because ORDER BY would make SQLite scan all lots.
    found = list(query.where((Lot.standing == "quarantined") & still_open()))
    return sorted(found, key=lambda row: (row.received_at, row.id))[:most]


def deliveries_of(lots: Sequence[int]) -> list[Delivery]:
    """Returns the deliveries of lots, oldest record first. One query on an index."""
    return list(Delivery.select().where(Delivery.lot.in_(list(lots))).order_by(Delivery.id)) if lots else []


def measured(lots: Sequence[int]) -> Counter[tuple[str, str]]:
    """Returns the numbers of readings by (spool code, kind), without screening, voided and excluded ones. One query on an index."""
    excluded = (ReadingExclusion.reading == Reading.id) & ReadingExclusion.included_at.is_null()
    query = (
        Reading.select(Spool.code, Reading.kind, fn.COUNT(Reading.id))
        .join(Spool)
        .switch(Reading)
        .join(ReadingVoid, JOIN.LEFT_OUTER, on=(ReadingVoid.reading == Reading.id))
        .switch(Reading)
        .join(ReadingExclusion, JOIN.LEFT_OUTER, on=excluded)
        .where(
            Reading.lot.in_(list(lots)) & ~Reading.screening & ReadingVoid.id.is_null() & ReadingExclusion.id.is_null()
        )
        .group_by(Spool.code, Reading.kind)
    )
    return Counter({(code, kind): n for code, kind, n in query.tuples().iterator()} if lots else {})


def logged(most: int) -> list[Delivery]:
    """Returns the last logged deliveries, newest first, with lot, supplier and grade. Read-only rows. One query on the primary key."""
    return _LOGGED.all(most=most)


_LOGGED = Prepared(
    lambda: (
        Delivery.select(
            *(Delivery.id, Delivery.order_ref, Delivery.recorded_at, Delivery.corrected),
            *(Lot.id, Lot.supplier_lot, Supplier.id, Supplier.name, Grade.id, Grade.code),
        )
        .join(Lot)
        .join(Supplier)
        .switch(Lot)
        .join(Grade)
        .order_by(Delivery.id.desc())
        .limit(given("most"))
    )
)
