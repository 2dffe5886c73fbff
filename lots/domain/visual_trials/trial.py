"""Tolerance from a visual trial of plaques judged acceptable or not: the acceptance ellipsoid for a share of judgements."""

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
from lots.domain.words import counted, listed

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# Intercept, and six coefficients of the quadratic form.
_UNKNOWNS = 1 + len(PARTS)
# Ratio of eigenvalues below which the form counts as singular.
_FLAT = 1e-9
# Least observers for an estimate of the variation between them; common practice, no source.
LEAST_OBSERVERS = 5


@dataclass(frozen=True, slots=True)
class Plaque:
    """One plaque of a trial with its judgements.

    Args:
        dL, da, db: its colour minus the reference's, CIELAB; positive is lighter, redder, yellower.
        accepted: judgements "acceptable", 0..judged.
        judged: all judgements, >= 1.

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
        """Its deviation from the reference."""
        return (self.dL, self.da, self.db)


@dataclass(frozen=True, slots=True)
class Unfitted:
    """A trial without a tolerance: `why` gives the reason and the next step."""

    why: str


def fit_trial(plaques: Sequence[Plaque], share: float = 0.5, confidence: float = 0.95) -> Tolerance | Unfitted:
    """Returns the tolerance of a visual trial, or the reason why there is none.

    Model: the log odds of acceptance are a constant minus a quadratic form in (dL*, da*, db*), fitted by maximum likelihood. The surface on which
    they equal the log odds of the share is an ellipsoid about the reference.

    Args:
        plaques: the same colour may occur several times, for example per observer.
        share: of judgements that accept on the surface, 0 < share < 1; 0.5 is the border, more is stricter.
        confidence: of the intervals, 0 < confidence < 1.

    Returns:
        Unfitted where the plaques are too few or too similar for a shape; where accepted and rejected ones are separated; where acceptance does
        not decrease in some direction; or where the reference itself is accepted by less than the share.

    Raises:
        ValueError: share or confidence out of its range.

    Notes:
        Judgements are taken as independent. With significant lack of fit (p below 0.01), standard errors are multiplied by the root of the
        dispersion. The interval does not include the variation between observers who judged the same plaques: it applies to this panel (see
        across_observers). Tolerances are symmetric about the reference by construction.

    Reference:
        ASTM D3134 (establishing colour and gloss tolerances: plaques about the reference, judged by the parties; from memory). Fit of
        an ellipsoid to shares of judgements: Berns, Alman, Reniff, Snyder and Balonon-Rosen 1991, Color Res. Appl. 16(5), 297-316, with
        probits (from memory). Logistic regression and dispersion: McCullagh and Nelder 1989, Generalized Linear Models, chapter 4.
        Separation: Albert and Anderson 1984, Biometrika 71, 1-10.

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
    if why := _too_alike(columns, len(plaques)):
        return Unfitted(why)
    size = np.abs(columns).max(axis=0)
    scaled = columns / size
    if why := _no_overlap(scaled, accepted, judged):
        return Unfitted(why)
    fitted = most_likely(scaled, accepted, judged)
    if fitted is None:
        return Unfitted(
            "The fit did not converge, because the judgements hardly bound the tolerance. Show more plaques near its border."
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
    """Returns the axes of the tolerance with intervals that include the variation between observers.

    Args:
        panels: judgements of each observer.
        share, confidence: as in fit_trial.

    Returns:
        The axes of the fit to all, longest first. Unfitted where that fit is, where a fit without one of the observers is, or with fewer than
        LEAST_OBSERVERS.

    Raises:
        ValueError: share or confidence out of its range.

    Notes:
        Jackknife: each observer is left out in turn, and the change of the logarithm of an axis gives its uncertainty for observers in general.
        If observers differ in strictness, the judgements of one are not independent, and the interval of fit_trial is too narrow.

    Reference:
        Jackknife over groups: Efron and Tibshirani 1993, An Introduction to the Bootstrap, chapter 11 (from memory); t with one degree
        of freedom fewer than observers.
    """
    everything = fit_trial([plaque for panel in panels for plaque in panel], share, confidence)
    if isinstance(everything, Unfitted):
        return everything
    n = len(panels)
    if n < LEAST_OBSERVERS:
        return Unfitted(
            f"The variation between observers requires at least {LEAST_OBSERVERS} observers. There are {n}."
        )
    axes = everything.axes
    moved = []
    for left_out in range(n):
        rest = fit_trial(
            [p for number, panel in enumerate(panels) if number != left_out for p in panel], share, confidence
        )
        if isinstance(rest, Unfitted):
            return Unfitted(
                f"The tolerance depends on observer {left_out + 1} alone. Without this observer: {rest.why}"
            )
        moved.append([math.log(rest.radius(axis.direction).half) for axis in axes])
    t = student(n - 1, confidence)
    found = []
    for axis, logs in zip(axes, zip(*moved, strict=True), strict=True):
        u = math.sqrt((n - 1) / n) * math.hypot(*(log - math.fsum(logs) / n for log in logs))
        found.append(Radius(axis.direction, axis.half, axis.half * math.exp(-t * u), axis.half * math.exp(t * u), u))
    return tuple(found)


def _merged(plaques: Sequence[Plaque]) -> tuple[Array, Array, Array]:
    """Returns each colour once, with the sums of its judgements, in an order independent of the input."""
    import numpy as np

    counts: dict[Vector, tuple[int, int]] = {}
    for plaque in plaques:
        accepted, judged = counts.get(plaque.apart, (0, 0))
        counts[plaque.apart] = (accepted + plaque.accepted, judged + plaque.judged)
    places = sorted(counts)
    table = np.array([counts[place] for place in places], dtype=float).reshape(-1, 2)
    return np.array(places, dtype=float).reshape(-1, 3), table[:, 0], table[:, 1]


def _too_alike(columns: Array, plaques: int) -> str:
    """Returns the reason why the plaques cannot determine the seven parameters; "" if they can."""
    import numpy as np

    size = np.abs(columns).max(axis=0, initial=0.0)
    if len(columns) >= _UNKNOWNS and size.all() and np.linalg.matrix_rank(columns / size, tol=1e-8) == _UNKNOWNS:
        return ""
    kinds = (
        ("plaque is", "plaques are") if len(columns) == plaques else ("different colour is", "different colours are")
    )
    said = counted(len(columns), *kinds)
    number = f"at least {_UNKNOWNS} plaques, some of which" if len(columns) < _UNKNOWNS else "some plaques that"
    return (
        f"{said} not enough to compute a tolerance.{_alike_in(size[1:4].tolist(), len(columns))} Show {number} differ in "
        "lightness, in a* and in b* alone, in each two of them together, and at two distances."
    )


def _alike_in(squares: Sequence[float], n: int) -> str:
    """Returns the coordinates in which plaques differ, by the largest square per coordinate; "" where only their number is too small."""
    differing = [name for name, square in zip(("lightness", "a*", "b*"), squares, strict=True) if square]
    if not differing:
        return ""
    if len(differing) < len(squares):
        return f" All plaques differ from the reference only in {listed(differing)}."
    return "" if n < _UNKNOWNS else " They have too few directions, or a single distance from the reference."


def _no_overlap(columns: Array, accepted: Array, judged: Array) -> str:
    """Returns the reason why the steepness of the border is unknown; "" if it is known."""
    if not accepted.any() or accepted.sum() == judged.sum():
        word, where = ("accepted", "further from") if accepted.any() else ("rejected", "nearer to")
        return f"Every plaque was {word} each time. Show some {where} the reference."
    if not parted(columns, accepted, judged):
        return ""
    return (
        "Accepted and rejected plaques do not overlap, so the steepness of the border is unknown. Show plaques close to it, or to more "
        "observers, until some are judged both ways."
    )


def _no_ellipsoid(parameters: Array, share: float) -> str:
    """Returns the reason why the parameters give no ellipsoid; "" if they do."""
    import numpy as np
    from scipy.special import expit

    ll, aa, bb, la, lb, ab = parameters[1:].tolist()
    sizes, directions = np.linalg.eigh(np.array([[ll, la, lb], [la, aa, ab], [lb, ab, bb]]))
    if sizes[0] <= _FLAT * abs(sizes[-1]):
        way = along(largest_positive(directions[:, 0].tolist()))
        return f"Acceptance does not decrease {way}, so the tolerance is unbounded there. Show plaques further out in both directions."
    if parameters[0] <= log_odds(share):
        return (
            f"The reference itself would be accepted by only {100 * float(expit(parameters[0])):.0f} % of judgements, fewer than "
            f"{100 * share:g} %. Check the instruction of the observers, or show plaques nearer to the reference."
        )
    return ""
