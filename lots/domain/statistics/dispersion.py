"""Test of homogeneity of Poisson counts: the index of dispersion."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

# Least expected counts for the chi-square approximation.
_LEAST_MEAN, _LEAST_EACH = 5.0, 1.0
# Grid of the index for the exact distribution, and the largest table.
_STEPS, _LARGEST = 1000, 3000


def index_of_dispersion(counts: Sequence[int], amounts: Sequence[float]) -> float:
    """Returns the index of dispersion, the sum of (count - expected)^2 / expected, over units with different exposures.

    Args:
        counts: events per unit, each >= 0, at least one unit.
        amounts: exposure of each unit, each > 0.

    Returns:
        0 or more; 0 without any event.

    Reference:
        Fisher 1925, Statistical Methods for Research Workers, section 16 (small samples of the Poisson series; number from memory); Hoel 1943,
        On indices of dispersion, Annals of Mathematical Statistics 14, 155-162.

    Example:
        >>> index_of_dispersion([9, 0, 0, 0, 0], [1.0] * 5)
        36.0
    """
    total, whole = sum(counts), math.fsum(amounts)
    if not total:
        return 0.0
    expected = [total * amount / whole for amount in amounts]
    return math.fsum((count - mean) ** 2 / mean for count, mean in zip(counts, expected, strict=True))


def one_rate_p(counts: Sequence[int], amounts: Sequence[float]) -> float:
    """Returns the p-value of the index of dispersion under one common rate.

    Given their sum, counts with one rate are multinomial. The chi-square distribution with one degree of freedom less than units is used for
    expected counts of at least 5 on average and 1 each, and for large tables. Otherwise the exact distribution is summed.

    Args:
        counts, amounts: as for `index_of_dispersion`.

    Returns:
        0 to 1; 1 for a single unit or fewer than two events.

    Notes:
        The exact sum rounds each term of the index up by at most a thousandth of the observed index, so that p is never too small.

    Example:
        >>> round(one_rate_p([3, 1], [1.0, 1.0]), 3)
        0.625
    """
    total, units = sum(counts), len(counts)
    if units < 2 or total < 2:
        return 1.0
    least = total * min(amounts) / math.fsum(amounts)
    if (total / units >= _LEAST_MEAN and least >= _LEAST_EACH) or total * units > _LARGEST:
        from scipy.special import chdtrc

        return float(chdtrc(units - 1, index_of_dispersion(counts, amounts)))
    return _exact(tuple(counts), tuple(amounts))


@lru_cache(maxsize=4096)
def _exact(counts: tuple[int, ...], amounts: tuple[float, ...]) -> float:
    """Returns one minus the multinomial probability of a smaller index, from Poisson counts conditional on their sum."""
    import numpy as np

    total, whole, seen = sum(counts), math.fsum(amounts), index_of_dispersion(counts, amounts)
    if seen <= 0:
        return 1.0
    below = np.zeros((total + 1, _STEPS))
    below[0, 0] = 1.0
    for amount in amounts:
        mean, added = total * amount / whole, np.zeros_like(below)
        for count in range(total + 1):
            step = math.ceil(_STEPS * (count - mean) ** 2 / mean / seen - 1e-9)
            if step < _STEPS:
                added[count:, step:] += _poisson(count, mean) * below[: total + 1 - count, : _STEPS - step]
        below = added
    return min(1.0, max(0.0, 1.0 - float(below[total].sum()) / _poisson(total, float(total))))


def _poisson(count: int, mean: float) -> float:
    return math.exp(count * math.log(mean) - mean - math.lgamma(count + 1))
