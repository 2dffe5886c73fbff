"""Change-point estimation after a signal of a chart: the lot at which a step or ramp began."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.drift.control_charts import as_series

if TYPE_CHECKING:
    from lots.domain.drift.control_charts import Array, Series


@dataclass(frozen=True, slots=True)
class Change:
    """The change of maximum likelihood.

    Args:
        kind: "step": constant departure from one point on; "ramp": linear departure from one point on.
        index: of the first changed point, 0-based.
        size: height of the step, or slope of the ramp per point, in baseline sigma; positive: upwards.
        at_end: departure at the last point, in baseline sigma; for a step its height.
        gain: decrease of the sum of squares about the baseline mean, > 0; twice the log likelihood ratio.

    Raises:
        ValueError: a number that is not finite, a negative index, or a gain that is not positive.
    """

    kind: Literal["step", "ramp"]
    index: int
    size: float
    at_end: float
    gain: float

    def __post_init__(self) -> None:
        if not all(map(math.isfinite, (self.size, self.at_end, self.gain))):
            raise ValueError(f"a change is described by finite numbers, got {self!r}")
        if self.index < 0 or self.gain <= 0:
            raise ValueError(f"a change has an index of 0 or more and a gain above 0, got {self!r}")


def find_change(z: Series) -> Change | None:
    """Returns the maximum likelihood step or ramp of departures from the baseline, with its first point.

    Args:
        z: (value - baseline mean) / baseline sigma, in time order, up to the signalled point; in control mean 0 and deviation 1.

    Returns:
        The change of larger gain, the step when they are equal; None for an empty series or one that never leaves 0.

    Raises:
        ValueError: a value is not finite.

    Notes:
        It does not test for a change; the chart does. Maximum likelihood for one change, known mean and sigma before it, independent normal
        values. A step of 1 sigma is located within a few points; the start of a ramp is less certain. A change that ended before the end of
        the series is not modelled.

    Reference:
        Samuel, Pignatiello and Calvin 1998, Quality Engineering 10(3), 521-527 (step); Perry and Pignatiello 2006, Quality Technology and
        Quantitative Management 3(3), 325-334 (linear trend of a normal mean).

    Example:
        >>> find_change([0.0, 0.0, 2.0, 2.0, 2.0])
        Change(kind='step', index=2, size=2.0, at_end=2.0, gain=12.0)
        >>> find_change([0.0, 0.0, 1.0, 2.0, 3.0])
        Change(kind='ramp', index=2, size=1.0, at_end=3.0, gain=14.0)
    """
    import numpy as np

    x = as_series(z)
    if not len(x):
        return None
    changed = np.arange(len(x), 0, -1, dtype=float)
    total = _from_here_on(x)
    step = _best(total, changed)
    # Double sums from each point on give 1 x_1 + 2 x_2 + ..., the product with a ramp, for every start at once.
    ramp = _best(_from_here_on(total), (changed[::-1] ** 2).cumsum()[::-1])
    kind: Literal["step", "ramp"] = "ramp" if ramp[2] > step[2] + BINARY_NOISE else "step"
    index, size, gain = ramp if kind == "ramp" else step
    if gain <= BINARY_NOISE:
        return None
    return Change(kind, index, size, size * (len(x) - index) if kind == "ramp" else size, gain)


def _best(products: Array, squares: Array) -> tuple[int, float, float]:
    """Returns first point, size and gain of the best change of one shape: least squares through zero from each point on.

    Args:
        products: the sum of points times shape, from each point on.
        squares: the sum of squares of the shape.
    """
    gain = products**2 / squares
    index = int(gain.argmax())
    return index, float(products[index] / squares[index]), float(gain[index])


def _from_here_on(x: Array) -> Array:
    """Returns for each point the sum of it and all points after it."""
    return x[::-1].cumsum()[::-1]
