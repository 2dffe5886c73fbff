"""Confidence ellipsoid of a multivariate mean (Hotelling's T²)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

Vector = tuple[float, ...]

# Rounding allowance, so that a point on the surface is inside.
_NOISE = 1e-10


@dataclass(frozen=True, slots=True)
class Ellipsoid:
    """A confidence ellipsoid of a mean.

    Args:
        centre: the mean of the rows, one number per coordinate.
        axes: (half length, direction) of each axis, longest first; a direction is a unit vector whose largest component is positive.
        n: number of rows.
        confidence: 0 < confidence < 1.

    Raises:
        ValueError: the numbers of axes and coordinates differ, a half length is not above 0, or the confidence is out of range.
    """

    centre: Vector
    axes: tuple[tuple[float, Vector], ...]
    n: int
    confidence: float

    def __post_init__(self) -> None:
        if not 0 < self.confidence < 1:
            raise ValueError(f"confidence is {self.confidence!r}; it must be between 0 and 1")
        if len(self.axes) != len(self.centre) or any(len(direction) != len(self.centre) for _, direction in self.axes):
            raise ValueError(f"{len(self.centre)} coordinates need as many axes")
        if not all(math.isfinite(half) and half > 0 for half, _ in self.axes):
            raise ValueError("each half length of an ellipsoid must be a number above 0")

    def contains(self, point: Sequence[float]) -> bool:
        """Returns whether the point lies inside or on the surface."""
        apart = [at - centre for at, centre in zip(point, self.centre, strict=True)]
        along = [
            math.fsum(a * d for a, d in zip(apart, direction, strict=True)) / half for half, direction in self.axes
        ]
        return math.fsum(part * part for part in along) <= 1 + _NOISE


def confidence_ellipsoid(rows: Sequence[Sequence[float]], confidence: float = 0.95) -> Ellipsoid | None:
    """Returns the confidence ellipsoid of the mean of the rows.

    Args:
        rows: one per lot, each of the same p numbers.
        confidence: 0 < confidence < 1.

    Returns:
        Half lengths in the units of the rows. None with no more rows than coordinates, or where the covariance is singular within rounding.

    Notes:
        For independent multivariate normal rows. It covers all coordinates simultaneously, so it is wider than an interval for each.

    Reference:
        Johnson and Wichern, Applied Multivariate Statistical Analysis, 5.4: half lengths sqrt(lambda_i) * sqrt(p (n - 1) / (n (n - p)) * F),
        along the eigenvectors of the covariance, F with p and n - p degrees of freedom.

    Example:
        >>> found = confidence_ellipsoid([(-1.0, 0.0), (1.0, 0.0), (0.0, 2.0), (0.0, -2.0)])
        >>> [round(half, 2) for half, _ in found.axes], found.contains((0.0, 6.0)), found.contains((6.0, 0.0))
        ([6.16, 3.08], True, False)
    """
    import numpy as np
    from scipy.special import fdtri

    if len(rows) == 0 or len(rows) <= len(rows[0]):
        return None
    table = np.asarray(rows, dtype=float)
    n, p = table.shape
    centre, largest = table.mean(axis=0), np.abs(table).max(axis=0)
    rounding = 8 * n * np.finfo(float).eps
    if not largest.all() or np.linalg.matrix_rank((table - centre) / largest, tol=rounding) < p:
        return None
    # Squared singular values over n - 1 are the eigenvalues of the covariance, with less rounding error.
    _, singular, directions = np.linalg.svd(table - centre, full_matrices=False)
    factor = math.sqrt(p / (n * (n - p)) * float(fdtri(p, n - p, confidence)))
    axes = []
    for size, direction in zip(singular, directions, strict=True):
        sign = 1.0 if direction[np.argmax(np.abs(direction))] > 0 else -1.0
        axes.append((float(size) * factor, tuple(float(part) * sign for part in direction)))
    return Ellipsoid(tuple(float(at) for at in centre), tuple(axes), n, confidence)
