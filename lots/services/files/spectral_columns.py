"""The columns of a spectrum in a file, and the step of its wavelengths. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

from lots.domain.colorimetry.spectral_weights import FIRST_NM, LAST_NM, STEP_NM
from lots.store.tables.setup import KeptSpectrum

# Column -> wavelength in nm.
COLUMNS = {f"nm{nm}": nm for nm in range(FIRST_NM, LAST_NM + 1, STEP_NM)}


class Gap(ValueError):
    """A wavelength missing between others in a row. `nm` is the wavelength."""

    def __init__(self, nm: int) -> None:
        super().__init__("This wavelength has no value, but those around it have.")
        self.nm = nm


def from_cells(cells: Mapping[int, float]) -> KeptSpectrum:
    """Returns the spectrum of a row in the form of a JSON request.

    Args:
        cells: wavelength in nm, a multiple of 10 -> reflectance factor; at least one.

    Raises:
        Gap: the wavelengths have no constant step.

    Example:
        >>> from_cells({420: 0.3, 400: 0.1, 440: 0.5})
        {'start_nm': 400, 'step_nm': 20, 'values': [0.1, 0.3, 0.5]}
    """
    read = sorted(cells)
    step = min((later - nm for nm, later in pairwise(read)), default=STEP_NM)
    for nm in range(read[0], read[-1], step):
        if nm not in cells:
            raise Gap(nm)
    return {"start_nm": read[0], "step_nm": step, "values": [cells[nm] for nm in read]}


def in_columns(spectrum: KeptSpectrum | None) -> dict[str, float]:
    """Returns the values of a spectrum by column; empty without a spectrum.

    Example:
        >>> in_columns({"start_nm": 400, "step_nm": 20, "values": [0.1, 0.3]})
        {'nm400': 0.1, 'nm420': 0.3}
    """
    if spectrum is None:
        return {}
    return {
        f"nm{spectrum['start_nm'] + place * spectrum['step_nm']}": value
        for place, value in enumerate(spectrum["values"])
    }
