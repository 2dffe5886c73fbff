"""The comparison of the suppliers of a grade for a use: differences, their cost, and the next lot of each."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import render_template, request, url_for
from markupsafe import Markup

from lots.api.pictures.purchasing import headline as drawing
from lots.api.purchasing.comparison import ComparisonArgs, NextLot, SupplierComparison
from lots.domain.characteristics.registry import DECLARED, MEASURES
from lots.domain.purchasing.by_use import AT_LEAST_ONE, EVERY, for_words, in_order
from lots.pages.site.calls import Refusal, attempt, checked
from lots.pages.site.files import csv_file
from lots.pages.site.frame import pages, refused
from lots.pages.site.place import grade_choice, place, whole_days
from lots.pages.site.session import signed_in
from lots.services.purchasing import overview
from lots.services.purchasing.comparison import Question
from lots.services.purchasing.overview import Overview
from lots.services.setup import catalog

CHARACTERISTICS = tuple((declared.name, declared.title) for declared in DECLARED.values())
_DAYS = ("from", "to")


@pages.get("/suppliers")
@signed_in((SupplierComparison, "GET"), (NextLot, "GET"))
def suppliers() -> Any:
    """Shows the suppliers of a grade side by side, by default for the first use of its limits and for all days."""
    known = catalog.directory("grade")["grades"]
    asked = _asked()
    if "grade_id" not in request.args and (first := overview.first_grade()):
        asked["grade_id"] = str(first)
    seen = attempt(lambda: _seen(asked), ComparisonArgs)
    wrong = seen if isinstance(seen, Refusal) else None
    shown = {} if isinstance(seen, Refusal) else _shown(seen)
    page = render_template(
        "purchasing/suppliers.html",
        grades=[("", "All grades"), *map(grade_choice, known)],
        asked=asked,
        labels={code: one.label for code, one in MEASURES.items()},
        refused=wrong,
        **{"use": asked.get("use", ""), "uses": _choices([], asked.get("use")), **shown},
    )
    return page, wrong.status if wrong else 200


@pages.get("/suppliers.csv")
@signed_in((SupplierComparison, "GET"))
def suppliers_file() -> Any:
    """Returns the comparison on the page as CSV, with the columns of the API."""
    seen = attempt(lambda: _seen(_asked()), ComparisonArgs)
    if isinstance(seen, Refusal):
        return refused(seen, url_for("pages.suppliers"))
    return csv_file("suppliers", SupplierComparison, seen.compared)


def _asked() -> dict[str, str]:
    """Returns the known parameters of the address that are not empty."""
    return {name: text for name in ("grade_id", "use", *_DAYS) if (text := request.args.get(name, "").strip())}


def _seen(asked: Mapping[str, str]) -> Overview:
    said = checked(ComparisonArgs, whole_days(asked, *_DAYS))
    question = Question(*(said.get(name) for name in ("grade_id", "received_from", "received_to", "use")))
    # An empty `use` means at least one use. Without `use`, the first use is shown.
    return overview.overview(question, first_use="use" not in request.args)


def _shown(seen: Overview) -> dict[str, Any]:
    """Returns the values that the template needs."""
    here = place()
    named = {use: for_words(use) for use in in_order([*seen.uses, *([seen.use] if seen.use else [])])}
    return {
        "compared": seen.compared,
        "forecasts": seen.forecasts,
        "use": seen.use or "",
        "uses": _choices(named, seen.use),
        "named": named,
        "what": for_words(seen.use) if seen.use else AT_LEAST_ONE,
        "every": EVERY,
        "wide": drawn(drawing.draw(seen.compared, drawing.WIDE.at(here))),
        "narrow": drawn(drawing.draw(seen.compared, drawing.NARROW.at(here))),
    }


def _choices(uses: Any, chosen: str | None) -> list[tuple[str, str]]:
    known = [*uses, *([chosen] if chosen and chosen not in uses else [])]
    return [("", AT_LEAST_ONE.capitalize()), *((use, for_words(use).capitalize()) for use in known)]


def drawn(picture: str) -> Markup:
    """Returns a picture of the API as markup for a page. `lots.api.pictures` escapes all its text."""
    return Markup(picture)  # noqa: S704  # drawn by lots.api.pictures, which escapes
