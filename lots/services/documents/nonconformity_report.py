"""The nonconformity report on a lot for its supplier. It is computed on request and never stored."""

from __future__ import annotations

from datetime import datetime
from typing import TypeAlias

from lots.domain.assessment.assessment import Assessment
from lots.domain.assessment.limits_revision import CHARACTERISTICS, Limits, limits_from
from lots.domain.assessment.plan_counts import SPOOL_CODES
from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.registry import is_step
from lots.domain.conformity.findings import LABELS, Finding
from lots.domain.conformity.step_rule import DECISION as STEP_DECISION
from lots.domain.purchasing import corrective_actions as rules
from lots.domain.purchasing.letters import CAUTIONS
from lots.domain.words import clause, counted, hyphenated, moment, plural
from lots.services import clock
from lots.services.assessment.lot_assessment import Judged, Terms, assess_lot
from lots.services.documents import report_words as words
from lots.services.documents.report_evidence import evidence
from lots.services.errors import Conflict, NotFound
from lots.services.from_rows import conditions_of
from lots.services.lookups import lot_of
from lots.services.purchasing.corrective_actions import may_be_asked_about
from lots.services.setup import shop
from lots.services.views import View
from lots.store import corrective_actions as store_actions
from lots.store import nonconformity_report as store
from lots.store.receiving import deliveries
from lots.store.tables.decisions import Concession, Decision
from lots.store.tables.models import Grade, Lot, ShadeRevision

# Spools by code, with the findings that each spool fails.
_Spools: TypeAlias = list[tuple[str, list[Finding]]]
_HANDS = {"block": "blocked", "return": "returned", "scrap": "scrapped"}


def nonconformity(lot_id: int, as_of: datetime | None = None, *, to_print: bool = False) -> View:
    """Returns the nonconformity report on a lot. About fifteen queries for a lot of any size.

    Args:
        as_of: report the state at this time, under the revisions that applied then.
        to_print: each finding also gives the decimals of its numbers (`digits`).

    Raises:
        NotFound: no such lot, or it was not recorded by `as_of`.
        Conflict: no limit is failed, and no manual decision rejects the lot.
    """
    now = clock.now()
    lot = lot_of(lot_id)
    decided = store.decisions_of(lot.id, as_of)
    if not decided:
        raise NotFound(
            f"Lot {lot.supplier_lot} did not exist at {moment(as_of or now)}. It was recorded at {moment(lot.recorded_at)}."
        )
    held = lot if as_of is None else decided[-1]
    judged = assess_lot(lot, Terms.of(held), as_of)
    failing = [f for f in judged.assessment.findings if rules.speaks_of_supply(f.code, f.verdict)]
    by_hand = held.by_hand if held.by_hand in rules.AGAINST else None
    if not failing and by_hand is None:
        raise Conflict(
            f"Lot {lot.supplier_lot} fails no limit and is not blocked by a manual decision, so there is nothing to report to "
            f"{lot.supplier.name}. See the findings on the page of the lot."
        )
    limits = limits_from(judged.limits.body) if judged.limits else None
    spools = _nonconforming(judged, {f.code for f in failing})
    outside = [*failing, *(f for _, why in spools for f in why)]
    about = {f.characteristic for f in outside}
    concerned = [name for name in CHARACTERISTICS if name in about]
    method, readings = evidence(lot, concerned, judged, limits, as_of)
    decision = decided[-1]
    return {
        "number": f"NR-{lot.id}-{decision.id}",
        "decision_id": decision.id,
        "made_at": now,
        "as_of": as_of or now,
        "issued_by": shop.details().name or "the buyer",
        "says": _says(lot, failing, by_hand, held.by_hand_reason),
        "supplier": {**supplier_of(lot), "contact": lot.supplier.contact},
        "grade": grade_of(lot.grade),
        "lot": {**lot_head(lot, by_hand, held.by_hand_reason), "standing": judged.standing},
        "deliveries": [delivery_of(one) for one in deliveries.of_lot(lot.id, as_of)],
        "asked": {
            **asked_of(lot, judged, limits, concerned, outside),
            "all_limits": limits_of(_concerned(judged.assessment, about, outside), limits),
        },
        "found": _found(judged.assessment, failing, spools, limits, to_print),
        "requested": _requested(lot, may_be_asked_about(judged, decided), as_of, now),
        "method": method,
        "readings": readings,
        "decisions": [_decision(row) for row in decided],
        "concessions": [concession_of(row, as_of or now) for row in store.concessions_of(lot.id, as_of)],
        "cautions": list(CAUTIONS),
    }


def _found(made: Assessment, failing: list[Finding], spools: _Spools, limits: Limits | None, to_print: bool) -> View:
    """Returns the findings: failing ones first, required limits before others."""
    others = [f for f in made.findings if f not in failing and not is_step(f.code)]
    return {
        "failing": [_failing(f, limits, to_print) for f in sorted(failing, key=lambda f: not f.uses)],
        "nonconforming_spools": [
            {"spool_code": code, "findings": [_failing(f, limits, to_print) for f in why]} for code, why in spools
        ],
        "others": [short(f, limits, to_print) for f in others],
        "notes": list(made.notes),
        "to_measure": [part for part in made.to_measure if not part.endswith(STEP_DECISION)],
    }


def _nonconforming(judged: Judged, codes: set[str]) -> _Spools:
    """Returns the nonconforming spools with their findings on the measures that the lot fails.

    All measures of single spools are included if the count of nonconforming spools rejects the lot.
    """
    if "sampling.nonconforming" in codes:
        codes = codes | set(SPOOL_CODES)
    each = judged.assessment.summary.nonconforming
    found = ((code, [f for f in why if f.code in codes]) for code, why in sorted(each.items()))
    return [(code, why) for code, why in found if why]


def _says(lot: Lot, failing: list[Finding], by_hand: str | None, reason: str | None) -> str:
    """Returns the summary of the report, in one or two sentences."""
    required = [f for f in failing if f.uses]
    name = f"Lot {lot.supplier_lot} of {lot.grade.color_name} ({lot.grade.code})"
    said = []
    if required:
        said.append(
            f"{name} was rejected: {counted(len(required), 'required limit is', 'required limits are')} not met."
        )
        if all(f.proof == "not proved" for f in required):
            said.append(f"Nonconformity is not proved{plural(len(required), '', ' for any of them')}.")
    elif failing:
        said.append(
            f"{name} was not rejected as a whole. Single spools, or measures that no use requires, are outside their limits."
        )
    if by_hand is not None:
        subject = "It" if said else name
        said.append(
            f"{subject} was {_HANDS[by_hand]} by a manual decision: {clause(reason or 'no reason was recorded')}"
        )
    return " ".join(said)


def supplier_of(lot: Lot) -> View:
    """Returns the supplier of a lot for a paper."""
    return {"id": lot.supplier_id, "code": lot.supplier.code, "name": lot.supplier.name}


def lot_head(lot: Lot, by_hand: str | None, reason: str | None) -> View:
    """Returns the head of a lot for a paper, with the manual decision in force and its reason."""
    return {
        "id": lot.id,
        "supplier_lot": lot.supplier_lot,
        "received_at": lot.received_at,
        "by_hand": by_hand and {"action": by_hand, "reason": reason},
        "resubmission_of": lot.resubmission_of_id,
    }


def grade_of(row: Grade) -> View:
    """Returns a grade for a paper."""
    fields = ("id", "code", "color_name", "polymer", "finish", "filler", "nominal_diameter_mm")
    return {name: getattr(row, name) for name in fields}


def delivery_of(came: deliveries.Came) -> View:
    """Returns a delivery for a paper, as corrected."""
    fields = ("order_ref", "received_at", "note", "closed")
    said = {name: getattr(came.now, name) for name in fields}
    return {"id": came.logged.id, **said, "spools": came.spools, "net_mass_kg": came.mass_g / 1000}


def asked_of(lot: Lot, judged: Judged, limits: Limits | None, concerned: list[str], outside: list[Finding]) -> View:
    """Returns the requirements: the limits revision, the decision rule, the limits concerned and the reference colour."""
    nominal = lot.grade.nominal_diameter_mm
    terms = [words.terms(name, limits, nominal) for name in concerned] if limits else []
    return {
        "limits_revision": judged.limits and judged.limits.revision,
        "limits_recorded_at": judged.limits and judged.limits.recorded_at,
        "decision_rule": limits and words.rule_words(limits.rule),
        "sampling": limits and words.sampling_words(limits.sampling),
        "terms": [term for term in terms if term],
        "limits": limits_of(outside, limits),
        "shade": judged.shade and shade_of(judged.shade),
    }


def _concerned(made: Assessment, about: set[str], outside: list[Finding]) -> list[Finding]:
    """Returns all findings on the failed characteristics. Steps between lots are left out: no supplier has to meet them."""
    return [*(f for f in made.findings if f.characteristic in about and not is_step(f.code)), *outside]


def limits_of(found: list[Finding], limits: Limits | None) -> list[View]:
    """Returns each limit of these findings once."""
    return [
        {
            "code": code,
            "label": LABELS[code],
            "quantity": words.quantity(code, limits),
            "limit": f.limit.as_json(),
            "unit": f.limit.unit,
            "says": str(f.limit),
        }
        for code, f in {f.code: f for f in found}.items()
    ]


def shade_of(row: ShadeRevision) -> View:
    """Returns a revision of the reference colour for a paper."""
    # The approver and the client are confidential to the shop.
    return {
        "code": row.shade.code,
        "name": row.shade.name,
        "revision": row.revision,
        "lab": row.lab,
        "conditions": row.conditions,
        "says": str(conditions_of(row)),
        "recorded_at": row.recorded_at,
    }


def short(found: Finding, limits: Limits | None, to_print: bool) -> View:
    """Returns a finding for one line of a paper."""
    return {
        "code": found.code,
        "label": LABELS[found.code],
        "subject": found.subject or None,
        "quantity": words.quantity(found.code, limits),
        "verdict": found.verdict,
        "proof": found.proof,
        "value": found.value,
        "margin": found.margin,
        "limit": found.limit.as_json(),
        "limit_says": str(found.limit),
        "unit": found.limit.unit,
        "n": found.n,
        "counted": found.counted,
        "spools": found.spools,
        "message": found.message,
        **({"digits": found.digits} if to_print else {}),
    }


def _failing(found: Finding, limits: Limits | None, to_print: bool) -> View:
    """Returns a failing finding, with the figures that show whether nonconformity is proved."""
    return {
        **short(found, limits, to_print),
        "required": bool(found.uses),
        "uses": list(found.uses),
        "outside_by": None if found.margin is None else -found.margin,
        "standard_uncertainty": found.uncertainty,
        "expanded_uncertainty": words.expanded(found.uncertainty),
        "guard_band": found.guard,
        "claimable": found.claimable,
        "claim_says": words.claim_words(found),
        "direction": found.detail or None if found.characteristic == COLOR.name else None,
        "too_coarse": found.coarse,
        "hold": found.hold,
    }


def _requested(lot: Lot, may_ask: bool, as_of: datetime | None, now: datetime) -> View:
    """Returns the request to the supplier, from the newest unanswered corrective action, else the newest open one."""
    row = store_actions.newest_not_closed(lot.id, as_of)
    if row is None:
        path = f"POST /v1/lots/{lot.id}/corrective-actions"
        opens = f"Open one with {path}. By default it is due {rules.DUE_AFTER.days} days later."
        never = "No corrective action is possible: the lot failed no required limit and was never blocked by a manual decision."
        none = dict.fromkeys(("requested_action", "due_at", "conforming_lots", "cause", "action"))
        return {
            "id": None,
            "state": None,
            "overdue": False,
            **none,
            "answered_at": None,
            "answered_by": None,
            "says": "No corrective action is open for this lot, so no answer is due.",
            "hint": opens if may_ask else never,
        }
    answered = row.answered_at if row.answered_at and row.answered_at <= (as_of or now) else None
    lots = counted(row.conforming_lots, "consecutive conforming lot")
    overdue = rules.is_overdue(row.due_at, answered, as_of or now)
    asks = f"Please answer by {moment(row.due_at)} with the cause you found and the action you took."
    late = " This answer is overdue." if overdue else ""
    closes = f" It is closed once {lots} received after the answer have been accepted for at least one use."
    return {
        "id": row.id,
        "state": rules.state_of(answered, None),
        "overdue": overdue,
        "requested_action": row.requested,
        "due_at": row.due_at,
        "conforming_lots": row.conforming_lots,
        "cause": row.cause if answered else None,
        "action": row.action if answered else None,
        "answered_at": answered,
        "answered_by": row.answered_by if answered else None,
        "says": (f"Answered by {row.answered_by} at {moment(answered)}." if answered else asks + late) + closes,
        "hint": None,
    }


def _decision(row: Decision) -> View:
    fields = ("id", "action", "standing", "reason", "decided_at", "decided_by")
    return {name: getattr(row, name) for name in fields}


def concession_of(row: Concession, at: datetime) -> View:
    """Returns a concession for a paper as of a time, without the buyer's reasons."""
    approved = row.approved_at is not None and row.approved_at <= at
    withdrawn = row.withdrawn_at is not None and row.withdrawn_at <= at
    state = "withdrawn" if withdrawn else "approved" if approved else "asked for"
    uses = ", ".join(hyphenated(use) for use in row.uses)
    return {
        "id": row.id,
        "state": state,
        "uses": row.uses,
        "max_mass_g": row.max_mass_g,
        "valid_until": row.valid_until,
        "says": f"Concession {row.id} ({state}): for {uses}, at most {row.max_mass_g:.10g} g, until {moment(row.valid_until)}.",
    }
