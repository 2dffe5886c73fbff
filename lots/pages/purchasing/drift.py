"""Drift of a supplier's lots of a grade, drawn, in words, and lot by lot."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import redirect, render_template, request, url_for

from lots.api.drift.drift import Drift, DriftArgs
from lots.api.http.fields import NUMBER
from lots.api.pictures import drift as drawing
from lots.domain.characteristics.registry import MEASURES
from lots.domain.conformity.guard import COVERAGE
from lots.pages.purchasing.suppliers import CHARACTERISTICS
from lots.pages.site.calls import Refusal, attempt, checked
from lots.pages.site.files import csv_file
from lots.pages.site.frame import pages, refused
from lots.pages.site.pictures import sent
from lots.pages.site.place import grade_choice, place, whole_days
from lots.pages.site.session import signed_in
from lots.services import clock
from lots.services.drift import drift
from lots.services.setup import catalog

# The most lots in the table.
_MOST = 60
# The days in the address -> the API's parameters. They limit the shown lots only, so that the charts stay the same.
_DAYS = {"from": "shown_from", "to": "shown_to"}


@pages.get(f"/suppliers/<{NUMBER}:supplier>/drift")
@signed_in((Drift, "GET"))
def supplier_drift(supplier: int) -> Any:
    """Shows the drift of a supplier's lots of a grade, drawn and in words."""
    chosen = request.args.get("supplier_id", "")
    if chosen.isdecimal() and len(chosen) < 16 and int(chosen) != supplier:
        return redirect(url_for("pages.supplier_drift", supplier=int(chosen), **_asked()))
    found = attempt(lambda: _with_all_signals(supplier), DriftArgs)
    wrong = found if isinstance(found, Refusal) else None
    known = catalog.directory("supplier", "grade")
    page = render_template(
        "purchasing/drift.html",
        a=None if isinstance(found, Refusal) else found,
        refused=wrong,
        supplier=supplier,
        asked=_asked(),
        now=clock.now(),
        suppliers=[(one["id"], f"{one['code']}: {one['says']}") for one in known["suppliers"]],
        grades=[*map(grade_choice, known["grades"])],
        choices=CHARACTERISTICS,
        followed=[] if isinstance(found, Refusal) else _measured(found),
        lots=[] if isinstance(found, Refusal) else _newest_first(found),
        picture=url_for("pages.drift_picture", supplier=supplier, **_asked()),
        narrow=url_for("pages.drift_picture", supplier=supplier, size="narrow", **_asked()),
    )
    return page, wrong.status if wrong else 200


@pages.get(f"/suppliers/<{NUMBER}:supplier>/drift.svg")
@signed_in((Drift, "GET"))
def drift_picture(supplier: int) -> Any:
    """Returns the drift picture as SVG; with ?size=narrow the newest lots only."""
    found = attempt(lambda: _drift_of(supplier), DriftArgs)
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.suppliers"))
    look = drawing.NARROW if request.args.get("size") == "narrow" else drawing.WIDE
    return sent(drawing.draw(found, look.at(place())))


@pages.get(f"/suppliers/<{NUMBER}:supplier>/drift.csv")
@signed_in((Drift, "GET"))
def drift_file(supplier: int) -> Any:
    """Returns the drift figures with their charts as CSV, with the columns of the API."""
    found = attempt(lambda: _drift_of(supplier), DriftArgs)
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.supplier_drift", supplier=supplier, **_asked()))
    return csv_file("drift", Drift, found)


def _asked() -> dict[str, Any]:
    """Returns the known parameters of the address that are not empty."""
    about = request.args.get("characteristic", CHARACTERISTICS[0][0]).strip()
    said = {name: request.args.get(name, "").strip() for name in ("grade_id", *_DAYS)} | {"characteristic": about}
    rules = {"run_rules": "true"} if "run_rules" in request.args else {}
    return {**{name: text for name, text in said.items() if text}, **rules}


def _with_all_signals(supplier: int) -> dict[str, Any]:
    """Returns the drift of the chosen days, with the signals of all lots. Projections also use all lots."""
    answer = _drift_of(supplier)
    if any(day in _asked() for day in _DAYS):
        answer["signals"] = _drift_of(supplier, whole=True)["signals"]
    return answer


def _drift_of(supplier: int, *, whole: bool = False) -> dict[str, Any]:
    said = {_DAYS.get(name, name): text for name, text in _asked().items() if name != "run_rules"}
    asked = checked(DriftArgs, {"supplier_id": str(supplier), **whole_days(said, *_DAYS.values())})
    whose = asked["supplier_id"], asked["grade_id"], asked.get("characteristic")
    days = {} if whole else {name: asked.get(name) for name in _DAYS.values()}
    return drift.drift_of(*whose, drift.LotSpan(**days), rules="run_rules" in request.args)


def _measured(answer: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Returns the series that have at least one point."""
    return [line for line in answer["series"] if line["points"]]


def _newest_first(answer: Mapping[str, Any]) -> list[tuple[Mapping[str, Any], list[str]]]:
    """Returns the newest lots, each with its figures in the order of the measures; "" for one that was not measured."""
    site = place()
    lines = _measured(answer)
    digits = [MEASURES[line["measure"]].decimals for line in lines]
    figures = [{point["number"]: point for point in line["points"]} for line in lines]
    rows = []
    for lot in reversed(answer["lots"][-_MOST:]):
        said = []
        for line, places, points in zip(lines, digits, figures, strict=True):
            point = points.get(lot["number"])
            unit = f" {line['unit']}" if line["unit"] else ""
            unsure = point and point["uncertainty"]
            more = f" ± {site.number(COVERAGE * unsure, places)}" if unsure else ""
            said.append(f"{site.number(point['value'], places)}{more}{unit}" if point else "")
        rows.append((lot, said))
    return rows
