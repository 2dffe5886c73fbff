"""Uncertainty of means of readings nested in spools, pooled with earlier spools and lots of the grade.

A reading is a row of one number or several, such as L*, a* and b*. Every result has as many uncertainties.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from lots.domain.statistics.summaries import Vector
from lots.domain.uncertainty.budget import Contribution, Uncertainty
from lots.domain.uncertainty.homogeneity import homogeneous
from lots.domain.words import counted

Rows = Sequence[Sequence[float]]
# Probability of not pooling homogeneous variances; the columns of a reading share it.
_HOMOGENEITY = 0.05
BETWEEN_SPOOLS = "differences between spools"


@dataclass(frozen=True, slots=True)
class Repeated:
    """Number of readings of one spool, >= 2, and their variance, one number per column."""

    n: int
    variance: Vector

    @classmethod
    def of(cls, rows: Rows) -> Repeated | None:
        """Returns the variance of some readings, None below two."""
        return cls(len(rows), _variance(rows)) if len(rows) > 1 else None


@dataclass(frozen=True, slots=True)
class Between:
    """The variance of a lot's spool means.

    Args:
        k: number of spools, >= 2.
        variance: of their means, one number per column.
        per_reading: mean of 1 / n over the spools, n readings each: the share of the reading variance in that of a mean.
    """

    k: int
    variance: Vector
    per_reading: float

    @classmethod
    def of(cls, groups: Sequence[Rows]) -> Between | None:
        """Returns the variance of the means of some spools, None below two."""
        if len(groups) < 2:
            return None
        return cls(len(groups), _variance([_mean(rows) for rows in groups]), fmean(1 / len(rows) for rows in groups))


@dataclass(frozen=True, slots=True)
class Earlier:
    """Variances of earlier spools of the grade with the same instrument, and of earlier lots of the supplier."""

    within: tuple[Repeated, ...] = ()
    between: tuple[Between, ...] = ()


NOTHING = Earlier()


def spool_means(groups: Sequence[Rows], earlier: Earlier = NOTHING) -> list[tuple[Uncertainty, ...] | None]:
    """Returns the uncertainty of each spool's mean from the spread of readings; None where unknown.

    Variances are pooled where they are homogeneous: over the lot and earlier spools of the grade, else over the lot, else not at all.

    Args:
        groups: readings per spool of one lot with one instrument; at least one each.
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
        alone = None if own is None else (own.variance, float(own.n - 1), "spread of readings")
        scatter = pool if pool is not None and (pool.homogeneous or alone is None) else alone and Pool(*alone)
        found.append(None if scatter is None else _of_mean(scatter, 1 / len(rows)))
    return found


def _of_mean(pool: Pool, share: float) -> tuple[Uncertainty, ...]:
    parts = (Contribution(math.sqrt(v * share), pool.df, pool.source, True) for v in pool.variance)
    return tuple(Uncertainty((part,)) for part in parts)


def lot_mean(
    groups: Sequence[Rows], spools_in_lot: int | None = None, earlier: Earlier = NOTHING, *, by_reading: bool = False
) -> tuple[Uncertainty, ...] | None:
    """Returns the uncertainty of a lot's mean from the spread of its readings; None where unknown.

    The variance of spool means holds the differences between spools and the rest of the spread within them. It is pooled over this lot and
    earlier lots of the supplier where they are homogeneous. The measured share of a lot contributes only the spread within spools (finite
    population). With one spool of several and no earlier lot, only the spread of readings is known.

    Args:
        groups: readings per spool, at least one spool with at least one reading.
        spools_in_lot: None for any number.
        earlier: see `Earlier`.
        by_reading: True where each reading has equal weight in the mean, False where each spool has.

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
    """Returns the part of a lot mean's uncertainty due to differences between spools.

    None where every spool was measured or the differences are unknown. Arguments as for `lot_mean`, with equal weight for each reading.
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
    """Returns uncertainties with the instrument's own part, which repeats do not reduce: its uncertainty, and r / sqrt(12) for resolution r.

    Args:
        scatter: from the readings; None where unknown, and then `instrument` is required.
        instrument: its standard uncertainty, >= 0; None when unknown.
        resolution: smallest displayed step, > 0; None when unknown.
        columns: number of columns of a reading.

    Reference:
        JCGM 100:2008, 5.1.2 and F.2.2.1.
    """
    if scatter is None and instrument is None:
        return None
    own = () if instrument is None else (Contribution(instrument, source="instrument"),)
    step = () if resolution is None else (Contribution(resolution / math.sqrt(12), source="resolution"),)
    added = Uncertainty((*own, *step))
    return tuple(one.beside(added) for one in scatter) if scatter is not None else (added,) * columns


@dataclass(frozen=True, slots=True)
class Pool:
    """A pooled variance per column, with its degrees of freedom. `homogeneous` is False where the largest variance is used instead."""

    variance: Vector
    df: float
    source: str
    homogeneous: bool = True

    @classmethod
    def of(cls, groups: Sequence[tuple[float, Vector]], source: str) -> Pool | None:
        """Returns the pooled variance of groups (degrees of freedom, variance); None without groups or homogeneity."""
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
    """Returns the variance of a reading about its spool's mean; the largest one where the spools of the lot are not homogeneous."""
    mine, before = ([(group.n - 1, group.variance) for group in some] for some in (lot, earlier))
    of_lot = "spread of readings" if len(mine) == 1 else "spread of readings, pooled over the spools of the lot"
    own = Pool.of(mine, of_lot)
    if own is None and mine:
        df, variance_of = max(mine, key=lambda group: math.fsum(group[1]))
        return Pool(variance_of, float(df), "spread of readings of the spool with the largest spread", False)
    # The lot enters as one group, so that several of its spools with a large variance do not mask each other.
    as_one = [(own.df, own.variance)] if own is not None else []
    with_earlier = f"spread of readings, pooled with {counted(len(before), 'earlier spool')}"
    return (Pool.of([*as_one, *before], with_earlier) if before else None) or own


def _between(own: Between | None, earlier: Sequence[Between]) -> tuple[Pool, float] | None:
    """Returns the variance of spool means, and the share of the reading variance in it."""
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
