"""Rows of the store as the domain's own values: shade revisions, instruments and their checks."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from lots.domain.characteristics.declaring.case import ShadeRevision
from lots.domain.colorimetry.color_values import Conditions, Lab
from lots.domain.colorimetry.spectra import Spectrum
from lots.domain.instruments.agreement import ReadOnBoth
from lots.domain.instruments.calibration import Check, InstrumentRecord
from lots.store.setup import catalog

# Stands for the instrument of a reading that names none.
UNNAMED = "an unnamed instrument"


def conditions_of(shade_revision: Any) -> Conditions:
    """The conditions a shade revision holds for."""
    return Conditions(**shade_revision.conditions)


def spectrum_from(kept: dict[str, Any] | None) -> Spectrum | None:
    """A spectrum as it is kept, as the domain's own value."""
    return Spectrum(kept["start_nm"], kept["step_nm"], tuple(kept["values"])) if kept else None


def approved_from(row: Any, instrument: str | None = None) -> ShadeRevision:
    """Returns a shade revision from the store, with its shade, as the domain's own value; `instrument` is the code of the one that measured it."""
    spectrum = spectrum_from(row.spectrum)
    at = (Lab(*row.lab), conditions_of(row), spectrum)
    return ShadeRevision(row.shade.name, row.revision, *at, instrument, row.standard_uncertainty)


def instruments_of(rows: list[Any], known_at: datetime | None = None) -> dict[int, InstrumentRecord]:
    """Returns the instruments that readings were taken with, with the checks known by then. One query."""
    used = {row.instrument_id: row.instrument for row in rows if row.instrument_id is not None}
    checks = catalog.all_checks(used, known_at)
    return {
        number: InstrumentRecord(
            row.code,
            row.recorded_at,
            row.check_interval_days,
            [Check(check.checked_at, check.result == "pass") for check in checks[number]],
        )
        for number, row in used.items()
    }


def read_on_both(body: dict[str, Any]) -> list[ReadOnBoth]:
    """The plaques of a stored agreement study."""
    return [
        ReadOnBoth(plaque["code"], *(tuple(Lab(*lab) for lab in plaque[side]) for side in ("first", "second")))
        for plaque in body["plaques"]
    ]
