"""The assessment results stored on spools: flow factor, mean colour, own failures, time of a dry reading, and failures of parent spools."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache, reduce
from operator import or_

from lots.store.engine.compiled_queries import Prepared, given, update
from lots.store.tables.models import Lot, Spool, SpoolParent
from lots.store.tables.spools import Failing

Failures = list[Failing]


def keep(lot: Lot, found: Mapping[str, Mapping[str, object]], failures: Mapping[str, Failures]) -> None:
    """Stores the results of a lot's spools, clears outdated ones, and passes failures on to spools respooled from them.

    One query for the rows, one more if some are respooled, one more if any changed, and one update per changed row.

    Args:
        lot: the lot.
        found: column -> spool code -> value.
        failures: spool code -> its own failures.
    """
    named = sorted({*failures, *(code for some in found.values() for code in some)})
    rows = _affected_spools(len(named)).all(lot=lot.id, **dict(zip(_slots(len(named)), named, strict=True)))
    passed_on = inherited(row.id for row in rows if row.spliced)
    changed = []
    for row in rows:
        why = [*failures.get(row.code, ()), *passed_on.get(row.id, ())] or None
        values = {**{name: some.get(row.code) for name, some in found.items()}, "nonconforming": why}
        if any(getattr(row, name) != value for name, value in values.items()):
            update(Spool, row.id, values)
            changed += [row.id] if why != row.nonconforming else []
    _pass_on(changed)


# Columns that follow from readings.
_RESULT_COLUMNS = (Spool.flow_factor, Spool.nonconforming, Spool.dry_at, Spool.color, Spool.flow_uncertainty)


def _slots(n: int) -> list[str]:
    return [f"code_{place}" for place in range(n)]


@lru_cache(maxsize=256)  # sample sizes are few
def _affected_spools(n: int) -> Prepared[Spool]:
    """Returns the query of a lot's spools with one of `n` codes, with stored results, or respooled, by id."""
    known = reduce(or_, (column.is_null(False) for column in _RESULT_COLUMNS))
    which = known | Spool.spliced
    if n:
        which |= Spool.code.in_([given(name) for name in _slots(n)])
    columns = (Spool.id, Spool.code, Spool.spliced, *_RESULT_COLUMNS)
    return Prepared(lambda: Spool.select(*columns).where((Spool.lot == given("lot")) & which).order_by(Spool.id))


def inherited(wound: Iterable[int]) -> dict[int, Failures]:
    """Returns the failures of parent spools by spool, each once, with the spool on which it was found. One query, none without spools."""
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


def _pass_on(changed: list[int]) -> None:
    """Updates the failures of all descendants of these spools, in any lot."""
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
