"""How sure a mean is whose readings come from spools: by their own scatter, and by what earlier spools and lots of the grade showed of it.

A reading is a row of one number or of several, such as L*, a* and b*; every answer has as many uncertainties.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from lots.domain.statistics.homogeneity import homogeneous
from lots.domain.statistics.summaries import Vector
from lots.domain.statistics.uncertainty import Contribution, Uncertainty
from lots.domain.words import counted

Rows = Sequence[Sequence[float]]
# Probability of keeping apart what is homogeneous; the columns of a reading share it.
_HOMOGENEITY = 0.05
BETWEEN_SPOOLS = "differences between spools"


@dataclass(frozen=True, slots=True)
class Repeated:
    """How the readings of one spool scatter: their number, >= 2, and their variance, one number per column."""

    n: int
    variance: Vector

    @classmethod
    def of(cls, rows: Rows) -> Repeated | None:
        """The scatter of some readings; None of fewer than two."""
        return cls(len(rows), _variance(rows)) if len(rows) > 1 else None


@dataclass(frozen=True, slots=True)
class Between:
    """How the means of a lot's spools scatter.

    Args:
        k: spools, >= 2.
        variance: of their means, one number per column.
        per_reading: mean of 1 / n over the spools, n readings each: how much of a reading's own variance is in that of a mean.
    """

    k: int
    variance: Vector
    per_reading: float

    @classmethod
    def of(cls, groups: Sequence[Rows]) -> Between | None:
        """The scatter of the means of some spools; None of fewer than two."""
        if len(groups) < 2:
            return None
        return cls(len(groups), _variance([_mean(rows) for rows in groups]), fmean(1 / len(rows) for rows in groups))


@dataclass(frozen=True, slots=True)
class Earlier:
    """What earlier spools of the grade showed, read with the same instrument, and earlier lots of the supplier."""

    within: tuple[Repeated, ...] = ()
    between: tuple[Between, ...] = ()


NOTHING = Earlier()


def spool_means(groups: Sequence[Rows], earlier: Earlier = NOTHING) -> list[tuple[Uncertainty, ...] | None]:
    """Returns how sure the mean of each spool's readings is by their scatter; None where nothing tells it.

    The scatter of a reading is pooled over the spools of the lot and earlier ones of the grade, as far as their variances are homogeneous: over
    all of them, else over the lot's, else each spool stands by itself.

    Args:
        groups: readings per spool of one lot, read with one instrument; at least one of each.
        earlier: see `Earlier`.

    Reference:
        JCGM 100:2008, 4.2.4 (pooled estimate from earlier measurements). Homogeneity first: ISO 5725-2 tests so (from memory); Cochran 1941.

    Example:
        >>> [one[0].df for one in spool_means([[[1.0], [3.0]], [[5.0], [6.0], [7.0]]])]
        [3.0, 3.0]
    """
    mine = [Repeated.of(rows) for rows in groups]
    pool = _within([one for one in mine if one is not None], earlier.within)
    found: list[tuple[Uncertainty, ...] | None] = []
    for rows, own in zip(groups, mine, strict=True):
        alone = None if own is None else (own.variance, float(own.n - 1), "scatter of readings")
        scatter = pool if pool is not None and (pool.homogeneous or alone is None) else alone and Pool(*alone)
        found.append(None if scatter is None else _of_mean(scatter, 1 / len(rows)))
    return found


def _of_mean(pool: Pool, share: float) -> tuple[Uncertainty, ...]:
    parts = (Contribution(math.sqrt(v * share), pool.df, pool.source, True) for v in pool.variance)
    return tuple(Uncertainty((part,)) for part in parts)


def lot_mean(
    groups: Sequence[Rows], spools_in_lot: int | None = None, earlier: Earlier = NOTHING, *, by_reading: bool = False
) -> tuple[Uncertainty, ...] | None:
    """Returns how sure the mean of a lot is by the scatter of its readings; None where nothing tells it.

    The variance of the spools' means holds what differs between spools and what is left of the scatter within them. It is pooled over this
    lot and earlier ones of the supplier where they are homogeneous. The part of the lot that was measured leaves no doubt about itself but for
    the scatter within. With one spool of several and no earlier lot, nothing
    tells how spools differ, and the readings' own scatter is all there is.

    Args:
        groups: readings per spool, at least one spool of at least one.
        spools_in_lot: None for any number.
        earlier: see `Earlier`.
        by_reading: True where each reading weighs alike in the mean, False where each spool does.

    Reference:
        Two-stage sampling with a finite number of units: Cochran 1977, Sampling Techniques, 10.3 (from memory). JCGM 100:2008, H.5 (two-level nested design).

    Example:
        >>> found = lot_mean([[[1.0], [1.0]], [[3.0], [3.0]]])
        >>> found[0].total, found[0].df
        (1.0, 1.0)
    """
    k, readings = len(groups), sum(map(len, groups))
    # The sum of the squared weights of the spools.
    share = math.fsum((len(rows) / readings) ** 2 for rows in groups) if by_reading else 1 / k
    repeated = [one for rows in groups if (one := Repeated.of(rows)) is not None]
    within, means = _within(repeated, earlier.within), _between(Between.of(groups), earlier.between)
    measured = 0.0 if within is None or not spools_in_lot else min(1.0, k / spools_in_lot)
    per_reading = fmean(1 / len(rows) for rows in groups)
    if means is None:
        if within is None:
            return None
        return _of_mean(within, per_reading * share)
    pool, held = means
    left = 1.0 - measured
    found = _of_mean(pool, left * share)
    rest = measured * per_reading + left * max(0.0, per_reading - held)
    if within is None or rest <= 0:
        return found
    return tuple(one.beside(other) for one, other in zip(found, _of_mean(within, rest * share), strict=True))


def between_spools(
    groups: Sequence[Rows], spools_in_lot: int | None = None, earlier: Earlier = NOTHING
) -> tuple[Uncertainty, ...] | None:
    """Returns only what the differences between spools add to the mean of a lot; None where every spool was measured, or nothing tells it.

    Arguments as for `lot_mean`, each reading weighing alike.
    """
    k, readings = len(groups), sum(map(len, groups))
    measured = min(1.0, k / spools_in_lot) if spools_in_lot else 0.0
    if measured >= 1.0:
        return None
    found = _between(Between.of(groups), earlier.between)
    if found is None:
        return None
    share = math.fsum((len(rows) / readings) ** 2 for rows in groups)
    return _of_mean(found[0], (1.0 - measured) * share)


def with_instrument(
    scatter: tuple[Uncertainty, ...] | None, instrument: float | None, resolution: float | None, columns: int = 1
) -> tuple[Uncertainty, ...] | None:
    """Returns uncertainties with what the instrument adds, which repeats do not reduce: its own, and r / sqrt(12) for steps of r.

    Args:
        scatter: by the readings, None where they tell nothing; then the instrument must.
        instrument: its standard uncertainty, >= 0; None when unknown.
        resolution: smallest step that it shows, > 0; None when unknown.
        columns: of a reading.

    Reference:
        JCGM 100:2008, 5.1.2 and F.2.2.1.
    """
    if scatter is None and instrument is None:
        return None
    own = () if instrument is None else (Contribution(instrument, source="instrument"),)
    step = () if resolution is None else (Contribution(resolution / math.sqrt(12), source="resolution"),)
    of_it = Uncertainty((*own, *step))
    return tuple(one.beside(of_it) for one in scatter) if scatter is not None else (of_it,) * columns


@dataclass(frozen=True, slots=True)
class Pool:
    """A variance from several groups, per column, with its degrees of freedom; `homogeneous` unless the widest group speaks for all."""

    variance: Vector
    df: float
    source: str
    homogeneous: bool = True

    @classmethod
    def of(cls, groups: Sequence[tuple[int, Vector]], source: str) -> Pool | None:
        """The pooled variance of groups (degrees of freedom, variance); None without any, or where they are not homogeneous."""
        if not groups:
            return None
        dfs, columns = [df for df, _ in groups], range(len(groups[0][1]))
        alpha = _HOMOGENEITY / len(columns)
        if not all(homogeneous([v[column] for _, v in groups], dfs, alpha) for column in columns):
            return None
        total = sum(dfs)
        pooled = tuple(math.fsum(df * v[column] for df, v in groups) / total for column in columns)
        return cls(pooled, float(total), source)


def _within(lot: Sequence[Repeated], earlier: Sequence[Repeated]) -> Pool | None:
    """The variance of a reading about its spool's mean; where the spools of a lot differ in it, that of the spool that scatters most."""
    mine, before = ([(group.n - 1, group.variance) for group in some] for some in (lot, earlier))
    with_earlier = f"scatter of readings, pooled with {counted(len(before), 'earlier spool')}"
    of_lot = "scatter of readings" if len(mine) == 1 else "scatter of readings, pooled over the spools of the lot"
    found = (Pool.of([*mine, *before], with_earlier) if before else None) or Pool.of(mine, of_lot)
    if found is not None or not mine:
        return found
    df, variance_of = max(mine, key=lambda group: math.fsum(group[1]))
    return Pool(variance_of, float(df), "scatter of readings of the spool that scatters most", False)


def _between(own: Between | None, earlier: Sequence[Between]) -> tuple[Pool, float] | None:
    """The variance of spools' means, and how much of a reading's own variance is in it."""
    mine, of_lot = [own] if own is not None else [], f"{BETWEEN_SPOOLS} of the lot"
    pooled = f"{BETWEEN_SPOOLS}, pooled with {counted(len(earlier), 'earlier lot')}"
    for some, source in (([*mine, *earlier], pooled if earlier else of_lot), (mine, of_lot)):
        if found := Pool.of([(one.k - 1, one.variance) for one in some], source):
            return found, math.fsum((one.k - 1) * one.per_reading for one in some) / found.df
    return None


def _mean(rows: Rows) -> Vector:
    return tuple(math.fsum(column) / len(rows) for column in zip(*rows, strict=True))


def _variance(rows: Rows) -> Vector:
    middle = _mean(rows)
    columns = zip(zip(*rows, strict=True), middle, strict=True)
    return tuple(math.fsum((value - at) ** 2 for value in column) / (len(rows) - 1) for column, at in columns)
