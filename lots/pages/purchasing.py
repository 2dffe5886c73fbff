"""Purchasing: which supplier is steadier and how sure that is, where each one goes, and what needs attention this week."""

from __future__ import annotations

from collections import Counter
from typing import Any

from flask import redirect, render_template, request, url_for
from markupsafe import Markup

from lots.domain.characteristics.registry import DECLARED
from lots.pages.site.api_client import Answer, ask, at, end_of
from lots.pages.site.frame import pages
from lots.pages.site.session import signed_in

SVG = "image/svg+xml"
CHARACTERISTICS = tuple((declared.name, declared.title) for declared in DECLARED.values())


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
    grade = request.args["grade_id"] if "grade_id" in request.args else _first_grade(directory["grades"])
    compared = ask("GET", at("supplier-comparison", grade_id=grade))
    forecasts: dict[int, Any] = {}
    if grade and compared.good:
        for line in compared.body["suppliers"]:
            number = line["supplier_id"]
            forecasts[number] = ask("GET", at("forecast", supplier_id=number, grade_id=grade)).body
    return render_template(
        "purchasing/suppliers.html",
        week=ask("GET", "/purchasing-summary"),
        grades=[("", "All grades"), *((g["id"], f"{g['code']}: {g['says']}") for g in directory["grades"])],
        grade=grade,
        compared=compared,
        forecasts=forecasts,
        picture=picture(at("supplier-comparison", grade_id=grade)),
    )


def _first_grade(grades: list[dict[str, Any]]) -> str:
    """The grade to begin with: the first with lots of two suppliers, else the first with any; none while there is no lot."""
    every = ask("GET", "/supplier-comparison")
    came = Counter(code for line in every.body["suppliers"] for code in line["grades"]) if every.good else Counter()
    return next((str(one["id"]) for least in (2, 1) for one in grades if came[one["code"]] >= least), "")


@pages.get("/suppliers/<int:supplier>/drift")
@signed_in()
def supplier_drift(supplier: int) -> Any:
    """How a supplier's lots of a grade move, drawn and in words."""
    asked = {"supplier_id": supplier, "grade_id": request.args.get("grade_id", "")}
    about = request.args.get("characteristic", CHARACTERISTICS[0][0])
    rules = {"run_rules": "true"} if "run_rules" in request.args else {}
    path = at("drift", **asked, characteristic=about, **rules)
    answer = ask("GET", path)
    page = render_template(
        "purchasing/drift.html",
        answer=answer,
        a=answer.body,
        about=about,
        asked=asked,
        choices=CHARACTERISTICS,
        picture=picture(path) if answer.good else "",
    )
    return page, answer.status


@pages.post("/lots/<int:number>/corrective-actions")
@signed_in("quality", "purchasing")
def ask_action(number: int) -> Any:
    """Asks the supplier of a lot to put right what was wrong with it."""
    body = {"requested_action": request.form.get("requested_action", "").strip()}
    if due := request.form.get("due_at", "").strip():
        body["due_at"] = end_of(due)
    return _to_lot(number, ask("POST", at("lots", number, "corrective-actions"), body, key=request.form.get("once")))


@pages.post("/corrective-actions/<int:number>/answer")
@signed_in("quality", "purchasing")
def note_answer(number: int) -> Any:
    """Notes what a supplier answered."""
    names = ("cause", "action", "answered_by", "evidence")
    body = {name: text for name in names if (text := request.form.get(name, "").strip())}
    done = ask("POST", at("corrective-actions", number, "answer"), body, key=request.form.get("once"))
    return _to_lot(request.form.get("lot", 0, type=int), done)


def _to_lot(lot: int, done: Answer) -> Any:
    """Back to what stands for the supplier on the page of a lot, or why it was not done."""
    back = url_for("pages.lot", number=lot, _anchor="supplier")
    return redirect(back) if done.good else (render_template("site/refused.html", answer=done, back=back), done.status)
