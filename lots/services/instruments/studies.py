"""Studies of instruments: repeatability and reproducibility, linearity, and agreement with another instrument."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import cast

from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.registry import declared_of
from lots.domain.instruments.agreement import agreement
from lots.domain.instruments.gauge_study import GaugeStudy, Trial, gauge_study
from lots.domain.instruments.linearity import Artefact, linearity
from lots.domain.words import clause, moment
from lots.domain.words import listed as in_words
from lots.services import clock
from lots.services.assessment.between_instruments import concerned
from lots.services.assessment.judging import judge_lot
from lots.services.assessment.lot_after import LotAfter, after
from lots.services.errors import Conflict, Fault, Invalid, NotFound
from lots.services.from_rows import read_on_both
from lots.services.instruments import study_verdicts, study_words
from lots.services.instruments.study_checks import Posted, kind_faults, reading_faults
from lots.services.instruments.study_words import Shows
from lots.services.lookups import by_id_or_code, found
from lots.services.views import View
from lots.store import audit
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.instruments import studies as store
from lots.store.setup import catalog
from lots.store.tables.models import Instrument
from lots.store.tables.studies import InstrumentStudy, StudyBody, StudyVoid

# Required and optional fields of each kind of study.
NEEDS = {
    "repeatability": ("measure", "trials"),
    "linearity": ("measure", "artefacts"),
    "agreement": ("other_instrument_id", "plaques"),
}
_MAY = {"repeatability": ("tolerance_width",), "linearity": (), "agreement": ("grade_id",)}
_LABELS = {
    "measure": "a measure",
    "other_instrument_id": "another instrument",
    "trials": "readings by part and operator",
    "artefacts": "artefacts",
    "plaques": "plaques",
    "tolerance_width": "the width of the tolerance",
    "grade_id": "the grade",
}
_FIELDS = ("measure", "other_instrument_id", "trials", "artefacts", "plaques", "tolerance_width", "grade_id")


def add(instrument_id: int, values: Posted, by: str) -> View:
    """Stores a study with its readings, and assesses again every lot whose uncertainties it changes.

    Raises:
        NotFound: no such instrument.
        Invalid: fields of another kind of study, impossible readings, or an unsuitable design; nothing was stored.
    """
    now = clock.now()
    faults = clock.doubt_future("/studied_at", values["studied_at"], now) + _kind_faults(values)
    with transaction():
        instrument = found("instrument", instrument_id)
        other, more = _other(instrument, values.get("other_instrument_id"))
        faults += more + _grade_faults(values.get("grade_id"))
        faults = faults or [*kind_faults(instrument, other, values), *reading_faults(values)]
        if faults:
            raise Invalid(*faults)
        body = cast("StudyBody", {name: value for name in _FIELDS[2:] if (value := values.get(name)) is not None})
        shows = _design(values["kind"], body)
        sd = shows.standard_deviations if isinstance(shows, GaugeStudy) else {}
        catalog.lock("instrument", instrument.id)
        row = store.add(
            instrument,
            {
                "other": other,
                "kind": values["kind"],
                "measure": values.get("measure"),
                "studied_at": values["studied_at"],
                "body": body,
                "gauge_sd": sd.get("gauge"),
                "repeat_sd": sd.get("repeatability"),
                "note": values.get("note"),
            },
            by,
            now,
        )
        reason = f"Instrument {instrument.code} was studied on {moment(row.studied_at)}."
        touched = _judged_again(row, by, now, reason)
        audit.note(None, "instrument studied", by, now, {"instrument_study": [row.id]})
        return {**get(row.id), "lots": touched}


def _kind_faults(values: Posted) -> list[Fault]:
    """Returns faults for missing fields of a kind of study, and for fields of another kind."""
    kind = values["kind"]
    article = "An" if kind == "agreement" else "A"
    optional = "".join(f" {_LABELS[name].capitalize()} is optional." for name in _MAY[kind])
    hint = f"{article} {kind} study needs {in_words([_LABELS[name] for name in NEEDS[kind]])}.{optional}"
    lacking = [Fault(f"/{name}", "This is required.", hint) for name in NEEDS[kind] if values.get(name) is None]
    odd = set(_FIELDS) - set(NEEDS[kind]) - set(_MAY[kind])
    return lacking + [
        Fault(f"/{name}", f"This is not part of a study of {kind}.", hint)
        for name in _FIELDS
        if name in odd and values.get(name) is not None
    ]


def _other(instrument: Instrument, number: int | None) -> tuple[Instrument | None, list[Fault]]:
    if number is None:
        return None, []
    other, faults = by_id_or_code("instrument", number, None)
    if other is None:
        return None, [replace(fault, pointer="/other_instrument_id") for fault in faults]
    if other.id == instrument.id:
        hint = "Give the second instrument of the study."
        return None, [Fault("/other_instrument_id", "Both instruments of the study are the same.", hint)]
    return other, []


def _grade_faults(number: int | None) -> list[Fault]:
    return [] if number is None else by_id_or_code("grade", number, None)[1]


def _design(kind: str, body: StudyBody) -> Shows:
    """Returns the results of a study.

    Raises:
        Invalid: the design is unsuitable.
    """
    place = NEEDS[kind][1]
    try:
        return _judged(kind, body)
    except ValueError as wrong:
        raise Invalid(Fault(f"/{place}", f"{str(wrong)[:1].upper()}{str(wrong)[1:]}.", _HINTS[kind])) from None


_HINTS = {
    "repeatability": "Have every operator measure every part equally often, at least twice (common practice: 10 parts, 3 operators, 3 times).",
    "linearity": "Measure at least two artefacts of different reference values, each at least twice (common practice: five artefacts, ten times each).",
    "agreement": "Measure each plaque on both instruments, and give all its readings under one code.",
}


def _judged(kind: str, body: StudyBody) -> Shows:
    if kind == "repeatability":
        return gauge_study([Trial(trial["part"], trial["operator"], trial["value"]) for trial in body["trials"]])
    if kind == "linearity":
        return linearity([Artefact(a["code"], a["reference"], tuple(a["readings"])) for a in body["artefacts"]])
    return agreement(read_on_both(body))


class _Touched(LotAfter, total=False):
    standing_before: str


def _judged_again(study: InstrumentStudy, by: str, now: datetime, reason: str) -> list[_Touched]:
    """Assesses the lots whose readings a study concerns, and returns those with a new status."""
    if study.kind == "repeatability":
        kind, until = declared_of(study.measure or "").name, store.next_at(study)
        held = list(lots.lock(store.lots_read(study.instrument_id, kind, study.studied_at, until)).values())
    elif study.kind == "agreement":
        both = [one for one in (study.instrument, study.other) if one is not None]
        read = lots.lock(store.lots_read_with((one.id for one in both), COLOR.name)).values()
        held = [lot for lot in read if concerned(lot, both)]
    else:
        return []
    touched: list[_Touched] = []
    for lot in held:
        before = lot.standing
        judge_lot(lot, by, now, reason=reason)
        if lot.standing != before:
            touched.append({**after(lot), "standing_before": before})
    return touched


def listed(instrument_id: int, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of an instrument's studies with their results."""
    page = store.listed(found("instrument", instrument_id), cursor, limit)
    present = study_verdicts.present(page.rows)
    return page.map(lambda row: _view(row, present))


def _found(number: int) -> InstrumentStudy:
    row = store.find(number)
    if row is None:
        raise NotFound(f"Study {number} does not exist. See the studies of its instrument.")
    return row


def get(number: int) -> View:
    """Returns one study.

    Raises:
        NotFound: no such study.
    """
    row = _found(number)
    return _view(row, study_verdicts.present([row]))


def void(number: int, reason: str, by: str) -> View:
    """Voids a study, which stays visible, and assesses again the lots that it concerned.

    Raises:
        NotFound: no such study.
        Conflict: it is already void.
    """
    now = clock.now()
    with transaction():
        catalog.lock("instrument", _found(number).instrument_id)
        study = _found(number)
        already: StudyVoid | None = getattr(study, "void", None)
        if already is not None:
            raise Conflict(f"Study {number} was already voided by {already.voided_by}: {clause(already.reason)}")
        made = store.void(study, reason, by, now)
        why = f"Study {number} of instrument {study.instrument.code} voided: {reason}"
        touched = _judged_again(study, by, now, why)
        audit.note(None, "study voided", by, now, {"study_void": [made.id]})
        return {**get(number), "lots": touched}


def _view(row: InstrumentStudy, present: study_verdicts.Present) -> View:
    """Returns a study with its readings and the results computed from them."""
    shows = _design(row.kind, row.body)
    void_row: StudyVoid | None = getattr(row, "void", None)
    results = {kind: study_words.results(shows, row) if kind == row.kind else None for kind in NEEDS}
    return {
        "id": row.id,
        "instrument_id": row.instrument_id,
        "other_instrument_id": row.other_id,
        "kind": row.kind,
        "measure": row.measure,
        "studied_at": row.studied_at,
        **{name: row.body.get(name) for name in _FIELDS[2:]},
        "note": row.note,
        **results,
        "says": study_verdicts.says(row, shows, present),
        "voided": void_row
        and {"reason": void_row.reason, "voided_at": void_row.voided_at, "voided_by": void_row.voided_by},
        "recorded_at": row.recorded_at,
        "recorded_by": row.recorded_by,
    }
