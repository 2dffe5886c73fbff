"""Colour differences and their direction in words. The only user of colormath."""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from lots.domain.colorimetry.color_values import Lab, mean_lab

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# Formula used when none is given.
DEFAULT_FORMULA = "CIEDE2000"
# Formula -> its default weights, and their names in order.
DEFAULT_WEIGHTS: dict[str, tuple[float, ...]] = {
    "CIE76": (),
    "CIE94": (1.0, 0.045, 0.015),
    "CMC": (2.0, 1.0),
    "CIEDE2000": (1.0, 1.0, 1.0),
}
WEIGHT_NAMES = {"CIE76": (), "CIE94": ("kL", "K1", "K2"), "CMC": ("l", "c"), "CIEDE2000": ("kL", "kC", "kH")}

# Smaller components have no direction, because they print as 0.00.
_WORDLESS = 0.005


@dataclass(frozen=True, slots=True)
class Components:
    """Sample minus reference. dL lighter, da redder, db yellower, dC stronger when positive; dH is positive towards larger hue angles."""

    dL: float
    da: float
    db: float
    dC: float
    dH: float

    @property
    def direction(self) -> str:
        """The difference in words, such as "darker, redder, yellower"; "no difference" when every component prints as 0.00."""
        words = [
            more if amount > 0 else less
            for amount, more, less in (
                (self.dL, "lighter", "darker"),
                (self.da, "redder", "greener"),
                (self.db, "yellower", "bluer"),
            )
            if abs(amount) >= _WORDLESS
        ]
        return ", ".join(words) or "no difference"


def components(reference: Lab, sample: Lab) -> Components:
    """Returns the components of a colour difference, sample minus reference.

    Args:
        reference: the reference colour.
        sample: the measured colour.

    Notes:
        dH is a length, not an angle, so that dE76^2 = dL^2 + dC^2 + dH^2. Its sign is that of the rotation from reference to
        sample in the a*b* plane; it is of little use for near-neutral colours.

    Reference:
        ISO/CIE 11664-4, clause 4.3 (quoted from memory).

    Example:
        >>> components(Lab(95, -0.8, 1.5), Lab(94.9, -0.8, 2.2)).direction
        'darker, yellower'
    """
    dL, da, db = sample.L - reference.L, sample.a - reference.a, sample.b - reference.b
    dC = sample.chroma - reference.chroma
    turn = reference.a * sample.b - reference.b * sample.a
    dH = math.copysign(math.sqrt(max(0.0, da * da + db * db - dC * dC)), turn)
    return Components(dL, da, db, dC, dH)


def delta_e(
    reference: Lab, sample: Lab, formula: str = DEFAULT_FORMULA, weights: Sequence[float] | None = None
) -> float:
    """Returns the colour difference of `sample` from `reference`, >= 0, dimensionless.

    Args:
        reference: the reference colour. CIE94 and CMC are not symmetric: their tolerance depends on the reference.
        sample: the measured colour.
        formula: CIE76, CIE94, CMC or CIEDE2000.
        weights: empty for CIE76; [kL, K1, K2] for CIE94; [l, c] for CMC; [kL, kC, kH] for CIEDE2000. Defaults in DEFAULT_WEIGHTS.

    Raises:
        ValueError: an unknown formula, the wrong number of weights, or a weight that is not positive.

    Notes:
        CIE76, CIE94 and CMC come from colormath's matrix functions. CIEDE2000 is computed here from the published
        definition, because colormath adds 360 degrees to the hue sum wherever two hues straddle zero, which changes the result.
        For many samples of one reference delta_e_to_each is faster.

    Reference:
        ISO/CIE 11664-4 (CIE76), CIE 116-1995 (CIE94), BS 6923 / ISO 105-J03 (CMC), ISO/CIE 11664-6 (CIEDE2000).

    Example:
        >>> round(delta_e(Lab(50, 2.6772, -79.7751), Lab(50, 0, -82.7485)), 4)
        2.0425
    """
    chosen = checked_weights(formula, weights)
    if formula == "CIEDE2000":
        k_l, k_c, k_h = chosen
        return ciede2000(reference, sample, k_l, k_c, k_h)
    # Loaded on demand, because importing numpy is slow.
    import numpy as np

    return float(_by_colormath(reference, np.array([sample.as_list()]), formula, chosen)[0])


def delta_e_to_each(
    reference: Lab,
    samples: Array | Sequence[Sequence[float]],
    formula: str = DEFAULT_FORMULA,
    weights: Sequence[float] | None = None,
) -> Array:
    """Returns the colour differences of samples from one reference: an array of numbers >= 0, in the order of the samples.

    Args:
        reference, formula, weights: as in delta_e.
        samples: rows of L*, a*, b*, each in the ranges of Lab; may be empty.

    Raises:
        ValueError: as in delta_e; samples that are not rows of three numbers; a coordinate that is not a number in its range.

    Notes:
        For many samples: in CIEDE2000 a call costs about as much as 35 of delta_e, in the other formulas as two. Results are within 1e-12 of
        delta_e, because numpy may round sines and exponentials differently; limits allow 1e-10 for noise.

    Example:
        >>> delta_e_to_each(Lab(50, 2.6772, -79.7751), [[50, 0, -82.7485], [50, 2.6772, -79.7751]]).round(4).tolist()
        [2.0425, 0.0]
    """
    chosen = checked_weights(formula, weights)
    import numpy as np

    rows = np.asarray(samples, dtype=float)
    if rows.shape != (0,) and (rows.ndim != 2 or rows.shape[1] != 3):
        raise ValueError(f"samples have the shape {rows.shape}; they must be rows of L*, a*, b*")
    found = np.empty(len(rows))
    for start in range(0, len(rows), _BLOCK):
        block = rows[start : start + _BLOCK]
        columns = block.T.copy()
        # Lab checks the ranges; NaN propagates to minimum and maximum.
        for extreme in (columns.min(axis=1), columns.max(axis=1)):
            Lab(*extreme.tolist())
        found[start : start + _BLOCK] = (
            _ciede2000(np, reference.as_list(), columns, chosen)
            if formula == "CIEDE2000"
            else _by_colormath(reference, block, formula, chosen)
        )
    return found


def delta_e_among(
    colors: Sequence[Lab], formula: str = DEFAULT_FORMULA, weights: Sequence[float] | None = None
) -> Array:
    """Returns the colour differences of all pairs: a square matrix whose row i has colour i as reference.

    Args:
        colors: may be empty.
        formula, weights: as in delta_e, with the accuracy of delta_e_to_each.

    Raises:
        ValueError: as in delta_e.

    Example:
        >>> delta_e_among([Lab(95, 0, 0), Lab(95, 3, 4)], "CIE76").tolist()
        [[0.0, 5.0], [5.0, 0.0]]
    """
    chosen = checked_weights(formula, weights)
    import numpy as np

    rows = np.array([color.as_list() for color in colors], dtype=float).reshape(-1, 3)
    if formula != "CIEDE2000":
        each = [_by_colormath(color, rows, formula, chosen) for color in colors]
        return np.array(each).reshape(len(rows), len(rows))
    found = np.empty((len(rows), len(rows)))
    step = max(1, _BLOCK // max(1, len(rows)))
    for start in range(0, len(rows), step):
        references = rows[start : start + step].T[:, :, np.newaxis]
        found[start : start + step] = _ciede2000(np, references, rows.T.copy(), chosen)
    return found


def delta_e_among_each(
    groups: Sequence[Sequence[Lab]], formula: str = DEFAULT_FORMULA, weights: Sequence[float] | None = None
) -> list[Array]:
    """Returns the matrix of `delta_e_among` for each of many small groups of colours, computed together.

    Args:
        groups: each with at least one colour.
        formula, weights: as in delta_e.

    Raises:
        ValueError: as in delta_e.

    Example:
        >>> [square.tolist() for square in delta_e_among_each([[Lab(95, 0, 0)], [Lab(95, 0, 0), Lab(95, 3, 4)]], "CIE76")]
        [[[0.0]], [[0.0, 5.0], [5.0, 0.0]]]
    """
    if formula != "CIEDE2000" or not groups:
        return [delta_e_among(colors, formula, weights) for colors in groups]
    chosen = checked_weights(formula, weights)
    import numpy as np

    rows = np.array([color.as_list() for colors in groups for color in colors], dtype=float)
    sizes = np.array([len(colors) for colors in groups])
    # Per colour: size and start of its group. Per pair: indices of both colours.
    beside, starts = np.repeat(sizes, sizes), np.repeat(np.cumsum(sizes) - sizes, sizes)
    reference = np.repeat(np.arange(len(rows)), beside)
    sample = np.arange(len(reference)) + np.repeat(starts - (np.cumsum(beside) - beside), beside)
    found = np.empty(len(reference))
    for start in range(0, len(found), _BLOCK):
        some = slice(start, start + _BLOCK)
        found[some] = _ciede2000(np, rows[reference[some]].T.copy(), rows[sample[some]].T.copy(), chosen)
    squares = np.split(found, np.cumsum(sizes**2)[:-1])
    return [square.reshape(len(colors), -1) for square, colors in zip(squares, groups, strict=True)]


# Pairs compared at a time, so that the two dozen arrays of a comparison fit the processor's cache.
_BLOCK = 8192


def _by_colormath(reference: Lab, samples: Array, formula: str, chosen: tuple[float, ...]) -> Array:
    import numpy as np
    from colormath import color_diff_matrix as matrix

    # These functions write into arrays of the input type, so integers would truncate the results.
    asked, samples = np.array(reference.as_list(), dtype=float), np.asarray(samples, dtype=float)
    if formula == "CIE76":
        found: Array = matrix.delta_e_cie1976(asked, samples)
    elif formula == "CIE94":
        k_l, k_1, k_2 = chosen
        found = matrix.delta_e_cie1994(asked, samples, K_L=k_l, K_1=k_1, K_2=k_2)
    else:
        lightness, chroma = chosen
        found = matrix.delta_e_cmc(asked, samples, pl=lightness, pc=chroma)
    return found


def checked_weights(formula: str, weights: Sequence[float] | None) -> tuple[float, ...]:
    """Returns the weights for a formula, its defaults if none are given.

    Raises:
        ValueError: an unknown formula, the wrong number of weights, or a weight that is not a positive number.
    """
    own = DEFAULT_WEIGHTS.get(formula)
    if own is None:
        raise ValueError(f"formula is {formula!r}; it must be one of {', '.join(DEFAULT_WEIGHTS)}")
    if weights is None or len(weights) == 0 or weights == own:
        return own
    names = WEIGHT_NAMES[formula]
    # CIE76 has no weights. A form that always sends three sends the neutral [1, 1, 1].
    if formula == "CIE76" and all(weight == 1 for weight in weights):
        return ()
    if len(weights) != len(names):
        raise ValueError(f"{formula} takes {len(names)} weights ({', '.join(names) or 'none'}), got {len(weights)}")
    if not all(math.isfinite(weight) and weight > 0 for weight in weights):
        raise ValueError(f"the weights of {formula} must be positive numbers, got {list(weights)!r}")
    return tuple(float(weight) for weight in weights)


def ciede2000(reference: Lab, sample: Lab, k_l: float = 1.0, k_c: float = 1.0, k_h: float = 1.0) -> float:
    """Returns the CIEDE2000 colour difference, >= 0.

    Args:
        reference, sample: in either order, the formula is symmetric.
        k_l, k_c, k_h: parametric weights of lightness, chroma and hue, > 0.

    Notes:
        The definition is discontinuous where hues are exactly 180 degrees apart: the mean hue depends on the last bit of two arctangents
        (4.8045 or 4.7461 for one published pair). The test "at most 180" has a tolerance of 1e-9 degrees, so that rounding gives the published
        value. The smaller step, 5e-6 of the difference, between mean hues of 0 and nearly 360 degrees is treated alike.

    Reference:
        Sharma, Wu and Dalal 2005, The CIEDE2000 color-difference formula, Color Res. Appl. 30(1), 21-30, eqs. 2-22;
        ISO/CIE 11664-6.

    Example:
        >>> ciede2000(Lab(95, -0.8, 1.5), Lab(95, -0.8, 1.5))
        0.0
    """
    asked, measured = (reference.L, reference.a, reference.b), (sample.L, sample.a, sample.b)
    found: float = _ciede2000(math, asked, measured, (k_l, k_c, k_h))
    return found


# Constants of CIEDE2000, angles in radians. The tolerance _HAIR is 1e-9 degrees.
_CHROMA_25 = 25.0**7
_HAIR = math.radians(1e-9)
_BLUE, _BLUE_WIDTH, _MOST_ROTATION = math.radians(275), math.radians(25), math.radians(60)
# A term of T, weight * cos(n * hue + shift), is the real part of this number times the n-th power of cos(hue) + i sin(hue).
_WAVE_1, _WAVE_2, _WAVE_3, _WAVE_4 = (
    cmath.rect(weight, math.radians(shift)) for weight, shift in ((-0.17, -30), (0.24, 0), (0.32, 6), (-0.20, -63))
)


def _ciede2000(m: Any, reference: Any, sample: Any, weights: Sequence[float]) -> Any:
    """Returns CIEDE2000, of numbers where `m` is math, of arrays where it is numpy: one branch-free implementation for both.

    Equation numbers are those of Sharma, Wu and Dalal 2005. For a grey the mean hue does not matter: its dH is 0, and T and R_T only multiply dH.
    R_T is within 2 sin 60 degrees, so the sum under the last root is never negative, rounding included.
    """
    (L1, a1, b1), (L2, a2, b2), (k_l, k_c, k_h) = reference, sample, weights
    mean_C = (m.sqrt(a1 * a1 + b1 * b1) + m.sqrt(a2 * a2 + b2 * b2)) / 2  # 2, 3
    stretch = 1.5 - 0.5 * _chroma_ramp(m, mean_C)  # 4
    a1, a2 = stretch * a1, stretch * a2  # 5
    c1, c2 = m.sqrt(a1 * a1 + b1 * b1), m.sqrt(a2 * a2 + b2 * b2)  # 6
    sine, x, y = _half_turn(m, a1, b1, c1, a2, b2, c2)  # 7, 10, 14

    dL, dC, dH = L2 - L1, c2 - c1, 2 * m.sqrt(c1 * c2) * sine  # 8, 9, 11
    off, mean_C = (L1 + L2) / 2 - 50, (c1 + c2) / 2  # 12, 13
    hue = x + 1j * y
    t = 1 + (hue * (_WAVE_1 + hue * (_WAVE_2 + hue * (_WAVE_3 + hue * _WAVE_4)))).real  # 15
    angle = m.atan2(y, x)
    # Range 0 to 360. The tolerance keeps a mean hue of 0 that rounding made negative, because the definition is discontinuous there.
    blueness = (angle + math.tau * (angle < -_HAIR) - _BLUE) / _BLUE_WIDTH
    r_t = -2 * _chroma_ramp(m, mean_C) * m.sin(_MOST_ROTATION * m.exp(-blueness * blueness))  # 16, 17, 21

    off = off * off
    light = dL / (k_l * (1 + 0.015 * off / m.sqrt(20 + off)))  # 18
    chroma = dC / (k_c * (1 + 0.045 * mean_C))  # 19
    turned = dH / (k_h * (1 + 0.015 * mean_C * t))  # 20
    return m.sqrt(light * light + chroma * chroma + turned * turned + r_t * chroma * turned)  # 22


def _half_turn(m: Any, a1: Any, b1: Any, c1: Any, a2: Any, b2: Any, c2: Any) -> tuple[Any, Any, Any]:
    """Returns the sine of half the smaller angle from the first hue to the second, and cosine and sine of the mean hue.

    Hues are unit vectors instead of angles. Half the length of their difference is the sine of half the angle, half the length of their sum its
    cosine. This avoids most trigonometry and keeps all digits. The first vector rotated by half the angle is the mean hue. All decisions use products
    and roots, which math and numpy round alike.

    For opposite hues the definition takes the mean that does not pass 0 degrees: forward from a hue below 180, backward from one above. This also
    holds up to _HAIR beyond 180 degrees, where the cosine of half the angle is negative. A grey has no hue: its vector has length 0.
    """
    length1, length2 = c1 + (c1 == 0), c2 + (c2 == 0)
    x1, y1, x2, y2 = a1 / length1, b1 / length1, a2 / length2, b2 / length2
    dx, dy, sx, sy = x2 - x1, y2 - y1, x2 + x1, y2 + y1
    apart, together = m.sqrt(dx * dx + dy * dy), m.sqrt(sx * sx + sy * sy)
    back = x1 * y2 < y1 * x2
    past1, past2 = (y1 < 0) | (y1 == 0) & (x1 < 0), (y2 < 0) | (y2 == 0) & (x2 < 0)
    over = (together < _HAIR) & (past1 != back) & (past2 == back)
    sine, cosine = (0.5 - (back != over)) * apart, (0.5 - over) * together
    return sine, x1 * cosine - y1 * sine, y1 * cosine + x1 * sine


def _chroma_ramp(m: Any, chroma: Any) -> Any:
    # Products are ten times as fast as a power on arrays.
    cube = chroma * chroma * chroma
    seventh = cube * cube * chroma
    return m.sqrt(seventh / (seventh + _CHROMA_25))


def mean_difference_from_mean(
    colors: Sequence[Lab], formula: str = DEFAULT_FORMULA, weights: Sequence[float] | None = None
) -> float:
    """Returns the mean colour difference from the mean (MCDM), the spread of a set of colours, >= 0.

    Args:
        colors: at least one; a single colour gives 0.
        formula, weights: as for `delta_e`.

    Reference:
        Berns, Billmeyer and Saltzman's Principles of Color Technology, on precision by MCDM (from memory).

    Example:
        >>> round(mean_difference_from_mean([Lab(95, 0, 2.1), Lab(95, 0, 0.9)], "CIE76"), 6)
        0.6
    """
    centre = mean_lab(list(colors))
    return math.fsum(delta_e(centre, color, formula, weights) for color in colors) / len(colors)
