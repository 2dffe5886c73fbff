"""Reference colours: approved as numbered revisions of a shade, which never change."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.declaring.plausibility import doubt_lab
from lots.domain.colorimetry.color_values import Conditions, Lab, mean_lab
from lots.services import clock
from lots.services.errors import Fault, Invalid
from lots.services.lookups import found, unknown_at
from lots.services.setup import spectral_input, views
from lots.services.setup.spectral_input import uv_fault
from lots.services.views import View
from lots.store import audit
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.instruments import references
from lots.store.setup import catalog
from lots.store.tables.models import Instrument
from lots.store.tables.setup import KeptConditions, KeptSpectrum


class RevisionValues(TypedDict):
    """A reference colour as it is sent: exactly one of `lab`, `readings` and `spectrum` says what it is."""

    lab: NotRequired[list[float] | None]
    readings: NotRequired[list[list[float]] | None]
    spectrum: NotRequired[KeptSpectrum | None]
    conditions: KeptConditions
    approved_by: str
    note: NotRequired[str | None]
    instrument_id: NotRequired[int | None]
    standard_uncertainty: NotRequired[float | None]


def approve(shade_id: int, values: RevisionValues, by: str) -> View:
    """Approves a new reference colour for a shade: its mean when several readings are given, that of its spectrum when one is.

    Raises:
        NotFound: no such shade.
        Invalid: not exactly one of `lab`, `readings` and `spectrum`, a colour that makes no sense, conditions that are not whole, or an
            instrument that does not exist.
    """
    conditions, faults = _stated(values["conditions"])
    rows, wrong = _colors(values, conditions)
    if faults or wrong or conditions is None:
        raise Invalid(*faults, *wrong)
    with transaction():
        shade = found("shade", shade_id)
        instrument = _measured_with(values.get("instrument_id"))
        grade = catalog.brightened(shade) if conditions.uv is None else None
        if grade is not None:
            raise Invalid(uv_fault("/conditions/uv", grade))
        kept = {
            **{name: value for name, value in values.items() if name != "instrument_id"},
            "instrument": instrument,
            "lab": mean_lab([Lab(*row) for row in rows]).as_list(),
            "readings": values.get("readings"),
            "spectrum": values.get("spectrum"),
            "conditions": conditions.as_dict(),
        }
        now = clock.now()
        row = catalog.add_shade_revision(shade, kept, by, now)
        references.touch(shade.id)
        wrote = {"shade_revision": [row.id], "shade": [shade.id]}
        audit.note(None, "shade revision approved", by, now, wrote)
        return views.shade_revision(row)


def _stated(said: KeptConditions) -> tuple[Conditions | None, list[Fault]]:
    try:
        return Conditions(**said), []
    except ValueError as wrong:
        return None, [Fault("/conditions", f"{wrong}.")]


def _colors(values: RevisionValues, conditions: Conditions | None) -> tuple[list[list[float]], list[Fault]]:
    """The colours that a reference is the mean of, and what is wrong with them or with how they were given."""
    lab, several, spectrum = values.get("lab"), values.get("readings"), values.get("spectrum")
    faults = []
    if sum(one is not None for one in (lab, several, spectrum)) != 1:
        hint = "Give one of these: one colour as L*, a*, b*; several readings to be averaged; or a spectrum."
        faults.append(Fault("/lab", "Give the reference colour once.", hint))
    rows = [(f"/readings/{index}", row) for index, row in enumerate(several or [])]
    rows += [("/lab", lab)] if lab is not None else []
    if spectrum is not None:
        computed, wrong = _computed(spectrum, conditions)
        rows += [("/spectrum", computed.as_list())] if computed else []
        faults += wrong
    uv = values["conditions"].get("uv")
    doubts = [(pointer, doubt) for pointer, row in rows if (doubt := doubt_lab(row, uv))]
    return [row for _, row in rows], [*faults, *(Fault(at, doubt.detail, doubt.hint) for at, doubt in doubts)]


def _computed(sent: KeptSpectrum, conditions: Conditions | None) -> tuple[Lab | None, list[Fault]]:
    """The colour of a reference's spectrum under its own conditions."""
    spectrum, faults = spectral_input.read("/spectrum", sent)
    if spectrum is None or conditions is None:
        return None, faults
    light = (conditions.illuminant, conditions.observer_deg)
    return spectral_input.color_under("/spectrum", spectrum, *light, light_at="/conditions/illuminant")


def _measured_with(number: int | None) -> Instrument | None:
    """The instrument that measured a reference, None where none is named."""
    instrument = None if number is None else catalog.find("instrument", number)
    if number is not None and instrument is None:
        raise Invalid(unknown_at("/instrument_id", "instrument", number))
    if instrument is not None and instrument.measures is not None and COLOR.name not in instrument.measures:
        detail = f"Instrument {instrument.code} does not measure colour."
        raise Invalid(Fault("/instrument_id", detail, "Name the instrument that measured the reference."))
    return instrument


def listed(shade_id: int, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of a shade's revisions."""
    return catalog.shade_revisions(found("shade", shade_id), cursor, limit).map(views.shade_revision)
