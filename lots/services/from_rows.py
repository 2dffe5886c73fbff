"""Domain values from rows of the store: shade revisions, instruments and their checks."""

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

# Named for a reading without an instrument.
UNNAMED = "an unnamed instrument"


class ReadWith(Protocol):
    """A row that names its instrument, or None."""

    @property
    def instrument(self) -> Instrument | None:
        """The instrument."""


def conditions_of(shade_revision: ShadeRevisionRow) -> Conditions:
    """Returns the measuring conditions of a shade revision."""
    return Conditions(**shade_revision.conditions)


def approved_from(row: ShadeRevisionRow, instrument: str | None = None) -> ShadeRevision:
    """Returns a shade revision as a domain value. `instrument` is the code of the instrument that measured it."""
    kept = row.spectrum
    spectrum = Spectrum(kept["start_nm"], kept["step_nm"], tuple(kept["values"])) if kept else None
    at = (Lab(*row.lab), conditions_of(row), spectrum)
    return ShadeRevision(row.shade.name, row.revision, *at, instrument, row.standard_uncertainty)


def instruments_of(rows: Iterable[ReadWith], known_at: datetime | None = None) -> dict[int, InstrumentRecord]:
    """Returns the instruments of readings by number, with the checks recorded until `known_at`. One query."""
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
    """Returns the plaques of a stored agreement study."""
    return [
        ReadOnBoth(plaque["code"], *(tuple(Lab(*lab) for lab in plaque[side]) for side in ("first", "second")))
        for plaque in body["plaques"]
    ]
