"""The receiving clerk's list for today: drawn spools that lack readings, and logged deliveries."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from lots.domain.assessment.limits_revision import Limits, limits_from
from lots.domain.assessment.spools_covered import spools_asked
from lots.services.assessment.lot_assessment import drawn_of
from lots.store.receiving import deliveries as deliveries_store
from lots.store.receiving import samples
from lots.store.receiving import unmeasured as store
from lots.store.tables.models import Lot

# The most lots searched, the oldest first, and the most deliveries listed.
_MOST_LOTS, _MOST_LOGGED = 60, 200


@dataclass(frozen=True, slots=True)
class ToMeasure:
    """A drawn spool that lacks readings, with the characteristics to measure."""

    spool_code: str
    lot_id: int
    supplier_lot: str
    supplier: str
    grade: str
    received_at: datetime
    kinds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Logged:
    """A delivery that was logged."""

    id: int
    order_ref: object
    lot_id: int
    supplier_lot: str
    supplier: str
    grade: str


def spools_to_measure() -> list[ToMeasure]:
    """Returns the drawn spools that lack readings, those of the oldest delivery first. Six queries.

    Only the sixty lots longest in quarantine are searched. A fully measured lot may still wait for a further draw or a
    decision.
    """
    rows = store.lots_in_quarantine(_MOST_LOTS)
    lots = {row.id: row for row in rows if row.limits_revision is not None and row.by_hand is None}
    came = store.deliveries_of(list(lots))
    changes = samples.changes_of(one.id for one in came)
    counts = store.measured(list(lots))
    drawn: dict[int, list[tuple[datetime, str]]] = {}
    for one in came:
        now = deliveries_store.current(one)
        if now.closed is None:
            codes = [code for group in drawn_of(now.sample, changes[one.id]) for code in group]
            drawn.setdefault(one.lot_id, []).extend((now.received_at, code) for code in codes)
    found = [one for number, codes in drawn.items() for one in _of_lot(lots[number], codes, counts)]
    return sorted(found, key=lambda one: (one.received_at, one.lot_id))


def _of_lot(lot: Lot, drawn: list[tuple[datetime, str]], counts: Counter[tuple[str, str]]) -> Iterator[ToMeasure]:
    limits = limits_from(lot.limits_revision.body) if lot.limits_revision else Limits()
    lacking: dict[str, list[str]] = {}
    for kind in limits.blocks:
        for code in _lacking(kind, limits, [code for _, code in drawn], counts):
            lacking.setdefault(code, []).append(kind)
    for at, code in drawn:
        if code in lacking:
            names = (lot.supplier_lot, lot.supplier.name, lot.grade.code)
            yield ToMeasure(code, lot.id, *names, at, tuple(lacking.pop(code)))


def _lacking(kind: str, limits: Limits, drawn: list[str], counts: Counter[tuple[str, str]]) -> list[str]:
    """Returns the drawn spools that lack readings: unfinished ones, and as many others as the findings need."""
    least = int(getattr(limits.given[kind], "readings_per_spool_min", 1))
    begun = [code for code in drawn if counts[code, kind]]
    asked = spools_asked(kind, limits)
    wanted = len(drawn) if asked is None else min(asked, len(drawn))
    others = [code for code in drawn if not counts[code, kind]]
    unfinished = [code for code in begun if counts[code, kind] < least]
    return [*unfinished, *others[: max(0, wanted - len(begun))]]


def logged_since(moment: datetime) -> list[Logged]:
    """Returns the deliveries logged since a time, the newest first, at most 200. One query."""
    return [
        Logged(
            row.id,
            (row.corrected or {}).get("order_ref", row.order_ref),
            row.lot.id,
            row.lot.supplier_lot,
            row.lot.supplier.name,
            row.lot.grade.code,
        )
        for row in store.logged(_MOST_LOGGED)
        if row.recorded_at >= moment
    ]
