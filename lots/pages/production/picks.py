"""Production: spools for a job that needs several, and the lots that match a lot."""

from __future__ import annotations

import math
from typing import Any

from flask import render_template, request

from lots.api.http.fields import NUMBER
from lots.api.production.matching import LotMatches, MostArgs, PickArgs, Picks
from lots.api.setup.directory import Directory
from lots.pages.production.check import USES
from lots.pages.site import place
from lots.pages.site.calls import Refusal, Shown, attempt, checked
from lots.pages.site.frame import pages
from lots.pages.site.place import grade_choice
from lots.pages.site.session import signed_in
from lots.services.production import matching
from lots.services.production import picks as picking
from lots.services.setup import catalog

_NUMBERS = ("grade_id", "mass_g", "match_max", "waste_percent")


@pages.get("/picks")
@signed_in((Picks, "POST"), (Directory, "GET"))
def picks() -> Any:
    """Shows which spools to use together for a job. Nothing is stored or reserved."""
    asked = {name: request.args.get(name, "").strip() for name in ("use", *_NUMBERS)}
    answer: Shown | Refusal | None = None
    if asked["grade_id"] or "mass_g" in request.args:
        body: dict[str, Any] = {name: place.number(asked[name]) for name in _NUMBERS if asked[name]}
        if asked["use"]:
            body["use"] = asked["use"]
        answer = attempt(lambda: picking.picks(checked(PickArgs, body)), PickArgs)
    refused = answer if isinstance(answer, Refusal) else None
    grades = catalog.directory("grade")["grades"]
    page = render_template(
        "production/picks.html",
        asked=asked,
        a=None if refused else answer,
        enough=_enough(answer) if answer and not isinstance(answer, Refusal) else None,
        refused=refused,
        faults=refused.beside() if refused else {},
        grades=[("", "choose"), *map(grade_choice, grades)],
        uses=USES,
    )
    return page, refused.status if refused else 200


def _enough(answer: Shown) -> float | None:
    """Returns the smallest maximum colour difference at which the stock is enough, rounded up to 0.01, or None."""
    nearest: Any = answer["nearest"]
    needed = nearest["match_max_needed"] if nearest else None
    return None if needed is None else math.ceil(needed * 100) / 100


@pages.get(f"/lots/<{NUMBER}:number>/matches")
@signed_in((LotMatches, "GET"))
def matches(number: int) -> Any:
    """Shows the other lots in stock by their colour difference from a lot, the nearest first."""
    most = request.args.get("max", "").strip()
    found = attempt(lambda: matching.matches(number, _most(most)), MostArgs)
    refused = found if isinstance(found, Refusal) else None
    page = render_template(
        "production/matches.html",
        number=number,
        most=most,
        found=None if refused else found,
        refused=refused,
        faults=refused.beside() if refused else {},
    )
    return page, refused.status if refused else 200


def _most(typed: str) -> float | None:
    said = {"max": str(place.number(typed))} if typed else {}
    most: float | None = checked(MostArgs, said).get("max")
    return most
