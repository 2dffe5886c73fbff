"""Re-inspections at the end of a shelf life, substitutes for drawn spools, and dryings, each from the page of its lot."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.assessment.reinspections import ReinspectionArgs, Reinspections
from lots.api.http.fields import NUMBER
from lots.api.production.dryings import DryingArgs, Dryings
from lots.api.receiving.samples import LotSample, SubstituteArgs, Substitutes
from lots.api.setup.grades import OneGrade
from lots.domain.characteristics.registry import DECLARED
from lots.pages.site.calls import Refusal, attempt, checked, every, form_number, once
from lots.pages.site.frame import pages
from lots.pages.site.place import end_of, moment_typed, number
from lots.pages.site.results import pack_result
from lots.pages.site.session import signed_in
from lots.services.assessment import decisions, reinspections
from lots.services.production import dryings
from lots.services.receiving import receiving, substitutes
from lots.services.setup import catalog


@pages.get(f"/lots/<{NUMBER}:number>/reinspections")
@signed_in((Reinspections, "GET"), (Reinspections, "POST"), (OneGrade, "GET"))
def reinspection_form(number: int) -> Any:
    """Shows the re-inspections of a lot and the form for a new one at the end of its shelf life."""
    return _reinspection(number, {}, None)


@pages.post(f"/lots/<{NUMBER}:number>/reinspections")
@signed_in((Reinspections, "POST"))
def inspect_again(number: int) -> Any:
    """Records what to measure again on a lot past its shelf life, and its new use-by date."""
    typed = {name: request.form.get(name, "").strip() for name in ("use_by", "reason")}
    body = {"measure": request.form.getlist("measure"), "use_by": end_of(typed["use_by"]), "reason": typed["reason"]}

    def record() -> str:
        done: Any = reinspections.request(number, checked(ReinspectionArgs, body), g.me["name"])
        return url_for("pages.lot", number=number, result=pack_result("Re-inspection recorded", done["lot"]["says"]))

    done = once(record, ReinspectionArgs)
    return _reinspection(number, typed, done) if isinstance(done, Refusal) else done


def _reinspection(number: int, typed: Mapping[str, str], not_done: Refusal | None) -> Any:
    lot: Any = attempt(lambda: receiving.get_lot(number))
    if isinstance(lot, Refusal):
        return render_template("lots/no_lot.html", number=number), lot.status
    required = decisions.required_of(number)
    page = render_template(
        "assessment/reinspection.html",
        lot=lot,
        shelf_life_days=catalog.get("grade", lot["grade_id"])["shelf_life_days"],
        known=every(partial(reinspections.listed, number)),
        choices=[(name, DECLARED[name].title) for name in DECLARED if name in required],
        declared=DECLARED,
        chosen=request.form.getlist("measure"),
        typed=typed,
        refused=not_done,
        faults=not_done.beside() if not_done else {},
    )
    return page, not_done.status if not_done else 200


@pages.get(f"/lots/<{NUMBER}:number>/substitutes")
@signed_in((LotSample, "GET"), (Substitutes, "POST"))
def substitute_form(number: int) -> Any:
    """Shows one form for each delivery of a lot to accept a substitute for a drawn spool."""
    return _substitutes(number, 0, None)


@pages.post(f"/deliveries/<{NUMBER}:number>/substitute")
@signed_in((Substitutes, "POST"))
def substitute(number: int) -> Any:
    """Accepts another spool in place of a drawn one."""
    body = {name: request.form.get(name, "").strip() for name in ("drawn", "substitute", "reason")}
    lot = form_number("lot")

    def accept() -> str:
        substitutes.substitute(number, checked(SubstituteArgs, body), g.me["name"])
        says = f"Spool {body['substitute']} is measured in place of spool {body['drawn']}."
        return url_for("pages.lot", number=lot, result=pack_result("Substitute accepted", says))

    done = once(accept, SubstituteArgs)
    return _substitutes(lot, number, done) if isinstance(done, Refusal) else done


def _substitutes(number: int, delivery: int, not_done: Refusal | None) -> Any:
    lot: Any = attempt(lambda: receiving.get_lot(number))
    if isinstance(lot, Refusal):
        return render_template("lots/no_lot.html", number=number), lot.status
    page = render_template(
        "assessment/substitute.html",
        lot=lot,
        sample=substitutes.sample_of(number),
        refused_delivery=delivery,
        refused=not_done,
        faults=not_done.beside() if not_done else {},
    )
    return page, not_done.status if not_done else 200


@pages.get(f"/lots/<{NUMBER}:number>/drying")
@signed_in((Dryings, "POST"))
def lot_drying(number: int) -> Any:
    """Shows the form that records the drying of a spool of a lot."""
    return _drying(number, {}, None)


@pages.post(f"/lots/<{NUMBER}:number>/drying")
@signed_in((Dryings, "POST"))
def lot_dried(number: int) -> Any:
    """Records a drying of a spool of a lot."""
    typed = {name: request.form.get(name, "").strip() for name in ("spool", "temperature_c", "hours", "ended_at")}

    def record() -> str:
        done: Any = dryings.record(typed["spool"], checked(DryingArgs, _drying_body(typed)), g.me["name"])
        result = pack_result(f"Drying of spool {done['spool_code']} recorded", done["says"], done["caution"])
        return url_for("pages.lot", number=number, result=result)

    done = once(record, DryingArgs)
    return _drying(number, typed, done) if isinstance(done, Refusal) else done


def _drying_body(typed: Mapping[str, str]) -> dict[str, Any]:
    body: dict[str, Any] = {name: number(typed[name]) for name in ("temperature_c", "hours") if typed[name]}
    if typed["ended_at"]:
        body["ended_at"] = moment_typed("/ended_at", typed["ended_at"])
    return body


def _drying(number: int, typed: Mapping[str, str], refused: Refusal | None) -> Any:
    lot: Any = attempt(lambda: receiving.get_lot(number))
    if isinstance(lot, Refusal):
        return render_template("lots/no_lot.html", number=number), lot.status
    page = render_template(
        "assessment/drying.html",
        lot=lot,
        spools=[(one["code"], one["code"]) for one in lot["spools"] if one["withdrawn_at"] is None],
        typed=typed,
        refused=refused,
        faults=refused.beside() if refused else {},
    )
    return page, refused.status if refused else 200
