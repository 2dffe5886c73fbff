"""The ellipsoid of colours about a reference that a stated share of judgements accepts, with intervals in every direction."""

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

# Of a quadratic form in (dL*, da*, db*), in this order.
PARTS = ("LL", "aa", "bb", "La", "Lb", "ab")
_NAMES = (("lighter", "darker"), ("redder", "greener"), ("yellower", "bluer"))
# A coordinate with less than half of the largest part in a direction gets no word; this project's rule.
_WORTH_A_WORD = 0.5
# With the longest axis less than a tenth longer than the shortest, no direction is worth naming; this project's rule.
_ROUND = 1.1


@dataclass(frozen=True, slots=True)
class Radius:
    """How far the tolerance reaches in one direction.

    Args:
        direction: unit vector in (dL*, da*, db*).
        half: distance from the reference at which the share is reached, > 0; the same the opposite way.
        low, high: confidence interval of `half`; `high` is None where the judgements set no upper end.
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
        parameters: intercept, then PARTS of the quadratic form: the log odds of being accepted are the intercept less the form.
        covariance: of the parameters, widened by `dispersion`.
        dispersion: 1 where the plaques fit an ellipsoid as well as chance lets expect; else by how many times they scatter more.
        fit_p: probability that plaques fit no better than this by chance; None where as many were shown as there are unknowns.
        shown: where the plaques lay from the reference, each once.
        judgements: in all.
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
        """The three axes of the ellipsoid, longest first; of a direction the largest part is positive."""
        import numpy as np

        _, directions = np.linalg.eigh(np.array(self.form))
        return tuple(self.radius(largest_positive(column)) for column in directions.T.tolist())

    def radius(self, direction: Sequence[float]) -> Radius:
        """Returns how far the tolerance reaches in a direction, with its interval.

        Args:
            direction: (dL*, da*, db*), of any length but 0.

        Raises:
            ValueError: a direction that is none.

        Notes:
            The square of the distance is a ratio of two sums of the parameters, so Fieller's interval fits; it has no upper end where the
            judgements leave open whether acceptance falls in this direction at all. An axis is taken as a given direction: to first order,
            turning it does not change its length. At 95 % it holds the truth in 95 to 97 % of trials of 40 plaques by 12 judgements, and more
            often in smaller ones, 98 % with 15 by 8 (1000 simulated trials each, those without a fit aside).

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
        """How far it reaches in lightness, red-green and yellow-blue, each alone, and which way furthest, in a sentence."""
        L, a, b = (self.radius(way).half for way in ((1, 0, 0), (0, 1, 0), (0, 0, 1)))
        reach = (
            f"Observers accept up to about {L:.2g} in lightness, {a:.2g} in red-green and {b:.2g} in yellow-blue, each alone "
            f"({100 * self.share:g} % of judgements at that border)"
        )
        longest, *_, shortest = self.axes
        if longest.half < shortest.half * _ROUND:
            return f"{reach}, and about as much in any other direction."
        return f"{reach}, most ({longest.half:.2g}) towards {in_words(longest.direction)}."

    @property
    def _z(self) -> float:
        return student(math.inf, self.confidence)

    def reach(self, direction: Sequence[float]) -> float:
        """Returns how far out plaques were shown along a unit vector: beyond it, the tolerance rests on no judgement."""
        return max(abs(math.fsum(at * part for at, part in zip(place, direction, strict=True))) for place in self.shown)

    def contains(self, apart: Sequence[float]) -> bool:
        """True when a colour that differs by (dL*, da*, db*) would be accepted by at least the share."""
        return self.accepted_at(apart) >= self.share * (1 - 1e-12)

    def accepted_at(self, apart: Sequence[float]) -> float:
        """Returns the share of judgements that would accept a colour that differs by (dL*, da*, db*), 0..1."""
        import numpy as np
        from scipy.special import expit

        form = float(products(np.array([tuple(apart)], dtype=float))[0] @ np.array(self.parameters[1:]))
        return float(expit(self.parameters[0] - form))

    def more_judgements(self, within: float) -> int:
        """Returns how many more judgements make every axis known to a relative width.

        Args:
            within: half width of the interval as a share of the axis, such as 0.1, > 0.

        Raises:
            ValueError: not a number above 0.

        Notes:
            For judgements spread over the same plaques as those there are. The uncertainty shrinks with the root of their number, so this is as
            good as the uncertainty now estimated.

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
    """Returns the direction or its opposite, whichever has its largest part positive."""
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
    """The interval of above / below, both > 0, cut off at 0; no upper end where `below` is not clearly above 0."""
    square, linear = below * below - z * z * v_below, above * below - z * z * both
    constant = above * above - z * z * v_above
    root = math.sqrt(max(0.0, linear * linear - square * constant))
    # The smaller root as a quotient that holds for either sign of the square term.
    low = constant / (linear + root) if linear + root > 0 else 0.0
    return max(0.0, low), (linear + root) / square if square > 0 else None


def products(apart: Array) -> Array:
    """Returns, per row of (dL*, da*, db*), what the PARTS of a form multiply: squares, and each mixed product twice."""
    import numpy as np

    ll, aa, bb = apart.T
    return np.stack([ll * ll, aa * aa, bb * bb, 2 * ll * aa, 2 * ll * bb, 2 * aa * bb], axis=1)
