"""Variance components between and within lots (one-way random effects), and means of lots, with confidence intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from operator import mul
from statistics import fmean, variance

from lots.domain.statistics.proportions import Interval
from lots.domain.statistics.quantiles import student, variance_limits


@dataclass(frozen=True, slots=True)
class Group:
    """Summary of the spools of one lot.

    Args:
        n: spools, >= 1.
        mean: of the spools' values, any unit.
        ss: sum of squares about that mean, in the unit squared, >= 0; 0 for one spool.

    Raises:
        ValueError: a number out of its range.
    """

    n: int
    mean: float
    ss: float

    def __post_init__(self) -> None:
        if self.n < 1:
            raise ValueError(f"n is {self.n!r}; a lot has at least one spool")
        if not (math.isfinite(self.mean) and math.isfinite(self.ss) and self.ss >= 0):
            raise ValueError(f"mean {self.mean!r} and sum of squares {self.ss!r} must be numbers, the latter >= 0")
        if self.n == 1 and self.ss != 0:
            raise ValueError(f"one spool has no spread, but its sum of squares is {self.ss!r}")


@dataclass(frozen=True, slots=True)
class Components:
    """Variance components of a supplier's spools, in the unit squared; None where not estimable.

    Args:
        within: variance between spools of one lot; None where no lot has two spools.
        between: variance between the true means of lots, truncated at 0; None with fewer than two lots, or without `within`.
        grand_mean: unweighted mean of the lot means.
        mean_variance: variance of the grand mean as an estimate of the supplier's mean; None for one lot.
        n0: effective lot size of the analysis of variance for unequal sizes; the common size for equal ones; None for one lot.
        df_within, df_between: degrees of freedom of the two mean squares.
        within_interval, between_interval: None where the component is.
        total: variance of a single spool of any lot. Equals between + within for equal lot sizes; None for one lot.
        total_df: effective degrees of freedom of `total`.
        n_effective: `total` over the variance of the grand mean: the equivalent number of independent spools. It never exceeds the actual
            number, because that variance is at least what the spread of spools gives; None for one lot.
    """

    within: float | None
    between: float | None
    grand_mean: float
    mean_variance: float | None
    n0: float | None
    df_within: int
    df_between: int
    within_interval: Interval | None
    between_interval: Interval | None
    total: float | None
    total_df: float | None
    n_effective: float | None

    def __post_init__(self) -> None:
        parts = (self.within, self.between, self.mean_variance, self.total)
        if not all(part is None or (math.isfinite(part) and part >= 0) for part in parts):
            raise ValueError(f"a variance must be a number >= 0: {parts!r}")


def components(groups: Sequence[Group], confidence: float = 0.95) -> Components:
    """Returns the variance components within and between lots and of single spools, with intervals and degrees of freedom.

    Args:
        groups: one per lot, at least one; sizes may differ.
        confidence: of the intervals and for `total_df`; 0 < confidence < 1.

    Raises:
        ValueError: no lot.

    Notes:
        Model: lots drawn at random from a supplier, normal distributions. `within` and `between` are the analysis of variance estimators. The
        interval for `between`, and `total`, use the unweighted means of lots, whose variance is between + within / h, h the harmonic mean
        size. For equal sizes the interval is the modified large-sample one. For unequal sizes that interval has an error rate of up to 10 %
        where between is small (simulated), so Burdick and Eickman's is used, which is hardly wider. Negative limits are set to 0.

        Satterthwaite's degrees of freedom are not used for `total`. Where three lots happen to agree closely they approach the number of spools,
        and a capability interval based on them misses on one side in 10 % of cases instead of 2.5 % (simulated, 90 % of the variance
        between lots). `total_df` makes the upper chi-square limit of the total equal the modified large-sample limit.

    Reference:
        Searle, Casella and McCulloch 1992, Variance Components, 3.6 (estimators, n0). Thomas and Hultquist 1978, Ann. Stat. 6, 582-587
        (unweighted means). Ting, Burdick, Graybill, Jeyaratnam and Lu 1990, J. Stat. Comput. Simul. 35, 135-143 (modified large-sample
        interval). Burdick and Eickman 1986, J. Stat. Comput. Simul. 26, 205-219 (unequal sizes). Graybill and Wang 1980, J. Am. Stat. Assoc. 75,
        869-873 (limit for a sum). All but the first are in Burdick and Graybill 1992, Confidence Intervals on Variance Components, 3 and 4.

    Example:
        >>> found = components([Group(2, 1.0, 2.0), Group(2, 5.0, 2.0)])
        >>> found.within, found.between, found.total, found.grand_mean
        (2.0, 7.0, 9.0, 3.0)
    """
    return components_of([g.n for g in groups], [g.mean for g in groups], [g.ss for g in groups], confidence)


def components_of(
    sizes: Sequence[int], means: Sequence[float], squares: Sequence[float], confidence: float = 0.95
) -> Components:
    """Returns the variance components from sequences of sizes, means and sums of squares, without one object per lot.

    Raises:
        ValueError: no lot.
    """
    if not sizes:
        raise ValueError("variance components require at least one lot")
    k, spools = len(sizes), sum(sizes)
    df_within, df_between = spools - k, k - 1
    within = math.fsum(squares) / df_within if df_within else None
    within_interval = None if within is None else _variance_interval(within, df_within, confidence)
    grand_mean = fmean(means)
    if k == 1:
        return Components(
            within=within,
            between=None,
            grand_mean=grand_mean,
            mean_variance=None,
            n0=None,
            df_within=df_within,
            df_between=0,
            within_interval=within_interval,
            between_interval=None,
            total=None,
            total_df=None,
            n_effective=None,
        )
    spread = variance(means)
    n0 = (spools - sum(n * n for n in sizes) / spools) / df_between
    between, between_interval = None, None
    # The variance of a lot mean is between + within / h. For single spools it is the variance of a spool.
    rest, share = 0.0, 0.0
    if within is not None:
        weighted_mean = math.fsum(map(mul, sizes, means)) / spools
        mean_square = math.fsum([n * (mean - weighted_mean) ** 2 for n, mean in zip(sizes, means, strict=True)])
        between = max(0.0, (mean_square / df_between - within) / n0)
        share = math.fsum([1 / n for n in sizes]) / k
        rest = (1 - share) * within
        between_interval = _between_interval(spread, within, df_within, sizes, confidence)
    # The variance of lot means is at least that from the spools within lots.
    of_means = max(spread, share * (within or 0.0))
    total = of_means + rest
    return Components(
        within=within,
        between=between,
        grand_mean=grand_mean,
        mean_variance=spread / k,
        n0=n0,
        df_within=df_within,
        df_between=df_between,
        within_interval=within_interval,
        between_interval=between_interval,
        total=total,
        total_df=_total_df(spread, df_between, rest, df_within, confidence),
        n_effective=k * total / of_means if of_means else float(k),
    )


def _variance_interval(estimate: float, df: int, confidence: float) -> Interval:
    """Returns the exact chi-square interval for the variance of a normal distribution."""
    low, high = variance_limits(df, confidence)
    return Interval(low * estimate, high * estimate, confidence)


def _between_interval(
    spread: float, within: float, df_within: int, sizes: Sequence[int], confidence: float
) -> Interval:
    """Returns the interval for the variance between lots, from the variance of lot means (expected value between + within / size)."""
    df, smallest, largest = len(sizes) - 1, min(sizes), max(sizes)
    if smallest == largest:
        return _modified_large_sample(spread, df, within / smallest, df_within, confidence)
    from scipy.special import fdtri

    tail = (1 - confidence) / 2
    low, high = variance_limits(df, confidence)
    harmonic = len(sizes) / math.fsum(1 / size for size in sizes)

    def end(ratio: float, f: float, size: int) -> float:
        # `some` is the variance between lots if all had this size. The smallest size gives a conservative lower limit, the largest a
        # conservative upper limit.
        some = max(0.0, spread / f - within / size)
        return ratio * spread * some / (within / harmonic + some) if some else 0.0

    return Interval(
        end(low, float(fdtri(df, df_within, 1 - tail)), smallest),
        end(high, float(fdtri(df, df_within, tail)), largest),
        confidence,
    )


def _modified_large_sample(spread: float, df1: int, noise: float, df2: int, confidence: float) -> Interval:
    """Returns the modified large-sample interval for the difference of two variances estimated independently, `spread` less `noise`.

    G and H are the relative distances of each variance's exact limits from its estimate. The cross terms make the limits exact for a true
    difference of 0 (Burdick and Graybill 1992, 3.3).
    """
    from scipy.special import fdtri

    tail = (1 - confidence) / 2
    (low1, high1), (low2, high2) = variance_limits(df1, confidence), variance_limits(df2, confidence)
    g1, h1, g2, h2 = 1 - low1, high1 - 1, 1 - low2, high2 - 1
    f_high, f_low = float(fdtri(df1, df2, 1 - tail)), float(fdtri(df1, df2, tail))
    g12 = ((f_high - 1) ** 2 - (g1 * f_high) ** 2 - h2**2) / f_high
    h12 = ((1 - f_low) ** 2 - (h1 * f_low) ** 2 - g2**2) / f_low
    below = (g1 * spread) ** 2 + (h2 * noise) ** 2 + g12 * spread * noise
    above = (h1 * spread) ** 2 + (g2 * noise) ** 2 + h12 * spread * noise
    low = spread - noise - math.sqrt(max(0.0, below))
    high = spread - noise + math.sqrt(max(0.0, above))
    return Interval(max(0.0, low), max(0.0, high), confidence)


def _total_df(spread: float, df1: int, rest: float, df2: int, confidence: float) -> float:
    """Returns the degrees of freedom for which chi-square gives a sum of two variances its modified large-sample upper limit."""
    total = spread + rest
    if not rest or not total:
        return float(df1)
    above = math.hypot(*((variance_limits(df, confidence)[1] - 1) * part for df, part in ((df1, spread), (df2, rest))))
    wanted = 1 + above / total
    # Bisection: the upper limit decreases with the degrees of freedom.
    low, high = float(df1), float(df1 + df2)
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if variance_limits(middle, confidence)[1] > wanted else (low, middle)
    return low


def lot_mean_interval(
    values: Sequence[float], confidence: float = 0.95
) -> tuple[float, Interval | None, float | None, int]:
    """Returns the mean of lots' values with Student's t interval, their standard deviation and their number.

    Args:
        values: one per lot, any unit, at least one.
        confidence: 0 < confidence < 1.

    Returns:
        (mean, interval, standard deviation, number of lots); interval and standard deviation are None for one lot.

    Raises:
        ValueError: no value.

    Reference:
        Student 1908, Biometrika 6, 1-25; NIST/SEMATECH e-Handbook 1.3.5.2.

    Example:
        >>> mean, interval, sd, n = lot_mean_interval([1.0, 2.0, 3.0])
        >>> mean, round(interval.low, 3), round(interval.high, 3), sd, n
        (2.0, -0.484, 4.484, 1.0, 3)
    """
    if not values:
        raise ValueError("a mean requires at least one lot")
    n, mean = len(values), fmean(values)
    if n == 1:
        return mean, None, None, 1
    sd = math.sqrt(variance(values))
    half = student(n - 1, confidence) * sd / math.sqrt(n)
    return mean, Interval(mean - half, mean + half, confidence), sd, n
