"""Papers about a lot, to keep or to send: its record, and the report to its supplier. The API prints them; a browser has no token to ask it."""

from __future__ import annotations

from typing import Any

from flask import Response, render_template, request, url_for

from lots.pages.site.api_client import ask, at
from lots.pages.site.frame import pages
from lots.pages.site.session import signed_in


@pages.get("/lots/<int:number>/record")
@signed_in()
def lot_record(number: int) -> Any:
    """The record of a lot, to print; as a PDF with ?as=pdf."""
    return _paper(number, "record")


@pages.get("/lots/<int:number>/report")
@signed_in("quality", "purchasing")
def supplier_report(number: int) -> Any:
    """The report to the supplier, to print; as a PDF with ?as=pdf."""
    return _paper(number, "nonconformity-report")


def _paper(number: int, name: str) -> Any:
    wanted = "application/pdf" if request.args.get("as") == "pdf" else "text/html"
    answer = ask("GET", at("lots", number, name), accept=wanted)
    if not answer.good:
        return render_template(
            "site/refused.html", answer=answer, back=url_for("pages.lot", number=number)
        ), answer.status
    return Response(answer.body, mimetype=wanted)
