"""Metamerism: a pair that matches under one light and parts under another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.colorimetry.color_difference import DEFAULT_FORMULA, Components, components, delta_e
from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.spectra import Spectrum, white_of, xyz_from_spectrum
from lots.domain.colorimetry.tristimulus import XYZ, lab_from_xyz


@dataclass(frozen=True, slots=True)
class Metamerism:
    """How far a pair parts under a second light.

    `index` is the colour difference under `test` once the difference under `under` has been taken out of it, >= 0; `residual` is that
    difference, >= 0; `uncorrected` is the difference under `test` as it stands, >= 0. `parts` is the corrected difference by coordinate,
    sample minus reference. All under the same formula. `reference` and `corrected` are the two colours under `test` that `index` is
    the difference of.
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
        """The result as a sentence for the person at the bench."""
        return (
            f"Metamerism index {self.index:.2f} ({self.formula}, {self.observer_deg} deg observer) under {self.test} "
            f"for a match under {self.under}: {self.parts.direction}; {self.residual:.2f} under {self.under} was taken out."
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
        reference: spectrum of what was approved. CIE94 and CMC take its colour as theirs.
        sample: spectrum of what was measured.
        test: the second illuminant, such as A or LED-B3.
        under: the illuminant under which the pair is meant to match.
        observer_deg: 2 or 10, for both.
        formula, weights: as for color.delta_e.

    Raises:
        ValueError: an illuminant, observer, formula or weight that is not known; or a sample without any X, Y or Z under `under`, for which
            there is no correction.

    Notes:
        Correction: multiplicative. Under the test illuminant each tristimulus value of the sample is multiplied by the ratio of
        reference to sample under the other, which would make the pair match there exactly. The additive one, which subtracts the
        CIELAB differences instead, gives other figures; it is not used.
        The index means something for pairs that nearly match; where `residual` is large they are not metameric but different.
        Colour difference formulas were fitted under daylight: under other lights an index compares pairs, and is no visual measure.

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
