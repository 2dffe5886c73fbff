"""Corrective actions: requested from a supplier for a nonconforming lot, answered, and closed after conforming lots."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import TypedDict

from lots.domain.purchasing import corrective_actions as rules
from lots.domain.words import clause, counted, moment
from lots.services import clock
from lots.services.assessment.lot_assessment import Judged, Terms, assess_lot
from lots.services.errors import Conflict, Fault, Invalid, NotFound
from lots.services.lookups import lot_of
from lots.services.views import View
from lots.store import audit, corrective_actions
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.tables.models import CorrectiveAction, Decision


class _Asked(TypedDict):
    requested_action: str
    conforming_lots: int


class ActionBody(_Asked, total=False):
    """The request for a corrective action."""

    due_at: datetime


class _Answered(TypedDict):
    cause: str
    action: str
    answered_by: str


class AnswerBody(_Answered, total=False):
    """The answer of a supplier."""

    answered_at: datetime
    evidence: str


class CountedLot(TypedDict):
    """A conforming lot that counts towards closing."""

    lot_id: int
    supplier_lot: str


def may_be_asked_about(judged: Judged, decided: Iterable[Decision]) -> bool:
    """Returns True if a required finding of the lot fails or once failed, or if a manual decision rejected it."""
    if any(rules.is_ground(f.code, f.verdict, f.uses) for f in judged.assessment.findings):
        return True
    return any(
        row.action in rules.AGAINST or any(rules.is_ground(f["code"], f["verdict"], f["uses"]) for f in row.findings)
        for row in decided
    )


def request(lot_id: int, values: ActionBody, by: str) -> View:
    """Opens a corrective action for a lot.

    Raises:
        NotFound: no such lot.
        Invalid: the answer would be due in the past.
        Conflict: the lot never failed a required limit and no manual decision rejected it, or the same request is not answered yet.
    """
    now = clock.now()
    lot = lot_of(lot_id)
    due_at = values.get("due_at") or now + rules.DUE_AFTER
    if due_at <= now:
        hint = "Give a later time, or leave this field empty for two weeks from now."
        raise Invalid(Fault("/due_at", f"{moment(due_at)} is in the past.", hint))
    kept: corrective_actions.Asked = {
        "requested": values["requested_action"],
        "due_at": due_at,
        "conforming_lots": values["conforming_lots"],
    }
    with transaction():
        lots.lock([lot.id])
        judged = assess_lot(lot, Terms.of(lot))
        if not may_be_asked_about(judged, corrective_actions.decided(lot.id)):
            raise Conflict(
                f"Lot {lot.supplier_lot} never failed a required limit and was never blocked by a manual decision, so there is "
                "nothing to correct. See the findings of its assessment. Block the lot first, with the reason, if it has another fault."
            )
        for row in corrective_actions.waiting_on(lot.id):
            if rules.says_the_same(row.requested, kept["requested"]):
                raise Conflict(
                    f"Corrective action {row.id} for lot {lot.supplier_lot} has the same words and is not answered yet. "
                    f"{row.recorded_by} requested it at {moment(row.recorded_at)}. Record its answer, or request another action."
                )
        number = corrective_actions.add(lot, kept, by, now)
        audit.note(lot.id, "corrective action asked for", by, now, {"corrective_action": [number]})
        return one(number, now)


def of_lot(lot_id: int, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of a lot's corrective actions, in the order they were opened.

    Raises:
        NotFound: no such lot.
    """
    return listed({"lot_id": lot_of(lot_id).id}, cursor, limit)


def listed(filters: Mapping[str, object], cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of corrective actions with their progress. Three queries for any number of them."""
    now = clock.now()
    page = corrective_actions.listed(filters, now, cursor, limit)
    return Page(_whole(page.rows, now), page.next)


def one(number: int, now: datetime) -> View:
    """Returns a corrective action with its progress."""
    return _whole([_found(number)], now)[0]


def answer(number: int, values: AnswerBody, by: str) -> View:
    """Records the answer of a supplier, which cannot be changed later.

    Raises:
        NotFound: no such corrective action.
        Conflict: it is already answered.
        Invalid: the time of the answer is in the future, or before the request.
    """
    now = clock.now()
    with transaction():
        row = _found(number)
        if row.answered_at is not None:
            raise Conflict(
                f"Corrective action {number} was already answered by {row.answered_by} at {moment(row.answered_at)}. "
                "Open another corrective action for a new answer."
            )
        faults = clock.doubt_future("/answered_at", values.get("answered_at"), now)
        answered_at = values.get("answered_at") or now
        if answered_at < row.recorded_at - clock.TOLERANCE:
            detail = f"{moment(answered_at)} is before the request, at {moment(row.recorded_at)}."
            faults.append(
                Fault("/answered_at", detail, "Give a time after the request. Lots count from the answer on.")
            )
        if faults:
            raise Invalid(*faults)
        kept: corrective_actions.Answered = {**values, "answered_at": answered_at, "answer_recorded_by": by}
        if not corrective_actions.answer(number, kept):
            raise Conflict(f"Corrective action {number} was answered by somebody else at this moment.")
        audit.note(row.lot_id, "corrective action answered", by, now, {"corrective_action": [number]})
        return one(number, now)


def close(number: int, note: str, by: str) -> View:
    """Closes a corrective action, with the conforming lots that prove it.

    Raises:
        NotFound: no such corrective action.
        Conflict: it is already closed, not answered, or lacks conforming lots since the answer.
    """
    now = clock.now()
    with transaction():
        row = _found(number)
        if row.closed_at is not None:
            raise Conflict(
                f"Corrective action {number} was already closed by {row.closed_by} at {moment(row.closed_at)}."
            )
        if row.answered_at is None:
            raise Conflict(
                f"{row.supplier.name} has not answered corrective action {number} yet. Record the answer first. "
                f"It can be closed after {counted(row.conforming_lots, 'consecutive conforming lot')} received after the answer.",
                conforming_so_far=0,
                lacking=row.conforming_lots,
                counted_lots=[],
            )
        made = _progress([row])[row.id]
        if made.lacking:
            raise Conflict(
                f"Corrective action {number} was answered at {moment(row.answered_at)} and cannot be closed yet. {made.says}",
                conforming_so_far=len(made.run),
                lacking=made.lacking,
                counted_lots=_named(made),
            )
        kept: corrective_actions.Closed = {
            "closed_at": now,
            "closed_by": by,
            "closing_note": note,
            "closed_on": [lot.number for lot in made.run],
        }
        if not corrective_actions.close(number, kept):
            raise Conflict(f"Corrective action {number} was closed by somebody else at this moment.")
        audit.note(row.lot_id, "corrective action closed", by, now, {"corrective_action": [number]})
        return one(number, now)


def _found(number: int) -> CorrectiveAction:
    row = corrective_actions.find(number)
    if row is None:
        raise NotFound(f"Corrective action {number} does not exist. See the list of corrective actions.")
    return row


def _progress(rows: Sequence[CorrectiveAction]) -> dict[int, rules.Progress]:
    """Returns the progress of each answered corrective action, by number. At most one query."""
    answered = [(row, row.answered_at) for row in rows if row.answered_at is not None]
    if not answered:
        return {}
    pairs = {(row.supplier_id, row.grade_id) for row, _ in answered}
    since = corrective_actions.lots_since(pairs, min(answered_at for _, answered_at in answered))
    later = {
        pair: [
            rules.LaterLot(
                lot.id,
                lot.supplier_lot,
                lot.received_at,
                lot.first_inspection and lot.first_inspection["accepted"],
                lot.resubmission_of_id is not None,
            )
            for lot in came
        ]
        for pair, came in since.items()
    }
    return {
        row.id: rules.progress(later[row.supplier_id, row.grade_id], answered_at, row.conforming_lots)
        for row, answered_at in answered
    }


def _named(made: rules.Progress) -> list[CountedLot]:
    return [{"lot_id": lot.number, "supplier_lot": lot.supplier_lot} for lot in made.run]


def _whole(rows: Sequence[CorrectiveAction], now: datetime) -> list[View]:
    """Returns corrective actions for the API, with state, progress and words. At most two queries."""
    progress = _progress([row for row in rows if row.closed_at is None])
    numbers = corrective_actions.lot_numbers(number for row in rows for number in row.closed_on or ())
    return [_view(row, progress.get(row.id), numbers, now) for row in rows]


def _view(row: CorrectiveAction, made: rules.Progress | None, numbers: Mapping[int, str], now: datetime) -> View:
    fields = ("id", "lot_id", "supplier_id", "grade_id", "due_at", "conforming_lots", "recorded_at", "recorded_by")
    answers = ("cause", "action", "evidence", "answered_at", "answered_by", "answer_recorded_by")
    ends = ("closed_at", "closed_by", "closing_note", "closed_on")
    proof: list[CountedLot] = [{"lot_id": n, "supplier_lot": numbers[n]} for n in row.closed_on or ()]
    if made is not None:
        proof = _named(made)
    return {
        **{name: getattr(row, name) for name in (*fields, *answers, *ends)},
        "supplier_lot": row.lot.supplier_lot,
        "supplier": {"id": row.supplier_id, "code": row.supplier.code, "name": row.supplier.name},
        "grade": {"id": row.grade_id, "code": row.grade.code, "color_name": row.grade.color_name},
        "requested_action": row.requested,
        "state": rules.state_of(row.answered_at, row.closed_at),
        "overdue": rules.is_overdue(row.due_at, row.answered_at, now),
        "conforming_so_far": len(proof),
        "counted_lots": proof,
        "says": _says(row, made, [lot["supplier_lot"] for lot in proof], now),
    }


def _says(row: CorrectiveAction, made: rules.Progress | None, proof: Sequence[str], now: datetime) -> str:
    if row.closed_at is not None:
        return (
            f"Closed by {row.closed_by} at {moment(row.closed_at)} on {rules.named_lots(proof)}: "
            f"{clause(row.closing_note or '')}"
        )
    if made is not None and row.answered_at is not None:
        ready = "It may be closed. " if not made.lacking else ""
        return f"Answered by {row.answered_by} at {moment(row.answered_at)}. {ready}{made.says}"
    if rules.is_overdue(row.due_at, None, now):
        return f"Overdue: {row.supplier.name} has not answered by {moment(row.due_at)}."
    return f"Open: the answer of {row.supplier.name} is due by {moment(row.due_at)}."
