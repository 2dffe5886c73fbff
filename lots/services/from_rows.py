"""Rows of the store as the domain's own values: shade revisions, instruments and their checks."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Protocol

from lots.domain.characteristics.declaring.case import ShadeRevision
from lots.domain.colorimetry.color_values import Conditions, Lab
from lots.domain.colorimetry.spectra import Spectrum
from lots.domain.instruments.agreement import ReadOnBoth
from lots.domain.instruments.calibration import Check, InstrumentRecord
from lots.store.setup import catalog
from lots.store.tables.models import Instrument
from lots.store.tables.models import ShadeRevision as ShadeRevisionRow
from lots.store.tables.studies import StudyBody

# Stands for the instrument of a reading that names none.
UNNAMED = "an unnamed instrument"


class ReadWith(Protocol):
    """What says with which instrument it was read, None where none was named."""

    @property
    def instrument(self) -> Instrument | None:
        """The instrument."""


def conditions_of(shade_revision: ShadeRevisionRow) -> Conditions:
    """The conditions a shade revision holds for."""
    return Conditions(**shade_revision.conditions)


def approved_from(row: ShadeRevisionRow, instrument: str | None = None) -> ShadeRevision:
    """Returns a shade revision from the store, with its shade, as the domain's own value; `instrument` is the code of the one that measured it."""
    kept = row.spectrum
    spectrum = Spectrum(kept["start_nm"], kept["step_nm"], tuple(kept["values"])) if kept else None
    at = (Lab(*row.lab), conditions_of(row), spectrum)
    return ShadeRevision(row.shade.name, row.revision, *at, instrument, row.standard_uncertainty)


def instruments_of(rows: Iterable[ReadWith], known_at: datetime | None = None) -> dict[int, InstrumentRecord]:
    """Returns the instruments that readings were taken with, with the checks known by then. One query."""
    used = {row.instrument.id: row.instrument for row in rows if row.instrument is not None}
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


def read_on_both(body: StudyBody) -> list[ReadOnBoth]:
    """The plaques of a stored agreement study."""
    return [
        ReadOnBoth(plaque["code"], *(tuple(Lab(*lab) for lab in plaque[side]) for side in ("first", "second")))
        for plaque in body["plaques"]
    ]
