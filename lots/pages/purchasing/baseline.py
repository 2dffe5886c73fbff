"""The form in which quality chooses the baseline of a supplier and grade."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.drift.baselines import BaselineArgs, Baselines
from lots.api.http.fields import NUMBER
from lots.domain.characteristics.registry import MEASURES
from lots.domain.drift.baseline import FIRM_FROM, PROVISIONAL_FROM
from lots.pages.site.calls import Refusal, attempt, checked, form_number, once
from lots.pages.site.frame import pages, refused
from lots.pages.site.place import number
from lots.pages.site.results import pack_result
from lots.pages.site.session import signed_in
from lots.services.drift import baselines

# Agreed values that one form takes.
_GIVEN = range(3)
# Begins the name of the field with the reason to exclude a lot; the number of the lot follows.
_EXCLUDE = "exclude-"
_NUMBER = re.compile(r"[0-9]{1,15}")


@pages.get(f"/suppliers/<{NUMBER}:supplier>/baseline")
@signed_in((Baselines, "GET"), (Baselines, "POST"))
def baseline(supplier: int) -> Any:
    """Shows the lots of a supplier and grade to choose from, and the present baseline."""
    return _form(supplier, form_number("grade_id"), None)


@pages.post(f"/suppliers/<{NUMBER}:supplier>/baseline")
@signed_in((Baselines, "POST"))
def choose_baseline(supplier: int) -> Any:
    """Stores the chosen baseline, and redirects to the drift page."""
    grade = form_number("grade_id")

    def choose() -> str:
        made: Any = baselines.choose(checked(BaselineArgs, _body(supplier, grade)), g.me["name"])
        skipped = [f"No baseline for a measure. {text}" for text in made["left_out"]]
        status = "agreed values" if made["status"] == "given" else made["status"]
        result = pack_result(f"Baseline revision {made['revision']} stored ({status})", *skipped)
        return url_for("pages.supplier_drift", supplier=supplier, grade_id=grade, result=result)

    done = once(choose, BaselineArgs)
    return _form(supplier, grade, done) if isinstance(done, Refusal) else done


def _body(supplier: int, grade: int) -> dict[str, Any]:
    """Returns the baseline from the form, with each excluded lot, whether its box is ticked or not."""
    excluded = [
        {"lot_id": lot, "reason": reason}
        for name, text in request.form.items()
        if name.startswith(_EXCLUDE) and (reason := text.strip())
        for lot in _numbers([name.removeprefix(_EXCLUDE)])
    ]
    body: dict[str, Any] = {"supplier_id": supplier, "grade_id": grade}
    if lots := list(dict.fromkeys([*_sent_lots(), *(entry["lot_id"] for entry in excluded)])):
        body["lot_ids"] = lots
    if excluded:
        body["excluded"] = excluded
    if given := _given():
        body["given"] = given
    if reason := request.form.get("reason", "").strip():
        body["reason"] = reason
    return body


def _sent_lots() -> list[int]:
    return _numbers(request.form.getlist("lots"))


def _numbers(texts: Iterable[str]) -> list[int]:
    """Returns the valid row numbers among texts, as numbers."""
    return [int(text) for text in texts if _NUMBER.fullmatch(text)]


def _given() -> dict[str, Any]:
    """Returns the agreed mean and standard deviation by measure."""
    found = {}
    for row in _GIVEN:
        measure, *figures = (request.form.get(f"{name}-{row}", "").strip() for name in ("measure", "mean", "sigma"))
        if measure:
            found[measure] = {name: number(text) for name, text in zip(("mean", "sigma"), figures, strict=True) if text}
    return found


def _form(supplier: int, grade: int, not_done: Refusal | None) -> Any:
    found = attempt(lambda: baselines.choices(supplier, grade))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.suppliers"))
    page = render_template(
        "purchasing/baseline.html",
        b=found,
        typed=request.form,
        ticked=_ticked(found),
        given=_GIVEN,
        measures=[("", "none"), *((code, _named(about)) for code, about in MEASURES.items())],
        provisional_from=PROVISIONAL_FROM,
        firm_from=FIRM_FROM,
        refused=not_done,
        faults=not_done.beside() if not_done else {},
    )
    return page, not_done.status if not_done else 200


def _named(measure: Any) -> str:
    return f"{measure.label}, {measure.unit}" if measure.unit else str(measure.label)


def _ticked(found: Mapping[str, Any]) -> set[int]:
    """Returns the lots to tick: those sent, else those of the present baseline, else the first lots that suffice for a firm one."""
    if request.method == "POST":
        return set(_sent_lots())
    if found["present"] and found["present"]["lot_ids"]:
        return set(found["present"]["lot_ids"])
    return {lot["lot_id"] for lot in found["lots"][:FIRM_FROM]}
