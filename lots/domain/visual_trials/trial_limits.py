"""Limits from a visual trial: a colour difference in any formula, or one per coordinate, within the tolerance."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_difference import DEFAULT_FORMULA, checked_weights, delta_e
from lots.domain.colorimetry.color_values import Lab
from lots.domain.statistics.tolerance_ellipsoid import Tolerance, Vector, along
from lots.domain.visual_trials.trial import Unfitted

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# Points of the surface at which a formula is evaluated.
_POINTS = 600
# Limits are truncated to two decimals, because rounding up would accept colours outside the tolerance.
_DECIMALS = 100
# Safety margin, above the relative error of the search for the least difference (about 1e-6).
_CLEAR = 1e-5


@dataclass(frozen=True, slots=True)
class Proposal:
    """Limits proposed from a tolerance.

    Args:
        formula, weights: of the colour difference.
        delta_e: the largest difference entirely inside the tolerance, > 0: safe to accept.
        delta_e_mean: mean difference over the tolerance's surface: the best single number.
        delta_e_most: the largest difference inside the tolerance: a larger limit adds only colours rejected in the trial.
        kept_by_delta_e: approximate share of the tolerance's volume within `delta_e`, 0..1; small where the formula has another shape.
        components: half widths (L, a, b) of the largest box of separate limits entirely inside.
        kept_by_components: share of the volume within the box; at most 0.37.
    """

    formula: str
    weights: tuple[float, ...]
    delta_e: float
    delta_e_mean: float
    delta_e_most: float
    kept_by_delta_e: float
    components: Vector
    kept_by_components: float

    def by_delta_e(self) -> ColorLimits:
        """Returns the limits with the colour difference as the lot's limit.

        Raises:
            ValueError: a limit below 0.01, which cannot be written with two decimals.
        """
        return ColorLimits(self.formula, self.weights, lot_max=_cut(self.delta_e))

    def by_components(self) -> ColorLimits:
        """Returns the limits with the half widths as limits on dL*, da* and db*.

        Raises:
            ValueError: a limit below 0.01, which cannot be written with two decimals.
        """
        most = {name: _cut(half) for name, half in zip("Lab", self.components, strict=True)}
        return ColorLimits(self.formula, self.weights, components_max=most)


def _cut(limit: float) -> float:
    cut = math.floor(limit * _DECIMALS) / _DECIMALS
    if cut <= 0:
        raise ValueError(
            f"a limit of {limit:.2g} is finer than any instrument resolves; the plaques of the trial are too near the reference"
        )
    return cut


def propose(
    tolerance: Tolerance, reference: Lab, formula: str = DEFAULT_FORMULA, weights: Sequence[float] | None = None
) -> Proposal | Unfitted:
    """Returns the limits for a tolerance at this reference.

    Args:
        tolerance: from fit_trial.
        reference: the colour with which the plaques were compared.
        formula, weights: of the colour difference, as in lots.domain.colorimetry.color_difference.delta_e.

    Returns:
        Unfitted where an axis of the tolerance is unbounded at its confidence, or ends beyond every plaque shown, where a limit would be
        extrapolated.

    Raises:
        ValueError: an invalid formula or weights, or a tolerance beyond the range of CIELAB coordinates.

    Notes:
        `delta_e` is the least difference of any colour on the surface. It assumes that the formula increases with the distance from the
        reference, as each does at these sizes. The parties choose between the two kinds of limit; both together accept less than either.

    Reference:
        ASTM D3134 (tolerances as a colour difference or as limits on its components; from memory). The largest box in an ellipsoid with axes along
        the coordinates has half widths of the half axes over the root of 3.

    Example:
        See tests/domain/visual_trials/test_trial_limits.py.
    """
    chosen = checked_weights(formula, weights)
    for axis in tolerance.axes:
        where = along(axis.direction)
        if axis.high is None:
            return Unfitted(f"The tolerance is unbounded {where}. Show plaques further out in this direction.")
        if axis.half > (shown := tolerance.reach(axis.direction)):
            return Unfitted(
                f"The tolerance ends {axis.half:.2f} from the reference {where}, beyond every plaque shown ({shown:.2f}). "
                "Show plaques further out in this direction."
            )
    stretch = _stretch(tolerance)

    def difference(way: Array) -> float:
        """Returns the colour difference of the surface point in this direction."""
        dL, da, db = (stretch @ way / math.hypot(*way.tolist())).tolist()
        return delta_e(reference, Lab(reference.L + dL, reference.a + da, reference.b + db), formula, chosen)

    ways = _spread()
    found = [difference(way) for way in ways]
    least = _extreme(difference, ways[found.index(min(found))], 1) * (1 - _CLEAR)
    most = -_extreme(difference, ways[found.index(max(found))], -1) * (1 + _CLEAR)
    kept = math.fsum((least / size) ** 3 for size in found) / len(found)
    box = _largest_box(tolerance)
    volume = 4 / 3 * math.pi * math.prod(axis.half for axis in tolerance.axes)
    return Proposal(formula, chosen, least, math.fsum(found) / len(found), most, kept, box, 8 * math.prod(box) / volume)


def _stretch(tolerance: Tolerance) -> Array:
    """Returns the symmetric matrix that maps the unit sphere to the surface of the tolerance."""
    import numpy as np

    directions = np.array([axis.direction for axis in tolerance.axes]).T
    return np.asarray(directions * [axis.half for axis in tolerance.axes] @ directions.T)


def _spread() -> Array:
    """Returns unit vectors spread evenly over a sphere along a spiral."""
    import numpy as np

    step = np.arange(_POINTS) + 0.5
    height = 1 - 2 * step / _POINTS
    turn, radius = step * math.pi * (3 - math.sqrt(5)), np.sqrt(1 - height * height)
    return np.stack([radius * np.cos(turn), radius * np.sin(turn), height], axis=1)


def _extreme(difference: Callable[[Array], float], start: Array, sign: int) -> float:
    """Returns the minimum of sign times the difference over all directions, searched from the best point tried and from its opposite.

    The tolerance is symmetric and a formula nearly so, so a coarse search cannot decide between the two.
    """
    from scipy.optimize import minimize

    # A simplex requires no gradient; CIEDE2000 has a discontinuity at opposite hues.
    how = {"xatol": 1e-6, "fatol": 1e-9}
    ends = [
        minimize(lambda way: sign * difference(way), way, method="Nelder-Mead", options=how) for way in (start, -start)
    ]
    return min(float(end.fun) for end in ends)


def _largest_box(tolerance: Tolerance) -> Vector:
    """Returns the half widths (L, a, b) of the largest box along the coordinates with all its corners inside.

    By symmetry four of the eight corners suffice. In the logarithms of the half widths the volume is a sum and each corner's form is convex. The
    result is scaled so that its outermost corner lies on the surface.
    """
    import numpy as np
    from scipy.optimize import minimize

    form = np.array(tolerance.form)
    # Scaled by the intersection of the surface with each coordinate, for a well-conditioned search.
    unit = 1 / np.sqrt(form.diagonal())
    scaled = form * np.outer(unit, unit)
    corners = np.array([[1, 1, 1], [1, 1, -1], [1, -1, 1], [1, -1, -1]])

    def inside(logs: Array) -> Array:
        points = corners * np.exp(logs)
        return np.asarray(1 - np.einsum("ij,jk,ik->i", points, scaled, points))

    start = np.full(3, -0.5 * math.log(float(np.einsum("ij,jk,ik->i", corners, scaled, corners).max())))
    found = minimize(lambda logs: -logs.sum(), start, method="SLSQP", constraints={"type": "ineq", "fun": inside})
    best = max((start, found.x), key=lambda logs: _volume_inside(logs, inside))
    half = np.exp(best) / math.sqrt(float((1 - inside(best)).max())) * unit * (1 - _CLEAR)
    return (float(half[0]), float(half[1]), float(half[2]))


def _volume_inside(logs: Array, inside: Callable[[Array], Array]) -> float:
    """Returns the logarithm of the volume of a box scaled to touch the surface."""
    return float(logs.sum() - 1.5 * math.log(float((1 - inside(logs)).max())))
