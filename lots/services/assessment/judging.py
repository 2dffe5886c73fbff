"""Assessment of a lot, stored on its row, with a decision when more than a figure changed.

Every service that stores readings or revisions calls `judge_lot` in its own transaction, so that a lot's row always
follows its readings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from lots.domain.assessment.assessment import Assessment, Summary
from lots.domain.assessment.limits_revision import CHARACTERISTICS, block_of
from lots.domain.assessment.standing_by_hand import LOADABLE
from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.characteristics.registry import DECLARED, declared_of
from lots.domain.conformity import rule_versions
from lots.domain.production.changes import Stand, lot_moved
from lots.domain.replicates.kept_scatter import MOST, kept_scatter, lent
from lots.services import exposure
from lots.services.assessment import drawing_spools
from lots.services.assessment.between_instruments import carried_sources
from lots.services.assessment.lot_assessment import Judged, Terms, assess_lot, finding_view
from lots.services.assessment.repeats import of_judged
from lots.store import audit
from lots.store.assessment import decisions, lots, spool_findings
from lots.store.assessment.spool_findings import Failures
from lots.store.setup import catalog
from lots.store.tables.lots import FirstInspection
from lots.store.tables.models import Decision, LimitsRevision, Lot, ShadeRevision


def find_previous(lot: Lot, rules: int) -> dict[str, object]:
    """Returns for each characteristic with steps the last earlier accepted lot, with its figures.

    From version 3 of the rules the instruments and printers of the lot are included.
    """
    found: dict[str, object] = {}
    beside: dict[str, dict[str, object]] = {"basis": {}, "freedom": {}}
    wanted = [declared for declared in DECLARED.values() if declared.carried]
    for other in lots.earlier(lot, LOADABLE):
        taken = [one for one in wanted if one.name in other.accepted and getattr(other, one.carried[0])]
        for declared in taken:
            found |= _carried(declared, other, rules)
            beside["basis"] |= _entry(declared.name, other.figures.get("basis"))
            beside["freedom"] |= _entry(declared.name, other.figures.get("freedom"))
        wanted = [declared for declared in wanted if declared not in taken]
        if not wanted:
            break
    found |= {name: kept for name, kept in beside.items() if kept}
    if rules > rule_versions.THIRD and (scatter := _lent_spread(lot)):
        found["scatter"] = scatter
    return found


def _carried(declared: Characteristic, other: Lot, rules: int) -> dict[str, object]:
    """Returns the figures of an earlier lot from which the steps of a characteristic are measured."""
    kept = {f"{declared.name}_lot_id": other.id, **{column: getattr(other, column) for column in declared.carried}}
    return kept if rules <= rule_versions.SECOND else {**kept, **carried_sources(declared.name, other.figures)}


def _entry(name: str, kept: Mapping[str, object] | None) -> dict[str, object]:
    """Returns the entry of one characteristic, if any."""
    return {name: one} if (one := (kept or {}).get(name)) else {}


def _lent_spread(lot: Lot) -> dict[str, dict[str, dict[str, object]]]:
    """Returns the spread of readings and spools in earlier lots of the grade, and of its supplier. Two queries."""
    known = (lots.newest_of_grade(lot.grade_id, MOST, lot, supplier) for supplier in (None, lot.supplier_id))
    of_grade, of_supplier = ([other.figures.get("scatter") or {} for other in some] for some in known)
    return lent(of_grade, of_supplier)


def revisions_for(lot: Lot, *, renew: bool = False) -> tuple[LimitsRevision | None, ShadeRevision | None]:
    """Returns the limits and shade revision for the assessment of a lot.

    From its first reading a lot keeps its revisions, so that a later revision never changes an old decision. Before its
    first reading, on a reassessment (`renew`), and where it has none, it gets the newest revisions.
    """
    limits: LimitsRevision | None = lot.limits_revision
    shade: ShadeRevision | None = lot.shade_revision
    if renew or limits is None or not lot.measured:
        limits = catalog.current_limits(lot.grade_id)
    if (renew or shade is None or not lot.measured) and lot.grade.shade_id is not None:
        shade = catalog.current_shade_revisions([lot.grade.shade_id]).get(lot.grade.shade_id)
    return limits, shade


def terms_anew(lot: Lot, limits: LimitsRevision | None, shade: ShadeRevision | None) -> Terms:
    """Returns the terms of a first assessment or a reassessment, with steps from the lot accepted last by now.

    An accepted step stays accepted while it starts from the same lot and is measured in the same way.
    """
    rules = rule_versions.of_limits(limits.rules) if limits else rule_versions.CURRENT
    previous = find_previous(lot, rules)
    accepted = {
        code: size
        for code, size in (lot.steps_accepted or {}).items()
        if _start(code, previous, limits) == _start(code, lot.previous or {}, lot.limits_revision)
    }
    return Terms(limits, shade, lot.by_hand, previous, lot.retests_cleared, rules, accepted)


def _start(code: str, previous: Mapping[str, object], limits: LimitsRevision | None) -> list[object]:
    """Returns the start of a step and its terms."""
    declared = declared_of(code)
    block = block_of(limits.body, declared.name) if limits else {}
    start = [previous.get(name) for name in (f"{declared.name}_lot_id", declared.carried[0])]
    return [*start, *declared.step_terms(block)]


@dataclass(frozen=True, slots=True)
class Occasion:
    """The occasion of an assessment.

    Args:
        action: action of the decision: received, judge, void, agree, exclude, include, reassess, or a manual decision.
        reason: reason of the decision, taken from the findings when empty.
        what: action in the history.
        renew: True to assess under the newest revisions, with steps from the lot accepted last by now.
        retest: True when complete readings that did not pass were repeated, or an author voided a failing reading.
        wrote: table -> numbers of rows of this lot that the caller stored, for the same entry.
    """

    action: str = "judge"
    reason: str = ""
    what: str = "lot judged again"
    renew: bool = False
    retest: bool = False
    wrote: Mapping[str, Sequence[int]] = field(default_factory=dict)


def judge_lot(
    lot: Lot,
    by: str,
    now: datetime,
    *,
    action: str = "judge",
    reason: str = "",
    retest: bool = False,
    what: str = "lot judged again",
    wrote: Mapping[str, Sequence[int]] | None = None,
) -> tuple[Judged, Decision | None]:
    """Assesses a lot and stores the outcome, with a decision when more than a figure changed.

    Args:
        lot: locked by this transaction, with `by_hand` up to date.
        by: person who caused it.
        now: the present time.
        action, reason, retest, what, wrote: the occasion (`Occasion`).

    Returns:
        The assessment, and the decision added, None when only figures changed.

    Notes:
        Must run inside the caller's transaction.
    """
    occasion = Occasion(action, reason, what, retest=retest, wrote=wrote or {})
    before = _deciding_columns(lot)
    done = _judged_and_kept(lot, by, now, occasion)
    if action == "judge" and before == _deciding_columns(lot):
        audit.note(lot.id, what, by, now, {"lot": [lot.id], **occasion.wrote})
        return done.judged, None
    return done.judged, _decided(lot, by, now, occasion, done)


def decide_lot(lot: Lot, by: str, now: datetime, occasion: Occasion) -> tuple[Judged, Decision]:
    """Assesses a lot like `judge_lot`, and always adds a decision."""
    done = _judged_and_kept(lot, by, now, occasion)
    return done.judged, _decided(lot, by, now, occasion, done)


@dataclass(frozen=True, slots=True)
class _Stored:
    """A stored assessment: `stood` is the status before, `known` is False for the first, `kept` has the columns."""

    judged: Judged
    stood: Stand
    known: bool
    kept: Mapping[str, object]


def _judged_and_kept(lot: Lot, by: str, now: datetime, occasion: Occasion) -> _Stored:
    """Assesses a lot, draws the spools that it needs, and stores the outcome on the lot and its spools."""
    limits, shade = revisions_for(lot, renew=occasion.renew)
    begins = occasion.renew or not lot.measured
    terms = terms_anew(lot, limits, shade) if begins else replace(Terms.of(lot), limits=limits, shade=shade)
    judged = assess_lot(lot, terms)
    if drawing_spools.draw_wanted(lot, judged, by, now):
        judged = assess_lot(lot, terms)
    stood, known = Stand(lot.standing, lot.uses), lot.judged_at is not None
    kept = {
        **_verdict(judged),
        "by_hand": lot.by_hand,
        "by_hand_reason": lot.by_hand_reason,
        "previous": terms.previous,
        "retests_cleared": lot.retests_cleared,
        "rules": terms.rules,
        "steps_accepted": dict(terms.steps_accepted) or None,
        "limits_revision": limits,
        "shade_revision": shade,
    }
    voided = occasion.action in ("void", "agree")
    once = {
        "measured": lot.measured or bool(judged.recorded),
        "first_inspection": _first_inspection(lot, judged, retest=occasion.retest, voided=voided),
        "judged_at": now,
        "wording": rule_versions.WORDING,
    }
    lots.save_judgement(lot, {**kept, **_figures(judged), **once})
    spool_findings.keep(lot, of_spools(judged), failures_of(judged))
    return _Stored(judged, stood, known, kept)


def _decided(lot: Lot, by: str, now: datetime, occasion: Occasion, done: _Stored) -> Decision:
    """Adds the decision of an assessment, opens containments, and adds both to the history."""
    found = done.judged.assessment
    record = {
        **done.kept,
        "action": occasion.action,
        "reason": occasion.reason or reason_for(found),
        "findings": [finding_view(f) for f in found.findings],
        "reading_ids": done.judged.reading_ids,
    }
    decision = decisions.add(lot, record, by, now)
    moved = lot_moved(lot.id, lot.supplier_lot, done.stood if done.known else None, Stand(lot.standing, lot.uses))
    opened = exposure.open_containments(lot, done.stood, decision, now)
    written = {"lot": [lot.id], **occasion.wrote, "decision": [decision.id]}
    written["containment"] = [change["containment_id"] for change in opened]
    audit.note(lot.id, occasion.what, by, now, written, changes=[*moved, *opened])
    return decision


def derived(judged: Judged) -> dict[str, object]:
    """Returns the columns of a lot that follow from its readings, its revisions and the manual decision."""
    return {**_verdict(judged), **_figures(judged)}


def _verdict(judged: Judged) -> dict[str, object]:
    found = judged.assessment
    return {
        "standing": judged.standing,
        "assessed": found.standing,
        "uses": dict(found.uses),
        "accepted": [name for name in CHARACTERISTICS if found.passed(name)],
    }


def of_spools(judged: Judged) -> dict[str, dict[str, object]]:
    """Returns the columns of spools, without their failures: column -> code of the spool -> value."""
    summary, newest = judged.assessment.summary, judged.rules > rule_versions.SECOND
    return {
        "flow_factor": dict(summary.spool_flow),
        "dry_at": dict(summary.dry_at),
        "color": {code: dict(color) for code, color in summary.spool_color.items()},
        "flow_uncertainty": dict(summary.spool_flow_uncertainty) if newest else {},
    }


def failures_of(judged: Judged) -> dict[str, Failures]:
    """Returns the failures of single spools, by code."""
    failing = judged.assessment.summary.nonconforming
    return {code: [{"uses": list(f.uses), "message": f.message} for f in why] for code, why in failing.items()}


def _deciding_columns(lot: Lot) -> tuple[object, ...]:
    """Returns the columns whose change makes a decision, which are all but the figures."""
    revisions = (lot.limits_revision, lot.shade_revision)
    return (lot.judged_at and lot.standing, lot.assessed, lot.uses, lot.accepted, lot.previous, lot.rules, *revisions)


def _figures(judged: Judged) -> dict[str, object]:
    """Returns the figures of a lot for production and for the next assessment."""
    found = judged.assessment
    summary = found.summary
    return {
        "why": {use: found.why(use) for use, verdict in found.uses.items() if verdict != "pass"},
        "to_measure": list(found.to_measure),
        "lab": summary.lab.as_list() if summary.lab else None,
        "lab_uncertainty": summary.lab_uncertainty,
        "color_between": summary.color_between.as_json() if summary.color_between else None,
        "shrinkage": dict(summary.shrinkage),
        "shrinkage_uncertainty": dict(summary.shrinkage_uncertainty),
        "flow_factor": summary.flow,
        **(_of_printers(summary) if judged.rules > rule_versions.SECOND else dict.fromkeys(_OF_PRINTERS)),
        "wet": summary.wet.as_json() if summary.wet else None,
        "moisture_at": summary.moisture_at,
        "figures": {
            "measures": {name: figure.as_list() for name, figure in summary.figures.items()},
            "sources": judged.sources,
            "failed": sorted({f.code for f in found.findings if f.verdict == "fail" and not f.hold and f.uses}),
            **({"basis": summary.basis} if summary.basis else {}),
            **_scatter(judged),
            **_not_proved(judged),
        },
        "retestable": [name for name in CHARACTERISTICS if found.settled_without_pass(name)],
        "reinspected_until": judged.reinspected_until,
    }


def _scatter(judged: Judged) -> dict[str, object]:
    """Returns spread and degrees of freedom for later lots of the grade, from version 4 of the rules."""
    if judged.rules <= rule_versions.THIRD:
        return {}
    kept = {"scatter": kept_scatter(of_judged(judged)), "freedom": judged.assessment.summary.freedom}
    return {name: value for name, value in kept.items() if value}


def _not_proved(judged: Judged) -> dict[str, list[str]]:
    """Returns the findings that fail by less than their uncertainty, from version 3 of the rules.

    The lot is rejected, but nonconformity is not proved.
    """
    found = judged.assessment.findings
    codes = {f.code for f in found if f.proof == "not proved" and not f.hold and f.uses}
    return {"not_proved": sorted(codes)} if codes and judged.rules > rule_versions.SECOND else {}


# Kept from version 3 of the rules on.
_OF_PRINTERS = ("flow_uncertainty", "printed")


def _of_printers(summary: Summary) -> dict[str, object]:
    """Returns further figures for the settings of a machine."""
    printed = {name: dict(by_print) for name, by_print in summary.printed.items()}
    return dict(zip(_OF_PRINTERS, (summary.flow_uncertainty, printed or None), strict=True))


def _first_inspection(lot: Lot, judged: Judged, *, retest: bool, voided: bool) -> FirstInspection | None:
    """Returns the result of the lot's original inspection, for the switching rules.

    Readings repeated after a rejection do not change it. A void does. An author's void of a failing reading counts as a
    repetition until quality agrees. An exclusion changes it only before the first repetition.
    """
    before = lot.first_inspection
    if before is not None and (retest or (before["retested"] and not voided)):
        return {**before, "retested": True}
    standing = judged.assessment.standing
    if standing == "quarantined":
        return None
    counts = [f.value for f in judged.assessment.findings if f.code == "sampling.nonconforming" and f.value is not None]
    plans = [part.plan for part in judged.coverage.presented if part.plan]
    accepted = standing in LOADABLE
    within_gap = accepted and bool(counts and plans) and max(counts) > min(plan.accept for plan in plans)
    uses: dict[str, str] = {**judged.assessment.uses}
    return {"accepted": accepted, "within_gap": within_gap, "retested": False, "uses": uses}


def reason_for(found: Assessment) -> str:
    """Returns the reason for the status by the readings."""
    failing = [f.message for f in found.findings if f.verdict == "fail" and not f.hold and f.uses]
    if failing:
        return " ".join(failing)
    if found.standing == "released":
        return "Every required finding passes."
    return "Still to do: " + "; ".join(found.to_measure) + "."
