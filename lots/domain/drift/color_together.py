"""Multivariate drift of a lot's colour: Hotelling's T² against a frozen baseline."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lots.domain.drift.baseline import PROVISIONAL_FROM
from lots.domain.drift.hotelling import contributions, covariance, phase2_limit, t_squared

if TYPE_CHECKING:
    import numpy as np

    from lots.domain.drift.hotelling import Table

# False alarm rate of T2 per lot, that of limits at three sigma.
T2_ALPHA = 0.0027


@dataclass(frozen=True, slots=True)
class ColorBaseline:
    """Mean and covariance of a lot's (dL*, da*, db*) over `n` baseline lots."""

    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    n: int
    chosen: bool


@dataclass(frozen=True, slots=True, eq=False)
class Together:
    """Hotelling's T² of each lot's colour, its limit, the lots `beyond` it, and the contributions of dL*, da*, db* to those."""

    statistic: np.ndarray
    limit: float
    beyond: np.ndarray
    parts: np.ndarray
    n: int

    @property
    def signals(self) -> Iterator[tuple[int, list[float]]]:
        """Each lot beyond the limit with its contributions, in order."""
        return zip(self.beyond.tolist(), self.parts.tolist(), strict=True)


def color_baseline(rows: Table, *, chosen: bool) -> ColorBaseline | None:
    """Returns the multivariate baseline of colour; None for fewer than PROVISIONAL_FROM lots."""
    import numpy as np

    if len(rows) < PROVISIONAL_FROM:
        return None
    table = np.asarray(rows, dtype=float)
    return ColorBaseline(
        tuple(table.mean(axis=0).tolist()), tuple(map(tuple, covariance(table).tolist())), len(rows), chosen
    )


def together(rows: Table, baseline: ColorBaseline | None) -> Together | None:
    """Returns T² of a stretch of lots, which detects an unusual combination of ordinary coordinates.

    Args:
        rows: dL*, da*, db* per lot.
        baseline: None to use the first PROVISIONAL_FROM lots, once available.

    Returns:
        None without a baseline, or with a singular covariance.

    Reference:
        Montgomery, Introduction to Statistical Quality Control, 11.3 (from memory); ISO 7870-7; contributions: Runger, Alt and
        Montgomery 1996.
    """
    import numpy as np

    table = np.asarray(rows, dtype=float)
    if baseline is None:
        baseline = color_baseline(table[:PROVISIONAL_FROM].tolist(), chosen=False)
    if baseline is None:
        return None
    mean, matrix = np.asarray(baseline.mean), np.asarray(baseline.covariance)
    try:
        statistic = t_squared(table, mean, matrix)
    except ValueError:
        return None
    most = phase2_limit(baseline.n, table.shape[1], T2_ALPHA)
    beyond = (statistic > most).nonzero()[0]
    return Together(statistic, most, beyond, contributions(table[beyond], mean, matrix), baseline.n)
