"""The week's list: everything that purchasing must act on, the most urgent first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import render_template, request

from lots.api.http.fields import MAX_ID, Strict, WrittenWhole
from lots.api.purchasing.comparison import PurchasingSummary
from lots.pages.site.calls import Refusal, attempt, checked
from lots.pages.site.frame import pages
from lots.pages.site.place import grade_choice
from lots.pages.site.session import signed_in
from lots.services.purchasing import week as service
from lots.services.setup import catalog


class WeekArgs(Strict):
    """The filters of the week's list."""

    supplier_id = WrittenWhole(1, MAX_ID, metadata={"label": "Supplier"})
    grade_id = WrittenWhole(1, MAX_ID, metadata={"label": "Grade"})


@pages.get("/purchasing/week")
@signed_in((PurchasingSummary, "GET"))
def week() -> Any:
    """Shows the week's list, filtered by the supplier or the grade in the address."""
    asked = {name: request.args.get(name, "").strip() for name in ("supplier_id", "grade_id")}
    chosen = attempt(lambda: checked(WeekArgs, {name: text for name, text in asked.items() if text}), WeekArgs)
    refused = chosen if isinstance(chosen, Refusal) else None
    found: Any = service.as_last_worked_out()
    known = catalog.directory("supplier", "grade")
    page = render_template(
        "purchasing/week.html",
        week=found,
        items=[] if isinstance(chosen, Refusal) else [one for one in found["items"] if _is_of(one, chosen)],
        asked=asked,
        refused=refused,
        suppliers=[
            ("", "All suppliers"),
            *((one["id"], f"{one['code']}: {one['says']}") for one in known["suppliers"]),
        ],
        grades=[("", "All grades"), *map(grade_choice, known["grades"])],
    )
    return page, refused.status if refused else 200


def _is_of(item: Mapping[str, Any], chosen: Mapping[str, Any]) -> bool:
    return all(item[name] == number for name, number in chosen.items())
