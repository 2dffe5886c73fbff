"""Control charts: limits of an individuals chart, the EWMA and the tabular CUSUM, for values about a frozen baseline."""

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

# Mean range of two standard normal values (d2), which turns a mean moving range into a standard deviation.
MR_D2 = 2 / math.sqrt(math.pi)
# Upper limit of a moving range as a multiple of their mean (D4): 1 + 3 d3/d2, and the variance of the range is 2 - d2^2.
MR_D4 = 1 + 3 * math.sqrt(2 - MR_D2**2) / MR_D2
# Variance of a moving range of standard normal values, and covariance of two neighbouring ones, which share a value: over d2 squared.
_MR_VARIANCE = 2 / MR_D2**2 - 1
_MR_COVARIANCE = math.sqrt(0.75) + math.pi / 12 - 1


@dataclass(frozen=True, slots=True)
class Individuals:
    """Limits of a chart of individual values and of their moving ranges, all in the unit of the values.

    Args:
        centre: mean of the values.
        sigma: standard deviation from point to point, mr_bar / d2, >= 0; 0 when no value differs from the one before.
        mr_bar: mean absolute difference of neighbours, >= 0.
        ucl, lcl: centre plus and minus 3 sigma.
        mr_ucl: upper limit of a moving range, D4 mr_bar; the lower one is 0.
        n: values behind them, >= 2.

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
            raise ValueError(f"limits of a chart must be finite, enclose its centre and rest on 2 values, got {self!r}")


# Arrays have no single answer to "equal?", so charts are not compared.
@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """What a chart plots and its limits at every point; all of one length.

    Args:
        statistic: what is plotted, in baseline sigma about the baseline mean.
        upper, lower: limits at each point, in the same unit.
    """

    statistic: Array
    upper: Array
    lower: Array

    def __post_init__(self) -> None:
        if not len(self.statistic) == len(self.upper) == len(self.lower):
            raise ValueError("a chart needs a limit on either side for every point")

    @property
    def above(self) -> Flags:
        """Whether each point lies strictly beyond its upper limit, and so signals."""
        return self.statistic > self.upper + BINARY_NOISE

    @property
    def below(self) -> Flags:
        """Whether each point lies strictly beyond its lower limit."""
        return self.statistic < self.lower - BINARY_NOISE


@dataclass(frozen=True, slots=True, eq=False)
class CusumChart:
    """Both one-sided sums of a tabular CUSUM and their limit.

    Args:
        high: sums of departures upwards, in baseline sigma, >= 0.
        low: sums of departures downwards, in baseline sigma, >= 0 too: it grows as values fall.
        decision_interval: limit of both sums, in baseline sigma.
    """

    high: Array
    low: Array
    decision_interval: float

    def __post_init__(self) -> None:
        if len(self.high) != len(self.low):
            raise ValueError("a CUSUM has both sums at every point")

    @property
    def above(self) -> Flags:
        """Whether the high sum lies strictly beyond the decision interval at each point, and so signals."""
        return self.high > self.decision_interval + BINARY_NOISE

    @property
    def below(self) -> Flags:
        """The same of the low sum."""
        return self.low > self.decision_interval + BINARY_NOISE


def individuals(values: Series) -> Individuals:
    """Returns the limits of an individuals chart, with sigma from the mean moving range.

    Args:
        values: in the order in which they arose, any unit, at least 2.

    Raises:
        ValueError: fewer than 2 values, or one that is not finite.

    Notes:
        Neighbours are assumed independent. A moving range sees scatter from point to point only: a slow drift inside the baseline moves
        the centre and hardly widens the limits. For about normal values; strongly skewed ones signal too often on one side.

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
    """Returns the degrees of freedom of the standard deviation from the mean moving range of `n` values, >= 2: those of equal variance.

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
    """Returns the chart of single standardised values between fixed limits.

    Args:
        z: (value - baseline mean) / baseline sigma, in time order; may be empty.
        limit: distance of both limits from 0, in sigma, > 0.

    Raises:
        ValueError: a value is not finite, or limit is not positive.

    Notes:
        With 3 sigma a process in control signals once in 370 points, one shifted by 1 sigma once in 44.

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
    """Returns the chart of the exponentially weighted moving average, which shows small lasting shifts.

    E_i = weight z_i + (1 - weight) E_(i-1).

    Args:
        z: (value - baseline mean) / baseline sigma, in time order; may be empty.
        weight: of the newest value, 0 < weight <= 1; with 1 it is the chart of single values.
        width: of the limits, in standard deviations of the average, > 0.
        start: the average before the first point, in sigma.
        steady: take the limits the average tends to, instead of the exact ones, which are narrower at the first points.

    Raises:
        ValueError: a value or start is not finite, or weight or width is out of its range.

    Notes:
        Limits suppose independent values. With weight 0.2, width 2.962 and steady limits a process in control signals once in 500 points.

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
    # An average of so many points and what is left of the one that ends before them is the average of twice as many.
    while reach < len(x) and kept > 0:
        averages[reach:] += kept * averages[:-reach]
        kept, reach = kept * kept, 2 * reach
    settled = np.ones(len(x)) if steady else 1 - np.full(len(x), (1 - weight) ** 2).cumprod()
    limits = width * np.sqrt(weight / (2 - weight) * settled)
    return Chart(averages, limits, -limits)


def cusum(z: Series, reference_value: float = 0.5, decision_interval: float = 5.0) -> CusumChart:
    """Returns the tabular CUSUM, which adds up what lies beyond a reference value on either side.

    high_i = max(0, high_(i-1) + z_i - k) and low_i = max(0, low_(i-1) - z_i - k), both from 0, with k the reference value.

    Args:
        z: (value - baseline mean) / baseline sigma, in time order; may be empty.
        reference_value: k, in sigma, >= 0; half the shift that is to be found fast.
        decision_interval: h, in sigma, > 0.

    Raises:
        ValueError: a value is not finite, or k or h is out of its range.

    Notes:
        With k 0.5 and h 5 a process in control signals once in 465 points and one shifted by 1 sigma after 10.4 on average. A sum is the sum
        of all steps less its lowest value so far; rounding stays below 1e-10 for some 100,000 points of ordinary size, and a sum
        that small is 0. Sums go on after a signal.

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
    """Returns `values` as an array of finite numbers in one row.

    Raises:
        ValueError: fewer than `least` values, more than one row, or a value that is not finite.
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
    """The sum of steps that never falls below zero: their running total less its lowest value so far, the 0 before the first included."""
    import numpy as np

    total = np.cumsum(steps)
    above_lowest = total - np.minimum(np.minimum.accumulate(total), 0.0)
    return np.where(above_lowest > BINARY_NOISE, above_lowest, 0.0)


def _positive(**numbers: float) -> None:
    """Refuses a number that is not finite and above 0."""
    for name, number in numbers.items():
        if not (math.isfinite(number) and number > 0):
            raise ValueError(f"{name} must be a finite number above 0, got {number!r}")
