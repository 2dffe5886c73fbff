"""Lists of lots and deliveries with filters, sorting and pages, and the same lists as CSV."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import Response, render_template, request, url_for

from lots.api.documents.lot_pictures import LotUses
from lots.api.http.fields import MAX_ID, Text, WrittenWhole
from lots.api.pictures import use_grid
from lots.api.pictures.answers import SVG
from lots.api.receiving.lots_and_deliveries import (
    Deliveries,
    DeliveryFilterArgs,
    LotFilterArgs,
    Lots,
)
from lots.domain.assessment.limits_revision import USES
from lots.domain.words import hyphenated
from lots.pages.site.calls import Refusal, attempt, checked, every
from lots.pages.site.files import csv_file
from lots.pages.site.frame import can_open, pages, refused
from lots.pages.site.place import whole_days
from lots.pages.site.session import signed_in
from lots.services.production import lot_list
from lots.services.receiving import deliveries as delivery_desk
from lots.services.setup import catalog

STANDINGS = (
    ("", "Any status"),
    ("quarantined", "In quarantine"),
    ("released", "Released"),
    ("restricted", "Restricted"),
    ("blocked", "Blocked"),
    ("returned", "Returned"),
    ("scrapped", "Scrapped"),
)
_LOT_FILTERS = ("standing", "supplier_id", "grade_id", "supplier_lot", "use")
_DELIVERY_FILTERS = ("lot_id", "supplier_id", "grade_id")
_DAYS = ("received_from", "received_to")
SORTS = {"logged": "Logged, newest first", "received": "Received, newest first", "number": "Lot number"}
# Rows on a page, and in a file.
_ROWS, _FILE_ROWS = 50, 2000


class LotListArgs(LotFilterArgs):
    """The filters and the order of the list of lots."""

    use = Text(20, one_of=USES, metadata={"label": "Use"})
    sort = Text(20, one_of=lot_list.SORTS, load_default="logged", metadata={"label": "Sort by"})
    cursor = Text(600)


class DeliveryListArgs(DeliveryFilterArgs):
    """The filters and the order of the list of deliveries."""

    supplier_id = WrittenWhole(1, MAX_ID, metadata={"label": "Supplier"})
    grade_id = WrittenWhole(1, MAX_ID, metadata={"label": "Grade"})
    sort = Text(20, one_of=("logged", "received"), load_default="logged", metadata={"label": "Sort by"})
    cursor = Text(600)


@pages.get("/lots")
@signed_in((Lots, "GET"), (LotUses, "GET"))
def lots() -> Any:
    """Shows the lots, filtered by status, supplier, grade and use."""
    asked = _asked(_LOT_FILTERS)
    found = attempt(lambda: _lots(asked), LotListArgs)
    shown = _listed(found, "pages.lots", asked)
    page = render_template(
        "lots/lots.html",
        **shown,
        lots=[(lot, _grouped(line["uses"])) for lot, line in shown["rows"]],
        standings=STANDINGS,
        uses=[("", "Any use"), *((use, hyphenated(use).capitalize()) for use in USES)],
        sorts=list(SORTS.items()),
        grid=url_for("pages.lot_uses_grid", **asked),
        also=url_for("pages.deliveries") if can_open("pages.deliveries") else "",
    )
    return page, found.status if isinstance(found, Refusal) else 200


@pages.get("/lots.csv")
@signed_in((Lots, "GET"))
def lots_file() -> Any:
    """Returns at most 2,000 lots of these filters as CSV, with the columns of the API."""
    args = attempt(lambda: _lot_args(_asked(_LOT_FILTERS)), LotListArgs)
    if isinstance(args, Refusal):
        return refused(args, url_for("pages.lots"))
    filters, use, sort = args[:3]
    rows = every(lambda cursor, limit: lot_list.listed(filters, use, sort, cursor, limit), _FILE_ROWS)
    return csv_file("lots", Lots, {"items": [lot for lot, _ in rows]})


@pages.get("/lots/uses")
@signed_in((LotUses, "GET"))
def lot_uses_grid() -> Any:
    """Shows the grid of permitted uses for the lots on one page of the list."""
    asked = _asked(_LOT_FILTERS)
    return render_template(
        "lots/uses.html",
        grid=url_for("pages.lot_uses_picture", **asked),
        back=url_for("pages.lots", **asked),
    )


@pages.get("/lots/uses.svg")
@signed_in((LotUses, "GET"))
def lot_uses_picture() -> Any:
    """Returns the grid of lots and uses as SVG."""
    found = attempt(lambda: _lots(_asked(_LOT_FILTERS)), LotListArgs)
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.lots"))
    items = [line for _, line in found.rows]
    return Response(use_grid.draw({"items": items, "next": found.next}), mimetype=SVG)


@pages.get("/deliveries")
@signed_in((Deliveries, "GET"))
def deliveries() -> Any:
    """Shows the deliveries, filtered by supplier, grade and day."""
    asked = _asked(_DELIVERY_FILTERS)
    found = attempt(lambda: _deliveries(asked), DeliveryListArgs)
    shown = _listed(found, "pages.deliveries", asked)
    page = render_template(
        "receiving/deliveries.html",
        **shown,
        sorts=[(name, SORTS[name]) for name in ("logged", "received")],
        may_open=can_open("pages.received"),
        named={one["id"]: one["says"] for one in shown["known"]["suppliers"]},
        coded={one["id"]: one["code"] for one in shown["known"]["grades"]},
    )
    return page, found.status if isinstance(found, Refusal) else 200


@pages.get("/deliveries.csv")
@signed_in((Deliveries, "GET"))
def deliveries_file() -> Any:
    """Returns at most 2,000 deliveries of these filters as CSV, with the columns of the API."""
    args = attempt(lambda: _delivery_args(_asked(_DELIVERY_FILTERS)), DeliveryListArgs)
    if isinstance(args, Refusal):
        return refused(args, url_for("pages.deliveries"))
    filters, sort, _ = args
    rows = every(lambda cursor, limit: delivery_desk.sorted_list(filters, sort, cursor, limit), _FILE_ROWS)
    return csv_file("deliveries", Deliveries, {"items": rows})


def _asked(filters: tuple[str, ...]) -> dict[str, Any]:
    """Returns the known parameters of the address that are not empty."""
    known = (*filters, *_DAYS, "sort", "cursor")
    return {name: text for name in known if (text := request.args.get(name, "").strip())}


def _said(asked: Mapping[str, str]) -> dict[str, str]:
    """Returns the parameters as the API takes them, with days of the site as moments."""
    return whole_days(asked, *_DAYS)


def _lot_args(asked: Mapping[str, str]) -> tuple[dict[str, Any], str | None, str, str | None]:
    filters = checked(LotListArgs, _said(asked))
    use, sort, cursor = filters.pop("use", None), filters.pop("sort"), filters.pop("cursor", None)
    del filters["order"], filters["limit"]
    return filters, use, sort, cursor


def _lots(asked: Mapping[str, str]) -> Any:
    return lot_list.listed(*_lot_args(asked), _ROWS)


def _delivery_args(asked: Mapping[str, str]) -> tuple[dict[str, Any], str, str | None]:
    filters = checked(DeliveryListArgs, _said(asked))
    sort, cursor = filters.pop("sort"), filters.pop("cursor", None)
    del filters["order"], filters["limit"]
    return filters, sort, cursor


def _deliveries(asked: Mapping[str, str]) -> Any:
    return delivery_desk.sorted_list(*_delivery_args(asked), _ROWS)


def _listed(found: Any, endpoint: str, asked: dict[str, Any]) -> dict[str, Any]:
    """Returns the values that the template of a list needs: rows, filters and links to other pages."""
    known = catalog.directory("supplier", "grade")
    not_listed = found if isinstance(found, Refusal) else None
    beside = {name: text for name, text in asked.items() if name != "cursor"}

    def at(cursor: str | None) -> str:
        return url_for(endpoint, **{**beside, "cursor": cursor}) if cursor else ""

    return {
        "refused": not_listed,
        "asked": asked,
        "rows": [] if not_listed else found.rows,
        "following": "" if not_listed else at(found.next),
        "previous": "" if not_listed else at(found.previous),
        "file": url_for(f"{endpoint}_file", **beside),
        "filtered": [_named(name, text, known) for name, text in asked.items() if name not in ("sort", "cursor")],
        "known": known,
        "suppliers": [("", "Any supplier"), *((s["id"], f"{s['code']}: {s['says']}") for s in known["suppliers"])],
        "grades": [("", "Any grade"), *((s["id"], f"{s['code']}: {s['says']}") for s in known["grades"])],
    }


def _named(name: str, text: str, known: Mapping[str, list[catalog.Entry]]) -> str:
    """Returns a filter in words, such as: supplier QWT."""
    if name in ("supplier_id", "grade_id"):
        subject = name.removesuffix("_id")
        text = next((str(one["code"]) for one in known[f"{subject}s"] if str(one["id"]) == text), text)
        return f"{subject} {text}"
    words = {"standing": "status", "supplier_lot": "lot number", "lot_id": "lot", "use": "use"}
    said = {**dict(STANDINGS), **{use: hyphenated(use) for use in USES}}.get(text, text)
    return (
        f"{words.get(name, hyphenated(name).replace('-', ' '))} {said.lower() if name in ('standing', 'use') else said}"
    )


def _grouped(uses: list[dict[str, Any]]) -> dict[str, list[str]]:
    """Returns the uses of a lot grouped by answer, such as yes, not yet or no."""
    found: dict[str, list[str]] = {}
    for one in uses:
        found.setdefault(one["answer"], []).append(hyphenated(one["use"]))
    return found
