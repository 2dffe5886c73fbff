"""Checks of studies: impossible readings, and instruments that do not measure the characteristic."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from statistics import median
from typing import Required

from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.declaring.plausibility import doubt_lab, doubt_repeat
from lots.domain.characteristics.registry import STUDIED, declared_of
from lots.domain.instruments.uncertainty import studied_measures_of_kind
from lots.services.errors import Fault
from lots.store.tables.models import Instrument
from lots.store.tables.studies import StudyBody

# Diameters of filament, mm. A study entered wholly in inches is recognised only by comparison with these.
_FILAMENT = (1.75, 2.85)
_INCHES = 0.15


class Posted(StudyBody, total=False):
    """The body of a request to store a study."""

    kind: Required[str]
    measure: str | None
    other_instrument_id: int | None
    studied_at: Required[datetime]
    note: str | None


def kind_faults(instrument: Instrument, other: Instrument | None, values: Posted) -> list[Fault]:
    """Returns a fault for each instrument whose kind does not measure the characteristic of the study."""
    if measure := values.get("measure"):
        return _not_measured("/measure", instrument, declared_of(measure).name, STUDIED[measure].label)
    both = (("/kind", instrument), ("/other_instrument_id", other))
    return [fault for at, one in both if one is not None for fault in _not_measured(at, one, COLOR.name, "L*, a*, b*")]


def _not_measured(pointer: str, instrument: Instrument, kind: str, label: str) -> list[Fault]:
    known = studied_measures_of_kind(instrument.kind)
    if known is None or kind in known:
        return []
    measures = [name for name in STUDIED if declared_of(name).name in known]
    hint = f"Its measures are {', '.join(measures)}." if measures else "Its characteristics are not studied here."
    detail = f"{instrument.code} is a {instrument.kind}, which does not measure {label}."
    return [Fault(pointer, detail, f"Check the instrument of the study. {hint}")]


def reading_faults(values: Posted) -> list[Fault]:
    """Returns a fault for each impossible reading."""
    if values["kind"] == "agreement":
        return [
            Fault(f"/plaques/{i}/{side}/{j}", doubt.detail, doubt.hint)
            for i, plaque in enumerate(values["plaques"])
            for side, labs in (("first", plaque["first"]), ("second", plaque["second"]))
            for j, lab in enumerate(labs)
            if (doubt := doubt_lab(lab, None))
        ]
    measure = values.get("measure") or ""
    return [fault for place in _places(values) if (fault := _fault(measure, *place))]


def _places(values: Posted) -> Iterator[tuple[str, float, tuple[float, ...]]]:
    """Yields pointer and value, and the values to compare: repeats, all readings, or a reference value."""
    trials = values.get("trials") or ()
    parts: dict[str, list[float]] = {}
    for trial in trials:
        parts.setdefault(trial["part"], []).append(trial["value"])
    whole = [trial["value"] for trial in trials]
    for i, trial in enumerate(trials):
        yield f"/trials/{i}/value", trial["value"], (median(parts[trial["part"]]), median(whole))
    for i, artefact in enumerate(values.get("artefacts") or ()):
        yield f"/artefacts/{i}/reference", artefact["reference"], ()
        for j, value in enumerate(artefact["readings"]):
            yield f"/artefacts/{i}/readings/{j}", value, (artefact["reference"],)


def _fault(measure: str, place: str, value: float, near: tuple[float, ...]) -> Fault | None:
    about = STUDIED[measure]
    if not about.low <= value <= about.high:
        hint = f"Give {about.label}{f' in {about.unit}' if about.unit else ''}."
        detail = f"{value:g} is outside the range of {about.label}, {about.low:g} to {about.high:g}."
        return Fault(place, detail, hint)
    if about.apart:
        # Coupons and colours may differ between parts, so only the repeats of a part are compared.
        near = near[:1]
    elif value < _INCHES:
        near += _FILAMENT
    doubts = (doubt_repeat("value", value, middle, about.unit) for middle in near)
    return next((Fault(place, doubt.detail, doubt.hint) for doubt in doubts if doubt), None)
