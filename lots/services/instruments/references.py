"""Working copies of masters, and remeasurement sessions of both beside the instrument's tile."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import NotRequired, TypedDict

from lots.domain.characteristics.declaring.plausibility import doubt_lab
from lots.domain.colorimetry.color_values import Conditions, condition_name
from lots.domain.instruments.calibration import Check, InstrumentRecord, doubt_about
from lots.domain.words import clause
from lots.services import clock
from lots.services.errors import Conflict, Fault, Invalid, NotFound
from lots.services.from_rows import conditions_of
from lots.services.instruments import reference_words
from lots.services.instruments.plaques import MASTER, ReferenceShelf, SessionView
from lots.services.instruments.reference_slips import labs, warned
from lots.services.lookups import by_id_or_code, found
from lots.services.setup import views
from lots.services.views import View
from lots.store import audit
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.instruments import references as store
from lots.store.setup import catalog
from lots.store.tables.models import Shade, ShadeRevision
from lots.store.tables.setup import KeptConditions
from lots.store.tables.studies import KeptPlaque, Remeasurement, RemeasurementVoid


class PostedCopy(TypedDict):
    """The body of a request to add a working copy: readings of both plaques from one session."""

    code: str
    master: list[list[float]]
    copy: list[list[float]]
    conditions: KeptConditions
    instrument_id: NotRequired[int | None]
    measured_at: datetime
    remeasure_every_days: NotRequired[int | None]
    note: NotRequired[str | None]


class PostedSession(TypedDict):
    """The body of a request to store a session."""

    measured_at: datetime
    instrument_id: int
    conditions: KeptConditions
    read: list[KeptPlaque]
    note: NotRequired[str | None]


def add_copy(shade_id: int, values: PostedCopy, by: str) -> View:
    """Adds a working copy of a shade's newest revision, with its offset from the master.

    It replaces an older copy with its code.

    Raises:
        NotFound: no such shade.
        Conflict: the shade has no approved revision.
        Invalid: an impossible reading, conditions other than the revision's, an unknown instrument, or a time in the
        future.
    """
    now = clock.now()
    with transaction():
        shade, revision = _approved(shade_id)
        faults = clock.doubt_future("/measured_at", values["measured_at"], now)
        conditions, more = _conditions(values["conditions"])
        faults += more + _instrument_faults(values.get("instrument_id"))
        readings = {"master": values["master"], "copy": values["copy"]}
        for side, some in readings.items():
            faults += _lab_faults(f"/{side}", some, conditions)
        if conditions is not None and (apart := conditions.differences(conditions_of(revision))):
            says = ", ".join(f"{condition_name(name)} is {mine}, not {theirs}" for name, mine, theirs in apart)
            hint = f"Measure both under the conditions of revision {revision.revision}: {conditions_of(revision)}."
            faults.append(Fault("/conditions", f"The conditions differ from those of the master: {says}.", hint))
        if faults or conditions is None:
            raise Invalid(*faults)
        row = store.add_copy(
            {
                "shade": shade,
                "shade_revision": revision,
                "code": values["code"],
                "instrument": values.get("instrument_id"),
                "measured_at": values["measured_at"],
                "conditions": conditions.as_dict(),
                "master_readings": values["master"],
                "copy_readings": values["copy"],
                "remeasure_every_days": values.get("remeasure_every_days"),
                "note": values.get("note"),
            },
            by,
            now,
        )
        store.touch(shade.id)
        audit.note(None, "working copy made", by, now, {"working_copy": [row.id], "shade": [shade.id]})
        sides = {side: labs(some) for side, some in readings.items()}
        warnings = warned(sides, {"master"}, conditions, revision, _UNDO_COPY)
        return {**ReferenceShelf([shade]).copy_view(row), "warnings": warnings}


def _approved(shade_id: int) -> tuple[Shade, ShadeRevision]:
    """Returns a locked shade and its newest revision."""
    shade = found("shade", shade_id)
    catalog.lock("shade", shade.id)
    revision = catalog.current_shade_revisions([shade.id]).get(shade.id)
    if revision is None:
        raise Conflict(f"Shade {shade.code} has no approved revision yet. Approve its master as a revision first.")
    return shade, revision


def _conditions(said: KeptConditions) -> tuple[Conditions | None, list[Fault]]:
    try:
        return Conditions(**said), []
    except ValueError as wrong:
        return None, [Fault("/conditions", f"{wrong}.")]


def _instrument_faults(number: int | None) -> list[Fault]:
    return [] if number is None else by_id_or_code("instrument", number, None)[1]


def _lab_faults(at: str, readings: Iterable[Sequence[float]], conditions: Conditions | None) -> list[Fault]:
    uv = conditions.uv if conditions else None
    doubts = ((index, doubt_lab(lab, uv)) for index, lab in enumerate(readings))
    return [Fault(f"{at}/{index}", doubt.detail, doubt.hint) for index, doubt in doubts if doubt]


def remeasure(shade_id: int, values: PostedSession, by: str) -> View:
    """Stores a session, and returns for each plaque whether it or the instrument moved, and the decisions in doubt.

    No decision is changed. Quality reassesses lots under a new revision.

    Raises:
        NotFound: no such shade.
        Conflict: the shade has no approved revision.
        Invalid: no tile, no plaque, an unknown copy, an unknown instrument or one without valid calibration, or an
        impossible reading.
    """
    now = clock.now()
    with transaction():
        shade, revision = _approved(shade_id)
        shelf = ReferenceShelf([shade])
        conditions, faults = _conditions(values["conditions"])
        faults += clock.doubt_future("/measured_at", values["measured_at"], now)
        faults += _order_faults(values["instrument_id"], values["measured_at"])
        copies = {row.code: row.id for row in shelf.copies_in_use(shade.id)}
        faults += _plaque_faults(values["read"], set(copies), conditions)
        if faults or conditions is None:
            raise Invalid(*faults)
        row = store.add_session(
            {
                "shade": shade,
                "shade_revision": revision,
                "instrument": values["instrument_id"],
                "measured_at": values["measured_at"],
                "conditions": conditions.as_dict(),
                "plaques": [
                    {**plaque, "copy_id": copies[plaque.get("code") or ""]} if plaque["artefact"] == "copy" else plaque
                    for plaque in values["read"]
                ],
                "note": values.get("note"),
            },
            by,
            now,
        )
        store.touch(shade.id)
        audit.note(None, "reference measured again", by, now, {"remeasurement": [row.id], "shade": [shade.id]})
        sides = {f"read/{index}/readings": labs(plaque["readings"]) for index, plaque in enumerate(values["read"])}
        masters = {f"read/{i}/readings" for i, plaque in enumerate(values["read"]) if plaque["artefact"] == MASTER}
        warnings = warned(sides, masters, conditions, revision, _UNDO_SESSION)
        return {**_answered(shade, row.id), "warnings": warnings}


_UNDO_COPY = "It was stored unchanged. If it is wrong, add the copy again with the same code, which replaces it."
_UNDO_SESSION = (
    "It was stored unchanged. If it is wrong, void this remeasurement, because later ones are compared with it."
)


def _answered(shade: Shade, number: int) -> View:
    """Returns a session with the plaques that it puts in doubt, and the decisions made since each last agreed."""
    shelf = ReferenceShelf([shade])
    row = _session(number)
    session = shelf.session_view(row)
    doubted = shelf.doubted(shade, row)
    return {**session, "in_doubt": doubted, "says": reference_words.summary(session["found"], doubted)}


def _session(number: int) -> Remeasurement:
    row = store.find_session(number)
    if row is None:
        raise NotFound(f"Remeasurement {number} does not exist. See the remeasurements of its shade.")
    return row


def _order_faults(number: int, at: datetime) -> list[Fault]:
    """Returns a fault for an unknown instrument, or for one without valid calibration at that time."""
    if faults := _instrument_faults(number):
        return faults
    row = found("instrument", number)
    checks = [Check(check.checked_at, check.result == "pass") for check in catalog.all_checks([number])[number]]
    doubt = doubt_about(at, InstrumentRecord(row.code, row.recorded_at, row.check_interval_days, checks))
    if doubt is None:
        return []
    hint = "Check and correct the instrument, then measure again."
    return [Fault("/instrument_id", f"{doubt[:1].upper()}{doubt[1:]}.", hint)]


def _plaque_faults(read: Sequence[KeptPlaque], copies: set[str], conditions: Conditions | None) -> list[Fault]:
    faults = []
    for index, plaque in enumerate(read):
        at, code = f"/read/{index}", plaque.get("code")
        faults += _lab_faults(f"{at}/readings", plaque["readings"], conditions)
        if plaque["artefact"] == MASTER and code is not None:
            faults.append(Fault(f"{at}/code", "A master has no code.", "Leave the code out."))
        if plaque["artefact"] != MASTER and code is None:
            detail = f"The code of the {plaque['artefact']} is missing."
            faults.append(Fault(f"{at}/code", detail, "Give the code on its label."))
        if plaque["artefact"] == "copy" and code is not None and code not in copies:
            hint = f"Its working copies are: {', '.join(sorted(copies))}." if copies else "Add it as a working copy."
            faults.append(Fault(f"{at}/code", f"Working copy {code} does not exist for this revision.", hint))
    kinds = Counter(plaque["artefact"] for plaque in read)
    hint = "Measure the tile of the instrument and at least one plaque in the same session."
    if kinds["tile"] != 1:
        faults.append(Fault("/read", f"Exactly one tile is required, but {kinds['tile']} are given.", hint))
    if not kinds[MASTER] + kinds["copy"]:
        faults.append(Fault("/read", "The master or a working copy is required.", hint))
    named = Counter((plaque["artefact"], plaque.get("code")) for plaque in read)
    if twice := [f"{artefact} {code or ''}".strip() for (artefact, code), n in named.items() if n > 1]:
        text = f"{', '.join(twice)}: given more than once."
        faults.append(Fault("/read", text, "Give all readings of one plaque together."))
    return faults


def void_session(number: int, reason: str, by: str) -> View:
    """Voids a session, which stays visible. It no longer puts anything in doubt.

    Raises:
        NotFound: no such session.
        Conflict: it is already void.
    """
    now = clock.now()
    with transaction():
        catalog.lock("shade", _session(number).shade_id)
        session = _session(number)
        already: RemeasurementVoid | None = getattr(session, "void", None)
        if already is not None:
            raise Conflict(
                f"Remeasurement {number} was already voided by {already.voided_by}: {clause(already.reason)}"
            )
        void = store.void_session(session, reason, by, now)
        store.touch(session.shade_id)
        wrote = {"remeasurement_void": [void.id], "shade": [session.shade_id]}
        audit.note(None, "remeasurement voided", by, now, wrote)
        return {**_answered(found("shade", session.shade_id), number), "warnings": []}


def sessions(shade_id: int, cursor: str | None, limit: int) -> Page[SessionView]:
    """Returns a page of a shade's sessions with their results."""
    shade = found("shade", shade_id)
    found_ = store.sessions(shade, cursor, limit)
    shelf = ReferenceShelf([shade], {row.shade_revision_id for row in found_.rows})
    return found_.map(shelf.session_view)


def copies(shade_id: int, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of a shade's working copies, including replaced ones and those of earlier revisions."""
    shade = found("shade", shade_id)
    found_ = store.copies(shade, cursor, limit)
    return found_.map(ReferenceShelf([shade], {row.shade_revision_id for row in found_.rows}).copy_view)


def shade(shade_id: int) -> View:
    """Returns a shade with the due date of its master, and the plaques that have moved.

    Raises:
        NotFound: no such shade.
    """
    row = found("shade", shade_id)
    shelf = ReferenceShelf([row])
    return {**views.shade(row), "due_at": shelf.master_due(row), "in_doubt": shelf.doubted(row)}
