"""Acceptance ellipsoid of colours about a reference for a share of judgements, with confidence intervals in every direction."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lots.domain.statistics.quantiles import student

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Vector = tuple[float, float, float]
Form = tuple[Vector, Vector, Vector]

# Coefficients of a quadratic form in (dL*, da*, db*), in this order.
PARTS = ("LL", "aa", "bb", "La", "Lb", "ab")
_NAMES = (("lighter", "darker"), ("redder", "greener"), ("yellower", "bluer"))
# Least share of the largest component for a coordinate to be named; this project's rule, no source.
_WORTH_A_WORD = 0.5
# Ratio of longest to shortest axis below which no direction is named; this project's rule, no source.
_ROUND = 1.1


@dataclass(frozen=True, slots=True)
class Radius:
    """Distance of the acceptance border in one direction.

    Args:
        direction: unit vector in (dL*, da*, db*).
        half: distance from the reference to the border, > 0; the same in the opposite direction.
        low, high: confidence interval of `half`; `high` is None where it is unbounded.
        log_u: standard uncertainty of the logarithm of `half`: about its relative uncertainty.
    """

    direction: Vector
    half: float
    low: float
    high: float | None
    log_u: float


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Colours that at least `share` of judgements would accept: an ellipsoid about the reference.

    Args:
        share: of judgements that accept on the surface, 0 < share < 1.
        confidence: of the intervals.
        parameters: intercept, then PARTS of the quadratic form: the log odds of acceptance are the intercept minus the form.
        covariance: of the parameters, multiplied by `dispersion`.
        dispersion: 1 without significant lack of fit, else Pearson's chi-square over its degrees of freedom.
        fit_p: p-value of the goodness-of-fit test; None without degrees of freedom.
        shown: deviations of the plaques from the reference, without duplicates.
        judgements: total number.
    """

    share: float
    confidence: float
    parameters: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    dispersion: float
    fit_p: float | None
    shown: tuple[Vector, ...]
    judgements: int

    @property
    def form(self) -> Form:
        """The matrix A of the surface x A x = 1, x being (dL*, da*, db*)."""
        level = self.parameters[0] - log_odds(self.share)
        ll, aa, bb, la, lb, ab = (part / level for part in self.parameters[1:])
        return ((ll, la, lb), (la, aa, ab), (lb, ab, bb))

    @property
    def axes(self) -> tuple[Radius, ...]:
        """The three axes of the ellipsoid, longest first; the largest component of a direction is positive."""
        import numpy as np

        _, directions = np.linalg.eigh(np.array(self.form))
        return tuple(self.radius(largest_positive(column)) for column in directions.T.tolist())

    def radius(self, direction: Sequence[float]) -> Radius:
        """Returns the distance of the border in a direction, with its interval.

        Args:
            direction: (dL*, da*, db*), of any length but 0.

        Raises:
            ValueError: a direction of length 0 or not three finite numbers.

        Notes:
            The squared distance is a ratio of two linear functions of the parameters, so Fieller's interval applies. It is unbounded where acceptance
            does not decrease significantly in this direction. An axis is treated as a fixed direction: to first order, a rotation does not change
            its length. At 95 % the coverage is 95 to 97 % in trials of 40 plaques by 12 judgements, and higher in smaller ones, 98 % with 15 by 8
            (1000 simulated trials each, without those that have no fit).

        Reference:
            Fieller 1954, J. R. Stat. Soc. B 16, 175-185; for doses in Finney, Probit Analysis (from memory).
        """
        import numpy as np

        length = math.hypot(*direction)
        if len(direction) != 3 or not (math.isfinite(length) and length > 0):
            raise ValueError(f"direction is {list(direction)!r}; it must be three finite numbers, not all 0")
        unit = (direction[0] / length, direction[1] / length, direction[2] / length)
        weights = np.zeros((2, 1 + len(PARTS)))
        weights[0, 0] = 1.0
        weights[1, 1:] = products(np.array([unit]))[0]
        above, below = weights @ np.array(self.parameters) - (log_odds(self.share), 0.0)
        (v_above, both), (_, v_below) = weights @ np.array(self.covariance) @ weights.T
        log_u = math.sqrt(max(0.0, v_above / above**2 - 2 * both / (above * below) + v_below / below**2)) / 2
        low, high = _fieller(above, below, v_above, both, v_below, self._z)
        return Radius(unit, math.sqrt(above / below), math.sqrt(low), None if high is None else math.sqrt(high), log_u)

    @property
    def says(self) -> str:
        """The border in lightness, red-green and yellow-blue, and its longest axis, in words."""
        L, a, b = (self.radius(way).half for way in ((1, 0, 0), (0, 1, 0), (0, 0, 1)))
        reach = (
            f"Observers accept differences up to {L:.2g} in lightness, {a:.2g} in red-green and {b:.2g} in yellow-blue, each alone "
            f"({100 * self.share:g} % of judgements at this border)"
        )
        longest, *_, shortest = self.axes
        if longest.half < shortest.half * _ROUND:
            return f"{reach}. The border is about the same in every direction."
        return f"{reach}. The tolerance is largest ({longest.half:.2g}) towards {in_words(longest.direction)}."

    @property
    def _z(self) -> float:
        return student(math.inf, self.confidence)

    def reach(self, direction: Sequence[float]) -> float:
        """Returns the largest deviation shown along a unit vector; beyond it the tolerance is extrapolated."""
        return max(abs(math.fsum(at * part for at, part in zip(place, direction, strict=True))) for place in self.shown)

    def contains(self, apart: Sequence[float]) -> bool:
        """Returns whether a colour that differs by (dL*, da*, db*) would be accepted by at least the share."""
        return self.accepted_at(apart) >= self.share * (1 - 1e-12)

    def accepted_at(self, apart: Sequence[float]) -> float:
        """Returns the share of judgements that would accept a colour that differs by (dL*, da*, db*), 0..1."""
        import numpy as np
        from scipy.special import expit

        form = float(products(np.array([tuple(apart)], dtype=float))[0] @ np.array(self.parameters[1:]))
        return float(expit(self.parameters[0] - form))

    def more_judgements(self, within: float) -> int:
        """Returns the further judgements needed to determine every axis to a relative width.

        Args:
            within: half width of the interval as a share of the axis, such as 0.1, > 0.

        Raises:
            ValueError: not a number above 0.

        Notes:
            It assumes judgements on the same plaques. The uncertainty is proportional to 1 / sqrt(judgements), so the result is as accurate as the
            present uncertainty.

        Example:
            See fit_trial.
        """
        if not (math.isfinite(within) and within > 0):
            raise ValueError(f"within is {within!r}; it must be a number above 0")
        ratio = max(axis.log_u for axis in self.axes) * self._z / math.log1p(within)
        return max(0, math.ceil(self.judgements * (ratio * ratio - 1)))


def log_odds(share: float) -> float:
    """Returns the natural logarithm of the odds of a share between 0 and 1."""
    return math.log(share / (1 - share))


def largest_positive(direction: Sequence[float]) -> list[float]:
    """Returns the direction with the sign that makes its largest component positive."""
    sign = math.copysign(1.0, max(direction, key=abs))
    return [sign * part for part in direction]


def along(direction: Sequence[float]) -> str:
    """Returns a direction in words: "along (dL* 0.00, da* 1.00, db* 0.00)"."""
    # Adding 0 takes the sign off a zero.
    L, a, b = (round(part, 2) + 0.0 for part in direction)
    return f"along (dL* {L:.2f}, da* {a:.2f}, db* {b:.2f})"


def in_words(direction: Sequence[float]) -> str:
    """Returns a direction and its opposite in words: "lighter and yellower, or darker and bluer".

    Example:
        >>> in_words((0.1, 0.0, 0.99)), in_words((0.7, 0.0, -0.7))
        ('yellower or bluer', 'lighter and bluer, or darker and yellower')
    """
    largest = max(map(abs, direction))
    named = [
        names if part > 0 else names[::-1]
        for part, names in zip(direction, _NAMES, strict=True)
        if abs(part) >= largest * _WORTH_A_WORD
    ]
    one, other = (" and ".join(names[end] for names in named) for end in (0, 1))
    return f"{one}{',' if len(named) > 1 else ''} or {other}"


def _fieller(
    above: float, below: float, v_above: float, both: float, v_below: float, z: float
) -> tuple[float, float | None]:
    """Returns Fieller's interval of above / below, both > 0, truncated at 0; no upper limit where `below` is not significantly above 0."""
    square, linear = below * below - z * z * v_below, above * below - z * z * both
    constant = above * above - z * z * v_above
    root = math.sqrt(max(0.0, linear * linear - square * constant))
    # The smaller root as a quotient, valid for either sign of the square term.
    low = constant / (linear + root) if linear + root > 0 else 0.0
    return max(0.0, low), (linear + root) / square if square > 0 else None


def products(apart: Array) -> Array:
    """Returns, per row of (dL*, da*, db*), the factors of the PARTS of a form: squares, and twice each mixed product."""
    import numpy as np

    ll, aa, bb = apart.T
    return np.stack([ll * ll, aa * aa, bb * bb, 2 * ll * aa, 2 * ll * bb, 2 * aa * bb], axis=1)
