"""Quality: lots that wait and what they lack, concessions to approve, instruments due, decisions by hand."""

from __future__ import annotations

from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.assessment.concessions import Approve, LotConcessions
from lots.api.assessment.decisions import DecisionArgs, Decisions
from lots.api.assessment.reinspections import ReinspectionArgs, Reinspections
from lots.api.http.fields import NUMBER
from lots.api.instruments.calibration_checks import Checks
from lots.api.instruments.references import Due
from lots.api.purchasing.corrective_actions import Actions
from lots.api.readings.voids import Voids
from lots.api.receiving.lots_and_deliveries import Lots
from lots.api.receiving.samples import SubstituteArgs, Substitutes
from lots.api.setup.grades import Grades
from lots.api.setup.names import CodesInDoubt
from lots.domain.characteristics.registry import DECLARED
from lots.pages.site.calls import Refusal, attempt, checked, every, form_number, once
from lots.pages.site.frame import answered, pages
from lots.pages.site.place import end_of
from lots.pages.site.session import signed_in
from lots.services.assessment import concessions, decisions, reinspections
from lots.services.instruments import due
from lots.services.purchasing import corrective_actions
from lots.services.readings import voids
from lots.services.receiving import receiving, substitutes
from lots.services.setup import catalog, names

# Lots of one standing that the page names; the list of lots has all.
_MOST_LOTS = 100


@pages.get("/quality")
@signed_in(
    *((one, "GET") for one in (Lots, LotConcessions, Checks, Due, Grades, Voids, Actions, CodesInDoubt)),
)
def quality() -> str:
    """What waits for quality: lots, concessions, instruments, corrective actions."""
    waiting, blocked = receiving.waiting_for_quality()
    actions = every(partial(corrective_actions.listed, {"state": "pending"}))
    return render_template(
        "assessment/quality.html",
        waiting=waiting,
        blocked=blocked,
        most=_MOST_LOTS,
        concessions=concessions.to_approve(),
        instruments=due.instruments(),
        references=due.references(),
        grades=every(partial(catalog.grades_to_review, colored=False)),
        voids=every(lambda cursor, limit: voids.listed(waiting=True, cursor=cursor, limit=limit)),
        actions=sorted(actions, key=lambda action: action["state"] == "answered"),
        doubtful=names.codes_in_doubt(),
        declared=DECLARED,
    )


@pages.post(f"/lots/<{NUMBER}:number>/decide")
@signed_in((Decisions, "POST"))
def decide(number: int) -> Any:
    """Takes a decision by hand about a lot. A return or a scrapping is confirmed on a page of its own first."""
    body = {name: request.form.get(name, "").strip() for name in ("action", "reason")}
    if body["action"] in ("return", "scrap") and request.form.get("confirm") != f"{body['action']} {number}":
        lot = attempt(lambda: receiving.get_lot(number))
        if isinstance(lot, Refusal):
            return render_template("lots/no_lot.html", number=number), lot.status
        return render_template("assessment/confirm.html", lot=lot, asked=body)
    back = url_for("pages.lot", number=number)

    def take() -> str:
        said = checked(DecisionArgs, body)
        decisions.decide(number, said["action"], said["reason"], g.me["name"])
        return back

    return answered(once(take, DecisionArgs), back)


@pages.post(f"/lots/<{NUMBER}:number>/reinspections")
@signed_in((Reinspections, "POST"))
def inspect_again(number: int) -> Any:
    """Records what of a lot past its shelf life to measure again, and the new date."""
    body = {
        "measure": request.form.getlist("measure"),
        "use_by": end_of(request.form.get("use_by", "").strip()),
        "reason": request.form.get("reason", "").strip(),
    }
    back = url_for("pages.lot", number=number, _anchor="reinspections")

    def record() -> str:
        reinspections.request(number, checked(ReinspectionArgs, body), g.me["name"])
        return back

    return answered(once(record, ReinspectionArgs), back)


@pages.post(f"/concessions/<{NUMBER}:number>/approve")
@signed_in((Approve, "POST"))
def approve(number: int) -> Any:
    """Approves a concession that somebody else asked for."""
    back = url_for("pages.quality")

    def agree() -> str:
        concessions.approve(number, g.me["name"])
        return back

    return answered(once(agree), back)


@pages.post(f"/deliveries/<{NUMBER}:number>/substitute")
@signed_in((Substitutes, "POST"))
def substitute(number: int) -> Any:
    """Accepts another spool in place of a drawn one."""
    body = {name: request.form.get(name, "").strip() for name in ("drawn", "substitute", "reason")}
    back = url_for("pages.lot", number=form_number("lot"), _anchor="sample")

    def accept() -> str:
        substitutes.substitute(number, checked(SubstituteArgs, body), g.me["name"])
        return back

    return answered(once(accept, SubstituteArgs), back)
