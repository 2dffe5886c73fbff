"""The lot record: everything known about a lot on one paper. It is computed on request and never stored."""

from __future__ import annotations

from datetime import datetime

from lots.domain.assessment.limits_revision import CHARACTERISTICS, Limits, limits_from
from lots.domain.conformity.findings import Finding
from lots.domain.production.clearance import PART_CAUTION
from lots.domain.purchasing.letters import CAUTIONS
from lots.domain.words import moment, status_said
from lots.services import clock, views
from lots.services.assessment.lot_assessment import Terms, assess_lot
from lots.services.documents import report_words as words
from lots.services.documents.nonconformity_report import (
    asked_of,
    concession_of,
    delivery_of,
    grade_of,
    lot_head,
    short,
    supplier_of,
)
from lots.services.documents.report_evidence import evidence
from lots.services.errors import NotFound
from lots.services.lookups import lot_of
from lots.services.production import lot_uses
from lots.services.receiving.substitutes import sample_now
from lots.services.setup import grade_uses
from lots.services.views import View
from lots.store import nonconformity_report as store
from lots.store.assessment import lots
from lots.store.receiving import deliveries
from lots.store.tables.decisions import Concession, Decision
from lots.store.tables.models import Lot


def record(lot_id: int, *, to_print: bool = False) -> View:
    """Returns the record of a lot. About twenty queries for a lot of any size.

    Args:
        to_print: each finding also gives the decimals of its numbers (`digits`).

    Raises:
        NotFound: no such lot, or the lot has no decision.
    """
    now = clock.now()
    lot = lot_of(lot_id)
    decided = store.decisions_of(lot.id)
    if not decided:
        raise NotFound(f"Lot {lot.supplier_lot} has no decision yet, so it has no record.")
    judged = assess_lot(lot, Terms.of(lot))
    limits = limits_from(judged.limits.body) if judged.limits else None
    found = judged.assessment
    method, readings = evidence(lot, CHARACTERISTICS, judged, limits, None, whole=True)
    counted = [part["characteristic"] for part in method if part["readings"]]
    decision = decided[-1]
    return {
        "number": f"LR-{lot.id}-{decision.id}",
        "decision_id": decision.id,
        "made_at": now,
        "says": f"Lot {lot.supplier_lot} of {lot.grade.color_name} ({lot.grade.code}) from {lot.supplier.name} is "
        f"{status_said(lot.standing)} (decision {decision.id}, {moment(decision.decided_at)}).",
        "supplier": supplier_of(lot),
        "grade": grade_of(lot.grade),
        "lot": _lot(lot),
        "deliveries": [delivery_of(one) for one in deliveries.of_lot(lot.id)],
        "samples": sample_now(lot)["deliveries"],
        "spools": [views.spool_line(row, lot) for row in lots.spools_of(lot)],
        "uses": lot_uses.permissions(lot, now),
        "asked": asked_of(lot, judged, limits, counted, list(found.findings)),
        "findings": [_finding(one, limits, to_print) for one in found.findings],
        "notes": list(found.notes),
        "to_measure": list(found.to_measure),
        "method": [part for part in method if part["readings"]],
        "readings": readings,
        "decisions": [_decision(row) for row in decided],
        "concessions": [_concession(row, now) for row in store.concessions_of(lot.id)],
        "cautions": [*grade_uses.cautions_of(lot), PART_CAUTION, *CAUTIONS[:1]],
    }


def _lot(lot: Lot) -> View:
    head = lot_head(lot, lot.by_hand, lot.by_hand_reason)
    return {**head, "recorded_at": lot.recorded_at, "standing": lot.standing, "assessed": lot.assessed}


def _finding(found: Finding, limits: Limits | None, to_print: bool) -> View:
    return {
        **short(found, limits, to_print),
        "uses": list(found.uses),
        "required": bool(found.uses),
        "standard_uncertainty": found.uncertainty,
        "expanded_uncertainty": words.expanded(found.uncertainty),
        "guard_band": found.guard,
        "to_measure": found.to_measure or None,
    }


def _decision(row: Decision) -> View:
    fields = ("id", "action", "standing", "uses", "reason", "decided_at", "decided_by")
    return {
        **{name: getattr(row, name) for name in fields},
        "limits_revision": row.limits_revision and row.limits_revision.revision,
        "shade_revision": row.shade_revision and row.shade_revision.revision,
    }


def _concession(row: Concession, at: datetime) -> View:
    """Returns a concession with its reason and the persons who requested, approved and withdrew it."""
    fields = ("reason", "requested_by", "recorded_at", "approved_by", "approved_at")
    ends = ("withdrawn_by", "withdrawn_at", "withdrawn_reason")
    return {**concession_of(row, at), **{name: getattr(row, name) for name in (*fields, *ends)}}
