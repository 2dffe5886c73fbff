"""What is kept beside a spool: flow factor, mean colour, what it fails by itself, when it was measured dry, and, where it was wound from others, what those fail."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import reduce
from operator import or_
from typing import Any

from lots.store.engine.compiled_queries import update
from lots.store.tables.models import Lot, Spool, SpoolParent

# Marks a failure that a wound spool has from a parent, by the code of the spool it was found on.
FROM = "of"
Failures = list[dict[str, Any]]


def keep(lot: Lot, found: Mapping[str, Mapping[str, Any]]) -> None:
    """Keeps what a lot's spools are found to be, forgets what no longer holds, and hands every change on to what was wound from them.

    `found` holds column -> code of the spool -> value, `nonconforming` among them.

    One query for the rows, one more where some are wound, one more where anything changed, then one update for each row that did.
    """
    known = reduce(or_, (getattr(Spool, name).is_null(False) for name in found))
    named = sorted({code for some in found.values() for code in some})
    rows = list(
        Spool.select().where((Spool.lot == lot) & (Spool.code.in_(named) | known | Spool.spliced)).order_by(Spool.id)
    )
    passed_on = inherited(row.id for row in rows if row.spliced)
    changed = []
    for row in rows:
        why = [*found["nonconforming"].get(row.code, ()), *passed_on.get(row.id, ())] or None
        values = {**{name: some.get(row.code) for name, some in found.items()}, "nonconforming": why}
        if any(getattr(row, name) != value for name, value in values.items()):
            update(Spool, row.id, values)
            changed += [row.id] if why != row.nonconforming else []
    _hand_on(changed)


def inherited(wound: Iterable[int]) -> dict[int, Failures]:
    """Spool -> what its parents fail, each failure once, with the spool it was found on. One query; none where nothing is asked."""
    wanted = list(wound)
    if not wanted:
        return {}
    query = SpoolParent.select(SpoolParent, Spool).join(Spool, on=(SpoolParent.parent == Spool.id), attr="parent")
    found: dict[int, Failures] = {}
    for row in query.where(SpoolParent.spool.in_(wanted)).order_by(SpoolParent.id):
        mine = found.setdefault(row.spool_id, [])
        told = [{FROM: row.parent.code, **why} for why in row.parent.nonconforming or ()]
        mine += [why for why in told if why not in mine]
    return found


def _hand_on(changed: list[int]) -> None:
    """Brings what was wound from these spools up to date, and what was wound from that, in whichever lot it stands."""
    while changed:
        wound = SpoolParent.select(SpoolParent.spool).where(SpoolParent.parent.in_(changed))
        rows = list(Spool.select().where(Spool.id.in_(wound)).order_by(Spool.id))
        passed_on = inherited(row.id for row in rows)
        changed = []
        for row in rows:
            own = [why for why in row.nonconforming or () if FROM not in why]
            why = [*own, *passed_on.get(row.id, ())] or None
            if why != row.nonconforming:
                Spool.update(nonconforming=why).where(Spool.id == row.id).execute()
                changed.append(row.id)
