"""What the readings of a lot are worth by their instruments: the stated uncertainties, and those that studies found."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from lots.domain.characteristics.registry import STUDIED
from lots.domain.conformity.findings import Finding
from lots.domain.instruments.uncertainty import Found, Known, known_uncertainty
from lots.store.instruments import studies


@dataclass(frozen=True, slots=True)
class Uncertainties:
    """The studies of repeatability that count, by instrument."""

    found: dict[int, list[Found]]

    def known(self, row: Any) -> Known:
        """The standard uncertainty of a reading by its instrument, and the study it comes from."""
        if row.instrument_id is None:
            return Known(None)
        known = self.found.get(row.instrument_id, [])
        return known_uncertainty(row.kind, row.measured_at, row.instrument.standard_uncertainty, known)

    def of(self, row: Any) -> float | None:
        """The same without the study."""
        return self.known(row).u

    def told(self, findings: Iterable[Finding], rows: Sequence[Any]) -> tuple[Finding, ...]:
        """Returns findings that say from which studies their uncertainties come, where they come from any."""
        says: dict[str, set[str]] = {}
        for row in rows if self.found else ():
            known = self.known(row)
            if known.study is not None:
                says.setdefault(row.kind, set()).add(_says(row.instrument, known.study))
        return tuple(
            replace(found, detail=" ".join([found.detail, *sorted(says[found.characteristic])]).strip())
            if found.uncertainty is not None and found.characteristic in says
            else found
            for found in findings
        )


def _says(instrument: Any, study: Found) -> str:
    stated = instrument.standard_uncertainty
    unit = f" {STUDIED[study.measure].unit}".rstrip()
    less = "none was stated" if stated is None else f"{stated:.2g}{unit} was stated"
    return f"{instrument.code} counts with a standard uncertainty of {study.sd:.2g}{unit}, as its study {study.number} found ({less})."


def uncertainties(rows: Iterable[Any], known_at: datetime | None = None) -> Uncertainties:
    """Returns what is known of the instruments of these readings, by what was recorded up to then. One query, none without instruments."""
    found: dict[int, list[Found]] = {}
    for study in studies.of_repeatability({row.instrument_id for row in rows} - {None}, known_at):
        found.setdefault(study.instrument_id, []).append(found_by(study))
    return Uncertainties(found)


def found_by(study: Any) -> Found:
    """What a stored study of repeatability found of the whole gauge."""
    return Found(study.id, study.measure, study.studied_at, study.gauge_sd)


def repeats_by(study: Any) -> float:
    """The standard deviation of repeats alone, by one operator on one part, as a stored study of repeatability found it."""
    return float(study.repeat_sd)
