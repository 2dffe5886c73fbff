"""The search box of every page: finds a spool, lot, order, job, supplier, grade or machine."""

from __future__ import annotations

from typing import Any

from flask import redirect, render_template, request, url_for

from lots.api.documents.search import Search, SearchArgs
from lots.pages.site.calls import Refusal, attempt, checked
from lots.pages.site.frame import can_open, pages
from lots.pages.site.session import signed_in
from lots.services.documents import search as service
from lots.services.documents.search import Hit

# Kinds in the order of the page, with their headings.
KINDS = {
    "spool": "Spools",
    "lot": "Lots",
    "order": "Orders",
    "job": "Jobs",
    "supplier": "Suppliers",
    "grade": "Grades",
    "machine": "Machines",
}


@pages.get("/search")
@signed_in((Search, "GET"))
def search() -> Any:
    """Shows the hits by kind, or redirects to the only exact hit."""
    typed = request.args.get("q", "").strip()
    if not typed:
        return render_template("site/search.html", asked_for="", groups=())
    found = attempt(lambda: service.search(checked(SearchArgs, {"q": typed})["q"]), SearchArgs)
    if isinstance(found, Refusal):
        return render_template("site/search.html", refused=found, asked_for=typed, groups=()), found.status
    hits = [(group["kind"], hit) for group in found["groups"] for hit in group["items"]]
    exact = [address for kind, hit in hits if hit["exact"] and (address := address_of(kind, hit))]
    if len(exact) == 1:
        return redirect(exact[0])
    return render_template(
        "site/search.html",
        asked_for=typed,
        found=found,
        groups=[
            (KINDS[group["kind"]], group, [(hit, address_of(group["kind"], hit)) for hit in group["items"]])
            for group in found["groups"]
        ],
    )


def address_of(kind: str, hit: Hit) -> str:
    """Returns the address of a hit's page for the signed-in person; "" where they may open none."""
    if kind == "spool" and can_open("pages.spool"):
        return url_for("pages.spool", code=hit["name"])
    if kind == "order" and can_open("pages.received"):
        return url_for("pages.received", number=hit["id"])
    if kind == "job" and can_open("pages.job"):
        return url_for("pages.job", name=hit["name"])
    if kind == "machine" and can_open("pages.loaded"):
        return url_for("pages.loaded")
    if kind == "grade" and can_open("pages.grade"):
        return url_for("pages.grade", number=hit["id"])
    if kind == "grade":
        return url_for("pages.lots", grade_id=hit["id"])
    if kind == "supplier":
        return url_for("pages.lots", supplier_id=hit["id"])
    return url_for("pages.lot", number=hit["lot_id"]) if hit["lot_id"] else ""
