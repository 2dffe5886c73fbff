"""Colours sent as spectra: read, and computed under the light of the reference they are to be compared with."""

from __future__ import annotations

from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.spectra import BadSpectrum, Spectrum, lab_from_spectrum, white_of
from lots.services.errors import Fault
from lots.store.tables.models import Grade
from lots.store.tables.setup import KeptSpectrum

# Where nobody approved a reference yet. The usual pair for plastics (ISO 18314-1).
DEFAULT_LIGHT = {"illuminant": "D65", "observer_deg": 10}


def read(at: str, sent: KeptSpectrum) -> tuple[Spectrum | None, list[Fault]]:
    """Returns a spectrum as it was sent, or the fault of what cannot be one, at its place below `at`."""
    try:
        return Spectrum(sent["start_nm"], sent["step_nm"], tuple(sent["values"])), []
    except BadSpectrum as wrong:
        return None, [Fault(f"{at}/{wrong.path}", *worded(wrong))]


def worded(wrong: BadSpectrum) -> tuple[str, str]:
    """Returns what is wrong with a spectrum as a sentence, and what to do as another; "" where that follows."""
    detail, hint = (f"{part[:1].upper()}{part[1:]}." if part else "" for part in (wrong.words, wrong.hint))
    return detail, hint


def color_under(
    at: str, spectrum: Spectrum, illuminant: str, observer_deg: int, *, light_at: str = ""
) -> tuple[Lab | None, list[Fault]]:
    """Returns the colour of a spectrum, or the fault of one that no surface has, or of a light that cannot be computed.

    Args:
        at: where the spectrum stands in the request.
        spectrum: as it was read.
        illuminant, observer_deg: its light.
        light_at: where the illuminant stands in the request; "" when it is that of the reference, and then the fault is the spectrum's.
    """
    try:
        white_of(illuminant, observer_deg)
    except ValueError as wrong:
        detail = f"The colour of a spectrum under {illuminant}, {observer_deg} degrees, cannot be told: {wrong}."
        return None, [Fault(light_at or at, detail, "Lights that can be computed: D65, D50, A and LED-B3.")]
    try:
        return lab_from_spectrum(spectrum, illuminant, observer_deg), []
    except ValueError as wrong:
        percent = max(spectrum.values) > 1
        hint = (
            "The values look like percent: divide each by 100. 1 is the perfect white." if percent else "Read it again."
        )
        return None, [
            Fault(at, f"Its colour under {illuminant}, {observer_deg} degrees, cannot be told: {wrong}.", hint)
        ]


def uv_fault(pointer: str, grade: Grade) -> Fault:
    """The refusal of a colour of a brightened grade that does not say whether UV was in the beam."""
    detail = f"Grade {grade.code} is brightened, so its colour depends on the ultraviolet in the beam, and this does not say."
    return Fault(
        pointer, detail, "State whether UV is included, or excluded where the instrument has its UV filter in."
    )
