"""Control charts about a frozen baseline: individuals, EWMA and tabular CUSUM."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lots.domain.conformity.limits import BINARY_NOISE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Series = Sequence[float] | Array

# d2 for n = 2, the mean range of two standard normal values.
MR_D2 = 2 / math.sqrt(math.pi)
# D4 for n = 2: 1 + 3 d3/d2, where the variance of the range is d3^2 = 2 - d2^2.
MR_D4 = 1 + 3 * math.sqrt(2 - MR_D2**2) / MR_D2
# Variance of a moving range of standard normal values, and covariance of adjacent ones, over d2 squared.
_MR_VARIANCE = 2 / MR_D2**2 - 1
_MR_COVARIANCE = math.sqrt(0.75) + math.pi / 12 - 1


@dataclass(frozen=True, slots=True)
class Individuals:
    """Limits of a chart of individual values and of their moving ranges, all in the unit of the values.

    Args:
        centre: mean of the values.
        sigma: standard deviation from the moving range, mr_bar / d2, >= 0; 0 when all values are equal.
        mr_bar: mean moving range, >= 0.
        ucl, lcl: centre plus and minus 3 sigma.
        mr_ucl: upper limit of a moving range, D4 mr_bar; the lower one is 0.
        n: number of values, >= 2.

    Raises:
        ValueError: a number is not finite, sigma is negative, limits do not enclose the centre, or n < 2.
    """

    centre: float
    sigma: float
    mr_bar: float
    ucl: float
    lcl: float
    mr_ucl: float
    n: int

    def __post_init__(self) -> None:
        finite = all(map(math.isfinite, (self.centre, self.sigma, self.ucl, self.lcl, self.mr_ucl)))
        encloses = self.lcl <= self.centre <= self.ucl and 0 <= self.mr_bar <= self.mr_ucl
        if not (finite and encloses and self.sigma >= 0 and self.n >= 2):
            raise ValueError(f"limits of a chart must be finite, enclose its centre and use 2 values, got {self!r}")


# eq=False: arrays cannot be compared to one bool.
@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """Plotted statistic of a chart and its limits at every point; all of one length.

    Args:
        statistic: plotted values, in baseline sigma about the baseline mean.
        upper, lower: limits at each point, in the same unit.
    """

    statistic: Array
    upper: Array
    lower: Array

    def __post_init__(self) -> None:
        if not len(self.statistic) == len(self.upper) == len(self.lower):
            raise ValueError("a chart requires both limits at every point")

    @property
    def above(self) -> Flags:
        """True for each point strictly above its upper limit, a signal."""
        return self.statistic > self.upper + BINARY_NOISE

    @property
    def below(self) -> Flags:
        """True for each point strictly below its lower limit, a signal."""
        return self.statistic < self.lower - BINARY_NOISE


@dataclass(frozen=True, slots=True, eq=False)
class CusumChart:
    """Both one-sided sums of a tabular CUSUM and their decision interval.

    Args:
        high: upper sums, in baseline sigma, >= 0.
        low: lower sums, in baseline sigma, >= 0 too: they grow as values fall.
        decision_interval: limit of both sums, in baseline sigma.
    """

    high: Array
    low: Array
    decision_interval: float

    def __post_init__(self) -> None:
        if len(self.high) != len(self.low):
            raise ValueError("a CUSUM requires both sums at every point")

    @property
    def above(self) -> Flags:
        """True for each point where the upper sum strictly exceeds the decision interval, a signal."""
        return self.high > self.decision_interval + BINARY_NOISE

    @property
    def below(self) -> Flags:
        """True for each point where the lower sum strictly exceeds the decision interval, a signal."""
        return self.low > self.decision_interval + BINARY_NOISE


def individuals(values: Series) -> Individuals:
    """Returns the limits of an individuals chart, with sigma from the mean moving range.

    Args:
        values: in time order, any unit, at least 2.

    Raises:
        ValueError: fewer than 2 values, or one that is not finite.

    Notes:
        Assumes independent values. A moving range includes only point-to-point variation: a slow drift inside the baseline moves the centre
        and hardly widens the limits. For approximately normal values; strongly skewed ones signal too often on one side.

    Reference:
        NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2; ASTM E2587, individuals and moving range. d2 = 1.128 and D4 = 3.267 in
        their tables are roundings of the constants used here.

    Example:
        >>> found = individuals([10.0, 12.0, 11.0, 13.0])
        >>> round(found.centre, 3), round(found.sigma, 3), round(found.ucl, 3)
        (11.5, 1.477, 15.931)
    """
    import numpy as np

    x = as_series(values, least=2)
    centre, mr_bar = float(x.mean()), float(np.abs(np.diff(x)).mean())
    sigma = mr_bar / MR_D2
    return Individuals(centre, sigma, mr_bar, centre + 3 * sigma, centre - 3 * sigma, MR_D4 * mr_bar, len(x))


def moving_range_df(n: int) -> float:
    """Returns the effective degrees of freedom of the standard deviation from the mean moving range of `n` values, >= 2.

    Reference:
        Cryer and Ryan 1990, J. Quality Technology 22, 187-192, for the variance (from memory; it follows from two moving ranges that share a
        value); Satterthwaite 1946, Biometrics Bulletin 2, 110-114, for the degrees of freedom.

    Example:
        >>> round(moving_range_df(8), 2), round(moving_range_df(20), 2)
        (4.43, 11.69)
    """
    variance = ((n - 1) * _MR_VARIANCE + 2 * (n - 2) * _MR_COVARIANCE) / (n - 1) ** 2
    return 1 / (2 * variance)


def shewhart(z: Series, limit: float = 3.0) -> Chart:
    """Returns the Shewhart chart of single standardised values with fixed limits.

    Args:
        z: (value - baseline mean) / baseline sigma, in time order; may be empty.
        limit: distance of both limits from 0, in sigma, > 0.

    Raises:
        ValueError: a value is not finite, or limit is not positive.

    Notes:
        At 3 sigma the average run length is 370 in control, and 44 after a shift of 1 sigma.

    Reference:
        Shewhart 1931, Economic Control of Quality of Manufactured Product; NIST/SEMATECH e-Handbook, 6.3.2.

    Example:
        >>> shewhart([0.2, -3.5, 3.0]).below.tolist()
        [False, True, False]
    """
    import numpy as np

    _positive(limit=limit)
    x = as_series(z)
    limits = np.full(len(x), limit)
    return Chart(x, limits, -limits)


def ewma(z: Series, weight: float = 0.2, width: float = 2.7, *, start: float = 0.0, steady: bool = False) -> Chart:
    """Returns the EWMA chart (exponentially weighted moving average), which detects small sustained shifts.

    E_i = weight z_i + (1 - weight) E_(i-1).

    Args:
        z: (value - baseline mean) / baseline sigma, in time order; may be empty.
        weight: of the newest value, 0 < weight <= 1; 1 gives the chart of single values.
        width: of the limits, in standard deviations of the average, > 0.
        start: the average before the first point, in sigma.
        steady: use the asymptotic limits instead of the exact ones, which are narrower at the first points.

    Raises:
        ValueError: a value or start is not finite, or weight or width is out of its range.

    Notes:
        Limits assume independent values. With weight 0.2, width 2.962 and asymptotic limits the average run length in control is 500.

    Reference:
        Roberts 1959, Technometrics 1(3), 239-250; Lucas and Saccucci 1990, Technometrics 32(1), 1-12; NIST/SEMATECH e-Handbook, 6.3.2.4.

    Example:
        >>> chart = ewma([1.0, 1.0, 1.0], weight=0.5, width=3.0)
        >>> chart.statistic.tolist(), [round(float(end), 3) for end in chart.upper]
        ([0.5, 0.75, 0.875], [1.5, 1.677, 1.718])
    """
    import numpy as np

    _positive(weight=weight, width=width)
    if weight > 1:
        raise ValueError(f"weight must be above 0 and at most 1, got {weight!r}")
    if not math.isfinite(start):
        raise ValueError(f"start must be a finite number, got {start!r}")
    x = as_series(z)
    averages, kept, reach = weight * x, 1 - weight, 1
    averages[:1] += kept * start
    # Doubling: the average over n points plus the decayed average before them covers 2 n points.
    while reach < len(x) and kept > 0:
        averages[reach:] += kept * averages[:-reach]
        kept, reach = kept * kept, 2 * reach
    settled = np.ones(len(x)) if steady else 1 - np.full(len(x), (1 - weight) ** 2).cumprod()
    limits = width * np.sqrt(weight / (2 - weight) * settled)
    return Chart(averages, limits, -limits)


def cusum(z: Series, reference_value: float = 0.5, decision_interval: float = 5.0) -> CusumChart:
    """Returns the tabular CUSUM, which accumulates departures beyond a reference value on either side.

    high_i = max(0, high_(i-1) + z_i - k) and low_i = max(0, low_(i-1) - z_i - k), both from 0, with k the reference value.

    Args:
        z: (value - baseline mean) / baseline sigma, in time order; may be empty.
        reference_value: k, in sigma, >= 0; half the shift to detect quickly.
        decision_interval: h, in sigma, > 0.

    Raises:
        ValueError: a value is not finite, or k or h is out of its range.

    Notes:
        With k 0.5 and h 5 the average run length is 465 in control, and 10.4 after a shift of 1 sigma. A sum is computed as the running total
        minus its minimum so far; rounding stays below 1e-10 for some 100,000 points of ordinary size, and sums below it are set to 0. Sums
        continue after a signal.

    Reference:
        Page 1954, Biometrika 41, 100-115; Lucas and Crosier 1982, Technometrics 24(3), 199-205; NIST/SEMATECH e-Handbook, 6.3.2.3.

    Example:
        >>> chart = cusum([0.0, 2.5, 2.5, 2.5, -0.5])
        >>> chart.high.tolist(), chart.low.tolist(), chart.above.tolist()
        ([0.0, 2.0, 4.0, 6.0, 5.0], [0.0, 0.0, 0.0, 0.0, 0.0], [False, False, False, True, False])
    """
    _positive(decision_interval=decision_interval)
    if not (math.isfinite(reference_value) and reference_value >= 0):
        raise ValueError(f"reference_value must be a finite number, 0 or more, got {reference_value!r}")
    x = as_series(z)
    return CusumChart(_one_sided(x - reference_value), _one_sided(-x - reference_value), decision_interval)


def as_series(values: Series, *, least: int = 0, name: str = "values") -> Array:
    """Returns `values` as a one-dimensional array of finite numbers.

    Raises:
        ValueError: fewer than `least` values, more than one dimension, or a value that is not finite.
    """
    import numpy as np

    found = np.asarray(values, dtype=float)
    if found.ndim != 1 or len(found) < least:
        raise ValueError(f"{name} must be one row of at least {least} numbers, got shape {found.shape}")
    if not np.isfinite(found).all():
        at = int(np.flatnonzero(~np.isfinite(found))[0])
        raise ValueError(f"{name} must be finite numbers, got {found[at]} at index {at}")
    return found


def _one_sided(steps: Array) -> Array:
    """Returns the cumulative sum bounded below by zero: the running total minus its minimum so far, including the initial 0."""
    import numpy as np

    total = np.cumsum(steps)
    above_lowest = total - np.minimum(np.minimum.accumulate(total), 0.0)
    return np.where(above_lowest > BINARY_NOISE, above_lowest, 0.0)


def _positive(**numbers: float) -> None:
    """Raises an error for a number that is not finite and above 0."""
    for name, number in numbers.items():
        if not (math.isfinite(number) and number > 0):
            raise ValueError(f"{name} must be a finite number above 0, got {number!r}")
