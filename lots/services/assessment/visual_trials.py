"""Visual trials: plaques that observers judged, the tolerance they show, and limits it supports. Nothing is set by a trial: quality posts what it takes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import NotRequired, TypedDict, cast

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.declaring.plausibility import doubt_lab
from lots.domain.colorimetry.color_difference import DEFAULT_FORMULA, DEFAULT_WEIGHTS
from lots.domain.colorimetry.color_values import Conditions, Lab, condition_name
from lots.domain.statistics.tolerance_ellipsoid import Radius, Tolerance
from lots.domain.visual_trials.trial import Plaque, Unfitted, across_observers, fit_trial
from lots.domain.visual_trials.trial_limits import Proposal, propose
from lots.services import clock
from lots.services.assessment import impact, trial_words
from lots.services.errors import Fault, Invalid, NotFound, Settled
from lots.services.from_rows import conditions_of
from lots.services.lookups import found
from lots.services.views import View, recorded
from lots.store import audit
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.setup import catalog, visual_trials
from lots.store.tables.models import ShadeRevision, VisualTrial
from lots.store.tables.setup import KeptConditions
from lots.store.tables.visual_trials import KeptPlaque, TrialBody, Vote

# How far a plaque of a trial may lie from the reference, per coordinate: further, it is another colour, or a slip.
_FURTHEST = 30.0
# Less than this is nothing to any instrument; squared it would be nothing to arithmetic either.
_LEAST = 1e-6
# Each observer is left out once when it is asked how observers differ.
_MOST_OBSERVERS = 50


class PostedPlaque(TypedDict):
    """A plaque of a trial: its colour or what it lies apart, and counts or votes."""

    code: NotRequired[str | None]
    lab: NotRequired[list[float] | None]
    apart: NotRequired[list[float] | None]
    accepted: NotRequired[int | None]
    judged: NotRequired[int | None]
    judgements: NotRequired[list[Vote] | None]


class PostedTrial(TypedDict):
    """A trial as it is posted."""

    plaques: list[PostedPlaque]
    conditions: KeptConditions
    share: float
    confidence: float
    within: float
    judged_at: NotRequired[datetime | None]
    note: NotRequired[str | None]


def add(grade_id: int, values: PostedTrial, by: str) -> View:
    """Keeps a trial for a grade, against the current revision of its shade, and answers what it shows.

    Raises:
        NotFound: no such grade.
        Settled: the grade has no approved reference to judge against.
        Invalid: conditions that are not the reference's, or a plaque that cannot be; nothing was stored.
    """
    now = clock.now()
    with transaction():
        grade = found("grade", grade_id)
        revision = catalog.current_shade_revisions([grade.shade_id]).get(grade.shade_id) if grade.shade_id else None
        if revision is None:
            raise Settled(
                f"Grade {grade.code} has no approved shade revision, so there is nothing that plaques were judged against. Have one approved first."
            )
        judged_at = values.get("judged_at") or now
        faults = clock.doubt_future("/judged_at", judged_at, now) + _condition_faults(values["conditions"], revision)
        plaques = _checked(values["plaques"], Lab(*revision.lab), values["conditions"].get("uv"), faults)
        if faults:
            raise Invalid(*faults)
        conditions = Conditions(**values["conditions"]).as_dict()
        asked = {"share": values["share"], "confidence": values["confidence"], "within": values["within"]}
        body = {"plaques": plaques, "conditions": conditions, **asked}
        kept = {"shade_revision": revision, "judged_at": judged_at, "body": body, "note": values.get("note")}
        row = visual_trials.add(grade, kept, by, now)
        audit.note(None, "visual trial kept", by, now, {"visual_trial": [row.id]})
    return shown(row.id)


def _condition_faults(said: KeptConditions, revision: ShadeRevision) -> list[Fault]:
    try:
        conditions = Conditions(**said)
    except ValueError as wrong:
        return [Fault("/conditions", f"{wrong}.")]
    return [
        Fault(
            f"/conditions/{field}",
            f"The {condition_name(field)} is {mine}, but revision {revision.revision} of {revision.shade.name} was measured with {theirs}: the two cannot be compared.",
            f"Measure the plaques with {condition_name(field)} {theirs}.",
        )
        for field, mine, theirs in conditions.differences(conditions_of(revision))
    ]


def _plaque_faults(index: int, plaque: PostedPlaque, uv: str | None) -> list[Fault]:
    """What is wrong with a plaque by itself: its colour once, its judgements once, and numbers that can be."""
    at, faults = f"/plaques/{index}", []
    if (plaque.get("lab") is None) == (plaque.get("apart") is None):
        hint = "Give its colour L*, a*, b*, or its difference dL*, da*, db* from the reference."
        faults.append(Fault(f"{at}/lab", "Give the colour of the plaque once.", hint))
    accepted, judged, lab = plaque.get("accepted"), plaque.get("judged"), plaque.get("lab")
    if (plaque.get("judgements") is not None) == (accepted is not None or judged is not None):
        hint = "Give how many judged it and how many accepted it, or one judgement per observer."
        faults.append(Fault(f"{at}/judgements", "Say once what became of the plaque.", hint))
    elif (accepted is None) != (judged is None):
        faults.append(Fault(f"{at}/{'accepted' if accepted is None else 'judged'}", "This is required."))
    elif accepted is not None and judged is not None and accepted > judged:
        detail = f"{accepted} of {judged} cannot have accepted it."
        faults.append(Fault(f"{at}/accepted", detail, "Give how many of those who judged it accepted it."))
    if lab is not None and (doubt := doubt_lab(lab, uv)):
        faults.append(Fault(f"{at}/lab", doubt.detail, doubt.hint))
    return faults


def _checked(plaques: Sequence[PostedPlaque], reference: Lab, uv: str | None, faults: list[Fault]) -> list[KeptPlaque]:
    """The plaques as they are kept; what is wrong with them is added to the faults."""
    found: list[KeptPlaque] = []
    codes: dict[str, int] = {}
    for index, plaque in enumerate(plaques):
        wrong = _plaque_faults(index, plaque, uv)
        code = plaque.get("code")
        if code is not None and codes.setdefault(code, index) != index:
            detail = f"Plaque {code} is in this trial already, as number {codes[code] + 1}."
            wrong.append(Fault(f"/plaques/{index}/code", detail, "Give each plaque once, with all its judgements."))
        if not wrong:
            found.append(_kept(plaque, reference))
            wrong = _far_faults(index, found[-1], reference)
        faults += wrong
    observers = {vote["observer"] for plaque in plaques for vote in plaque.get("judgements") or ()}
    if len(observers) > _MOST_OBSERVERS:
        detail = f"{len(observers)} observers judged these plaques; at most {_MOST_OBSERVERS} are told apart."
        hint = "Give how many judged each plaque and how many accepted it instead."
        faults.append(Fault("/plaques", detail, hint))
    return found


def _kept(plaque: PostedPlaque, reference: Lab) -> KeptPlaque:
    """A plaque as it is kept: as posted, with what it lies apart from the reference."""
    lab = plaque.get("lab") or reference.as_list()
    apart = plaque.get("apart") or [of - at for of, at in zip(lab, reference.as_list(), strict=True)]
    stated = {name: value for name, value in plaque.items() if value is not None}
    return cast("KeptPlaque", {**stated, "apart": apart})


def _far_faults(index: int, plaque: KeptPlaque, reference: Lab) -> list[Fault]:
    field = "lab" if "lab" in plaque else "apart"
    if max(map(abs, plaque["apart"])) > _FURTHEST:
        detail = f"The plaque lies {max(map(abs, plaque['apart'])):.1f} from the reference in one coordinate: that is another colour."
        hint = "Give a colour as L*, a*, b*, and a difference as sample less reference."
        return [Fault(f"/plaques/{index}/{field}", detail, hint)]
    try:
        Lab(*(at + part for at, part in zip(reference.as_list(), plaque["apart"], strict=True)))
    except ValueError as wrong:
        return [Fault(f"/plaques/{index}/{field}", f"There is no such plaque: {wrong}.")]
    return []


def listed(grade_id: int, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of a grade's trials, without what they show."""
    return visual_trials.listed(found("grade", grade_id), cursor, limit).map(_line)


def shown(number: int) -> View:
    """Returns a trial with the tolerance it shows and the limits that supports, or why it shows none.

    Raises:
        NotFound: no such trial.
    """
    row = visual_trials.find(number)
    if row is None:
        raise NotFound(f"Visual trial {number} does not exist. See the trials of its grade.")
    body: TrialBody = row.body
    fitted = fit_trial(_plaques(body["plaques"]), body["share"], body["confidence"])
    told = fitted.why if isinstance(fitted, Unfitted) else None
    proposal, why_no_proposal = (None, told) if isinstance(fitted, Unfitted) else _proposal(row, fitted)
    return {
        **_line(row),
        "conditions": body["conditions"],
        "plaques": body["plaques"],
        "tolerance": None if isinstance(fitted, Unfitted) else _tolerance(fitted, body["within"]),
        "why_no_tolerance": told,
        "across_observers": _across(body),
        "proposal": proposal,
        "why_no_proposal": why_no_proposal,
    }


def _line(row: VisualTrial) -> View:
    body: TrialBody = row.body
    plaques = body["plaques"]
    judged = [(len(p["judgements"]) if "judgements" in p else p["judged"]) for p in plaques]
    return {
        "id": row.id,
        "grade_id": row.grade_id,
        "shade_id": row.shade_revision.shade_id,
        "shade_revision": row.shade_revision.revision,
        "reference": row.shade_revision.lab,
        "judged_at": row.judged_at,
        "plaque_count": len(plaques),
        "judgement_count": sum(judged),
        "share": body["share"],
        "confidence": body["confidence"],
        "within": body["within"],
        "note": row.note,
        **recorded(row),
    }


def _plaques(kept: Sequence[KeptPlaque]) -> list[Plaque]:
    """The plaques with their counts, as the domain's own values."""
    found = []
    for one in kept:
        votes = one.get("judgements")
        yes, of = (sum(v["accepted"] for v in votes), len(votes)) if votes else (one["accepted"], one["judged"])
        dL, da, db = _told(one["apart"])
        found.append(Plaque(dL, da, db, yes, of))
    return found


def _told(apart: Sequence[float]) -> list[float]:
    return [part if abs(part) >= _LEAST else 0.0 for part in apart]


def _across(body: TrialBody) -> View:
    """The axes with intervals for observers at large, where every plaque says who judged it."""
    plaques = body["plaques"]
    if any("judgements" not in plaque for plaque in plaques):
        return {
            "axes": None,
            "why_not": "The judgements do not say whose they are, so how observers differ cannot be told.",
        }
    panels: dict[str, list[Plaque]] = {}
    for plaque in plaques:
        dL, da, db = _told(plaque["apart"])
        for vote in plaque["judgements"]:
            panels.setdefault(vote["observer"], []).append(Plaque(dL, da, db, int(vote["accepted"]), 1))
    axes = across_observers([panels[name] for name in sorted(panels)], body["share"], body["confidence"])
    if isinstance(axes, Unfitted):
        return {"axes": None, "why_not": axes.why}
    return {"axes": [_axis(axis) for axis in axes], "why_not": None}


def _axis(axis: Radius) -> View:
    return {"direction": list(axis.direction), "half": axis.half, "low": axis.low, "high": axis.high}


def _tolerance(fitted: Tolerance, within: float) -> View:
    return {
        "axes": [_axis(axis) for axis in fitted.axes],
        "form": [list(row) for row in fitted.form],
        "accepted_at_reference": fitted.accepted_at((0.0, 0.0, 0.0)),
        "dispersion": fitted.dispersion,
        "fit_p": fitted.fit_p,
        "lack_of_fit": fitted.dispersion > 1,
        "more_judgements": fitted.more_judgements(within),
        "says": trial_words.tolerance(fitted, within),
    }


def _proposal(row: VisualTrial, fitted: Tolerance) -> tuple[View | None, str | None]:
    """Limits that the tolerance supports, in the formula of the grade's limits, each form with what it would refuse; or why there are none."""
    current = catalog.current_limits(row.grade_id)
    body: dict[str, object] = dict(current.body) if current else {}
    color = _color_of(body)
    formula = color.get("formula", DEFAULT_FORMULA)
    weights = color.get("weights") or DEFAULT_WEIGHTS[formula]
    try:
        proposed = propose(fitted, Lab(*row.shade_revision.lab), formula, weights)
    except ValueError as wrong:
        return None, f"No limits follow from this: {wrong}."
    if isinstance(proposed, Unfitted):
        return None, proposed.why
    by_delta_e, by_components = (
        _form(row, body, proposed, form) for form in (Proposal.by_delta_e, Proposal.by_components)
    )
    forms = [_color_of(form["limits"]) if form["limits"] else None for form in (by_delta_e, by_components)]
    return {
        "formula": proposed.formula,
        "delta_e": proposed.delta_e,
        "delta_e_mean": proposed.delta_e_mean,
        "delta_e_most": proposed.delta_e_most,
        "kept_by_delta_e": proposed.kept_by_delta_e,
        "kept_by_components": proposed.kept_by_components,
        "weights": list(proposed.weights),
        "components": dict(zip("Lab", proposed.components, strict=True)),
        "by_delta_e": by_delta_e,
        "by_components": by_components,
        "says": trial_words.proposal(formula, *forms),
    }, None


class _Form(TypedDict):
    limits: dict[str, object] | None
    would_fail: list[impact.Loss]
    why_not: str | None
    says: str | None


def _color_of(limits: Mapping[str, object]) -> trial_words.ColorBlock:
    return cast("trial_words.ColorBlock", limits.get("color") or {})


def _form(
    row: VisualTrial, body: dict[str, object], proposed: Proposal, form: Callable[[Proposal], ColorLimits]
) -> _Form:
    """The grade's limits with this in place of what they asked of the colour; what else they ask stays."""
    try:
        asked = form(proposed)
    except ValueError as wrong:
        return {"limits": None, "would_fail": [], "why_not": f"{wrong}.", "says": None}
    color: trial_words.ColorBlock = {**_color_of(body), "formula": asked.formula}
    if asked.weights:
        color["weights"] = list(asked.weights)
    if asked.lot_max is not None:
        color["lot_max"] = asked.lot_max
    else:
        color["components_max"] = dict(asked.components_max or {})
    limits: dict[str, object] = {**body, "color": color, "note": f"From visual trial {row.id}."}
    return {
        "limits": limits,
        "would_fail": impact.of_limits_body(row.grade_id, limits, body),
        "why_not": None,
        "says": trial_words.changes(_color_of(body), color),
    }
