"""Lots for everybody: which there are, and the whole story of one, to read or to print."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qsl

from flask import render_template, request, url_for

from lots.domain.characteristics.registry import DECLARED
from lots.pages.purchasing import CHARACTERISTICS, picture
from lots.pages.readings.voids import may_confirm, may_void
from lots.pages.site.api_client import ask, at, items
from lots.pages.site.frame import pages
from lots.pages.site.session import may, signed_in

STANDINGS = (
    ("", "Any standing"),
    ("quarantined", "In quarantine"),
    ("released", "Released"),
    ("restricted", "Restricted"),
    ("blocked", "Blocked"),
    ("returned", "Returned"),
    ("scrapped", "Scrapped"),
)
_FILTERS = ("standing", "supplier_id", "grade_id", "supplier_lot")


def _grouped(uses: list[dict[str, Any]]) -> dict[str, list[str]]:
    """The uses of a lot by what is said of them: yes, not yet, no."""
    found: dict[str, list[str]] = {}
    for one in uses:
        found.setdefault(one["answer"], []).append(one["use"].replace("_", "-"))
    return found


@pages.get("/lots")
@signed_in()
def lots() -> Any:
    """All lots, by where they stand, whose they are and what they are."""
    asked = {name: request.args.get(name, "").strip() for name in _FILTERS}
    answer = ask("GET", at("lots", **asked, order="newest", limit=100, cursor=request.args.get("cursor", "")))
    uses = at("lots", "uses", **asked, order="newest", limit=100, cursor=request.args.get("cursor", ""))
    permitted = ask("GET", uses) if answer.good else None
    directory = ask("GET", "/directory").body
    following = answer.body.get("next") if answer.good else None
    page = render_template(
        "lots/lots.html",
        answer=answer,
        asked=asked,
        standings=STANDINGS,
        suppliers=[("", "Any supplier"), *((s["id"], f"{s['code']}: {s['says']}") for s in directory["suppliers"])],
        grades=[("", "Any grade"), *((s["id"], f"{s['code']}: {s['says']}") for s in directory["grades"])],
        grid=picture(uses),
        permitted={line["lot_id"]: _grouped(line["uses"]) for line in permitted.body["items"]} if permitted else {},
        following=following and url_for("pages.lots", **dict(parse_qsl(following.partition("?")[2]))),
    )
    return page, answer.status


@pages.get("/lots/<int:number>")
@signed_in()
def lot(number: int) -> Any:
    """One lot: where it stands and why, what it measured, what was decided, where it went."""
    found = ask("GET", at("lots", number))
    if not found.good:
        return render_template("lots/no_lot.html", number=number), found.status
    # Some desks may not ask where a lot went.
    exposure = ask("GET", at("lots", number, "exposure"))
    whose = {name: found.body[name] for name in ("supplier_id", "grade_id", "supplier_lot")}
    quality = may("pages.decide")
    grade = ask("GET", at("grades", found.body["grade_id"])).body if quality else {}
    return render_template(
        "lots/lot.html",
        lot=found.body,
        may_void=may_void,
        may_confirm=may_confirm,
        shelf_life_days=grade.get("shelf_life_days"),
        inspections=items(at("lots", number, "reinspections")) if quality else [],
        characteristics=dict(CHARACTERISTICS),
        declared=DECLARED,
        permitted=next((one["uses"] for one in items(at("lots", "uses", **whose)) if one["lot_id"] == number), []),
        assessment=ask("GET", at("lots", number, "assessment")).body,
        sample=ask("GET", at("lots", number, "sample")).body,
        readings=items(at("lots", number, "readings"), most=500),
        decisions=items(at("lots", number, "decisions")) if quality else [],
        exposure=exposure.body if exposure.good else None,
        actions=items(at("lots", number, "corrective-actions")) if may("pages.supplier_report") else [],
        map=picture(at("lots", number, "color-map")),
    )
