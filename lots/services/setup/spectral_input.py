"""Colours given as spectra, computed under the illuminant and observer of their reference."""

from __future__ import annotations

from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.spectra import BadSpectrum, Spectrum, lab_from_spectrum, white_of
from lots.services.errors import Fault
from lots.store.tables.models import Grade
from lots.store.tables.setup import KeptSpectrum

# The default without a reference. The usual pair for plastics (ISO 18314-1).
DEFAULT_LIGHT = {"illuminant": "D65", "observer_deg": 10}


def read(at: str, sent: KeptSpectrum) -> tuple[Spectrum | None, list[Fault]]:
    """Returns the spectrum of a request, or its error at a pointer below `at`."""
    try:
        return Spectrum(sent["start_nm"], sent["step_nm"], tuple(sent["values"])), []
    except BadSpectrum as wrong:
        return None, [Fault(f"{at}/{wrong.path}", *worded(wrong))]


def worded(wrong: BadSpectrum) -> tuple[str, str]:
    """Returns the error of a spectrum and its hint as sentences; the hint may be ""."""
    detail, hint = (f"{part[:1].upper()}{part[1:]}." if part else "" for part in (wrong.words, wrong.hint))
    return detail, hint


def color_under(
    at: str, spectrum: Spectrum, illuminant: str, observer_deg: int, *, light_at: str = ""
) -> tuple[Lab | None, list[Fault]]:
    """Returns the colour of a spectrum, or the error if the colour is not possible or the illuminant is not known.

    Args:
        at: pointer to the spectrum in the request.
        spectrum: the spectrum.
        illuminant: its illuminant.
        observer_deg: its observer, degrees.
        light_at: pointer to the illuminant in the request; "" if it is that of the reference, so that the error is at the spectrum.
    """
    try:
        white_of(illuminant, observer_deg)
    except ValueError as wrong:
        detail = f"The colour of a spectrum under {illuminant}, {observer_deg} degrees, cannot be computed: {wrong}."
        return None, [Fault(light_at or at, detail, "Use illuminant D65, D50, A or LED-B3.")]
    try:
        return lab_from_spectrum(spectrum, illuminant, observer_deg), []
    except ValueError as wrong:
        percent = max(spectrum.values) > 1
        hint = (
            "Divide each value by 100 if they are in percent. 1 is the perfect reflecting diffuser."
            if percent
            else "Measure the spectrum again."
        )
        detail = f"The colour of this spectrum under {illuminant}, {observer_deg} degrees, cannot be computed: {wrong}."
        return None, [Fault(at, detail, hint)]


def uv_fault(pointer: str, grade: Grade) -> Fault:
    """Returns the error for a colour of a brightened grade without the UV condition."""
    detail = f"Grade {grade.code} is brightened, so its colour depends on UV, but the UV condition is not stated."
    return Fault(pointer, detail, "State whether UV was included, or excluded by the UV filter of the instrument.")
