"""Acceptance agreements for a grade and a supplier, on a page, to print, or as a PDF."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import render_template, request, url_for

from lots.api.documents.printed import HTML, PDF
from lots.api.http.fields import MAX_ID, NUMBER, WrittenWhole
from lots.api.purchasing import agreement as api
from lots.api.purchasing.agreement import Agreement, AgreementArgs
from lots.pages.site.calls import Refusal, attempt, checked
from lots.pages.site.frame import pages, refused
from lots.pages.site.place import grade_choice, place
from lots.pages.site.session import signed_in
from lots.services.documents import agreement
from lots.services.setup import catalog


class _OfGrade(AgreementArgs):
    """The parameters of an agreement with the grade, which the API has in its path."""

    grade_id = WrittenWhole(1, MAX_ID, required=True, metadata={"label": "Grade"})


@pages.get("/purchasing/agreements")
@signed_in((Agreement, "GET"))
def agreements() -> Any:
    """Shows the acceptance agreement for the grade and the supplier in the address."""
    known = catalog.directory("supplier", "grade")
    typed = {name: request.args.get(name, "").strip() for name in ("grade_id", "supplier_id")}
    found = attempt(lambda: _found(typed), AgreementArgs) if typed["grade_id"] else None
    not_done = found if isinstance(found, Refusal) else None
    paper = None if found is None or isinstance(found, Refusal) else api.laid_out(found, place())
    answer = render_template(
        "purchasing/agreements.html",
        typed=typed,
        paper=paper,
        asked=_asked(typed),
        grades=[("", "choose"), *map(grade_choice, known["grades"])],
        suppliers=[("", "any supplier"), *((one["id"], f"{one['code']}: {one['says']}") for one in known["suppliers"])],
        refused=not_done,
        empty=not known["grades"],
    )
    return (answer, not_done.status) if not_done else answer


def _asked(typed: Mapping[str, str]) -> dict[str, str]:
    """Returns the parameters of the paper's address apart from the grade."""
    return {"supplier_id": typed["supplier_id"]} if typed["supplier_id"] else {}


def _found(typed: Mapping[str, str]) -> dict[str, Any]:
    said = checked(_OfGrade, {"grade_id": typed["grade_id"], **_asked(typed)})
    return agreement.agreement(said["grade_id"], said.get("supplier_id"))


@pages.get(f"/purchasing/agreements/<{NUMBER}:number>")
@signed_in((Agreement, "GET"))
def agreement_paper(number: int) -> Any:
    """Shows the acceptance agreement for a grade to print, or returns it as a PDF with ?as=pdf."""
    wanted = PDF if request.args.get("as") == "pdf" else HTML
    said = {name: text for name in ("supplier_id", "limits") if (text := request.args.get(name, "").strip())}
    script = url_for("pages.static_file", name="print.js")
    found = attempt(lambda: api.paper(number, checked(AgreementArgs, said), wanted, script), AgreementArgs)
    return refused(found, url_for("pages.agreements")) if isinstance(found, Refusal) else found
