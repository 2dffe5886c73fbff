"""Judging a lot: its readings and revisions from the store, the domain's verdict, where it stands from now on.

Every desk that stores evidence or revisions calls `judge_lot` in its own transaction, so a lot's row never lags behind its readings.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from lots.desks import views
from lots.domain.acceptance import Assessment, Evidence, Previous, assess
from lots.domain.agreed import CHARACTERISTICS, Limits, ShadeRevision, limits_from
from lots.domain.bond import BondTest
from lots.domain.diameter import DiameterReading
from lots.domain.moisture import MoistureReading
from lots.domain.sampling import Coverage, size_for
from lots.domain.shade import ColorReading
from lots.domain.shrinkage import ShrinkTest
from lots.domain.standing import LOADABLE, standing_after
from lots.domain.surface import SurfaceCheck
from lots.domain.values import Conditions, Lab
from lots.store import catalog, decisions, lots, readings


@dataclass(frozen=True, slots=True)
class Judged:
    """An assessment with what it was made under. `by_hand` is the decision in force; `standing` is what both lead to."""

    assessment: Assessment
    limits: Any
    shade: Any
    by_hand: str | None
    reading_ids: list[int]

    @property
    def standing(self) -> str:
        """Where the lot is, decisions by hand included."""
        return standing_after(self.assessment.standing, self.by_hand)


def conditions_of(shade_revision: Any) -> Conditions:
    """The conditions a shade revision holds for."""
    return Conditions(**shade_revision.conditions)


def evidence_from(rows: list[Any]) -> Evidence:
    """Returns readings from the store as the domain's evidence."""
    found: dict[str, list[Any]] = {
        kind: [] for kind in ("color", "diameter", "shrinkage", "bond", "surface", "moisture")
    }
    for row in rows:
        found[row.kind].append(
            _TO_DOMAIN[row.kind](row, row.instrument.standard_uncertainty if row.instrument else None)
        )
    return Evidence(**found)


_TO_DOMAIN: dict[str, Callable[[Any, float | None], Any]] = {
    "color": lambda r, u: ColorReading(r.spool.code, Lab(*r.values["lab"]), Conditions(**r.values["conditions"]), u),
    "diameter": lambda r, u: DiameterReading(
        r.spool.code, r.values["d1_mm"], r.values["d2_mm"], r.values.get("position_m"), u
    ),
    "shrinkage": lambda r, u: ShrinkTest(
        r.spool.code,
        r.values["axis"],
        r.values["feature"],
        r.values["designed_mm"],
        r.values["measured_mm"],
        r.values["age_h"],
        r.values.get("printer"),
        u,
    ),
    "bond": lambda r, u: BondTest(r.spool.code, r.values["stress_mpa"], r.values["control"], u),
    "surface": lambda r, u: SurfaceCheck(r.spool.code, r.values["specks"], r.values["area_dm2"]),
    "moisture": lambda r, u: MoistureReading(r.spool.code, r.values["moisture_percent"], r.measured_at, u),
}


def work_out(lot: Any, limits: Any, shade: Any, by_hand: str | None, known_at: datetime | None = None) -> Judged:
    """Returns the assessment of a lot under given revisions, storing nothing.

    Args:
        lot: with its grade.
        limits, shade: revisions to judge under, or None.
        by_hand: the decision in force.
        known_at: judge by what was recorded up to then; None for all that is known. Four queries, and one or more for the earlier
            lots that a step is measured from.
    """
    rows = readings.that_count(lot.id, known_at)
    agreed = limits_from(limits.body) if limits else None
    approved = None
    if shade is not None:
        approved = ShadeRevision(shade.shade.name, shade.revision, Lab(*shade.lab), conditions_of(shade))
    received = lots.deliveries_of(lot.id, known_at)
    spools = sum(count for _, count in received)
    drawn = tuple(code for delivery, _ in received for code in delivery.sample["spool_codes"])
    fixed = agreed.sample_fixed if agreed else None
    coverage = Coverage(spools, 1 if fixed is None else size_for(fixed, max(spools, 1))[0], drawn)
    previous = _previous(lot, agreed, approved, known_at)
    found = assess(evidence_from(rows), agreed, approved, lot.grade.nominal_diameter_mm, coverage, previous)
    return Judged(found, limits, shade, by_hand, [row.id for row in rows])


def _previous(lot: Any, limits: Limits | None, shade: ShadeRevision | None, known_at: datetime | None) -> Previous:
    """The last earlier lot accepted for colour, and the last accepted for shrinkage; only looked for when a step is limited."""
    want_color = bool(limits and limits.color and limits.color.step_max is not None and shade)
    want_shrink = bool(limits and limits.shrinkage and limits.shrinkage.step_max_percent is not None)
    lab: Lab | None = None
    shrink: dict[str, float] = {}
    if not (want_color or want_shrink):
        return Previous()
    candidates = lots.earlier(lot, LOADABLE) if known_at is None else lots.earlier(lot, None)
    for other in candidates:
        accepted, mean, percent = _accepted_as(other, lot.grade.nominal_diameter_mm, known_at)
        if want_color and "color" in accepted and mean is not None:
            lab, want_color = mean, False
        if want_shrink and "shrinkage" in accepted and percent:
            shrink, want_shrink = percent, False
        if not (want_color or want_shrink):
            break
    return Previous(lab, shrink)


def _accepted_as(
    other: Any, nominal_mm: float, known_at: datetime | None
) -> tuple[list[str], Lab | None, dict[str, float]]:
    """What an earlier lot was accepted for, its mean colour and shrinkage: from its row, or worked out anew for a moment in the past."""
    if known_at is None:
        return other.accepted, Lab(*other.lab) if other.lab else None, other.shrinkage
    then = decisions.in_force(other.id, known_at)
    if then is None or then.standing not in LOADABLE:
        return [], None, {}
    # Its own steps do not matter here, only its means: so its predecessors need not be followed.
    rows = readings.that_count(other.id, known_at)
    agreed = limits_from(then.limits_revision.body) if then.limits_revision else None
    revision = then.shade_revision
    approved = ShadeRevision("", revision.revision, Lab(*revision.lab), conditions_of(revision)) if revision else None
    found = assess(evidence_from(rows), agreed, approved, nominal_mm, Coverage(1, 1))
    return then.accepted, found.summary.lab, dict(found.summary.shrinkage)


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


def judge_lot(
    lot: Any, by: str, now: datetime, *, action: str = "judge", reason: str = "", renew: bool = False
) -> tuple[Judged, Any | None]:
    """Judges a lot, keeps where it stands on its row, and adds a decision when more than a figure changed.

    Args:
        lot: locked by this transaction; `by_hand` already says what a person decided.
        by: who caused it.
        now: the present moment.
        action: what to call the decision: received, judge, void, reassess, or a decision by hand.
        reason: why, in words; made from the findings when empty.
        renew: judge under the newest revisions.

    Returns:
        What was judged, and the decision added, None when nothing but figures changed.

    Notes:
        Must run inside the caller's transaction.
    """
    limits, shade = revisions_for(lot, renew=renew)
    judged = work_out(lot, limits, shade, lot.by_hand)
    found = judged.assessment
    before = (
        lot.judged_at and lot.standing,
        lot.assessed,
        lot.uses,
        lot.accepted,
        lot.limits_revision,
        lot.shade_revision,
    )
    values = {
        "standing": judged.standing,
        "assessed": found.standing,
        "by_hand": lot.by_hand,
        "by_hand_reason": lot.by_hand_reason,
        "uses": dict(found.uses),
        "accepted": [name for name in CHARACTERISTICS if found.passed(name)],
        "limits_revision": limits,
        "shade_revision": shade,
    }
    figures = {
        "why": {
            use: found.why(use) or list(found.to_measure) for use, verdict in found.uses.items() if verdict != "pass"
        },
        "to_measure": list(found.to_measure),
        "lab": found.summary.lab.as_list() if found.summary.lab else None,
        "shrinkage": dict(found.summary.shrinkage),
        "flow_factor": found.summary.flow,
        "measured": bool(judged.reading_ids),
        "judged_at": now,
    }
    lots.save_judgement(lot, {**values, **figures})
    lots.set_flow_factors(lot, dict(found.summary.spool_flow))
    after = (lot.standing, lot.assessed, lot.uses, lot.accepted, limits, shade)
    if action == "judge" and before == after:
        return judged, None
    record = {
        **values,
        "action": action,
        "reason": reason or reason_for(found),
        "findings": [views.finding(f) for f in found.findings],
        "reading_ids": judged.reading_ids,
    }
    return judged, decisions.add(lot, record, by, now)


def reason_for(found: Assessment) -> str:
    """Returns in words why the readings put a lot where they do."""
    failing = [f.message for f in found.findings if f.verdict == "fail" and not f.hold and f.uses]
    if failing:
        return " ".join(failing)
    if found.standing == "released":
        return "Every required finding passes."
    return "Still to do: " + "; ".join(found.to_measure) + "."
