"""How much of the spread lies between a supplier's lots and how much within them, and means of lots, each with its interval."""

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
    """The spools of one lot in short.

    Args:
        n: spools, >= 1.
        mean: of the spools' values, any unit.
        ss: sum of their squared distances from that mean, in the unit squared, >= 0; 0 for one spool.

    Raises:
        ValueError: a number is not such.
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
    """Variance components of a supplier's spools. Variances are in the unit squared; None stands for what nothing is there to tell.

    Args:
        within: variance between spools of one lot; None where no lot has two spools.
        between: variance between the true means of lots, 0 where the lots differ no more than their spools explain; None with fewer than
            two lots, or without `within`.
        grand_mean: mean of the lots' means, each lot counting once.
        mean_variance: variance of the grand mean as an estimate of the supplier's mean; None for one lot.
        n0: the size of lots that unequal ones amount to; their size where all are alike; None for one lot.
        df_within, df_between: degrees of freedom of the two mean squares.
        within_interval, between_interval: None where the component is.
        total: variance of one spool of the supplier's, whatever its lot. between + within where all lots have one size; None for one lot.
        total_df: degrees of freedom of a variance as uncertain as `total`.
        n_effective: `total` over the variance of the grand mean: how many independent spools would tell the mean as well. Never more than
            there are, since that variance is not taken for less than the spools' own spread makes it; None for one lot.
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
    """Returns the variance within lots and between them, and of all spools together, each with what it rests on.

    Args:
        groups: one per lot, at least one; sizes may differ.
        confidence: of the intervals, and of what `total_df` is fitted to; 0 < confidence < 1.

    Raises:
        ValueError: there is no lot.

    Notes:
        For lots drawn at random from a supplier, and normal distributions. `within` and `between` are the estimators of the analysis of
        variance. The interval for `between`, and `total`, are built on the unweighted means of lots, whose variance is between + within / h,
        h the harmonic mean size. For lots of one size the interval is the modified large-sample one. For unequal sizes that one misses up
        to 10 % where between is small (simulated), so Burdick and Eickman's is used, which is hardly wider. Ends below 0 are set to 0.

        Satterthwaite's degrees of freedom are not used for `total`. Where three lots happen to lie close together they come out near
        the number of spools, and an interval for capability built on them misses on one side in 10 % of cases instead of 2.5 %
        (simulated, 90 % of the variance between lots). `total_df` makes the upper chi-square limit of the total the modified large-sample limit.

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
    """Returns the same from the sizes, means and sums of squares of lots, as `Group` has them: thousands of lots need no object each.

    Raises:
        ValueError: there is no lot.
    """
    if not sizes:
        raise ValueError("the variance components of no lots are nothing")
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
    # A lot's mean differs from the supplier's by between + within / h; with single spools that is the variance of a spool itself.
    rest, share = 0.0, 0.0
    if within is not None:
        weighted_mean = math.fsum(map(mul, sizes, means)) / spools
        mean_square = math.fsum([n * (mean - weighted_mean) ** 2 for n, mean in zip(sizes, means, strict=True)])
        between = max(0.0, (mean_square / df_between - within) / n0)
        share = math.fsum([1 / n for n in sizes]) / k
        rest = (1 - share) * within
        between_interval = _between_interval(spread, within, df_within, sizes, confidence)
    # The means of lots cannot truly scatter less than their spools make them.
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
    """The exact interval for the variance of a normal distribution, by chi-square."""
    low, high = variance_limits(df, confidence)
    return Interval(low * estimate, high * estimate, confidence)


def _between_interval(
    spread: float, within: float, df_within: int, sizes: Sequence[int], confidence: float
) -> Interval:
    """The interval for the variance between lots, from the variance of their means, whose true value is between + within / size."""
    df, smallest, largest = len(sizes) - 1, min(sizes), max(sizes)
    if smallest == largest:
        return _modified_large_sample(spread, df, within / smallest, df_within, confidence)
    from scipy.special import fdtri

    tail = (1 - confidence) / 2
    low, high = variance_limits(df, confidence)
    harmonic = len(sizes) / math.fsum(1 / size for size in sizes)

    def end(ratio: float, f: float, size: int) -> float:
        # `some` would be between, if the means of lots were of spools like those of one size. Lots of the smallest size make the low end
        # low enough, those of the largest make the high end high enough.
        some = max(0.0, spread / f - within / size)
        return ratio * spread * some / (within / harmonic + some) if some else 0.0

    return Interval(
        end(low, float(fdtri(df, df_within, 1 - tail)), smallest),
        end(high, float(fdtri(df, df_within, tail)), largest),
        confidence,
    )


def _modified_large_sample(spread: float, df1: int, noise: float, df2: int, confidence: float) -> Interval:
    """The interval for the difference of two variances that were estimated independently, `spread` less `noise`.

    G and H are how far each variance's own exact limits lie from it, as a fraction; the cross terms make the limits exact where the true
    difference is 0 (Burdick and Graybill 1992, 3.3).
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
    """The degrees of freedom for which chi-square gives the sum of two variances its modified large-sample upper limit."""
    total = spread + rest
    if not rest or not total:
        return float(df1)
    above = math.hypot(*((variance_limits(df, confidence)[1] - 1) * part for df, part in ((df1, spread), (df2, rest))))
    wanted = 1 + above / total
    # The upper limit falls as the degrees of freedom grow, so they are found by halving.
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
        ValueError: there is no value.

    Reference:
        Student 1908, Biometrika 6, 1-25; NIST/SEMATECH e-Handbook 1.3.5.2.

    Example:
        >>> mean, interval, sd, n = lot_mean_interval([1.0, 2.0, 3.0])
        >>> mean, round(interval.low, 3), round(interval.high, 3), sd, n
        (2.0, -0.484, 4.484, 1.0, 3)
    """
    if not values:
        raise ValueError("the mean of no lots is not a number")
    n, mean = len(values), fmean(values)
    if n == 1:
        return mean, None, None, 1
    sd = math.sqrt(variance(values))
    half = student(n - 1, confidence) * sd / math.sqrt(n)
    return mean, Interval(mean - half, mean + half, confidence), sd, n
