"""Weights for the tristimulus values of a reflectance spectrum. The only user of colour-science."""

from __future__ import annotations

import csv
import re
import warnings
from functools import cache

# Wavelengths of the weights, in nm: ASTM E308 sums from 360 to 780.
FIRST_NM, LAST_NM, STEP_NM = 360, 780, 10

# Weights of X, Y and Z, one number per wavelength each.
Weights = tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]

_OBSERVERS = {2: "CIE 1931 2 Degree Standard Observer", 10: "CIE 1964 10 Degree Standard Observer"}

# Illuminants in `spectral_weights.csv`: daylight, graphic arts, incandescent and LED light. The choice is common practice, no source.
TABULATED = ("D65", "D50", "A", "LED-B3")


@cache
def weights(illuminant: str, observer_deg: int) -> Weights:
    """Returns the weights of a reflectance factor at 360, 370, ... 780 nm for X, Y and Z; those of Y sum to 100.

    Args:
        illuminant: D65, D50, A or LED-B3 from the table; any other that CIE 15:2018 tabulates, such as C or FL11 (also F11), is
            computed with colour-science, installed by the extra `spectral`.
        observer_deg: CIE standard observer, 2 or 10 degrees.

    Raises:
        ValueError: an observer that is neither 2 nor 10, an illuminant that is not tabulated, or one that requires the extra where
            it is not installed.

    Notes:
        The table was computed with `computed_weights` and is stored with eight decimals. A stored spectrum therefore has the same colour with
        every version of that library, without two seconds of loading. The tests recompute the table. colormath is not used: its white is
        rounded, so that a perfect white deviates by up to 0.10 from neutral (D50, 2 degrees), and it lacks A at 10 degrees. The weights apply
        to readings corrected for the bandpass by the instrument (Table 5 of the standard, not 6).

    Reference:
        ASTM E308, Table 5 (kind of weights; number from memory), ASTM E2022 (their computation); CIE 15:2018 (observers and
        illuminants). Observers and illuminants as distributed with colour-science 0.4.7 (BSD-3-Clause).

    Example:
        >>> x, y, z = weights("D65", 10)
        >>> round(sum(x), 3), round(sum(y), 3), round(sum(z), 3)
        (94.811, 100.0, 107.305)
    """
    if observer_deg not in _OBSERVERS:
        raise ValueError(f"the observer is {observer_deg!r}°; the CIE standard observers are 2 and 10")
    if illuminant not in TABULATED:
        return computed_weights(illuminant, observer_deg)
    return _tabulated()[illuminant, observer_deg]


@cache
def _tabulated() -> dict[tuple[str, int], Weights]:
    """Returns the weights of the table, by illuminant and observer."""
    from importlib.resources import files

    rows: dict[tuple[str, int], list[list[float]]] = {}
    text = files("lots.domain.colorimetry").joinpath("spectral_weights.csv").read_text(encoding="ascii")
    for row in csv.DictReader(text.splitlines()):
        of_light = rows.setdefault((row["illuminant"], int(row["observer_deg"])), [])
        of_light.append([float(row[axis]) for axis in "xyz"])
    return {
        light: (tuple(x), tuple(y), tuple(z)) for light, some in rows.items() for x, y, z in [zip(*some, strict=True)]
    }


def computed_weights(illuminant: str, observer_deg: int) -> Weights:
    """Returns the weights computed from the CIE's spectra with colour-science, for any illuminant it has.

    Args:
        illuminant: a CIE illuminant by its short name, such as C, D65, FL11 or LED-B3.
        observer_deg: 2 or 10.

    Raises:
        ValueError: colour-science is not installed, or does not have the illuminant.

    Notes:
        Importing colour-science emits warnings about missing drawing packages and changes numpy's print options. Both are suppressed here.

    Reference:
        ASTM E2022: the weight of a wavelength between two readings is shared among four of them by Lagrange's cubic interpolation.
    """
    import numpy as np

    with warnings.catch_warnings(), np.printoptions():
        warnings.simplefilter("ignore")
        try:
            from colour import SpectralShape, colorimetry
        except ImportError as error:
            raise ValueError(
                f"the weights of illuminant {illuminant} require colour-science, which is not installed; "
                f"install the extra `spectral`, or use one of {', '.join(TABULATED)}"
            ) from error
        name = re.sub(r"^F(?=\d)", "FL", illuminant)
        if name not in colorimetry.SDS_ILLUMINANTS:
            raise ValueError(
                f"illuminant is {illuminant!r}; it must be one the CIE tabulates, such as D65, A or LED-B3"
            )
        every_nm = SpectralShape(FIRST_NM, LAST_NM, 1)
        observer = colorimetry.MSDS_CMFS[_OBSERVERS[observer_deg]].copy().trim(every_nm)
        light = colorimetry.SDS_ILLUMINANTS[name].copy().align(every_nm)
        table = colorimetry.tristimulus_weighting_factors_ASTME2022(
            observer, light, SpectralShape(FIRST_NM, LAST_NM, STEP_NM)
        )
    x, y, z = (tuple(float(weight) for weight in table[:, axis]) for axis in range(3))
    return x, y, z
