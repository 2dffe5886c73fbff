"""How severely a supplier's lots are inspected, from their record, and plans looked up by hand."""

from __future__ import annotations

from typing import Any

from lots.domain.assessment.limits_revision import limits_from
from lots.domain.receiving import protection
from lots.domain.receiving.coverage import Sampling
from lots.domain.receiving.sampling_plans import plan_for
from lots.domain.receiving.severity import Inspected, Severity, severity
from lots.services import clock, lookups
from lots.services.assessment.judging import judge_lot
from lots.services.errors import Fault, Invalid, NotLegal
from lots.store import audit
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.setup import catalog as store_catalog


def severity_of(supplier_id: int, grade_id: int, sampling: Sampling, but: int | None = None) -> Severity:
    """Returns the severity for the next lot of a supplier and grade, from how its earlier lots fared. At most two queries.

    Args:
        sampling: without a plan every lot is inspected as the limits say, which counts as normal.
        but: a lot to leave out, the one being received.

    Notes:
        A lot counts as accepted when its original inspection put it to use, for all uses or for some. Lots not concluded yet are
        passed over. After a resumption only lots received since count, beginning with tightened inspection.
    """
    if sampling.level is None:
        return severity([])
    record = lots.inspection_record(supplier_id, grade_id, but)
    resumed = lots.last_resumption(supplier_id, grade_id)
    if resumed is not None:
        record = [row for row in record if row.received_at > resumed.recorded_at]
    audit = [
        Inspected(
            row.first_inspection["accepted"], row.resubmission_of_id is not None, row.first_inspection["within_gap"]
        )
        for row in record
        if row.first_inspection is not None
    ]
    return severity(audit, sampling.reduced_allowed, "tightened" if resumed is not None else "normal")


def severity_view(supplier_id: int, grade_id: int) -> dict[str, Any]:
    """Returns the severity for a supplier's next lot of a grade, with what it rests on.

    Raises:
        NotFound: no such supplier or grade.
    """
    supplier, grade = lookups.found("supplier", supplier_id), lookups.found("grade", grade_id)
    limits = store_catalog.current_limits(grade.id)
    sampling = limits_from(limits.body).sampling if limits else Sampling()
    state = severity_of(supplier.id, grade.id, sampling)
    record = lots.inspection_record(supplier.id, grade.id)
    return {
        "supplier_id": supplier.id,
        "grade_id": grade.id,
        "severity": state.state,
        "since_lot": state.since,
        "says": state.says if sampling.level else "The limits ask for no plan, so nothing switches.",
        "record": [
            {
                "lot_id": row.id,
                "supplier_lot": row.supplier_lot,
                "accepted": row.first_inspection and row.first_inspection["accepted"],
                "resubmitted": row.resubmission_of_id is not None,
            }
            for row in record
        ],
    }


def resume(supplier_id: int, grade_id: int, reason: str, by: str) -> dict[str, Any]:
    """Begins inspection again where it was discontinued, tightened, after the supplier has put things right; lots that waited are judged.

    Raises:
        NotFound: no such supplier or grade.
        NotLegal: it is not discontinued.
    """
    with transaction():
        before = severity_view(supplier_id, grade_id)
        if before["severity"] != "discontinued":
            raise NotLegal(f"Inspection is {before['severity']}, not discontinued. {before['says']}", legal=[])
        now = clock.now()
        resumed = lots.resume(supplier_id, grade_id, reason, by, now)
        for lot in lots.lock(lots.waiting(supplier_id, grade_id)).values():
            judge_lot(lot, by, now, reason=f"Inspection resumed: {reason}")
        audit.note(None, "inspection resumed", by, now, {"resumption": [resumed.id]})
        return severity_view(supplier_id, grade_id)


def plan_view(lot_size: int, level: str, aql: float, state: str) -> dict[str, Any]:
    """Returns the plan for a lot, with what passing it would prove.

    Raises:
        Invalid: the standard has no such AQL.
    """
    try:
        plan = plan_for(lot_size, level, aql, state)
    except ValueError as wrong:
        raise Invalid(Fault("aql", f"{wrong}.", "Take one of the standard's values.")) from None
    return {
        "code_letter": plan.code_letter,
        "plan_letter": plan.plan_letter,
        "size": plan.size,
        "accept": plan.accept,
        "reject": plan.reject,
        "inspect_all": plan.inspect_all,
        "says": f"{plan.says} {protection.says(lot_size, plan.size, plan.reject - 1)}",
    }
