"""Checks of a correction of a delivery, and questions about likely mistakes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from lots.domain.words import moment
from lots.services import clock, lookups
from lots.services.errors import AlreadyThere, Fault, Invalid, Settled, UnusualCount
from lots.services.receiving.bodies import DeliveryChange
from lots.services.receiving.delivery_spools import Plan, planned
from lots.services.receiving.questions import ask_similar, count_question
from lots.services.receiving.receiving import cost_faults
from lots.store.assessment import lots
from lots.store.receiving import deliveries as store
from lots.store.tables.models import Delivery, Grade, Lot, Supplier

# Fields of the receipt, which can be corrected at any time.
_PLAIN = ("order_ref", "received_at", "ordered_at", "due_at", "cost", "currency", "note")


@dataclass(frozen=True, slots=True)
class Change:
    """A checked correction.

    Args:
        values: the request.
        plain: new values of the receipt's fields.
        renamed: changes to the lot's identity: field -> old and new value.
        supplier, grade: those after the correction.
        plan: changes to the spools.
        measured: codes of its spools that were measured, loaded or respooled.
        handled: True if any spool ever was.
    """

    values: DeliveryChange
    plain: Mapping[str, object]
    renamed: Mapping[str, list[object]]
    supplier: Supplier
    grade: Grade
    plan: Plan
    measured: set[str]
    handled: bool

    @property
    def empty(self) -> bool:
        """True when the correction changes nothing."""
        plan = self.plan
        return not (self.plain or self.renamed or plan.withdrawn or plan.added or plan.masses)


def checked(
    row: Delivery, lot: Lot, now: store.Current, values: DeliveryChange, at: datetime, *, handled: bool
) -> Change:
    """Returns a checked correction.

    Raises:
        Invalid: with every fault of the request.
    """
    rows = [one for one in store.spools_of(row) if one.withdrawn_at is None]
    used = store.used_spools(row) if handled else set()
    plan = planned(values, rows, used)
    supplier, grade, faults = _of_whom(lot, values)
    said: Mapping[str, object] = values
    plain = {name: said[name] for name in _PLAIN if name in said and said[name] != getattr(now, name)}
    faults += plan.faults + _plain_faults(row, now, values, at)
    if handled and not values.get("reason"):
        hint = "State why, for example what the packing slip says."
        faults.append(Fault("/reason", "A correction after the first reading or load requires a reason.", hint))
    if faults:
        raise Invalid(*faults)
    measured = {one.code for one in rows if one.id in used}
    renamed = _renamed(lot, supplier, grade, values)
    return Change(values, plain, renamed, supplier, grade, plan, measured, handled)


def _of_whom(lot: Lot, values: DeliveryChange) -> tuple[Supplier, Grade, list[Fault]]:
    """Returns supplier and grade after the correction, with faults."""
    supplier, grade, faults = lot.supplier, lot.grade, []
    if "supplier_id" in values or "supplier_code" in values:
        named, wrong = lookups.by_id_or_code("supplier", values.get("supplier_id"), values.get("supplier_code"))
        supplier, faults = named or supplier, wrong
    if "grade_id" in values or "grade_code" in values:
        other, wrong = lookups.by_id_or_code("grade", values.get("grade_id"), values.get("grade_code"))
        grade, faults = other or grade, faults + wrong
    return supplier, grade, faults


def _plain_faults(row: Delivery, now: store.Current, values: DeliveryChange, at: datetime) -> list[Fault]:
    cost, currency = values.get("cost", now.cost), values.get("currency", now.currency)
    faults = cost_faults({"cost": cost, "currency": currency})
    came = values.get("received_at")
    if came is None or came == now.received_at:
        return faults
    faults += clock.doubt_future("/received_at", came, at)
    first = store.first_handled(row)
    if first is not None and came > first:
        detail = f"A spool of this delivery was measured, loaded or opened at {moment(first)}."
        faults.append(Fault("/received_at", detail, "State an earlier time of receipt."))
    return faults


def _renamed(lot: Lot, supplier: Supplier, grade: Grade, values: DeliveryChange) -> dict[str, list[object]]:
    """Returns the changes to the identity of the lot: field -> old and new value."""
    wanted: dict[str, tuple[object, object]] = {
        "supplier_id": (lot.supplier_id, supplier.id),
        "grade_id": (lot.grade_id, grade.id),
        "supplier_lot": (lot.supplier_lot, values.get("supplier_lot", lot.supplier_lot)),
    }
    found = {name: [was, now] for name, (was, now) in wanted.items() if was != now}
    if lot.resubmission_of_id is not None and {"supplier_id", "grade_id"} & set(found):
        found["resubmission_of"] = [lot.resubmission_of_id, None]
    return found


def ask(row: Delivery, lot: Lot, change: Change) -> None:
    """Raises an error when the lot cannot change, or when lot number or number of spools need confirmation."""
    supplier, grade, plan, values = change.supplier, change.grade, change.plan, change.values
    doubt = count_question(supplier.id, plan.count, values, but=row.id) if plan.added else ()
    if change.renamed:
        anew = "Ask quality to close this delivery with a reason, and log it again."
        if change.handled:
            raise Settled(f"Supplier, grade and lot number cannot change after the first reading or load. {anew}")
        if not store.alone(lot) or lot.by_hand is not None:
            raise Settled(
                f"Lot {lot.supplier_lot} has other deliveries, decisions or requests and cannot be changed. {anew}"
            )
        number = values.get("supplier_lot", lot.supplier_lot)
        other = lots.same_number(supplier, grade, number)
        if other is not None and other.id != lot.id:
            raise AlreadyThere(
                f'Another lot of this supplier and grade already has the number "{other.supplier_lot}". {anew}',
                existing_id=other.id,
            )
        confirmed = values.get("confirm_new_lot", False)
        ask_similar(supplier, grade, number, confirmed=confirmed, beside=doubt, but=lot.id)
    if doubt:
        raise UnusualCount(doubt[0].detail, faults=doubt, candidates=[])
