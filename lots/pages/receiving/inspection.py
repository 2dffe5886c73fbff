"""The severity of inspection of a supplier and grade, and the form that resumes discontinued inspection."""

from __future__ import annotations

from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.receiving.inspection import InspectionSeverity, ResumeArgs
from lots.pages.site.calls import Refusal, attempt, checked, form_number, once
from lots.pages.site.frame import pages, refused
from lots.pages.site.results import pack_result
from lots.pages.site.session import signed_in
from lots.services.receiving import inspection_severity
from lots.services.setup import catalog


@pages.get(f"/suppliers/<{NUMBER}:supplier>/inspection")
@signed_in((InspectionSeverity, "GET"))
def inspection(supplier: int) -> Any:
    """Shows the severity of inspection for the next lot, with its reason and the results of earlier lots."""
    return _shown(supplier, form_number("grade_id"), None)


@pages.post(f"/suppliers/<{NUMBER}:supplier>/inspection")
@signed_in((InspectionSeverity, "POST"))
def resume_inspection(supplier: int) -> Any:
    """Resumes discontinued inspection, and assesses the waiting lots."""
    grade = form_number("grade_id")
    body = {"supplier_id": supplier, "grade_id": grade, "reason": request.form.get("reason", "").strip()}

    def resume() -> str:
        args = checked(ResumeArgs, body)
        done = inspection_severity.resume(supplier, grade, args["reason"], g.me["name"])
        return url_for(
            "pages.inspection",
            supplier=supplier,
            grade_id=grade,
            result=pack_result("Inspection resumed", done["says"]),
        )

    done = once(resume, ResumeArgs)
    return _shown(supplier, grade, done) if isinstance(done, Refusal) else done


def _shown(supplier: int, grade: int, not_done: Refusal | None) -> Any:
    found = attempt(
        lambda: (
            catalog.get("supplier", supplier),
            catalog.get("grade", grade),
            inspection_severity.severity_view(supplier, grade),
        )
    )
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.lots"))
    whose, of_grade, state = found
    page = render_template(
        "receiving/inspection.html",
        supplier=whose,
        grade=of_grade,
        state=state,
        typed=request.form,
        refused=not_done,
        faults=not_done.beside() if not_done else {},
    )
    return page, not_done.status if not_done else 200
