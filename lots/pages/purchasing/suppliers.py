"""Purchasing: which supplier is steadier and how sure that is, where each one goes, and what needs attention this week."""

from __future__ import annotations

from typing import Any

from flask import g, render_template, request, url_for
from markupsafe import Markup

from lots.api.http.fields import NUMBER
from lots.api.pictures import comparison as comparison_picture
from lots.api.purchasing.comparison import ComparisonArgs, NextLot, PurchasingSummary, SupplierComparison
from lots.api.purchasing.corrective_actions import ActionArgs, AnswerAction, AnswerArgs, LotActions
from lots.domain.characteristics.registry import DECLARED
from lots.pages.site.calls import Refusal, attempt, checked, form_number, once
from lots.pages.site.frame import answered, pages
from lots.pages.site.place import end_of
from lots.pages.site.session import signed_in
from lots.services.purchasing import corrective_actions, overview, week
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
        grades=[("", "All grades"), *((one["id"], f"{one['code']}: {one['says']}") for one in known)],
        grade=grade,
        compared=None if isinstance(seen, Refusal) else seen.compared,
        refused=refused,
        forecasts={} if isinstance(seen, Refusal) else seen.forecasts,
        picture="" if isinstance(seen, Refusal) else drawn(comparison_picture.draw(seen.compared)),
    )


def _seen(grade: str) -> overview.Overview:
    return overview.overview(checked(ComparisonArgs, {"grade_id": grade} if grade else {}).get("grade_id"))


def drawn(picture: str) -> Markup:
    """Returns a picture of the API to stand in a page: the only markup a page takes as it is, for every word in it is escaped there."""
    return Markup(picture)  # noqa: S704  # drawn by lots.api.pictures, which escapes


@pages.post(f"/lots/<{NUMBER}:number>/corrective-actions")
@signed_in((LotActions, "POST"))
def ask_action(number: int) -> Any:
    """Asks the supplier of a lot to put right what was wrong with it."""
    body = {"requested_action": request.form.get("requested_action", "").strip()}
    if due := request.form.get("due_at", "").strip():
        body["due_at"] = end_of(due)
    back = _supplier_part(number)

    def request_it() -> str:
        corrective_actions.request(number, checked(ActionArgs, body), g.me["name"])
        return back

    return answered(once(request_it, ActionArgs), back)


@pages.post(f"/corrective-actions/<{NUMBER}:number>/answer")
@signed_in((AnswerAction, "POST"))
def note_answer(number: int) -> Any:
    """Notes what a supplier answered."""
    names = ("cause", "action", "answered_by", "evidence")
    body = {name: text for name in names if (text := request.form.get(name, "").strip())}
    back = _supplier_part(form_number("lot"))

    def note() -> str:
        corrective_actions.answer(number, checked(AnswerArgs, body), g.me["name"])
        return back

    return answered(once(note, AnswerArgs), back)


def _supplier_part(lot: int) -> str:
    """The address of what stands for the supplier on the page of a lot."""
    return url_for("pages.lot", number=lot, _anchor="supplier")
