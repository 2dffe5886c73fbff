"""Purchasing: which supplier is steadier and how sure that is, where each one goes, and what needs attention this week."""

from __future__ import annotations

from typing import Any

from flask import render_template, request
from markupsafe import Markup

from lots.pages.asking import ask, at
from lots.pages.frame import pages
from lots.pages.session import signed_in

SVG = "image/svg+xml"


def picture(path: str) -> Markup:
    """Returns a picture that the API drew, to stand in a page; empty where it drew none."""
    answer = ask("GET", path, accept=SVG)
    # The only markup a page takes as it is: the API escapes every word in it.
    return Markup(answer.body) if answer.good and answer.kind == SVG else Markup("")  # noqa: S704


@pages.get("/suppliers")
@signed_in("purchasing")
def suppliers() -> str:
    """The week's list, then the suppliers of a grade side by side."""
    directory = ask("GET", "/directory").body
    grade = request.args.get("grade_id", "")
    compared = ask("GET", at("supplier-comparison", grade_id=grade))
    forecasts: dict[int, Any] = {}
    if grade and compared.good:
        for line in compared.body["suppliers"]:
            number = line["supplier_id"]
            forecasts[number] = ask("GET", at("forecast", supplier_id=number, grade_id=grade)).body
    return render_template(
        "suppliers.html",
        week=ask("GET", "/purchasing-summary"),
        grades=[("", "All grades"), *((g["id"], f"{g['code']}: {g['says']}") for g in directory["grades"])],
        grade=grade,
        compared=compared,
        forecasts=forecasts,
        picture=picture(at("supplier-comparison", grade_id=grade)),
    )


@pages.get("/suppliers/<int:supplier>/drift")
@signed_in()
def supplier_drift(supplier: int) -> Any:
    """How a supplier's lots of a grade move, drawn and in words."""
    asked = {"supplier_id": supplier, "grade_id": request.args.get("grade_id", "")}
    about = request.args.get("characteristic", "color")
    answer = ask("GET", at("drift", **asked, characteristic=about))
    page = render_template(
        "drift.html",
        answer=answer,
        about=about,
        asked=asked,
        choices=CHARACTERISTICS,
        picture=picture(at("drift", **asked, characteristic=about)) if answer.good else "",
    )
    return page, answer.status


CHARACTERISTICS = (
    ("color", "Colour"),
    ("diameter", "Diameter"),
    ("shrinkage", "Shrinkage"),
    ("bond", "Layer bond"),
    ("surface", "Specks"),
    ("moisture", "Moisture"),
    ("gloss", "Gloss"),
    ("opacity", "Opacity"),
)
