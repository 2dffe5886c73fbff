"""Standard uncertainties of readings by their instruments, as stated and as found by studies."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from lots.domain.characteristics.registry import STUDIED
from lots.domain.conformity.findings import Finding
from lots.domain.instruments.uncertainty import Found, StandardUncertainty, known_uncertainty
from lots.store.instruments import studies
from lots.store.tables.models import Instrument, Reading


@dataclass(frozen=True, slots=True)
class Uncertainties:
    """Valid repeatability studies by instrument, and the newest repeatability by code and measure."""

    found: dict[int, list[Found]] = field(default_factory=dict)
    repeats: dict[tuple[str, str], float] = field(default_factory=dict)

    def known(self, row: Reading) -> StandardUncertainty:
        """Returns the standard uncertainty of a reading by its instrument, and its study."""
        if row.instrument is None:
            return StandardUncertainty(None)
        known = self.found.get(row.instrument.id, [])
        return known_uncertainty(row.kind, row.measured_at, row.instrument.standard_uncertainty, known)

    def of(self, row: Reading) -> float | None:
        """Returns the standard uncertainty of a reading by its instrument."""
        return self.known(row).u

    def told(self, findings: Iterable[Finding], rows: Sequence[Reading]) -> tuple[Finding, ...]:
        """Returns findings that name the studies behind their uncertainties."""
        says: dict[str, set[str]] = {}
        for row in rows if self.found else ():
            known = self.known(row)
            if known.study is not None and row.instrument is not None:
                says.setdefault(row.kind, set()).add(_says(row.instrument, known.study))
        return tuple(
            replace(found, detail=" ".join([found.detail, *sorted(says[found.characteristic])]).strip())
            if found.uncertainty is not None and found.characteristic in says
            else found
            for found in findings
        )


def _says(instrument: Instrument, study: Found) -> str:
    stated = instrument.standard_uncertainty
    unit = f" {STUDIED[study.measure].unit}".rstrip()
    less = "none was stated" if stated is None else f"{stated:.2g}{unit} was stated"
    return f"The standard uncertainty of {instrument.code} is {study.sd:.2g}{unit}, from study {study.number} ({less})."


def uncertainties(rows: Iterable[Reading], known_at: datetime | None = None) -> Uncertainties:
    """Returns the standard uncertainties of these readings, from studies recorded until `known_at`.

    One query, none without instruments.
    """
    used = {row.instrument_id for row in rows if row.instrument_id is not None}
    some = studies.of_repeatability(used, known_at)
    newest = sorted(some, key=lambda study: (study.studied_at, study.id))
    return Uncertainties(found_by_instrument(some), {(study.code, study.measure): study.repeat_sd for study in newest})


def found_by_instrument(some: Iterable[studies.Repeatability]) -> dict[int, list[Found]]:
    """Returns the gauge standard deviations found by repeatability studies, by instrument."""
    found: dict[int, list[Found]] = {}
    for study in some:
        one = Found(study.id, study.measure, study.studied_at, study.gauge_sd)
        found.setdefault(study.instrument_id, []).append(one)
    return found
