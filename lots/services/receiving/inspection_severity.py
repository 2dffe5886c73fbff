"""Inspection severity of a supplier's lots, and lookups of sampling plans."""

from __future__ import annotations

from typing import TypedDict

from lots.domain.assessment.limits_revision import limits_from
from lots.domain.receiving import protection
from lots.domain.receiving.coverage import Sampling
from lots.domain.receiving.sampling_plans import plan_for
from lots.domain.receiving.severity import Severity, severity
from lots.services import clock, lookups
from lots.services.assessment.judging import judge_lot
from lots.services.errors import Fault, Invalid, NotLegal
from lots.services.views import View
from lots.store import audit
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.receiving import inspections
from lots.store.setup import catalog as store_catalog

# Lots of the record that an answer lists. A switch depends on the last five to ten.
LOTS_SHOWN = 50


class SeverityView(TypedDict):
    """The inspection severity for the next lot, and the reason."""

    supplier_id: int
    grade_id: int
    severity: str
    since_lot: int
    says: str
    record: list[View]


def severity_of(supplier_id: int, grade_id: int, sampling: Sampling, but: int | None = None) -> Severity:
    """Returns the severity for the next lot of a supplier and grade, from the inspection of earlier lots.

    At most two queries.

    Args:
        sampling: sampling of the limits. Without a plan inspection is always normal.
        but: number of the lot being received, which is left out.

    Notes:
        A lot counts as accepted when its original inspection released it for all uses or for some. Lots without a
        conclusion are
        skipped. After a resumption only later lots count, and inspection begins tightened.
    """
    if sampling.level is None:
        return severity([])
    resumed = lots.last_resumption(supplier_id, grade_id)
    since = None if resumed is None else resumed.recorded_at
    record = inspections.concluded(supplier_id, grade_id, since, but)
    return severity(record, sampling.reduced_allowed, "normal" if resumed is None else "tightened")


def severity_view(supplier_id: int, grade_id: int) -> SeverityView:
    """Returns the severity for a supplier's next lot of a grade, with the newest lots of the record.

    Raises:
        NotFound: no such supplier or grade.
    """
    supplier, grade = lookups.found("supplier", supplier_id), lookups.found("grade", grade_id)
    limits = store_catalog.current_limits(grade.id)
    sampling = limits_from(limits.body).sampling if limits else Sampling()
    state = severity_of(supplier.id, grade.id, sampling)
    return {
        "supplier_id": supplier.id,
        "grade_id": grade.id,
        "severity": state.state,
        "since_lot": state.since,
        "says": state.says if sampling.level else "The limits name no sampling plan, so inspection stays normal.",
        "record": [line._asdict() for line in inspections.newest(supplier.id, grade.id, LOTS_SHOWN)],
    }


def resume(supplier_id: int, grade_id: int, reason: str, by: str) -> SeverityView:
    """Resumes discontinued inspection as tightened, after a corrective action, and assesses the lots that waited.

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


def plan_view(lot_size: int, level: str, aql: float, state: str) -> View:
    """Returns the sampling plan for a lot, with the protection that it gives.

    Raises:
        Invalid: the standard has no such AQL.
    """
    try:
        plan = plan_for(lot_size, level, aql, state)
    except ValueError as wrong:
        raise Invalid(Fault("aql", f"{wrong}.", "Use one of the standard's values.")) from None
    return {
        "code_letter": plan.code_letter,
        "plan_letter": plan.plan_letter,
        "size": plan.size,
        "accept": plan.accept,
        "reject": plan.reject,
        "inspect_all": plan.inspect_all,
        "says": f"{plan.says} {protection.says(lot_size, plan.size, plan.reject - 1)}",
    }
