"""Limits that a visual trial supports: a colour difference in any formula, or one per coordinate, that let nothing through beyond it."""

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

# Points of the surface at which a formula is held against it.
_POINTS = 600
# A limit is written with two decimals, cut off, not rounded: rounded up, it would let through what the trial did not.
_DECIMALS = 100
# The least difference on the surface is found to about a millionth of itself; so much is kept clear of it.
_CLEAR = 1e-5


@dataclass(frozen=True, slots=True)
class Proposal:
    """Limits that a tolerance supports.

    Args:
        formula, weights: of the colour difference.
        delta_e: the largest difference that lies wholly inside the tolerance, > 0: safe to accept.
        delta_e_mean: difference on the tolerance's surface, averaged over it: as near as one number comes.
        delta_e_most: the largest difference anywhere inside the tolerance: a limit above it adds only what the trial rejects.
        kept_by_delta_e: share of the tolerance's volume that `delta_e` still accepts, 0..1, about; small where the formula has another shape.
        components: half widths (L, a, b) of the largest box of separate limits that lies wholly inside.
        kept_by_components: share of the volume that the box accepts; at most 0.37.
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
        """Returns the colour difference as the lot's limit in a revision of limits.

        Raises:
            ValueError: a limit below 0.01, which cannot be written with two decimals.
        """
        return ColorLimits(self.formula, self.weights, lot_max=_cut(self.delta_e))

    def by_components(self) -> ColorLimits:
        """Returns the half widths as limits on dL*, da* and db* in a revision of limits.

        Raises:
            ValueError: a limit below 0.01, which cannot be written with two decimals.
        """
        most = {name: _cut(half) for name, half in zip("Lab", self.components, strict=True)}
        return ColorLimits(self.formula, self.weights, components_max=most)


def _cut(limit: float) -> float:
    cut = math.floor(limit * _DECIMALS) / _DECIMALS
    if cut <= 0:
        raise ValueError(
            f"a limit of {limit:.2g} is finer than any instrument tells; the trial's plaques lie too near the reference"
        )
    return cut


def propose(
    tolerance: Tolerance, reference: Lab, formula: str = DEFAULT_FORMULA, weights: Sequence[float] | None = None
) -> Proposal | Unfitted:
    """Returns the limits that a tolerance supports at this reference.

    Args:
        tolerance: as fit_trial found it.
        reference: the colour that the plaques were held against.
        formula, weights: of the colour difference, as in lots.domain.colorimetry.color_difference.delta_e.

    Returns:
        Unfitted where an axis of the tolerance has no upper end at its confidence, or ends beyond every plaque that was shown: then a limit would
        rest on no judgement.

    Raises:
        ValueError: a formula or weights that are none, or a tolerance that reaches past what CIELAB coordinates may be here.

    Notes:
        `delta_e` is the least difference of any colour on the surface. It takes the formula to grow on the way out from the reference, as
        each does at these sizes. Which of the two to choose is for the people who agree on it; together they accept less than either.

    Reference:
        ASTM D3134 (tolerances as a colour difference or as limits on its components; from memory). The largest box in an ellipsoid: if its
        axes are the coordinates', each half width is the half axis over the root of 3.

    Example:
        See tests/domain/visual_trials/test_trial_limits.py.
    """
    chosen = checked_weights(formula, weights)
    for axis in tolerance.axes:
        where = along(axis.direction)
        if axis.high is None:
            return Unfitted(
                f"The judgements set no upper end to the tolerance {where}: show plaques further out that way."
            )
        if axis.half > (shown := tolerance.reach(axis.direction)):
            return Unfitted(
                f"The tolerance ends {axis.half:.2f} from the reference {where}, beyond every plaque shown ({shown:.2f}): show "
                "plaques further out that way."
            )
    stretch = _stretch(tolerance)

    def difference(way: Array) -> float:
        """Colour difference of the point of the surface that this direction leads to."""
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
    """The matrix that takes the unit sphere to the surface of the tolerance, without turning it where it can be helped."""
    import numpy as np

    directions = np.array([axis.direction for axis in tolerance.axes]).T
    return np.asarray(directions * [axis.half for axis in tolerance.axes] @ directions.T)


def _spread() -> Array:
    """Unit vectors spread evenly over a sphere along a spiral."""
    import numpy as np

    step = np.arange(_POINTS) + 0.5
    height = 1 - 2 * step / _POINTS
    turn, radius = step * math.pi * (3 - math.sqrt(5)), np.sqrt(1 - height * height)
    return np.stack([radius * np.cos(turn), radius * np.sin(turn), height], axis=1)


def _extreme(difference: Callable[[Array], float], start: Array, sign: int) -> float:
    """The least of sign times the difference over all directions, looked for from the best of those tried and from its opposite.

    The tolerance is the same both ways and a formula nearly so: which of the two is the better, a coarse search cannot tell.
    """
    from scipy.optimize import minimize

    # A simplex needs no slope, and CIEDE2000 has a step where hues are opposite.
    how = {"xatol": 1e-6, "fatol": 1e-9}
    ends = [
        minimize(lambda way: sign * difference(way), way, method="Nelder-Mead", options=how) for way in (start, -start)
    ]
    return min(float(end.fun) for end in ends)


def _largest_box(tolerance: Tolerance) -> Vector:
    """Half widths (L, a, b) of the largest box along the coordinates with all its corners inside.

    Of the eight corners four are opposite to the others. The search works with logarithms of the half widths, in which the volume is a sum and
    each corner's form is convex; whatever it leaves over or short, the box is then scaled until its outermost corner lies on the surface.
    """
    import numpy as np
    from scipy.optimize import minimize

    form = np.array(tolerance.form)
    # In units of where the surface of the plain form meets each coordinate, so that the search does not see their sizes.
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
    """Logarithm of the volume of a box once it is scaled to touch the surface."""
    return float(logs.sum() - 1.5 * math.log(float((1 - inside(logs)).max())))
