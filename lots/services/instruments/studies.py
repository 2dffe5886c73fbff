"""Studies of instruments: how much one scatters, whether it reads true over its range, how far it reads from another."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.registry import declared_of
from lots.domain.instruments.agreement import agreement
from lots.domain.instruments.gauge_study import Trial, gauge_study
from lots.domain.instruments.linearity import Artefact, linearity
from lots.domain.words import clause, moment
from lots.services import clock
from lots.services.assessment.between_instruments import concerned
from lots.services.assessment.judging import judge_lot
from lots.services.assessment.lot_after import after
from lots.services.errors import Conflict, Fault, Invalid, NotFound
from lots.services.from_rows import read_on_both
from lots.services.instruments import study_verdicts, study_words
from lots.services.instruments.study_checks import kind_faults, reading_faults
from lots.services.lookups import found
from lots.store import audit
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.instruments import studies as store
from lots.store.setup import catalog

# What each kind of study is made of, and what it may have beside.
NEEDS = {
    "repeatability": ("measure", "trials"),
    "linearity": ("measure", "artefacts"),
    "agreement": ("other_instrument_id", "plaques"),
}
_MAY = {"repeatability": ("tolerance_width",), "linearity": (), "agreement": ("grade_id",)}
_FIELDS = ("measure", "other_instrument_id", "trials", "artefacts", "plaques", "tolerance_width", "grade_id")


def add(instrument_id: int, values: dict[str, Any], by: str) -> dict[str, Any]:
    """Stores a study with its readings, and judges again every lot whose readings it gives another uncertainty.

    Raises:
        NotFound: no such instrument.
        Invalid: fields of another kind of study, readings that cannot be, or a design that cannot be judged; nothing was stored.
    """
    now = clock.now()
    faults = clock.doubt_future("/studied_at", values["studied_at"], now) + _kind_faults(values)
    with transaction():
        instrument = found("instrument", instrument_id)
        other = None
        if values.get("other_instrument_id") is not None:
            other, more = _other(instrument, values["other_instrument_id"])
            faults += more
        if values.get("grade_id") is not None:
            faults += _grade_faults(values["grade_id"])
        faults = faults or [*kind_faults(instrument, other, values), *reading_faults(values)]
        if faults:
            raise Invalid(*faults)
        body = {name: values[name] for name in _FIELDS[2:] if values.get(name) is not None}
        shows = _design(values["kind"], body)
        sd = shows.standard_deviations if values["kind"] == "repeatability" else {}
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


def _kind_faults(values: dict[str, Any]) -> list[Fault]:
    """Fields that a kind of study needs and lacks, or that belong to another."""
    kind = values["kind"]
    hint = f"A study of {kind} takes {', '.join((*NEEDS[kind], *_MAY[kind]))}."
    lacking = [Fault(f"/{name}", "This is needed.", hint) for name in NEEDS[kind] if values.get(name) is None]
    odd = set(_FIELDS) - set(NEEDS[kind]) - set(_MAY[kind])
    return lacking + [
        Fault(f"/{name}", f"This is not part of a study of {kind}.", hint)
        for name in _FIELDS
        if name in odd and values.get(name) is not None
    ]


def _other(instrument: Any, number: int) -> tuple[Any, list[Fault]]:
    other = catalog.find("instrument", number)
    if other is None:
        hint = "The list of instruments has those there are."
        return None, [Fault("/other_instrument_id", f"There is no instrument {number}.", hint)]
    if other.id == instrument.id:
        hint = "Give the other one that the same plaques were read on."
        return None, [Fault("/other_instrument_id", "This is the instrument itself.", hint)]
    return other, []


def _grade_faults(number: int) -> list[Fault]:
    if catalog.find("grade", number) is not None:
        return []
    return [Fault("/grade_id", f"There is no grade {number}.", "The list of grades has those there are.")]


def _design(kind: str, body: dict[str, Any]) -> Any:
    """What the readings of a study show.

    Raises:
        Invalid: they cannot be judged, in the words of whoever tried.
    """
    place = NEEDS[kind][1]
    try:
        return _JUDGE[kind](body)
    except ValueError as wrong:
        raise Invalid(Fault(f"/{place}", f"{str(wrong)[:1].upper()}{str(wrong)[1:]}.", _HINTS[kind])) from None


_HINTS = {
    "repeatability": "Have every operator read every part equally often, twice at least; common practice is 10 parts, 3 operators, 3 times.",
    "linearity": "Read at least two artefacts of different reference value, each twice or more; common practice is five, ten times each.",
    "agreement": "Read each plaque on both instruments, and give all its readings under one code.",
}
_JUDGE: dict[str, Callable[[dict[str, Any]], Any]] = {
    "repeatability": lambda body: gauge_study(
        [Trial(trial["part"], trial["operator"], trial["value"]) for trial in body["trials"]]
    ),
    "linearity": lambda body: linearity(
        [Artefact(a["code"], a["reference"], tuple(a["readings"])) for a in body["artefacts"]]
    ),
    "agreement": lambda body: agreement(read_on_both(body)),
}


def _judged_again(study: Any, by: str, now: datetime, reason: str) -> list[dict[str, Any]]:
    """Judges the lots whose readings a study speaks for; answers those that stand otherwise now."""
    if study.kind == "repeatability":
        kind, until = declared_of(study.measure).name, store.next_at(study)
        held = list(lots.lock(store.lots_read(study.instrument_id, kind, study.studied_at, until)).values())
    elif study.kind == "agreement":
        read = lots.lock(store.lots_read_with((study.instrument_id, study.other_id), COLOR.name)).values()
        held = [lot for lot in read if concerned(lot, study.instrument, study.other)]
    else:
        return []
    touched = []
    for lot in held:
        before = lot.standing
        judge_lot(lot, by, now, reason=reason)
        if lot.standing != before:
            touched.append({**after(lot), "standing_before": before})
    return touched


def listed(instrument_id: int, cursor: str | None, limit: int) -> Page:
    """Returns a page of an instrument's studies with what each shows."""
    page = store.listed(found("instrument", instrument_id), cursor, limit)
    present = study_verdicts.present(page.rows)
    return page.map(lambda row: _view(row, present))


def _found(number: int) -> Any:
    row = store.find(number)
    if row is None:
        raise NotFound(f"There is no study {number}. The studies of its instrument have their numbers.")
    return row


def get(number: int) -> dict[str, Any]:
    """Returns one study.

    Raises:
        NotFound: no such study.
    """
    row = _found(number)
    return _view(row, study_verdicts.present([row]))


def void(number: int, reason: str, by: str) -> dict[str, Any]:
    """Says that a study does not count, keeps it visible, and judges again the lots it spoke for.

    Raises:
        NotFound: no such study.
        Conflict: it is void already.
    """
    now = clock.now()
    with transaction():
        catalog.lock("instrument", _found(number).instrument_id)
        study = _found(number)
        if already := getattr(study, "void", None):
            raise Conflict(
                f"Study {number} was voided by {already.voided_by} already: {clause(already.reason)} Nothing more needs to be done."
            )
        made = store.void(study, reason, by, now)
        why = f"Study {number} of instrument {study.instrument.code} voided: {reason}"
        touched = _judged_again(study, by, now, why)
        audit.note(None, "study voided", by, now, {"study_void": [made.id]})
        return {**get(number), "lots": touched}


def _view(row: Any, present: study_verdicts.Present) -> dict[str, Any]:
    """A study with its readings as they were posted, and what they show, worked out from them."""
    shows, void_row = _design(row.kind, row.body), getattr(row, "void", None)
    results = dict.fromkeys(NEEDS)
    results[row.kind] = study_words.RESULTS[row.kind](shows, row)
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
        "voided": void_row and {name: getattr(void_row, name) for name in ("reason", "voided_at", "voided_by")},
        "recorded_at": row.recorded_at,
        "recorded_by": row.recorded_by,
    }
