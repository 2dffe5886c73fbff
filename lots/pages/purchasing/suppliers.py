"""Purchasing: which supplier is steadier and how sure that is, where each one goes, and what needs attention this week."""

from __future__ import annotations

from flask import render_template, request
from markupsafe import Markup

from lots.api.pictures.purchasing import comparison as comparison_picture
from lots.api.purchasing.comparison import ComparisonArgs, NextLot, PurchasingSummary, SupplierComparison
from lots.domain.characteristics.registry import DECLARED, MEASURES
from lots.pages.site.calls import Refusal, attempt, checked
from lots.pages.site.frame import pages
from lots.pages.site.place import grade_choice
from lots.pages.site.session import signed_in
from lots.services.purchasing import overview, week
from lots.services.setup import catalog

CHARACTERISTICS = tuple((declared.name, declared.title) for declared in DECLARED.values())


@pages.get("/suppliers")
@signed_in((SupplierComparison, "GET"), (NextLot, "GET"), (PurchasingSummary, "GET"))
def suppliers() -> str:
    """The week's list, then the suppliers of a grade side by side."""
    known = catalog.directory("grade")["grades"]
    grade = request.args["grade_id"] if "grade_id" in request.args else str(overview.first_grade() or "")
    seen = attempt(lambda: _seen(grade), ComparisonArgs)
    refused = seen if isinstance(seen, Refusal) else None
    return render_template(
        "purchasing/suppliers.html",
        week=week.act_this_week() if isinstance(seen, Refusal) else seen.week,
        grades=[("", "All grades"), *map(grade_choice, known)],
        grade=grade,
        compared=None if isinstance(seen, Refusal) else seen.compared,
        refused=refused,
        forecasts={} if isinstance(seen, Refusal) else seen.forecasts,
        labels={code: one.label for code, one in MEASURES.items()},
        picture="" if isinstance(seen, Refusal) else drawn(comparison_picture.draw(seen.compared)),
    )


def _seen(grade: str) -> overview.Overview:
    return overview.overview(checked(ComparisonArgs, {"grade_id": grade} if grade else {}).get("grade_id"))


def drawn(picture: str) -> Markup:
    """Returns a picture of the API to stand in a page: the only markup a page takes as it is, for every word in it is escaped there."""
    return Markup(picture)  # noqa: S704  # drawn by lots.api.pictures, which escapes
