"""Drift series by supplier and grade for purchasing, each analysed once per request."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from lots.domain.assessment.limits_revision import Limits, limits_from
from lots.domain.drift.lot_series import LotSeries
from lots.services.drift import drift
from lots.services.drift.drift import Followed
from lots.services.instruments.instrument_changes import Bridges, read_on, steps
from lots.store.drift import series as store
from lots.store.tables.models import Baseline, Grade, LimitsRevision, Supplier
from lots.store.tables.studies import InstrumentStudy

# A supplier and a grade, by number.
Pair = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Charted:
    """The limits, baselines and agreement studies of some grades, with their analysed series.

    Args:
        grades: by number.
        revisions: the newest limits revision of each grade.
        kept: the newest baseline of each supplier and grade.
        studies: agreement studies of the instruments of the lots.
    """

    grades: Mapping[int, Grade]
    revisions: Mapping[int, LimitsRevision]
    kept: Mapping[Pair, Baseline]
    studies: Mapping[frozenset[str], InstrumentStudy]
    _agreed: dict[int, Limits | None] = field(default_factory=dict)
    _done: dict[tuple[Pair, int, int], list[Followed]] = field(default_factory=dict)

    def agreed(self, grade_id: int) -> Limits | None:
        """Returns the limits of a grade; None without limits."""
        if grade_id not in self._agreed:
            row = self.revisions.get(grade_id)
            self._agreed[grade_id] = limits_from(row.body) if row else None
        return self._agreed[grade_id]

    def follow(self, pair: Pair, lots: LotSeries) -> list[Followed]:
        """Returns the series of a supplier's lots of a grade, without resubmitted lots.

        Args:
            pair: the supplier and grade.
            lots: its newest lots.
        """
        originals = lots.originals()
        if not originals:
            return []
        # All series of a request end with the same lot, so the first lot and their number identify them.
        which = (pair, originals.rows[0].id, len(originals))
        if which not in self._done:
            agreed = self.agreed(pair[1])
            ties, nominal = Bridges(steps(agreed), self.studies), self.grades[pair[1]].nominal_diameter_mm
            self._done[which] = drift.follow(originals, self.kept.get(pair), agreed, nominal, ties)
        return self._done[which]


def named(lots: LotSeries, others: Iterable[Pair] = ()) -> tuple[dict[int, Supplier], dict[int, Grade]]:
    """Returns the suppliers and grades of lots, and of other pairs, by number. Two queries."""
    pairs = {*((row.supplier_id, row.grade_id) for row in lots.rows), *others}
    return store.names((supplier for supplier, _ in pairs), (grade for _, grade in pairs))


def charted(lots: LotSeries, grades: Mapping[int, Grade], grade_id: int | None = None) -> Charted:
    """Returns the limits, baselines and studies for these lots. Two queries, one more if their instruments differ."""
    return Charted(grades, store.newest_limits(grades), store.newest_baselines(grade_id=grade_id), read_on(lots.rows))
