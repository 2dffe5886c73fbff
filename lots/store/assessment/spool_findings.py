"""What is kept beside a spool: flow factor, mean colour, what it fails by itself, when it was measured dry, and, where it was wound from others, what those fail."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache, reduce
from operator import or_

from lots.store.engine.compiled_queries import Prepared, given, update
from lots.store.tables.models import Lot, Spool, SpoolParent
from lots.store.tables.spools import Failing

Failures = list[Failing]


def keep(lot: Lot, found: Mapping[str, Mapping[str, object]], failures: Mapping[str, Failures]) -> None:
    """Keeps what a lot's spools are found to be, forgets what no longer holds, and hands every change on to what was wound from them.

    One query for the rows, one more where some are wound, one more where anything changed, then one update for each row that did.

    Args:
        found: column -> code of the spool -> value.
        failures: code of the spool -> what it fails by itself.
    """
    named = sorted({*failures, *(code for some in found.values() for code in some)})
    rows = _concerned(len(named)).all(lot=lot.id, **dict(zip(_slots(len(named)), named, strict=True)))
    passed_on = inherited(row.id for row in rows if row.spliced)
    changed = []
    for row in rows:
        why = [*failures.get(row.code, ()), *passed_on.get(row.id, ())] or None
        values = {**{name: some.get(row.code) for name, some in found.items()}, "nonconforming": why}
        if any(getattr(row, name) != value for name, value in values.items()):
            update(Spool, row.id, values)
            changed += [row.id] if why != row.nonconforming else []
    _hand_on(changed)


# What follows from readings, kept beside a spool.
_KEPT = (Spool.flow_factor, Spool.nonconforming, Spool.dry_at, Spool.color, Spool.flow_uncertainty)


def _slots(n: int) -> list[str]:
    return [f"code_{place}" for place in range(n)]


@lru_cache(maxsize=256)  # samples are small and few plans are in use; each judging asks for its own
def _concerned(n: int) -> Prepared[Spool]:
    """Spools of a lot with one of `n` codes, those of which something is kept, and those that were wound, by number."""
    known = reduce(or_, (column.is_null(False) for column in _KEPT))
    which = known | Spool.spliced
    if n:
        which |= Spool.code.in_([given(name) for name in _slots(n)])
    columns = (Spool.id, Spool.code, Spool.spliced, *_KEPT)
    return Prepared(lambda: Spool.select(*columns).where((Spool.lot == given("lot")) & which).order_by(Spool.id))


def inherited(wound: Iterable[int]) -> dict[int, Failures]:
    """Spool -> what its parents fail, each failure once, with the spool it was found on. One query; none where nothing is asked."""
    wanted = list(wound)
    if not wanted:
        return {}
    query = SpoolParent.select(SpoolParent, Spool).join(Spool, on=(SpoolParent.parent == Spool.id), attr="parent")
    found: dict[int, Failures] = {}
    for row in query.where(SpoolParent.spool.in_(wanted)).order_by(SpoolParent.id):
        mine = found.setdefault(row.spool_id, [])
        fails: Failures = row.parent.nonconforming or []
        told: Failures = [
            {"of": why.get("of", row.parent.code), "uses": why["uses"], "message": why["message"]} for why in fails
        ]
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
            own = [why for why in row.nonconforming or () if "of" not in why]
            why = [*own, *passed_on.get(row.id, ())] or None
            if why != row.nonconforming:
                Spool.update(nonconforming=why).where(Spool.id == row.id).execute()
                changed.append(row.id)
