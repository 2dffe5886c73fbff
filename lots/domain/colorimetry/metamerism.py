"""Metamerism: pairs that match under one illuminant and not under another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.colorimetry.color_difference import DEFAULT_FORMULA, Components, components, delta_e
from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.spectra import Spectrum, white_of, xyz_from_spectrum
from lots.domain.colorimetry.tristimulus import XYZ, lab_from_xyz


@dataclass(frozen=True, slots=True)
class Metamerism:
    """Special metamerism index of a pair for a second illuminant.

    `index` is the colour difference under `test` after correction of the difference under `under`, >= 0. `residual` is the corrected difference,
    >= 0; `uncorrected` is the difference under `test` without correction, >= 0. `parts` has the components of `index`, sample minus reference. All
    use the same formula. `reference` and `corrected` are the two colours under `test`.
    """

    test: str
    under: str
    observer_deg: int
    formula: str
    index: float
    residual: float
    uncorrected: float
    parts: Components
    reference: Lab
    corrected: Lab

    @property
    def says(self) -> str:
        """The result in words."""
        return (
            f"Metamerism index {self.index:.2f} ({self.formula}, {self.observer_deg} deg observer) under {self.test} "
            f"for a match under {self.under}: {self.parts.direction}. "
            f"The difference of {self.residual:.2f} under {self.under} was corrected."
        )


def metamerism(
    reference: Spectrum,
    sample: Spectrum,
    test: str = "A",
    under: str = "D65",
    observer_deg: int = 10,
    formula: str = DEFAULT_FORMULA,
    weights: Sequence[float] | None = None,
) -> Metamerism:
    """Returns the special index of metamerism for a change of illuminant.

    Args:
        reference: spectrum of the approved reference; its colour is the reference of CIE94 and CMC.
        sample: measured spectrum.
        test: the second illuminant, such as A or LED-B3.
        under: the illuminant of the match.
        observer_deg: 2 or 10, for both.
        formula, weights: as for color_difference.delta_e.

    Raises:
        ValueError: an unknown illuminant, observer, formula or weight; or a sample with X, Y or Z of 0 under `under`, for which there is no
            correction.

    Notes:
        Multiplicative correction: under the test illuminant each tristimulus value of the sample is multiplied by the ratio of
        reference to sample under the other, which makes the pair match there exactly. The additive correction, which subtracts the
        CIELAB differences instead, gives other values and is not used.
        The index is meaningful for pairs that nearly match; pairs with a large `residual` are not metameric but different.
        Colour difference formulas were fitted under daylight. Under other illuminants an index compares pairs, and is no visual measure.

    Reference:
        CIE 15:2004, 9.2, special metamerism index: change in illuminant; DIN 6172 for the multiplicative correction (both from
        memory). ISO 18314-4 on pairs that do not match exactly.

    Example:
        >>> gray = Spectrum(400, 10, (0.5,) * 31)
        >>> metamerism(gray, gray, "A").index
        0.0
    """
    ours, theirs = (xyz_from_spectrum(one, under, observer_deg) for one in (reference, sample))
    if min(theirs.as_tuple()) == 0:
        raise ValueError(f"under {under} the sample has a tristimulus value of 0, so it cannot be corrected to a match")
    ratios = [mine / found for mine, found in zip(ours.as_tuple(), theirs.as_tuple(), strict=True)]
    asked, found = (xyz_from_spectrum(one, test, observer_deg) for one in (reference, sample))
    corrected = XYZ(*(part * ratio for part, ratio in zip(found.as_tuple(), ratios, strict=True)))
    home, away = white_of(under, observer_deg), white_of(test, observer_deg)
    asked_lab, corrected_lab = lab_from_xyz(asked, away), lab_from_xyz(corrected, away)
    return Metamerism(
        test=test,
        under=under,
        observer_deg=observer_deg,
        formula=formula,
        index=delta_e(asked_lab, corrected_lab, formula, weights),
        residual=delta_e(lab_from_xyz(ours, home), lab_from_xyz(theirs, home), formula, weights),
        uncorrected=delta_e(asked_lab, lab_from_xyz(found, away), formula, weights),
        parts=components(asked_lab, corrected_lab),
        reference=asked_lab,
        corrected=corrected_lab,
    )
