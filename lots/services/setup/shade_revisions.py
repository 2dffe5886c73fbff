"""Reference colours: immutable numbered revisions of a shade."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import stdev
from typing import NotRequired, TypedDict

from lots.domain.assessment.limits_revision import block_of
from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.color.limits_block import SYMBOLS
from lots.domain.characteristics.declaring.plausibility import doubt_lab
from lots.domain.colorimetry.color_difference import (
    DEFAULT_FORMULA,
    checked_weights,
    components,
    delta_e,
    mean_difference_from_mean,
)
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
from lots.store.tables.models import Instrument, Shade
from lots.store.tables.setup import KeptConditions, KeptSpectrum


class RevisionValues(TypedDict):
    """The request to approve a reference colour, with exactly one of `lab`, `readings` and `spectrum`."""

    lab: NotRequired[list[float] | None]
    readings: NotRequired[list[list[float]] | None]
    spectrum: NotRequired[KeptSpectrum | None]
    conditions: KeptConditions
    approved_by: str
    note: NotRequired[str | None]
    instrument_id: NotRequired[int | None]
    standard_uncertainty: NotRequired[float | None]


def approve(shade_id: int, values: RevisionValues, by: str) -> View:
    """Approves a new reference colour for a shade: the given colour, the mean of readings, or the colour of a spectrum.

    Raises:
        NotFound: no such shade.
        Invalid: not exactly one of `lab`, `readings` and `spectrum` is given, a colour is not plausible, conditions are missing, or the
            instrument does not exist.
    """
    conditions, rows = _reference(values)
    with transaction():
        shade = found("shade", shade_id)
        kept = _to_store(shade, values, conditions, rows)
        now = clock.now()
        row = catalog.add_shade_revision(shade, kept, by, now)
        references.touch(shade.id)
        wrote = {"shade_revision": [row.id], "shade": [shade.id]}
        audit.note(None, "shade revision approved", by, now, wrote)
        return views.shade_revision(row)


def drafted(shade_id: int, values: RevisionValues) -> View:
    """Returns a reference colour before its approval. Stores nothing. Raises as `approve` does.

    `spread` is the standard deviation of the readings per coordinate and their mean colour difference from the mean (MCDM); None for fewer than
    two readings. `difference` is the difference from the previous revision, in the formula of the limits; None for a first revision.
    """
    conditions, rows = _reference(values)
    shade = found("shade", shade_id)
    _to_store(shade, values, conditions, rows)
    lab = mean_lab([Lab(*row) for row in rows]).as_list()
    before = catalog.current_shade_revisions([shade.id]).get(shade.id)
    formula, weights = formula_of(shade.id)
    labs = [Lab(*row) for row in rows]
    apart = mean_difference_from_mean(labs, formula, weights) if len(labs) > 1 else None
    deviations = [stdev(row[place] for row in rows) for place in range(3)] if len(rows) > 1 else []
    return {
        "lab": lab,
        "count": len(rows),
        "spread": None if apart is None else {"deviations": deviations, "from_mean": apart, "formula": formula},
        "before": before and views.shade_revision(before),
        "difference": before and steps([before.lab, lab], formula, weights)[0],
    }


def steps(labs: Sequence[Sequence[float]], formula: str, weights: Sequence[float] | None) -> list[View]:
    """Returns the difference of each colour from the one before: `delta_e` in the formula, `direction` in words."""
    found_steps = []
    for earlier, later in pairwise(Lab(*lab) for lab in labs):
        value = delta_e(earlier, later, formula, checked_weights(formula, weights))
        found_steps.append(
            {
                "delta_e": value,
                "symbol": SYMBOLS[formula],
                "formula": formula,
                "direction": components(earlier, later).direction,
            }
        )
    return found_steps


def formula_of(shade_id: int) -> tuple[str, list[float] | None]:
    """Returns the formula and weights in the newest limits of a grade of this shade, or else the default formula. One query."""
    said = catalog.newest_limits_of_shade(shade_id)
    block = block_of(said.body, COLOR.name) if said else {}
    return block.get("formula") or DEFAULT_FORMULA, block.get("weights")


def _reference(values: RevisionValues) -> tuple[Conditions, list[list[float]]]:
    """Returns the conditions and the colours of a valid reference."""
    conditions, faults = _stated(values["conditions"])
    rows, wrong = _colors(values, conditions)
    if faults or wrong or conditions is None:
        raise Invalid(*faults, *wrong)
    return conditions, rows


def _to_store(
    shade: Shade, values: RevisionValues, conditions: Conditions, rows: Sequence[Sequence[float]]
) -> dict[str, object]:
    """Returns the columns of a revision."""
    instrument = _measured_with(values.get("instrument_id"))
    grade = catalog.brightened(shade) if conditions.uv is None else None
    if grade is not None:
        raise Invalid(uv_fault("/conditions/uv", grade))
    return {
        **{name: value for name, value in values.items() if name != "instrument_id"},
        "instrument": instrument,
        "lab": mean_lab([Lab(*row) for row in rows]).as_list(),
        "readings": values.get("readings"),
        "spectrum": values.get("spectrum"),
        "conditions": conditions.as_dict(),
    }


def _stated(said: KeptConditions) -> tuple[Conditions | None, list[Fault]]:
    try:
        return Conditions(**said), []
    except ValueError as wrong:
        return None, [Fault("/conditions", f"{wrong}.")]


def _colors(values: RevisionValues, conditions: Conditions | None) -> tuple[list[list[float]], list[Fault]]:
    """Returns the colours whose mean is the reference, and their errors."""
    lab, several, spectrum = values.get("lab"), values.get("readings"), values.get("spectrum")
    faults = []
    if sum(one is not None for one in (lab, several, spectrum)) != 1:
        detail = "The reference colour must be given in exactly one way."
        faults.append(Fault("/lab", detail, "Give one colour as L*, a*, b*, or several readings, or a spectrum."))
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
    """Returns the colour of a reference's spectrum under its own conditions."""
    spectrum, faults = spectral_input.read("/spectrum", sent)
    if spectrum is None or conditions is None:
        return None, faults
    light = (conditions.illuminant, conditions.observer_deg)
    return spectral_input.color_under("/spectrum", spectrum, *light, light_at="/conditions/illuminant")


def _measured_with(number: int | None) -> Instrument | None:
    """Returns the instrument that measured a reference; None if not stated."""
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
