"""A tolerance from a visual trial: plaques judged acceptable or not, and the ellipsoid of colours that a stated share would accept."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lots.domain.statistics.logistic_regression import lack_of_fit, most_likely, parted
from lots.domain.statistics.quantiles import student
from lots.domain.statistics.tolerance_ellipsoid import (
    PARTS,
    Radius,
    Tolerance,
    Vector,
    along,
    largest_positive,
    log_odds,
    products,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# One number for how readily the reference itself is accepted, six for the shape of the ellipsoid.
_UNKNOWNS = 1 + len(PARTS)
# A shape that is flatter than this to rounding is one without an end.
_FLAT = 1e-9
# Fewer observers than this say little of how observers differ; common practice, no source.
LEAST_OBSERVERS = 5


@dataclass(frozen=True, slots=True)
class Plaque:
    """One plaque of a trial and what became of it.

    Args:
        dL, da, db: its colour less the reference's, CIELAB; positive is lighter, redder, yellower.
        accepted: judgements that it is acceptable, 0..judged.
        judged: judgements in all, >= 1.

    Raises:
        ValueError: a number out of its range.
    """

    dL: float
    da: float
    db: float
    accepted: int
    judged: int

    def __post_init__(self) -> None:
        if not all(math.isfinite(part) for part in self.apart):
            raise ValueError(f"the differences of a plaque must be finite numbers, got {self.apart!r}")
        if self.judged < 1 or not 0 <= self.accepted <= self.judged:
            raise ValueError(
                f"accepted is {self.accepted!r} of {self.judged!r} judged; it must be 0 to judged, of at least 1"
            )

    @property
    def apart(self) -> Vector:
        """Where it lies from the reference."""
        return (self.dL, self.da, self.db)


@dataclass(frozen=True, slots=True)
class Unfitted:
    """A trial that gives no tolerance: `why`, and what to show to the observers next."""

    why: str


def fit_trial(plaques: Sequence[Plaque], share: float = 0.5, confidence: float = 0.95) -> Tolerance | Unfitted:
    """Returns the tolerance that a visual trial shows, or why it shows none.

    The log odds of a plaque being accepted are taken as a constant less a quadratic form in (dL*, da*, db*), and constant and form are those
    that make the judgements most likely. Where the odds are those of the share, an ellipsoid about the reference results.

    Args:
        plaques: the same colour may be there several times, as for several observers.
        share: of judgements that accept on the surface, 0 < share < 1; 0.5 is the border, more is stricter.
        confidence: of the intervals, 0 < confidence < 1.

    Returns:
        Unfitted where the plaques are too few or too alike for a shape; where accepted and rejected ones do not overlap, so that any steepness
        would do; where acceptance does not fall in some direction; or where even the reference is accepted by less than the share.

    Raises:
        ValueError: share or confidence out of its range.

    Notes:
        Judgements count as independent. Where the plaques scatter about the ellipsoid more than chance explains (p below 0.01), intervals
        are widened by the root of the dispersion. That does not show how observers differ who all saw the same plaques: the interval speaks of
        this panel (see across_observers). Tolerances are symmetric about the reference by construction.

    Reference:
        ASTM D3134 (establishing colour and gloss tolerances: plaques about the reference, judged by those who must agree; from memory). Fit of
        an ellipsoid to shares of judgements: Berns, Alman, Reniff, Snyder and Balonon-Rosen 1991, Color Res. Appl. 16(5), 297-316, with
        probits (from memory). Logistic regression and dispersion: McCullagh and Nelder 1989, Generalized Linear Models, chapter 4.
        Overlap: Albert and Anderson 1984, Biometrika 71, 1-10.

    Example:
        >>> ways = [(1, 0, 0), (0, 1, 0), (0, 0, 1), (0.7, 0.7, 0), (0.7, 0, 0.7), (0, 0.7, 0.7)]
        >>> trial = [Plaque(s * x, s * y, s * z, {0.5: 18, 1.0: 2}[s], 20) for s in (0.5, 1.0) for x, y, z in ways]
        >>> found = fit_trial(trial)
        >>> [round(axis.half, 2) for axis in found.axes], found.more_judgements(0.1)
        ([0.8, 0.8, 0.77], 1008)
    """
    import numpy as np

    if not (0 < share < 1 and 0 < confidence < 1):
        raise ValueError(f"share is {share!r} and confidence {confidence!r}; each must be between 0 and 1")
    apart, accepted, judged = _merged(plaques)
    columns = np.concatenate([np.ones((len(apart), 1)), -products(apart)], axis=1)
    if why := _too_alike(columns):
        return Unfitted(why)
    size = np.abs(columns).max(axis=0)
    scaled = columns / size
    if why := _no_overlap(scaled, accepted, judged):
        return Unfitted(why)
    fitted = most_likely(scaled, accepted, judged)
    if fitted is None:
        return Unfitted(
            "The fit did not settle: the judgements hardly bound the tolerance. Show more plaques near its border."
        )
    parameters, covariance = fitted[0] / size, fitted[1] / np.outer(size, size)
    dispersion, fit_p = lack_of_fit(scaled @ fitted[0], accepted, judged, _UNKNOWNS)
    if why := _no_ellipsoid(parameters, share):
        return Unfitted(why)
    return Tolerance(
        share,
        confidence,
        tuple(parameters.tolist()),
        tuple(tuple(row) for row in (covariance * dispersion).tolist()),
        dispersion,
        fit_p,
        tuple((dL, da, db) for dL, da, db in apart.tolist()),
        int(judged.sum()),
    )


def across_observers(
    panels: Sequence[Sequence[Plaque]], share: float = 0.5, confidence: float = 0.95
) -> tuple[Radius, ...] | Unfitted:
    """Returns the axes of the tolerance with intervals that allow for observers who differ.

    Args:
        panels: per observer, what that one judged.
        share, confidence: as in fit_trial.

    Returns:
        The axes of the fit to all, longest first. Unfitted where that fit is, where a fit without one of the observers is, or where there are fewer
        than LEAST_OBSERVERS.

    Raises:
        ValueError: share or confidence out of its range.

    Notes:
        Each observer is left out in turn; how the logarithm of an axis then moves tells its uncertainty for observers at large. With one
        observer stricter than another, judgements of one are not independent, and the interval of fit_trial is too narrow.

    Reference:
        Jackknife over groups: Efron and Tibshirani 1993, An Introduction to the Bootstrap, chapter 11 (from memory); t with one degree
        of freedom fewer than observers.
    """
    everything = fit_trial([plaque for panel in panels for plaque in panel], share, confidence)
    if isinstance(everything, Unfitted):
        return everything
    n = len(panels)
    if n < LEAST_OBSERVERS:
        return Unfitted(f"{n} observers do not show how observers differ: it takes at least {LEAST_OBSERVERS}.")
    axes = everything.axes
    moved = []
    for left_out in range(n):
        rest = fit_trial(
            [p for number, panel in enumerate(panels) if number != left_out for p in panel], share, confidence
        )
        if isinstance(rest, Unfitted):
            return Unfitted(
                f"All rests on observer {left_out + 1}: without that one, {rest.why[:1].lower()}{rest.why[1:]}"
            )
        moved.append([math.log(rest.radius(axis.direction).half) for axis in axes])
    t = student(n - 1, confidence)
    found = []
    for axis, logs in zip(axes, zip(*moved, strict=True), strict=True):
        u = math.sqrt((n - 1) / n) * math.hypot(*(log - math.fsum(logs) / n for log in logs))
        found.append(Radius(axis.direction, axis.half, axis.half * math.exp(-t * u), axis.half * math.exp(t * u), u))
    return tuple(found)


def _merged(plaques: Sequence[Plaque]) -> tuple[Array, Array, Array]:
    """Each colour once, with its judgements added up, in an order that does not depend on theirs."""
    import numpy as np

    counts: dict[Vector, tuple[int, int]] = {}
    for plaque in plaques:
        accepted, judged = counts.get(plaque.apart, (0, 0))
        counts[plaque.apart] = (accepted + plaque.accepted, judged + plaque.judged)
    places = sorted(counts)
    table = np.array([counts[place] for place in places], dtype=float).reshape(-1, 2)
    return np.array(places, dtype=float).reshape(-1, 3), table[:, 0], table[:, 1]


def _too_alike(columns: Array) -> str:
    """Says when the plaques cannot tell the seven unknowns apart; "" else."""
    import numpy as np

    size = np.abs(columns).max(axis=0, initial=0.0)
    if len(columns) >= _UNKNOWNS and size.all() and np.linalg.matrix_rank(columns / size, tol=1e-8) == _UNKNOWNS:
        return ""
    number = f"at least {_UNKNOWNS}, among them some" if len(columns) < _UNKNOWNS else "some"
    return (
        f"{len(columns)} different plaques do not show a shape{_alike_in(size[1:4].tolist(), len(columns))}: it takes {number} that differ in "
        "lightness, in a* and in b* alone, in each two of them together, and at two distances."
    )


def _alike_in(squares: Sequence[float], n: int) -> str:
    """Says in what alone plaques differ, by the largest square per coordinate; "" where too few of them are all that is wrong."""
    differing = [name for name, square in zip(("lightness", "a*", "b*"), squares, strict=True) if square]
    if not differing:
        return ""
    if len(differing) < len(squares):
        return f", since they all differ from the reference in {' and '.join(differing)} only"
    return "" if n < _UNKNOWNS else ", since they lie in too few directions or at one distance from the reference"


def _no_overlap(columns: Array, accepted: Array, judged: Array) -> str:
    """Says when nothing tells how sharp the border is; "" else."""
    if not accepted.any() or accepted.sum() == judged.sum():
        word, where = ("accepted", "further from") if accepted.any() else ("rejected", "nearer to")
        return f"Every plaque was {word} each time: show some {where} the reference."
    if not parted(columns, accepted, judged):
        return ""
    return (
        "Accepted and rejected plaques do not overlap, so how sharp the border is cannot be told: show plaques close to it, or to more "
        "observers, until some are judged both ways."
    )


def _no_ellipsoid(parameters: Array, share: float) -> str:
    """Says why the parameters give no ellipsoid; "" when they do."""
    import numpy as np
    from scipy.special import expit

    ll, aa, bb, la, lb, ab = parameters[1:].tolist()
    sizes, directions = np.linalg.eigh(np.array([[ll, la, lb], [la, aa, ab], [lb, ab, bb]]))
    if sizes[0] <= _FLAT * abs(sizes[-1]):
        way = along(largest_positive(directions[:, 0].tolist()))
        return f"Acceptance does not fall {way}, so the tolerance has no end there: show plaques further out that way, and the opposite way."
    if parameters[0] <= log_odds(share):
        return (
            f"Even the reference itself would be accepted by {100 * float(expit(parameters[0])):.0f} % of judgements only, fewer than "
            f"{100 * share:g} %: ask the observers what they judged by, or show plaques nearer to the reference."
        )
    return ""
