"""Set-up of suppliers, shades, grades with limits, instruments and machines."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from typing import NotRequired, TypedDict, cast

from lots.domain.assessment import limits_revision
from lots.domain.assessment.reference_limits import doubts_about_limits
from lots.domain.conformity import rule_versions
from lots.domain.instruments.measuring import measures_of_kind
from lots.domain.words import listed as listed_words
from lots.services import clock
from lots.services.errors import AlreadyThere, Fault, Invalid, NotFound, Settled, Stale
from lots.services.from_rows import approved_from
from lots.services.lookups import found, unknown_at
from lots.services.setup import grade_drying, grade_uses, test_prints, views
from lots.services.setup.grade_drying import DryingValues
from lots.services.setup.grade_uses import UsesValues
from lots.services.views import View
from lots.store import audit, readings
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.setup import catalog, names
from lots.store.setup.catalog import Coded
from lots.store.tables.loads import Machine
from lots.store.tables.models import Grade, Instrument, Shade, Supplier


class GradeValues(DryingValues, UsesValues, total=False):
    """The fields of a grade in a request that are checked before storing."""

    nominal_diameter_mm: float
    shade_id: int | None
    brightened: bool


def listed(subject: str, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of a subject. One query; one more for grades."""
    if subject == "grade":
        return _grades(catalog.listed(Grade, cursor, limit))
    if subject == "shade":
        return catalog.listed(Shade, cursor, limit).map(views.shade)
    return catalog.listed(Supplier, cursor, limit).map(views.supplier)


def grades_to_review(cursor: str | None, limit: int, *, colored: bool = True) -> Page[View]:
    """Returns a page of the grades that quality must review, because of an old prohibition or an unknown kind of filler.

    One query, one more for their reference colours with `colored`.
    """
    page = catalog.grades_to_review(cursor, limit)
    return _grades(page) if colored else page.map(lambda row: views.grade(row, None))


def get(subject: str, number: int) -> View:
    """Returns one of a subject."""
    return _view(_row(subject, number))


def _row(subject: str, number: int) -> Coded | Machine:
    if subject != "machine":
        return found(subject, number)
    row = names.machine(number)
    if row is None:
        raise NotFound(f"Machine {number} does not exist. See the list of machines.")
    return row


def _grades(page: Page[Grade]) -> Page[View]:
    references = catalog.current_shade_revisions({row.shade_id for row in page.rows if row.shade_id is not None})
    labs = {number: revision.lab for number, revision in references.items()}
    return page.map(lambda row: views.grade(row, labs.get(row.shade_id) if row.shade_id is not None else None))


def _view(row: Coded | Machine) -> View:
    match row:
        case Grade():
            return _grades(Page([row], None)).rows[0]
        case Shade():
            return views.shade(row)
        case Instrument():
            return views.instrument(row)
        case Machine():
            return views.machine(row)
    return views.supplier(row)


def add(subject: str, values: Mapping[str, object], by: str) -> View:
    """Adds a supplier, shade, grade or instrument. Raises as `add_row` does."""
    return _view(add_row(subject, values, by))


def add_row(subject: str, values: Mapping[str, object], by: str) -> catalog.Coded:
    """Adds a supplier, shade, grade or instrument, and returns its row.

    Raises:
        AlreadyThere: the code is taken.
        Invalid: the shade of a grade does not exist, the shade of a brightened grade does not state UV, or a reason is missing.
    """
    with transaction():
        taken = catalog.find_by_code(subject, str(values["code"]))
        if taken is not None:
            raise AlreadyThere(f"The code {values['code']} belongs to {subject} {taken.id}.", existing_id=taken.id)
        now = clock.now()
        kept = _grade_to_store(None, values, by, now) if subject == "grade" else values
        if subject == "instrument" and "measures" not in kept:
            kept = {**kept, "measures": measures_of_kind(str(kept["kind"]))}
        row = catalog.add(subject, kept, by, now)
        audit.note(None, f"{subject} added", by, now, {subject: [row.id]})
        return row


def change(subject: str, number: int, version: int, values: Mapping[str, object], by: str) -> View:
    """Changes a supplier, a shade, a grade, an instrument or a machine that still has `version`.

    Raises:
        NotFound: it does not exist.
        Stale: it was changed since.
        Settled: lots were already assessed with the present value.
        Invalid: a change of forbidden or permitted uses has no reason.
    """
    with transaction():
        row = _row(subject, number)
        if row.version != version:
            raise _stale(subject)
        now = clock.now()
        kept = _to_store(row, values, by, now)
        if kept:
            if not catalog.change(subject, number, version, kept):
                raise _stale(subject)
            why = {"reason": values["reason"]} if values.get("reason") else {}
            audit.note(None, f"{subject} changed", by, now, {subject: [number]}, {**kept, **why})
        return get(subject, number)


def _to_store(row: Coded | Machine, values: Mapping[str, object], by: str, now: datetime) -> Mapping[str, object]:
    """Returns the columns to change."""
    if isinstance(row, Grade):
        return _grade_to_store(row, values, by, now)
    return _instrument_to_store(row, values) if isinstance(row, Instrument) else values


# Fields that stored assessments depend on. They are fixed after the first reading, so that assessments can be repeated.
_OF_READINGS = {"kind": "kind", "standard_uncertainty": "standard uncertainty", "resolution": "resolution"}


def _instrument_to_store(row: Instrument, values: Mapping[str, object]) -> Mapping[str, object]:
    """Returns the columns of an instrument that change."""
    kept = {name: value for name, value in values.items() if getattr(row, name) != value}
    moved = [said for name, said in _OF_READINGS.items() if name in kept]
    if moved and readings.has_read(row.id):
        raise Settled(
            f"The {listed_words(moved)} of instrument {row.code} cannot change, because lots were assessed with its readings. "
            "Add the instrument again under another code. For a larger uncertainty, record a repeatability study instead."
        )
    if "kind" in kept and "measures" not in values:
        kept["measures"] = measures_of_kind(str(kept["kind"])) or row.measures
    return kept


def _stale(subject: str) -> Stale:
    return Stale(
        f"This {subject} was changed since you read it. Read it again, and repeat your change with the new ETag."
    )


def _grade_to_store(row: Grade | None, sent: Mapping[str, object], by: str, now: datetime) -> Mapping[str, object]:
    """Returns the columns of a grade in a request, after all checks."""
    values = cast("GradeValues", sent)
    shade_id = values.get("shade_id", row.shade_id if row else None)
    if values.get("shade_id") is not None and catalog.find("shade", values["shade_id"] or 0) is None:
        raise Invalid(unknown_at("/shade_id", "shade", values["shade_id"] or 0))
    if shade_id is not None and values.get("brightened", row.brightened if row else False):
        _check_states_uv(shade_id)
    if row is not None:
        _check_settled(row, values)
    grade_drying.check(row, values)
    return grade_uses.to_store(row, values, by, now)


def _check_states_uv(shade_id: int) -> None:
    """Raises Invalid for a brightened grade whose reference has no UV condition, because no colour could be compared with it."""
    revision = catalog.current_shade_revisions([shade_id]).get(shade_id)
    if revision is not None and "uv" not in revision.conditions:
        detail = f"Revision {revision.revision} of shade {revision.shade.code} has no UV condition, which a brightened grade requires."
        raise Invalid(Fault("/brightened", detail, "Ask quality to approve a revision with the UV condition first."))


def _check_settled(row: Grade, values: GradeValues) -> None:
    """Raises Settled for a change of a value that lots of the grade were already assessed with."""
    diameter, shade_id = values.get("nominal_diameter_mm"), values.get("shade_id", row.shade_id)
    moved = [
        *(["nominal diameter"] if diameter is not None and diameter != row.nominal_diameter_mm else []),
        *(["shade"] if row.shade_id is not None and shade_id != row.shade_id else []),
    ]
    if moved and catalog.has_lots(row):
        raise Settled(
            f"The {moved[0]} of grade {row.code} cannot change, because lots were assessed with it. Add another grade for the new {moved[0]}."
        )


def add_limits(grade_id: int, sent: Mapping[str, object], by: str) -> View:
    """Adds the next revision of a grade's limits. Lots with readings keep their revision. Raises as `drafted_limits` does.

    Returns:
        The revision, with `warnings` for limits that the reference of the grade itself does not pass.
    """
    grade = found("grade", grade_id)
    body = _limits_to_store(sent)
    with transaction():
        now = clock.now()
        kept = {"body": body, "note": sent.get("note"), "rules": rule_versions.CURRENT}
        row = catalog.add_limits_revision(grade, kept, by, now)
        audit.note(None, "limits set", by, now, {"limits_revision": [row.id]})
        return {**views.limits(row), "warnings": _beyond_reference(grade, body)}


def drafted_limits(grade_id: int, sent: Mapping[str, object]) -> tuple[Mapping[str, object], list[dict[str, str]]]:
    """Returns the limits of a grade before storing, and warnings for limits that its reference does not pass. Stores nothing.

    Raises:
        NotFound: no such grade.
        Invalid: the limits reject nothing, or contradict each other.
    """
    grade = found("grade", grade_id)
    body = _limits_to_store(sent)
    return body, _beyond_reference(grade, body)


def _limits_to_store(sent: Mapping[str, object]) -> Mapping[str, object]:
    limits = {name: value for name, value in sent.items() if name != "note"}
    body, unknown = _with_recipes(limits_revision.completed(limits))
    faults = [*(Fault(*problem) for problem in limits_revision.problems(body)), *unknown]
    if faults:
        raise Invalid(*faults)
    return body


def _with_recipes(body: Mapping[str, object]) -> tuple[Mapping[str, object], list[Fault]]:
    """Returns the limits with the revision of each named recipe, and an error for each unknown recipe."""
    blocks = {name: block for name, block in body.items() if isinstance(block, dict) and block.get("test_print")}
    if not blocks:
        return body, []
    known, faults = test_prints.named((f"/{name}/test_print", block["test_print"]) for name, block in blocks.items())
    named = {name: {**block, "test_print": known.get(block["test_print"])} for name, block in blocks.items()}
    return {**body, **named}, faults


def _beyond_reference(grade: Grade, body: Mapping[str, object]) -> list[dict[str, str]]:
    """Returns warnings for limits that the reference of the grade does not pass. At most one query."""
    current = catalog.current_shade_revisions([grade.shade_id]) if grade.shade_id is not None else {}
    return [
        {"pointer": f"/{doubt.field}", "detail": doubt.detail, "hint": doubt.hint}
        for shade in current.values()
        for doubt in doubts_about_limits(limits_revision.limits_from(body), approved_from(shade))
    ]


def limits_revisions(grade_id: int, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of a grade's limits revisions."""
    return catalog.limits_revisions(found("grade", grade_id), cursor, limit).map(views.limits)


class Entry(TypedDict):
    """An entry of the set-up in a list to choose from. An instrument has its permitted characteristics too."""

    id: int
    code: str
    says: str
    measures: NotRequired[list[str] | None]


def directory(*subjects: str) -> dict[str, list[Entry]]:
    """Returns the numbers, codes and names of the first 500 entries of these subjects, or of all four. One query for each."""
    entries: dict[str, Callable[[], list[Entry]]] = {
        "supplier": lambda: [_entry(row, row.name) for row in catalog.listed(Supplier, None, 500).rows],
        "grade": lambda: [_entry(row, _grade_said(row)) for row in catalog.listed(Grade, None, 500).rows],
        "shade": lambda: [_entry(row, row.name) for row in catalog.listed(Shade, None, 500).rows],
        "instrument": lambda: [
            {**_entry(row, row.kind), "measures": row.measures} for row in catalog.listed(Instrument, None, 500).rows
        ],
    }
    return {f"{subject}s": entries[subject]() for subject in entries if subject in (subjects or entries)}


def _grade_said(row: Grade) -> str:
    return f"{row.polymer} {row.color_name}, {row.nominal_diameter_mm:g} mm"


def _entry(row: Coded, says: str) -> Entry:
    return {"id": row.id, "code": row.code, "says": says}


def current_references(shades: Iterable[int]) -> dict[int, View]:
    """Returns the newest revision of each of these shades. One query."""
    return {number: views.shade_revision(row) for number, row in catalog.current_shade_revisions(shades).items()}


def has_read(instrument_id: int) -> bool:
    """Returns whether an instrument has readings, so that its kind, uncertainty and resolution cannot change. One query."""
    return readings.has_read(instrument_id)


def has_lots(grade_id: int) -> bool:
    """Returns whether a grade has lots, so that its nominal diameter and its shade cannot change. One query."""
    return catalog.has_lots(found("grade", grade_id))


def newest_limits(grade_id: int) -> View | None:
    """Returns the current limits of a grade; None without limits. One query."""
    row = catalog.current_limits(grade_id)
    return views.limits(row) if row else None
