"""Reflectance spectra, and their colour under any illuminant."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.spectral_weights import FIRST_NM, LAST_NM, STEP_NM, weights
from lots.domain.colorimetry.tristimulus import XYZ, lab_from_xyz

# Least range of a spectrum.
_BEGINS_BY_NM, _ENDS_FROM_NM = 400, 700
_STEPS_NM = (10, 20)
# Wide enough for daylight-fluorescent pigments. Common practice, no source.
_MOST = 2.5


class BadSpectrum(ValueError):
    """An invalid spectrum. `path` is the position: step_nm, start_nm, values, or values/3 for the fourth value. `words` is the fault."""

    def __init__(self, path: str, words: str, hint: str = "") -> None:
        super().__init__(f"{words}; {hint}" if hint else words)
        self.path, self.words, self.hint = path, words, hint


@dataclass(frozen=True, slots=True)
class Spectrum:
    """A reflectance factor by wavelength.

    Args:
        start_nm: first wavelength in nm, a multiple of 10 from 360 to 400.
        step_nm: interval of the wavelengths in nm, 10 or 20.
        values: reflectance factors, 0..2.5, at start, start + step, ...; the last one is at 700..780 nm. 1 is the perfect white;
            a brightened white exceeds it about 440 nm.

    Raises:
        BadSpectrum: a wavelength or a value out of range; the message has the value and the rule.

    Reference:
        ASTM E308 (from memory) for wavelengths and steps; the upper bound of a value is this project's own, wide enough for
        daylight-fluorescent pigments.

    Example:
        >>> Spectrum(400, 20, (0.5,) * 16).end_nm
        700
    """

    start_nm: int
    step_nm: int
    values: tuple[float, ...]

    def __post_init__(self) -> None:
        if self.step_nm not in _STEPS_NM:
            wrong = f"the step is {self.step_nm!r} nm; it must be 10 or 20 nm"
            raise BadSpectrum("step_nm", wrong, "give 10 or 20")
        if self.start_nm not in range(FIRST_NM, _BEGINS_BY_NM + 1, STEP_NM):
            raise BadSpectrum(
                "start_nm",
                f"the first wavelength is {self.start_nm!r} nm; it must be a multiple of {STEP_NM} from {FIRST_NM} to {_BEGINS_BY_NM}",
                f"give a multiple of {STEP_NM} from {FIRST_NM} to {_BEGINS_BY_NM}",
            )
        if not _ENDS_FROM_NM <= self.end_nm <= LAST_NM:
            fewest = math.ceil((_ENDS_FROM_NM - self.start_nm) / self.step_nm) + 1
            raise BadSpectrum(
                "values",
                f"{len(self.values)} values from {self.start_nm} nm in steps of {self.step_nm} end at {self.end_nm} nm; "
                f"a spectrum must end from {_ENDS_FROM_NM} to {LAST_NM} nm",
                f"{fewest} values end at {self.start_nm + self.step_nm * (fewest - 1)} nm",
            )
        for place, (at_nm, value) in enumerate(zip(self.wavelengths_nm, self.values, strict=True)):
            if not math.isfinite(value) or not 0 <= value <= _MOST:
                hint = "it looks like percent; divide it by 100" if _MOST < value <= 100 * _MOST else ""
                raise BadSpectrum(
                    f"values/{place}",
                    f"the value at {at_nm} nm is {value!r}; it must be a number from 0 to {_MOST:g}",
                    hint,
                )

    @property
    def end_nm(self) -> int:
        """Last wavelength in nm."""
        return self.start_nm + self.step_nm * (len(self.values) - 1)

    @property
    def wavelengths_nm(self) -> range:
        """The wavelengths of the values in nm."""
        return range(self.start_nm, self.end_nm + 1, self.step_nm)


def xyz_from_spectrum(spectrum: Spectrum, illuminant: str = "D65", observer_deg: int = 10) -> XYZ:
    """Returns the tristimulus values of a spectrum, with Y = 100 for the perfect white.

    Args:
        spectrum: the reflectance factors.
        illuminant: D65, D50, A or LED-B3; others require the extra `spectral` (spectral_weights.weights).
        observer_deg: 2 or 10.

    Raises:
        ValueError: an illuminant or observer without weights.

    Notes:
        A weighted sum. The weights of missing wavelengths at an end are added to the nearest one, as for a constant extrapolation.
        Spectra at 20 nm are first interpolated to 10 nm by a cubic through the four nearest values. The cubic and the weights may be slightly
        negative; the sum is truncated at 0.

    Reference:
        ASTM E308, clause 7 (numbers from memory); weights see spectral_weights.weights.

    Example:
        >>> round(xyz_from_spectrum(Spectrum(400, 10, (0.5,) * 31)).Y, 9)
        50.0
    """
    whole = _whole(spectrum)
    sums = (math.fsum(map(float.__mul__, column, whole)) for column in weights(illuminant, observer_deg))
    return XYZ(*(max(0.0, total) for total in sums))


def white_of(illuminant: str = "D65", observer_deg: int = 10) -> XYZ:
    """Returns the perfect diffuser's tristimulus values as the sum of the weights.

    A white from a printed table differs in the fourth figure, so that a perfect white would not be neutral.

    Args:
        illuminant, observer_deg: as for `xyz_from_spectrum`.

    Raises:
        ValueError: an illuminant or observer without weights.

    Example:
        >>> round(white_of("A", 10).X, 2)
        111.14
    """
    return XYZ(*(math.fsum(column) for column in weights(illuminant, observer_deg)))


def lab_from_spectrum(spectrum: Spectrum, illuminant: str = "D65", observer_deg: int = 10) -> Lab:
    """Returns the colour of a spectrum; the perfect diffuser is L* 100, a* 0, b* 0 within rounding under every condition.

    Args:
        spectrum, illuminant, observer_deg: as for `xyz_from_spectrum`.

    Raises:
        ValueError: an illuminant or observer without weights, or a spectrum brighter than any surface (L* above 110).

    Reference:
        ASTM E308; ISO/CIE 11664-4.

    Example:
        >>> lab = lab_from_spectrum(Spectrum(360, 10, (1.0,) * 43), "LED-B3", 2)
        >>> round(lab.L, 9), abs(lab.a) < 1e-9, abs(lab.b) < 1e-9
        (100.0, True, True)
    """
    return lab_from_xyz(xyz_from_spectrum(spectrum, illuminant, observer_deg), white_of(illuminant, observer_deg))


def mean_spectrum(spectra: Sequence[Spectrum]) -> Spectrum:
    """Returns the mean reflectance factor at each wavelength, every 10 nm from 360 to 780 nm.

    Its tristimulus values are the means of theirs under every illuminant. Spectra may differ in range and step: each is first completed as in
    `xyz_from_spectrum`.

    Args:
        spectra: at least one.

    Raises:
        ValueError: no spectrum.

    Example:
        >>> mean_spectrum([Spectrum(400, 20, (0.4,) * 16), Spectrum(360, 10, (0.6,) * 43)]).values[7]
        0.5
    """
    if not spectra:
        raise ValueError("a mean requires at least one spectrum")
    columns = zip(*(_whole(spectrum) for spectrum in spectra), strict=True)
    means = (math.fsum(column) / len(spectra) for column in columns)
    # Interpolation may slightly exceed the range of a reflectance factor.
    return Spectrum(FIRST_NM, STEP_NM, tuple(min(max(0.0, mean), _MOST) for mean in means))


def _whole(spectrum: Spectrum) -> tuple[float, ...]:
    """Returns the values at 360, 370, ... 780 nm, constant beyond the measured range."""
    values = _every_10_nm(spectrum)
    before = (spectrum.start_nm - FIRST_NM) // STEP_NM
    after = (LAST_NM - spectrum.end_nm) // STEP_NM
    return (values[0],) * before + values + (values[-1],) * after


def _every_10_nm(spectrum: Spectrum) -> tuple[float, ...]:
    """Returns the values every 10 nm from the first wavelength to the last; at either end the cubic uses a parabolic extrapolation."""
    if spectrum.step_nm == STEP_NM:
        return tuple(map(float, spectrum.values))
    read = spectrum.values
    padded = (3 * read[0] - 3 * read[1] + read[2], *read, 3 * read[-1] - 3 * read[-2] + read[-3])
    filled = [float(read[0])]
    for here, (a, b, c, d) in zip(read[1:], zip(padded, padded[1:], padded[2:], padded[3:], strict=False), strict=True):
        filled += [(9 * (b + c) - (a + d)) / 16, float(here)]
    return tuple(filled)
