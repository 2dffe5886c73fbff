"""Judging a lot: where it stands from now on, kept on its row, with a decision when more than a figure changed.

Every desk that stores evidence or revisions calls `judge_lot` in its own transaction, so a lot's row never lags behind its readings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from lots.domain.assessment.assessment import Assessment, Summary
from lots.domain.assessment.limits_revision import CHARACTERISTICS
from lots.domain.assessment.standing_by_hand import LOADABLE
from lots.domain.characteristics.registry import DECLARED, declared_of
from lots.domain.conformity import rule_versions
from lots.domain.production.changes import Stand, lot_moved
from lots.domain.replicates.kept_scatter import MOST, kept_scatter, lent
from lots.services import exposure, views
from lots.services.assessment import drawing_spools
from lots.services.assessment.between_instruments import carried_sources
from lots.services.assessment.lot_assessment import Judged, Terms, assess_lot
from lots.services.assessment.repeats import of_judged
from lots.store import audit
from lots.store.assessment import decisions, lots, spool_findings
from lots.store.setup import catalog


def find_previous(lot: Any, rules: int) -> dict[str, Any]:
    """Returns, for each characteristic whose steps are judged, the last earlier lot accepted for it, with the figures a step is measured from.

    From version 3 of the rules on, with the instruments and printers that it was measured with.
    """
    found: dict[str, Any] = {}
    wanted = [declared for declared in DECLARED.values() if declared.carried]
    for other in lots.earlier(lot, LOADABLE):
        for declared in wanted:
            if declared.name in other.accepted and getattr(other, declared.carried[0]):
                found[f"{declared.name}_lot_id"] = other.id
                found |= {column: getattr(other, column) for column in declared.carried}
                if basis := ((other.figures or {}).get("basis") or {}).get(declared.name):
                    found["basis"] = {**found.get("basis", {}), declared.name: basis}
                found |= carried_sources(declared.name, other.figures) if rules > rule_versions.SECOND else {}
                if freedom := ((other.figures or {}).get("freedom") or {}).get(declared.name):
                    found["freedom"] = {**found.get("freedom", {}), declared.name: freedom}
        wanted = [declared for declared in wanted if declared.carried[0] not in found]
        if not wanted:
            break
    if rules > rule_versions.THIRD and (scatter := _lent(lot)):
        found["scatter"] = scatter
    return found


def _lent(lot: Any) -> dict[str, Any]:
    """What earlier lots of the grade, and of its supplier, lend of how readings and spools scatter. Two queries."""
    known = (lots.newest_of_grade(lot.grade_id, MOST, lot, supplier) for supplier in (None, lot.supplier_id))
    of_grade, of_supplier = ([other.figures.get("scatter") or {} for other in some] for some in known)
    return lent(of_grade, of_supplier)


def revisions_for(lot: Any, *, renew: bool = False) -> tuple[Any, Any]:
    """Returns the limits and shade revision to judge a lot under.

    Once measuring has begun a lot keeps the revisions it began with, so that a later revision never moves an old decision; it takes the
    newest when asked to (`renew`), before its first reading, and wherever it has none yet.
    """
    limits, shade = lot.limits_revision, lot.shade_revision
    if renew or limits is None or not lot.measured:
        limits = catalog.current_limits(lot.grade_id)
    if (renew or shade is None or not lot.measured) and lot.grade.shade_id is not None:
        shade = catalog.current_shade_revisions([lot.grade.shade_id]).get(lot.grade.shade_id)
    return limits, shade


def terms_anew(lot: Any, limits: Any, shade: Any) -> Terms:
    """Returns what a lot is judged under when judging begins, or begins again: the rules of its limits, and steps from the lot accepted last by now.

    A step that quality accepted stays accepted as long as it is one from the same lot and measured in the same way.
    """
    rules = rule_versions.of_limits(limits.rules) if limits else rule_versions.CURRENT
    previous = find_previous(lot, rules)
    accepted = {
        code: size
        for code, size in (lot.steps_accepted or {}).items()
        if _start(code, previous, limits) == _start(code, lot.previous or {}, lot.limits_revision)
    }
    return Terms(limits, shade, lot.by_hand, previous, lot.retests_cleared, rules, accepted)


def _start(code: str, previous: Mapping[str, Any], limits: Any) -> list[Any]:
    """What a step is measured from, and how."""
    declared = declared_of(code)
    block = (limits.body.get(declared.name) if limits else None) or {}
    start = [previous.get(name) for name in (f"{declared.name}_lot_id", declared.carried[0])]
    return [*start, *declared.step_terms(block)]


def judge_lot(
    lot: Any,
    by: str,
    now: datetime,
    *,
    action: str = "judge",
    reason: str = "",
    renew: bool = False,
    retest: bool = False,
    what: str = "lot judged again",
    wrote: Mapping[str, Sequence[int]] | None = None,
) -> tuple[Judged, Any | None]:
    """Judges a lot, keeps where it stands on its row, adds a decision when more than a figure changed, and notes it all in the lot's history.

    Args:
        lot: locked by this transaction; `by_hand` already says what a person decided.
        by: who caused it.
        now: the present moment.
        action: what to call the decision: received, judge, void, agree, exclude, include, reassess, or a decision by hand.
        reason: why, in words; made from the findings when empty.
        renew: judge under the newest revisions, and against the lot accepted last by now.
        retest: True when readings were repeated after they had been complete and did not pass, or an author voided one that failed.
        what: what the history calls it.
        wrote: table -> numbers of rows of this lot that the caller wrote before, to stand in the same entry.

    Returns:
        What was judged, and the decision added, None when nothing but figures changed.

    Notes:
        Must run inside the caller's transaction.
    """
    limits, shade = revisions_for(lot, renew=renew)
    begins = renew or not lot.measured
    terms = terms_anew(lot, limits, shade) if begins else replace(Terms.of(lot), limits=limits, shade=shade)
    judged = assess_lot(lot, terms)
    if drawing_spools.draw_wanted(lot, judged, by, now):
        judged = assess_lot(lot, terms)
    found, before = judged.assessment, _marks(lot)
    stood = Stand(lot.standing, lot.uses)
    known = lot.judged_at is not None
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
    once = {
        "measured": lot.measured or bool(judged.recorded),
        "first_inspection": _first_inspection(lot, judged, retest=retest, voided=action in ("void", "agree")),
        "judged_at": now,
    }
    lots.save_judgement(lot, {**kept, **_figures(judged), **once})
    spool_findings.keep(lot, of_spools(judged))
    written = {"lot": [lot.id], **(wrote or {})}
    if action == "judge" and before == _marks(lot):
        audit.note(lot.id, what, by, now, written)
        return judged, None
    record = {
        **kept,
        "action": action,
        "reason": reason or reason_for(found),
        "findings": [views.finding(f) for f in found.findings],
        "reading_ids": judged.reading_ids,
    }
    decision = decisions.add(lot, record, by, now)
    moved = lot_moved(lot.id, lot.supplier_lot, stood if known else None, Stand(lot.standing, lot.uses))
    opened = exposure.open_containments(lot, stood, decision, now)
    written |= {"decision": [decision.id], "containment": [change["containment_id"] for change in opened]}
    audit.note(lot.id, what, by, now, written, changes=[*moved, *opened])
    return judged, decision


def derived(judged: Judged) -> dict[str, Any]:
    """Returns the columns of a lot that follow from its readings, its revisions and the decision by hand, whatever happened before."""
    return {**_verdict(judged), **_figures(judged)}


def _verdict(judged: Judged) -> dict[str, Any]:
    found = judged.assessment
    return {
        "standing": judged.standing,
        "assessed": found.standing,
        "uses": dict(found.uses),
        "accepted": [name for name in CHARACTERISTICS if found.passed(name)],
    }


def of_spools(judged: Judged) -> dict[str, dict[str, Any]]:
    """Returns what is kept beside spools: column -> code of the spool -> value."""
    summary, newest = judged.assessment.summary, judged.rules > rule_versions.SECOND
    failing = {
        code: [{"uses": list(f.uses), "message": f.message} for f in why] for code, why in summary.nonconforming.items()
    }
    return {
        "flow_factor": dict(summary.spool_flow),
        "nonconforming": failing,
        "dry_at": dict(summary.dry_at),
        "color": {code: dict(color) for code, color in summary.spool_color.items()},
        "flow_uncertainty": dict(summary.spool_flow_uncertainty) if newest else {},
    }


def _marks(lot: Any) -> tuple[Any, ...]:
    """What makes a decision when it changes: all but the figures. Nothing stands before the first judgement."""
    revisions = (lot.limits_revision, lot.shade_revision)
    return (lot.judged_at and lot.standing, lot.assessed, lot.uses, lot.accepted, lot.previous, lot.rules, *revisions)


def _figures(judged: Judged) -> dict[str, Any]:
    """What production and the next judgement need, beside the verdict itself."""
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


def _scatter(judged: Judged) -> dict[str, Any]:
    """What later lots of the grade are lent, and what the next step needs beside the figures, from version 4 of the rules."""
    if judged.rules <= rule_versions.THIRD:
        return {}
    kept = {"scatter": kept_scatter(of_judged(judged)), "freedom": judged.assessment.summary.freedom}
    return {name: value for name, value in kept.items() if value}


def _not_proved(judged: Judged) -> dict[str, list[str]]:
    """What fails by less than its uncertainty, from version 3 of the rules: the lot is refused, and nonconformity is not proved."""
    found = judged.assessment.findings
    codes = {f.code for f in found if f.proof == "not proved" and not f.hold and f.uses}
    return {"not_proved": sorted(codes)} if codes and judged.rules > rule_versions.SECOND else {}


# Kept from version 3 of the rules on.
_OF_PRINTERS = ("flow_uncertainty", "printed")


def _of_printers(summary: Summary) -> dict[str, Any]:
    """What the settings of a machine need beside the figures of the lot."""
    printed = {name: dict(by_print) for name, by_print in summary.printed.items()}
    return dict(zip(_OF_PRINTERS, (summary.flow_uncertainty, printed or None), strict=True))


def _first_inspection(lot: Any, judged: Judged, *, retest: bool, voided: bool) -> dict[str, Any] | None:
    """How the lot's original inspection ended, for the switching rules. Readings repeated after a refusal do not change it; voiding one does.

    An author's void of a reading that failed counts as a repetition, until quality agrees to it.
    Excluding one changes it as long as none was repeated: then it was no reading of that lot's material. Afterwards it stays.
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
    return {"accepted": accepted, "within_gap": within_gap, "retested": False}


def reason_for(found: Assessment) -> str:
    """Returns in words why the readings put a lot where they do."""
    failing = [f.message for f in found.findings if f.verdict == "fail" and not f.hold and f.uses]
    if failing:
        return " ".join(failing)
    if found.standing == "released":
        return "Every required finding passes."
    return "Still to do: " + "; ".join(found.to_measure) + "."
