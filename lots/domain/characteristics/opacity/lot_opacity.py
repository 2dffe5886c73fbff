"""Opacity of a plaque from one reading over black and one over white."""

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

# Largest L* over black minus L* over white that noise of the instrument and the position explains. Common practice, no source.
NOISE_L = 0.5
# Largest colour difference (CIEDE2000) between black and white backing of an opaque plaque, a fifth of a usual limit on colour. Common
# practice, no source. A contrast ratio of 0.98, complete hiding of white paint, still allows a difference of 0.5.
OPAQUE_DELTA_E = 0.2
# A ratio above the first is probably a swapped pair. A ratio below the second, for a plaque at least this light, is probably a reading of
# the black backing. All three are common practice, no source.
_SWAPPED_RATIO, _FILM_RATIO, _LIGHT_L = 1.01, 0.3, 80.0


@dataclass(frozen=True, slots=True)
class Opacity:
    """The opacity of a plaque.

    `ratio` is the contrast ratio Y over black / Y over white as measured, >= 0: 1 is opaque, 0 is clear, and noise may bring it just above
    1. `delta_e` is the colour difference between the two readings, >= 0, the effect of the backing.
    """

    ratio: float
    delta_e: float
    formula: str

    @property
    def percent(self) -> float:
        """Opacity in percent, clipped at 100, for display."""
        return 100 * min(self.ratio, 1.0)

    @property
    def opaque(self) -> bool:
        """True when the backing does not affect the colour; `delta_e` must be by CIEDE2000."""
        return self.delta_e <= OPAQUE_DELTA_E + BINARY_NOISE

    @property
    def says(self) -> str:
        """The result in words for the person at the bench."""
        over = " (above 1 by noise)" if self.ratio > 1 else ""
        return f"Contrast ratio {self.ratio:.4f}{over}. Black and white backing differ by {self.delta_e:.2f} ({self.formula})."


def contrast_ratio(over_black_Y: float, over_white_Y: float) -> float:
    """Returns the luminous reflectance over black divided by that over white, as measured.

    Args:
        over_black_Y, over_white_Y: Y in percent, >= 0, over white > 0; under the same illuminant, observer and geometry.

    Returns:
        0 for a clear plaque, 1 for an opaque one. Noise may bring it slightly above 1; it is not clipped, since that would bias averages.

    Raises:
        ValueError: a Y that is negative or no number, Y 0 over white, or a plaque that is lighter over black than noise explains.

    Reference:
        ISO 6504-3 and ASTM D2805 for paints, ISO 13655 for prints, TAPPI T 425 for paper over a white of 89 % (all from memory). The ratio
        depends on the white and the black backing. Paints count as hiding from 0.98 on (from memory).

    Example:
        >>> contrast_ratio(84.0, 87.5)
        0.96
    """
    for name, value in (("black", over_black_Y), ("white", over_white_Y)):
        if not 0 <= value < float("inf"):
            raise ValueError(f"Y over {name} is {value!r}; it must be a number that is not negative")
    if over_white_Y == 0:
        raise ValueError("the luminous reflectance over white is 0, so the contrast ratio is not defined")
    lighter = lightness(over_black_Y) - lightness(over_white_Y)
    if lighter > NOISE_L:
        raise ValueError(f"the plaque is {lighter:.2f} L* lighter over black than over white, more than noise explains")
    return over_black_Y / over_white_Y


def opacity(over_black: Lab, over_white: Lab, formula: str = DEFAULT_FORMULA) -> Opacity:
    """Returns the contrast ratio and the colour difference of a plaque over black and over white.

    Args:
        over_black, over_white: colours of the same place, under the same conditions except for the backing.
        formula: of the colour difference, with its default weights; the colour over white is the reference.

    Raises:
        ValueError: an unknown formula, L* 0 over white, or a plaque that is lighter over black than noise explains.

    Reference:
        As for `contrast_ratio`. Y follows from L* alone (ISO/CIE 11664-4).

    Example:
        >>> opacity(Lab(94.9, -0.8, 1.4), Lab(95.0, -0.8, 1.5)).says
        'Contrast ratio 0.9973. Black and white backing differ by 0.11 (CIEDE2000).'
    """
    ratio = contrast_ratio(luminous_reflectance(over_black.L), luminous_reflectance(over_white.L))
    return Opacity(ratio, delta_e(over_white, over_black, formula), formula)


def suspect_opacity(over_black: Lab, over_white: Lab) -> tuple[str, str] | None:
    """Returns a warning and a hint when a possible pair looks like an error, else None.

    Args:
        over_black, over_white: as for `opacity`, which accepts them.

    Example:
        >>> suspect_opacity(Lab(30, 0, 0), Lab(95, 0, 0))[0]
        'A contrast ratio of 0.07 is not plausible for a white plaque.'
    """
    ratio = opacity(over_black, over_white).ratio
    if ratio > _SWAPPED_RATIO:
        return (
            f"The plaque is lighter over black than over white (contrast ratio {ratio:.2f}).",
            "Check whether the colours over black and over white were swapped.",
        )
    if ratio < _FILM_RATIO and over_white.L >= _LIGHT_L:
        detail = f"A contrast ratio of {ratio:.2f} is not plausible for a white plaque."
        return detail, "Check that the colour over black is that of the plaque, not of the black backing."
    return None


@dataclass(frozen=True, slots=True)
class OpacityReading:
    """One plaque of a spool, measured over black and over white at the same place.

    Args:
        spool: code of the spool of the plaque.
        over_black, over_white: colours, under the same conditions except for the backing.
        measured_at: time of measurement.
        uncertainty: standard uncertainty of the instrument per coordinate, >= 0; None when unknown.
        resolution: smallest displayed step of a coordinate, > 0; None when unknown.
        thickness_mm: of the plaque, mm; None where not stated.

    Raises:
        ValueError: an implausible pair (`opacity`).
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
        """The contrast ratio and the difference by CIEDE2000."""
        return opacity(self.over_black, self.over_white)

    @property
    def ratio_uncertainty(self) -> float | None:
        """The standard uncertainty of the contrast ratio, None when unknown.

        Each lightness is shifted by the instrument's uncertainty, both ways, and the larger change counts (Kragten 1994; see
        color.uncertainty.delta_e_uncertainty). The two readings are taken as independent, which overstates the uncertainty for one instrument.
        """
        return self._of_ratio(self.uncertainty)

    @property
    def ratio_resolution(self) -> float | None:
        """The resolution of the contrast ratio, computed in the same way; None when unknown."""
        return self._of_ratio(self.resolution)

    def _of_ratio(self, u: float | None) -> float | None:
        """Returns the change of the contrast ratio for a change of L* in each reading."""
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
    """Returns the newest reading, of two at one time the less opaque; None without any."""
    return max(readings, key=lambda reading: (reading.measured_at, reading.found.delta_e), default=None)


@dataclass(frozen=True, slots=True)
class OpacityLimits:
    """Least contrast ratio, 0..1, and the required thickness of plaques, mm; None for any."""

    contrast_ratio_min: float
    thickness_mm: float | None = None

    @property
    def limit(self) -> Limit:
        """The limit on the contrast ratio, with the target 1."""
        return Limit(self.contrast_ratio_min, None, target=1.0)

    def counts(self, reading: OpacityReading) -> bool:
        """Returns whether a plaque has the required thickness within 5 %. An unstated thickness does not count.

        Reference:
            ISO 6504-3 (opacity depends on thickness; from memory). 5 %: common practice, no source.
        """
        if self.thickness_mm is None:
            return True
        return reading.thickness_mm is not None and same_thickness(reading.thickness_mm, self.thickness_mm)


def judge_opacity(
    readings: Sequence[OpacityReading], limits: OpacityLimits, rule: DecisionRule, estimate: Estimate = OWN
) -> list[Finding]:
    """Returns the finding on the least opaque spool, by the mean of its contrast ratios.

    Opacity depends on pigment and thickness and varies little over a lot, so one spool is enough. Any failing spool fails the lot.

    Reference:
        ISO 6504-3 (contrast ratio of paints; from memory). That one spool is enough is this project's rule, no source.
    """
    limit, code = limits.limit, "opacity.contrast_ratio"
    if not readings:
        thick = "" if limits.thickness_mm is None else f" of {limits.thickness_mm:g} mm"
        lacking = f"measure the opacity of a plaque{thick} over black and over white"
        return [unmeasured(code, limit, rule, lacking)]
    means = spool_means(readings, lambda reading: reading.found.ratio, code, estimate, _instrument)
    return [worst(findings_on(code, means, limit, rule))]


def _instrument(readings: Sequence[OpacityReading]) -> Instrument:
    own, step = worst_known(r.ratio_uncertainty for r in readings), worst_known(r.ratio_resolution for r in readings)
    return replace(Instrument.of(readings), uncertainty=own, resolution=step)
