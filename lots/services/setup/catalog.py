"""Setting up: suppliers, shades with revisions, grades with limits, instruments with checks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from lots.domain.assessment import limits_revision
from lots.domain.assessment.reference_limits import doubts_about_limits
from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.declaring.plausibility import doubt_lab
from lots.domain.colorimetry.color_values import Conditions, Lab, mean_lab
from lots.domain.conformity import rule_versions
from lots.domain.instruments.measuring import measures_of_kind
from lots.services import clock
from lots.services.errors import AlreadyThere, Fault, Invalid, Settled, Stale
from lots.services.from_rows import approved_from
from lots.services.lookups import found
from lots.services.setup import grade_drying, grade_uses, spectral_input, test_prints, views
from lots.services.setup.spectral_input import uv_fault
from lots.store import audit
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.instruments import references
from lots.store.setup import catalog

_VIEWS = {
    "supplier": views.supplier,
    "shade": views.shade,
    "instrument": views.instrument,
    "machine": views.machine,
}


def listed(subject: str, cursor: str | None, limit: int) -> Page:
    """Returns a page of a subject. One query; one more for grades."""
    return _shown(subject, catalog.listed(subject, cursor, limit))


def grades_to_review(cursor: str | None, limit: int) -> Page:
    """Returns a page of the grades of which quality has to state or confirm something: an old prohibition, the kind of filler."""
    return _shown("grade", catalog.grades_to_review(cursor, limit))


def get(subject: str, number: int) -> dict[str, Any]:
    """Returns one of a subject."""
    return _view(subject, found(subject, number))


def _shown(subject: str, page: Page) -> Page:
    if subject != "grade":
        return page.map(_VIEWS[subject])
    references = catalog.current_shade_revisions({row.shade_id for row in page.rows if row.shade_id is not None})
    return page.map(lambda row: views.grade(row, _lab(references.get(row.shade_id))))


def _view(subject: str, row: Any) -> dict[str, Any]:
    shown: dict[str, Any] = _shown(subject, Page([row], None)).rows[0]
    return shown


def _lab(revision: Any) -> list[float] | None:
    return None if revision is None else revision.lab


def add(subject: str, values: dict[str, Any], by: str) -> dict[str, Any]:
    """Adds a supplier, shade, grade or instrument.

    Raises:
        AlreadyThere: its code is taken.
        Invalid: a grade refers to a shade that does not exist, or is brightened and its shade does not state UV; a reason is missing.
    """
    with transaction():
        taken = catalog.find_by_code(subject, values["code"])
        if taken is not None:
            raise AlreadyThere(f"The code {values['code']} belongs to {subject} {taken.id}.", existing_id=taken.id)
        _check_shade(values)
        _check_brightened(subject, values)
        grade_drying.check(None, values)
        now = clock.now()
        kept = grade_uses.to_store(None, values, by, now) if subject == "grade" else values
        if subject == "instrument" and "measures" not in kept:
            kept = {**kept, "measures": measures_of_kind(kept["kind"])}
        row = catalog.add(subject, kept, by, now)
        audit.note(None, f"{subject} added", by, now, {subject: [row.id]})
        return _view(subject, row)


def change(subject: str, number: int, version: int, values: dict[str, Any], by: str) -> dict[str, Any]:
    """Changes a supplier, a shade, a grade or a machine that still has `version`.

    Raises:
        NotFound, Stale: it is not there, or somebody changed it since.
        Settled: the lots of a grade were already judged with what would change.
        Invalid: what the grade is forbidden or permitted for would change without a reason.
    """
    with transaction():
        row = found(subject, number)
        if row.version != version:
            raise Stale(
                f"This {subject} was changed since you read it. Read it again, and repeat your change on the new ETag."
            )
        _check_shade(values)
        _check_brightened(subject, {"shade_id": getattr(row, "shade_id", None), **_brightened(row), **values})
        _check_settled(subject, row, values)
        grade_drying.check(row, values)
        now = clock.now()
        why = {"reason": values["reason"]} if values.get("reason") else {}
        values = grade_uses.to_store(row, values, by, now) if subject == "grade" else values
        if values:
            if not catalog.change(subject, number, version, values):
                raise Stale(
                    f"This {subject} was changed since you read it. Read it again, and repeat your change on the new ETag."
                )
            audit.note(None, f"{subject} changed", by, now, {subject: [number]}, {**values, **why})
        return _view(subject, found(subject, number))


def _check_shade(values: dict[str, Any]) -> None:
    shade_id = values.get("shade_id")
    if shade_id is not None and catalog.find("shade", shade_id) is None:
        raise Invalid(Fault("/shade_id", f"There is no shade {shade_id}.", "The list of shades has those there are."))


def _brightened(row: Any) -> dict[str, Any]:
    return {"brightened": row.brightened} if hasattr(row, "brightened") else {}


def _check_brightened(subject: str, values: dict[str, Any]) -> None:
    """Refuses a brightened grade whose reference does not say whether UV was in the beam: nothing could be compared with it."""
    shade_id = values.get("shade_id")
    if subject != "grade" or not values.get("brightened") or shade_id is None:
        return
    revision = catalog.current_shade_revisions([shade_id]).get(shade_id)
    if revision is not None and "uv" not in revision.conditions:
        detail = f"Revision {revision.revision} of shade {revision.shade.code} does not state UV, and a brightener turns UV into blue."
        raise Invalid(Fault("/brightened", detail, "Have a revision approved first that states uv."))


def _check_settled(subject: str, row: Any, values: dict[str, Any]) -> None:
    """Refuses to move what the lots of a grade were already judged against; their decisions would no longer say what they said."""
    if subject != "grade" or not catalog.has_lots(row):
        return
    for field, words in (("nominal_diameter_mm", "nominal diameter"), ("shade_id", "shade")):
        old = getattr(row, field)
        if old is not None and field in values and values[field] != old:
            raise Settled(
                f"Lots of grade {row.code} were judged with this {words}, so it stays. Make another grade for the other {words}."
            )


def add_shade_revision(shade_id: int, values: dict[str, Any], by: str) -> dict[str, Any]:
    """Approves a new reference colour for a shade: its mean when several readings are given, that of its spectrum when one is.

    Raises:
        NotFound: no such shade.
        Invalid: not exactly one of `lab`, `readings` and `spectrum`, a colour that makes no sense, conditions that are not whole, or an
            instrument that does not exist.
    """
    instrument_id = values.pop("instrument_id", None)
    lab, several, spectrum = (values.pop(name, None) for name in ("lab", "readings", "spectrum"))
    conditions, faults = _stated(values["conditions"])
    if sum(one is not None for one in (lab, several, spectrum)) != 1:
        hint = "Give one of lab, one [L*, a*, b*]; readings, a list of them to be averaged; or spectrum."
        faults.append(Fault("/lab", "Give the reference colour once.", hint))
    rows = [(f"/readings/{index}", row) for index, row in enumerate(several or [])]
    rows += [("/lab", lab)] if lab is not None else []
    if spectrum is not None:
        computed, wrong = _computed(spectrum, conditions)
        rows += [("/spectrum", computed.as_list())] if computed else []
        faults += wrong
    for pointer, row in rows:
        if doubt := doubt_lab(row, values["conditions"].get("uv")):
            faults.append(Fault(pointer, doubt.detail, doubt.hint))
    if faults or conditions is None:
        raise Invalid(*faults)
    reference = mean_lab([Lab(*row) for _, row in rows])
    with transaction():
        shade = found("shade", shade_id)
        instrument = None if instrument_id is None else catalog.find("instrument", instrument_id)
        if instrument is None and instrument_id is not None:
            hint = "The list of instruments has those there are."
            raise Invalid(Fault("/instrument_id", f"There is no instrument {instrument_id}.", hint))
        if instrument is not None and instrument.measures is not None and COLOR.name not in instrument.measures:
            detail = f"Instrument {instrument.code} does not measure colour."
            raise Invalid(Fault("/instrument_id", detail, "Name the instrument that measured the reference."))
        grade = catalog.brightened(shade) if conditions.uv is None else None
        if grade is not None:
            raise Invalid(uv_fault("/conditions/uv", grade))
        kept = {
            **values,
            "instrument": instrument,
            "lab": reference.as_list(),
            "readings": several,
            "spectrum": spectrum,
        }
        kept["conditions"] = conditions.as_dict()
        now = clock.now()
        row = catalog.add_shade_revision(shade, kept, by, now)
        references.touch(shade.id)
        wrote = {"shade_revision": [row.id], "shade": [shade.id]}
        audit.note(None, "shade revision approved", by, now, wrote)
        return views.shade_revision(row)


def _stated(said: dict[str, Any]) -> tuple[Conditions | None, list[Fault]]:
    try:
        return Conditions(**said), []
    except ValueError as wrong:
        return None, [Fault("/conditions", f"{wrong}.")]


def _computed(sent: dict[str, Any], conditions: Conditions | None) -> tuple[Lab | None, list[Fault]]:
    """The colour of a reference's spectrum under its own conditions."""
    spectrum, faults = spectral_input.read("/spectrum", sent)
    if spectrum is None or conditions is None:
        return None, faults
    light = (conditions.illuminant, conditions.observer_deg)
    return spectral_input.color_under("/spectrum", spectrum, *light, light_at="/conditions/illuminant")


def shade_revisions(shade_id: int, cursor: str | None, limit: int) -> Page:
    """Returns a page of a shade's revisions."""
    return catalog.shade_revisions(found("shade", shade_id), cursor, limit).map(views.shade_revision)


def add_limits(grade_id: int, body: dict[str, Any], by: str) -> dict[str, Any]:
    """Sets a grade's limits anew, as its next revision. Lots already being measured keep theirs.

    Returns:
        The revision, with `warnings` of what in it the grade's reference does not pass itself.

    Raises:
        NotFound: no such grade.
        Invalid: limits that would pass everything or contradict themselves.
    """
    note = body.pop("note", None)
    body, unknown = _with_recipes(limits_revision.completed(body))
    faults = [*(Fault(*problem) for problem in limits_revision.problems(body)), *unknown]
    grade = found("grade", grade_id)
    if faults:
        raise Invalid(*faults)
    with transaction():
        now = clock.now()
        row = catalog.add_limits_revision(grade, {"body": body, "note": note, "rules": rule_versions.CURRENT}, by, now)
        audit.note(None, "limits set", by, now, {"limits_revision": [row.id]})
        return {**views.limits(row), "warnings": _beyond_reference(grade, body)}


def _with_recipes(body: dict[str, Any]) -> tuple[dict[str, Any], list[Fault]]:
    """Limits with the revision of each recipe that a block names, and the faults of those that name none there is."""
    blocks = {name: block for name, block in body.items() if isinstance(block, dict) and block.get("test_print")}
    if not blocks:
        return body, []
    known, faults = test_prints.named((f"/{name}/test_print", block["test_print"]) for name, block in blocks.items())
    named = {name: {**block, "test_print": known.get(block["test_print"])} for name, block in blocks.items()}
    return {**body, **named}, faults


def _beyond_reference(grade: Any, body: dict[str, Any]) -> list[dict[str, str]]:
    """What in limits the reference of their grade does not pass. At most one query."""
    current = catalog.current_shade_revisions([grade.shade_id]) if grade.shade_id is not None else {}
    return [
        {"pointer": f"/{doubt.field}", "detail": doubt.detail, "hint": doubt.hint}
        for shade in current.values()
        for doubt in doubts_about_limits(limits_revision.limits_from(body), approved_from(shade))
    ]


def limits_revisions(grade_id: int, cursor: str | None, limit: int) -> Page:
    """Returns a page of a grade's limits revisions."""
    return catalog.limits_revisions(found("grade", grade_id), cursor, limit).map(views.limits)


def directory(*subjects: str) -> dict[str, Any]:
    """Returns numbers, codes and names of what is set up, the first 500 of each of these subjects or of all four. One query for each."""
    words: dict[str, Callable[[Any], str]] = {
        "supplier": lambda row: row.name,
        "grade": lambda row: f"{row.polymer} {row.color_name}, {row.nominal_diameter_mm:g} mm",
        "shade": lambda row: row.name,
        "instrument": lambda row: row.kind,
    }
    return {
        f"{subject}s": [
            {"id": row.id, "code": row.code, "says": says(row), **_measured_by(row)}
            for row in catalog.listed(subject, None, 500).rows
        ]
        for subject, says in words.items()
        if subject in (subjects or words)
    }


def _measured_by(row: Any) -> dict[str, Any]:
    return {"measures": row.measures} if hasattr(row, "measures") else {}
