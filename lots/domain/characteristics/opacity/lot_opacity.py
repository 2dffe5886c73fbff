"""Opacity: whether what lies behind a plaque shows in its colour, from one reading over black and one over white."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from lots.domain.characteristics.declaring.estimate import OWN, Estimate, Instrument
from lots.domain.characteristics.declaring.origin import UNKNOWN, Origin
from lots.domain.characteristics.declaring.spool_means import findings_on, spool_means
from lots.domain.colorimetry.color_difference import DEFAULT_FORMULA, delta_e
from lots.domain.colorimetry.color_values import Lab, same_thickness
from lots.domain.colorimetry.tristimulus import lightness, luminous_reflectance
from lots.domain.conformity.findings import Finding, worst
from lots.domain.conformity.judgement import unmeasured
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule, Limit
from lots.domain.statistics.summaries import worst_known

# Over black a plaque is never truly lighter than over white. Up to this much L* it may read so by noise, of the instrument and of the place
# read; more is a mix-up. Common practice, no source.
NOISE_L = 0.5
# A plaque is opaque where black or white behind it changes its colour by no more than this (CIEDE2000). Common practice, no source: a fifth
# of a usual limit on colour. The contrast ratio alone does not tell: white paint hides from 0.98 on, and there the backing still makes 0.5.
OPAQUE_DELTA_E = 0.2
# A ratio above this is more often a pair of readings that was swapped than noise; one below the other, over a plaque at least this light, is a
# film or a reading of the black itself. All three common practice, no source.
_SWAPPED_RATIO, _FILM_RATIO, _LIGHT_L = 1.01, 0.3, 80.0


@dataclass(frozen=True, slots=True)
class Opacity:
    """How much of a plaque's lightness is its own.

    `ratio` is the contrast ratio Y over black / Y over white as measured, >= 0: 1 is opaque, 0 is clear, and noise may carry it just above
    1. `delta_e` is the colour difference between the two readings, >= 0: what a change of backing would do to a verdict.
    """

    ratio: float
    delta_e: float
    formula: str

    @property
    def percent(self) -> float:
        """Opacity in percent, 0..100: what noise adds above 100 is left out. For showing."""
        return 100 * min(self.ratio, 1.0)

    @property
    def opaque(self) -> bool:
        """True where what lies behind the plaque does not matter to its colour; `delta_e` must be by CIEDE2000."""
        return self.delta_e <= OPAQUE_DELTA_E + BINARY_NOISE

    @property
    def says(self) -> str:
        """The result as a sentence for the person at the bench."""
        over = (
            ", above 1 by no more than the noise of two readings, so nothing of the backing shows"
            if self.ratio > 1
            else ""
        )
        return f"Contrast ratio {self.ratio:.4f}{over}; black or white behind it makes {self.delta_e:.2f} ({self.formula})."


def contrast_ratio(over_black_Y: float, over_white_Y: float) -> float:
    """Returns the luminous reflectance over black divided by that over white, as measured.

    Args:
        over_black_Y, over_white_Y: Y in percent, >= 0, that over white > 0; under the same illuminant, observer and geometry.

    Returns:
        0 where the black behind is all that is seen, 1 for an opaque plaque. Slightly above 1 by noise, and left so: cut off, it would
        hide that the reading was noisy, and averages would lean.

    Raises:
        ValueError: a Y that is negative or no number, no light over white, or a plaque that is lighter over black than noise explains.

    Reference:
        ISO 6504-3 and ASTM D2805 for paints, ISO 13655 for prints, TAPPI T 425 for paper over a white of 89 % (all from memory). The ratio
        depends on how white and how black the backings are; with others it is another figure. Paints count as hiding from 0.98 on
        (from memory).

    Example:
        >>> contrast_ratio(84.0, 87.5)
        0.96
    """
    for name, value in (("black", over_black_Y), ("white", over_white_Y)):
        if not 0 <= value < float("inf"):
            raise ValueError(f"Y over {name} is {value!r}; it must be a number that is not negative")
    if over_white_Y == 0:
        raise ValueError("over white the plaque reflects nothing, so opacity cannot be told")
    lighter = lightness(over_black_Y) - lightness(over_white_Y)
    if lighter > NOISE_L:
        raise ValueError(
            f"the plaque reads {lighter:.2f} L* lighter over black than over white, more than noise explains: "
            "were the two swapped, or read at different places?"
        )
    return over_black_Y / over_white_Y


def opacity(over_black: Lab, over_white: Lab, formula: str = DEFAULT_FORMULA) -> Opacity:
    """Returns contrast ratio and colour difference of a plaque read over black and over white.

    Args:
        over_black, over_white: colours of the same place, under conditions that differ in nothing but the backing.
        formula: of the colour difference, with its default weights; over white is the reference.

    Raises:
        ValueError: an unknown formula, L* 0 over white, or a plaque that is lighter over black than noise explains.

    Reference:
        As for `contrast_ratio`. Y follows from L* alone (ISO/CIE 11664-4).

    Example:
        >>> opacity(Lab(94.9, -0.8, 1.4), Lab(95.0, -0.8, 1.5)).says
        'Contrast ratio 0.9973; black or white behind it makes 0.11 (CIEDE2000).'
    """
    ratio = contrast_ratio(luminous_reflectance(over_black.L), luminous_reflectance(over_white.L))
    return Opacity(ratio, delta_e(over_white, over_black, formula), formula)


def suspect_opacity(over_black: Lab, over_white: Lab) -> tuple[str, str] | None:
    """Returns a warning and a hint when a pair that may be right looks like a slip; None where it does not.

    Args:
        over_black, over_white: as for `opacity`, which does not refuse them.

    Example:
        >>> suspect_opacity(Lab(30, 0, 0), Lab(95, 0, 0))[0]
        'A contrast ratio of 0.07 is that of a film that one can see through, not of a white plaque.'
    """
    ratio = opacity(over_black, over_white).ratio
    if ratio > _SWAPPED_RATIO:
        return (
            f"The plaque reads lighter over black than over white: contrast ratio {ratio:.2f}.",
            "Were the colours over black and over white swapped?",
        )
    if ratio < _FILM_RATIO and over_white.L >= _LIGHT_L:
        detail = f"A contrast ratio of {ratio:.2f} is that of a film that one can see through, not of a white plaque."
        return detail, "Is the colour over black that of the plaque on the black, and not of the black by itself?"
    return None


@dataclass(frozen=True, slots=True)
class OpacityReading:
    """One plaque of a spool read over black and over white, at the same place.

    Args:
        spool: code of the spool it was printed from.
        over_black, over_white: colours, under conditions that differ in nothing but the backing.
        measured_at: when.
        uncertainty: standard uncertainty of the instrument per coordinate, >= 0; None when unknown.
        resolution: smallest step of a coordinate that it shows, > 0; None when unknown.
        thickness_mm: of the plaque, mm; None where nobody stated it.

    Raises:
        ValueError: the two do not tell opacity (`opacity`).
    """

    spool: str
    over_black: Lab
    over_white: Lab
    measured_at: datetime
    uncertainty: float | None = None
    resolution: float | None = None
    origin: Origin = UNKNOWN
    thickness_mm: float | None = None

    def __post_init__(self) -> None:
        opacity(self.over_black, self.over_white)

    @property
    def found(self) -> Opacity:
        """Contrast ratio, and the difference by CIEDE2000."""
        return opacity(self.over_black, self.over_white)

    @property
    def ratio_uncertainty(self) -> float | None:
        """Standard uncertainty of the contrast ratio, None when unknown.

        Each lightness is moved by the instrument's uncertainty, both ways, and the larger change taken (Kragten 1994; see
        color_uncertainty.delta_e_uncertainty). The two readings are taken as independent, which one instrument's are not quite: too wide, not too narrow.
        """
        return self._of_ratio(self.uncertainty)

    @property
    def ratio_resolution(self) -> float | None:
        """Smallest step of the contrast ratio that the instrument shows, in the same way; None when unknown."""
        return self._of_ratio(self.resolution)

    def _of_ratio(self, u: float | None) -> float | None:
        """What an amount of L* in each reading is of the contrast ratio."""
        if u is None:
            return None
        black, white = self.over_black.L, self.over_white.L
        here = luminous_reflectance(black) / luminous_reflectance(white)
        moves = [[(black + u, white), (black - u, white)], [(black, white + u), (black, white - u)]]
        ratios = [
            [luminous_reflectance(b) / luminous_reflectance(w) for b, w in both if luminous_reflectance(w) > 0]
            for both in moves
        ]
        return math.hypot(*(max(abs(ratio - here) for ratio in both) for both in ratios))


def latest(readings: Sequence[OpacityReading]) -> OpacityReading | None:
    """Returns the newest reading, of two of one moment the less opaque; None without any."""
    return max(readings, key=lambda reading: (reading.measured_at, reading.found.delta_e), default=None)


@dataclass(frozen=True, slots=True)
class OpacityLimits:
    """Least contrast ratio, 0..1, and the plaque's thickness that it holds for, mm; None for any."""

    contrast_ratio_min: float
    thickness_mm: float | None = None

    @property
    def limit(self) -> Limit:
        """The limit on the contrast ratio, which is 1 for an opaque plaque."""
        return Limit(self.contrast_ratio_min, None, target=1.0)

    def counts(self, reading: OpacityReading) -> bool:
        """True for a plaque of the thickness that the limit holds for, within 5 %; a thicker plaque hides more, and an unstated thickness counts as another.

        Reference:
            That opacity holds at one thickness: ISO 6504-3 (from memory). 5 %: common practice, no source.
        """
        if self.thickness_mm is None:
            return True
        return reading.thickness_mm is not None and same_thickness(reading.thickness_mm, self.thickness_mm)


def judge_opacity(
    readings: Sequence[OpacityReading], limits: OpacityLimits, rule: DecisionRule, estimate: Estimate = OWN
) -> list[Finding]:
    """Returns the finding on the least opaque spool, by the mean of its contrast ratios.

    Opacity belongs to pigment and thickness and varies little over a lot, so one spool is enough to judge, and any that fails refuses.

    Reference:
        ISO 6504-3 (contrast ratio of paints; from memory); that one spool is enough is this project's design.
    """
    limit, code = limits.limit, "opacity.contrast_ratio"
    if not readings:
        thick = "" if limits.thickness_mm is None else f" of {limits.thickness_mm:g} mm"
        lacking = f"opacity of a plaque{thick}, read over black and over white"
        return [unmeasured(code, limit, rule, lacking)]
    means = spool_means(readings, lambda reading: reading.found.ratio, code, estimate, _instrument)
    return [worst(findings_on(code, means, limit, rule))]


def _instrument(readings: Sequence[OpacityReading]) -> Instrument:
    own, step = worst_known(r.ratio_uncertainty for r in readings), worst_known(r.ratio_resolution for r in readings)
    return replace(Instrument.of(readings), uncertainty=own, resolution=step)
