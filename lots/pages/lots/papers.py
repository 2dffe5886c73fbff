"""Papers about a lot, as the API prints them: its record, and the report to its supplier."""

from __future__ import annotations

from typing import Any

from flask import request, url_for
from werkzeug.wrappers import Response

from lots.api.documents import lot_record as record
from lots.api.documents import nonconformity_report as report
from lots.api.documents.printed import HTML, PDF
from lots.api.http.fields import NUMBER
from lots.pages.site.calls import Refusal, attempt
from lots.pages.site.frame import pages, refused
from lots.pages.site.session import signed_in


@pages.get(f"/lots/<{NUMBER}:number>/record")
@signed_in((record.LotRecord, "GET"))
def lot_record(number: int) -> Any:
    """Shows the record of a lot to print, or returns it as a PDF with ?as=pdf."""
    return _paper(
        number, attempt(lambda: record.paper(number, _wanted(), url_for("pages.static_file", name="print.js")))
    )


@pages.get(f"/lots/<{NUMBER}:number>/report")
@signed_in((report.NonconformityReport, "GET"))
def supplier_report(number: int) -> Any:
    """Shows the report to the supplier to print, or returns it as a PDF with ?as=pdf."""
    return _paper(
        number, attempt(lambda: report.paper(number, _wanted(), url_for("pages.static_file", name="print.js")))
    )


def _wanted() -> str:
    return PDF if request.args.get("as") == "pdf" else HTML


def _paper(number: int, found: Response | Refusal) -> Any:
    return refused(found, url_for("pages.lot", number=number)) if isinstance(found, Refusal) else found
