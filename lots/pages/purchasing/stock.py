"""Stock of each grade for each use: permitted kilograms, days left, and shortages."""

from __future__ import annotations

from itertools import groupby
from typing import Any

from flask import render_template, request, url_for

from lots.api.pictures.purchasing import stock as drawing
from lots.api.purchasing.stock import Stock, StockArgs
from lots.domain.assessment.limits_revision import GENERAL, USES
from lots.domain.purchasing.stock_outlook import days_words, rounded_kg
from lots.domain.words import hyphenated
from lots.pages.site.calls import Refusal, attempt, checked
from lots.pages.site.files import csv_file
from lots.pages.site.frame import can_open, pages, refused
from lots.pages.site.pictures import sent
from lots.pages.site.place import grade_choice, place
from lots.pages.site.session import signed_in
from lots.services.purchasing import stock as desk
from lots.services.setup import catalog

_FILTERS = ("grade_id", "use")
_USES = (*USES, GENERAL)
_STATES = (
    ("loadable_kg", "May be loaded"),
    ("conceded_kg", "Under concession"),
    ("quarantined_kg", "In quarantine"),
    ("blocked_kg", "Blocked"),
    ("on_machines_kg", "On machines"),
    ("held_back_kg", "Held back"),
    ("not_permitted_kg", "Not for this use"),
)
# The columns that are always shown. The others are shown if they are not zero.
_ALWAYS = ("loadable_kg", "quarantined_kg", "blocked_kg", "on_machines_kg")


@pages.get("/purchasing/stock")
@signed_in((Stock, "GET"))
def stock() -> Any:
    """Shows stock by grade and use, drawn and as one table for each grade, short stock first."""
    asked = _asked()
    found = attempt(lambda: _found(asked), StockArgs)
    wrong = found if isinstance(found, Refusal) else None
    items = [] if isinstance(found, Refusal) else found["items"]
    page = render_template(
        "purchasing/stock.html",
        a=None if wrong else found,
        refused=wrong,
        asked=asked,
        grades=[("", "All grades"), *map(grade_choice, catalog.directory("grade")["grades"])],
        uses=[("", "Each use"), *((use, hyphenated(use).capitalize()) for use in _USES)],
        tables=_by_grade(items),
        days_words=days_words,
        rounded_kg=rounded_kg,
        # Only for people who may open the page of the next order.
        order=url_for("pages.next_order") if can_open("pages.next_order") else "",
        picture=url_for("pages.stock_picture", **asked),
        narrow=url_for("pages.stock_picture", size="narrow", **asked),
    )
    return page, wrong.status if wrong else 200


@pages.get("/purchasing/stock.svg")
@signed_in((Stock, "GET"))
def stock_picture() -> Any:
    """Returns the picture of the stock as SVG, narrow with ?size=narrow."""
    found = attempt(lambda: _found(_asked()), StockArgs)
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.stock"))
    look = drawing.NARROW if request.args.get("size") == "narrow" else drawing.WIDE
    return sent(drawing.draw(found, look.at(place())))


@pages.get("/purchasing/stock.csv")
@signed_in((Stock, "GET"))
def stock_file() -> Any:
    """Returns the stock as CSV, with the columns of the API."""
    found = attempt(lambda: _found(_asked()), StockArgs)
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.stock"))
    return csv_file("stock", Stock, found)


def _asked() -> dict[str, Any]:
    said = {name: request.args.get(name, "").strip() for name in _FILTERS}
    return {name: text for name, text in said.items() if text}


def _found(asked: dict[str, Any]) -> dict[str, Any]:
    args = checked(StockArgs, asked)
    return desk.stock(args.get("grade_id"), args.get("use"))


_Line = dict[str, Any]


def _by_grade(items: list[_Line]) -> list[tuple[_Line, list[_Line], list[tuple[str, str]]]]:
    """Returns for each grade its first line, all its lines and their columns, in the order of the lines."""
    order = {number: place for place, number in enumerate(dict.fromkeys(item["grade_id"] for item in items))}
    ordered = sorted(items, key=lambda item: order[item["grade_id"]])
    grades = [list(lines) for _, lines in groupby(ordered, lambda item: item["grade_id"])]
    return [(lines[0], lines, _columns(lines)) for lines in grades]


def _columns(lines: list[_Line]) -> list[tuple[str, str]]:
    return [(name, title) for name, title in _STATES if name in _ALWAYS or any(line[name] for line in lines)]
