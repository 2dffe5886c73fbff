"""The weights that make tristimulus values of a reflectance spectrum, and the only user of colour-science."""

from __future__ import annotations

import csv
import re
import warnings
from functools import cache

# Wavelengths the weights stand at, in nm: ASTM E308 sums from 360 to 780.
FIRST_NM, LAST_NM, STEP_NM = 360, 780, 10

# X, Y and Z, each one number per wavelength.
Weights = tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]

_OBSERVERS = {2: "CIE 1931 2 Degree Standard Observer", 10: "CIE 1964 10 Degree Standard Observer"}

# Illuminants in the table beside this file, `spectral_weights.csv`.
TABULATED = ("D65", "D50", "A", "LED-B3")


@cache
def weights(illuminant: str, observer_deg: int) -> Weights:
    """Returns the weights of a reflectance factor at 360, 370, ... 780 nm towards X, Y and Z; those of Y sum to 100.

    Args:
        illuminant: D65, D50, A or LED-B3 from the table; any other that CIE 15:2018 tabulates, such as C or FL11 (F11 is
            taken for it), is computed with colour-science, which the extra `spectral` installs.
        observer_deg: CIE standard observer, 2 or 10 degrees.

    Raises:
        ValueError: an observer that is neither 2 nor 10, an illuminant nobody tabulated, or one that needs the extra where it
            is not installed.

    Notes:
        The table was computed with `computed_weights` below and is kept here in eight decimals, so that a stored spectrum has the
        same colour on every installation and under every version of that library, and so that no reading waits two seconds for
        it to load. The tests compute the table again. colormath is not used: it sums its own spectra yet divides by a white
        rounded elsewhere, so that a perfect white reads up to 0.10 off neutral (D50, 2 degrees), and it lacks A at 10 degrees.
        These weights suit readings that the instrument has corrected for its bandpass (Table 5 of the standard, not 6).

    Reference:
        ASTM E308, Table 5 (kind of weights; number from memory), ASTM E2022 (how they are computed); CIE 15:2018 (observers and
        illuminants). Observers and illuminants as colour-science 0.4.7 ships them (BSD-3-Clause).

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
    """The weights of the table, by illuminant and observer."""
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
    """Returns the same weights computed from the CIE's spectra with colour-science, for any illuminant it has.

    Args:
        illuminant: a CIE illuminant by its short name, such as C, D65, FL11 or LED-B3.
        observer_deg: 2 or 10.

    Raises:
        ValueError: colour-science is not installed, or does not have the illuminant.

    Notes:
        Loading colour-science warns of drawing packages that are not there and sets how numpy prints, for the whole program.
        Neither concerns a sum of weights, so both are kept inside this function.

    Reference:
        ASTM E2022: each wavelength between two readings shares its weight among four of them as Lagrange's cubic does.
    """
    import numpy as np

    with warnings.catch_warnings(), np.printoptions():
        warnings.simplefilter("ignore")
        try:
            from colour import SpectralShape, colorimetry
        except ImportError as error:
            raise ValueError(
                f"the weights of illuminant {illuminant} are computed with colour-science, which is not installed: "
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
