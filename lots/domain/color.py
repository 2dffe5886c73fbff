"""Differences between colours and their direction in words. The only user of colormath."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.values import Lab, mean_lab

# Formula -> the weights it takes when none are given, and their names in order.
DEFAULT_WEIGHTS: dict[str, tuple[float, ...]] = {
    "CIE76": (),
    "CIE94": (1.0, 0.045, 0.015),
    "CMC": (2.0, 1.0),
    "CIEDE2000": (1.0, 1.0, 1.0),
}
WEIGHT_NAMES = {"CIE76": (), "CIE94": ("kL", "K1", "K2"), "CMC": ("l", "c"), "CIEDE2000": ("kL", "kC", "kH")}

# Below this a direction is not worth a word: it would print as 0.00.
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
        """The difference in words: "darker, redder, yellower"; "no difference" when each would print as 0.00."""
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
    """Returns the signed parts of a colour difference, sample minus reference.

    Args:
        reference: the colour that was asked for.
        sample: the colour that was measured.

    Notes:
        dH is a length, not an angle, so that dE76^2 = dL^2 + dC^2 + dH^2. Its sign is that of the turn from reference to
        sample in the a*b* plane; on near-neutral colours it says little.

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


def delta_e(reference: Lab, sample: Lab, formula: str = "CIEDE2000", weights: Sequence[float] | None = None) -> float:
    """Returns the colour difference of `sample` from `reference`, >= 0, dimensionless.

    Args:
        reference: the colour asked for. CIE94 and CMC are not symmetric: their tolerance is shaped by the reference.
        sample: the colour measured.
        formula: CIE76, CIE94, CMC or CIEDE2000.
        weights: none for CIE76; [kL, K1, K2] for CIE94; [l, c] for CMC; [kL, kC, kH] for CIEDE2000. Defaults in DEFAULT_WEIGHTS.

    Raises:
        ValueError: an unknown formula, the wrong number of weights, or a weight that is not positive.

    Notes:
        CIE76, CIE94 and CMC come from colormath's matrix functions. CIEDE2000 is computed here from the published
        definition: colormath adds 360 degrees to the hue sum wherever two hues straddle zero, which moves the result.

    Reference:
        ISO/CIE 11664-4 (CIE76), CIE 116-1995 (CIE94), BS 6923 / ISO 105-J03 (CMC), ISO/CIE 11664-6 (CIEDE2000).

    Example:
        >>> round(delta_e(Lab(50, 2.6772, -79.7751), Lab(50, 0, -82.7485)), 4)
        2.0425
    """
    chosen = checked_weights(formula, weights)
    if formula == "CIEDE2000":
        return ciede2000(reference, sample, *chosen)
    # numpy is slow to import: only a program that judges colours pays for it.
    import numpy as np
    from colormath import color_diff_matrix as matrix

    asked, found = np.array(reference.as_list()), np.array([sample.as_list()])
    if formula == "CIE76":
        return float(matrix.delta_e_cie1976(asked, found)[0])
    if formula == "CIE94":
        k_l, k_1, k_2 = chosen
        return float(matrix.delta_e_cie1994(asked, found, K_L=k_l, K_1=k_1, K_2=k_2)[0])
    lightness, chroma = chosen
    return float(matrix.delta_e_cmc(asked, found, pl=lightness, pc=chroma)[0])


def checked_weights(formula: str, weights: Sequence[float] | None) -> tuple[float, ...]:
    """Returns the weights to use with a formula, its defaults when none are given.

    Raises:
        ValueError: an unknown formula, the wrong number of weights, or a weight that is not a positive number.
    """
    if formula not in DEFAULT_WEIGHTS:
        raise ValueError(f"formula is {formula!r}; it must be one of {', '.join(DEFAULT_WEIGHTS)}")
    if weights is None or (len(weights) == 0 and formula != "CIE76"):
        return DEFAULT_WEIGHTS[formula]
    names = WEIGHT_NAMES[formula]
    # CIE76 has no weights to set; the neutral [1, 1, 1] of a form that always sends three says nothing, and is taken so.
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
        Where the hues lie exactly 180 degrees apart the definition jumps: which mean hue is taken turns on the last bit of
        two arctangents (4.8045 or 4.7461 for one published pair). The test "at most 180" below is given a hair's width so
        that arithmetic noise falls on the published side.

    Reference:
        Sharma, Wu and Dalal 2005, The CIEDE2000 color-difference formula, Color Res. Appl. 30(1), 21-30, eqs. 2-22;
        ISO/CIE 11664-6.

    Example:
        >>> ciede2000(Lab(95, -0.8, 1.5), Lab(95, -0.8, 1.5))
        0.0
    """
    mean_chroma = (reference.chroma + sample.chroma) / 2
    g = 0.5 * (1 - _chroma_ramp(mean_chroma))
    a1, a2 = (1 + g) * reference.a, (1 + g) * sample.a
    c1, c2 = math.hypot(a1, reference.b), math.hypot(a2, sample.b)
    h1, h2 = _hue_deg(a1, reference.b), _hue_deg(a2, sample.b)

    dL = sample.L - reference.L
    dC = c2 - c1
    turn = h2 - h1
    gray = c1 * c2 == 0
    apart = abs(turn) <= 180 + 1e-9
    if gray:
        turn = 0.0
    elif not apart:
        turn += -360 if turn > 0 else 360
    dH = 2 * math.sqrt(c1 * c2) * math.sin(math.radians(turn / 2))

    mean_L, mean_C = (reference.L + sample.L) / 2, (c1 + c2) / 2
    if gray:
        mean_h = h1 + h2
    elif apart:
        mean_h = (h1 + h2) / 2
    else:
        mean_h = (h1 + h2 + (360 if h1 + h2 < 360 else -360)) / 2

    t = (
        1
        - 0.17 * math.cos(math.radians(mean_h - 30))
        + 0.24 * math.cos(math.radians(2 * mean_h))
        + 0.32 * math.cos(math.radians(3 * mean_h + 6))
        - 0.20 * math.cos(math.radians(4 * mean_h - 63))
    )
    s_l = 1 + 0.015 * (mean_L - 50) ** 2 / math.sqrt(20 + (mean_L - 50) ** 2)
    s_c = 1 + 0.045 * mean_C
    s_h = 1 + 0.015 * mean_C * t
    rotation = 60 * math.exp(-(((mean_h - 275) / 25) ** 2))
    r_t = -math.sin(math.radians(rotation)) * 2 * _chroma_ramp(mean_C)

    light, chroma, hue = dL / (k_l * s_l), dC / (k_c * s_c), dH / (k_h * s_h)
    return math.sqrt(max(0.0, light**2 + chroma**2 + hue**2 + r_t * chroma * hue))


def _chroma_ramp(chroma: float) -> float:
    return math.sqrt(chroma**7 / (chroma**7 + 25.0**7))


def _hue_deg(a: float, b: float) -> float:
    return math.degrees(math.atan2(b, a)) % 360 if a or b else 0.0


def mean_difference_from_mean(
    colors: Sequence[Lab], formula: str = "CIEDE2000", weights: Sequence[float] | None = None
) -> float:
    """Returns the mean colour difference from the mean (MCDM), the spread of a set of colours, >= 0.

    Args:
        colors: at least one; one alone has no spread and gives 0.

    Reference:
        Berns, Billmeyer and Saltzman's Principles of Color Technology, on precision by MCDM (from memory).

    Example:
        >>> round(mean_difference_from_mean([Lab(95, 0, 2.1), Lab(95, 0, 0.9)], "CIE76"), 6)
        0.6
    """
    centre = mean_lab(list(colors))
    return math.fsum(delta_e(centre, color, formula, weights) for color in colors) / len(colors)
