"""Visual trials of a grade: plaques judged by eye, the resulting tolerance, and the limits that it supports."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.assessment.visual_trials import OneVisualTrial, VisualTrialArgs, VisualTrials
from lots.api.http.fields import NUMBER
from lots.api.setup.grades import OneGrade
from lots.api.setup.shades import Revisions
from lots.domain.colorimetry.color_values import Conditions
from lots.pages.site.calls import Refusal, attempt, checked, every, once
from lots.pages.site.frame import pages, refused
from lots.pages.site.place import moment_field, moment_typed, number
from lots.pages.site.results import pack_result
from lots.pages.site.session import signed_in
from lots.pages.site.typed_tables import beside_lines, sent_table, table_of
from lots.services import clock
from lots.services.assessment import visual_trials
from lots.services.setup import catalog, shade_revisions

_COLUMNS = ("Plaque", "L*", "a*", "b*", "Accepted", "Judged")


@pages.get(f"/grades/<{NUMBER}:number>/visual-trials")
@signed_in((OneGrade, "GET"), (VisualTrials, "GET"))
def trials(number: int) -> Any:
    """Shows the visual trials of a grade, the newest first."""
    grade = attempt(lambda: catalog.get("grade", number))
    if isinstance(grade, Refusal):
        return refused(grade, url_for("pages.grades"))
    known = every(partial(visual_trials.listed, number))[::-1]
    return render_template("assessment/trials.html", grade=grade, trials=known)


@pages.get(f"/grades/<{NUMBER}:number>/visual-trials/new")
@signed_in((OneGrade, "GET"), (Revisions, "GET"), (VisualTrials, "POST"))
def new_trial(number: int) -> Any:
    """Shows the form of a new visual trial."""
    return _form(number, {"judged_at": moment_field(clock.now())}, None, ())


@pages.post(f"/grades/<{NUMBER}:number>/visual-trials/new")
@signed_in((VisualTrials, "POST"))
def trial_added(number: int) -> Any:
    """Stores a visual trial and redirects to its result."""
    typed = {name: request.form.get(name, "").strip() for name in ("judged_at", "note", "same")}
    sent = attempt(lambda: sent_table("plaques"))
    typed["plaques"] = request.form.get("plaques", "") if isinstance(sent, Refusal) else sent
    rows = sent if isinstance(sent, Refusal) else attempt(lambda: table_of("plaques", sent, _COLUMNS))
    if isinstance(rows, Refusal):
        return _form(number, typed, rows, ())
    plaques = [_plaque(row.cells) for row in rows]

    def store() -> str:
        body = {**_body(typed, _conditions(number)), **({"plaques": plaques} if plaques else {})}
        made: Any = visual_trials.add(number, checked(VisualTrialArgs, body), g.me["name"])
        return url_for("pages.trial", number=made["id"], result=pack_result("Visual trial stored"))

    done = once(store, VisualTrialArgs)
    return _form(number, typed, done, [row.number for row in rows]) if isinstance(done, Refusal) else done


def _plaque(cells: Sequence[str]) -> dict[str, Any]:
    code, L, a, b, accepted, judged = cells
    plaque = {"lab": [number(part) for part in (L, a, b)], "accepted": number(accepted), "judged": number(judged)}
    return {**plaque, "code": code} if code else plaque


def _body(typed: Mapping[str, str], conditions: Mapping[str, Any] | None) -> dict[str, Any]:
    body: dict[str, Any] = {"note": typed["note"]} if typed["note"] else {}
    if typed["same"] and conditions:
        body["conditions"] = conditions
    if typed["judged_at"]:
        body["judged_at"] = moment_typed("/judged_at", typed["judged_at"])
    return body


def _conditions(grade: int) -> Mapping[str, Any] | None:
    """Returns the measuring conditions of the grade's reference, or None without a reference."""
    shade: Any = catalog.get("grade", grade)["shade_id"]
    known: Any = every(partial(shade_revisions.listed, shade)) if shade is not None else []
    return {name: one for name, one in known[-1]["conditions"].items() if one is not None} if known else None


def _form(number: int, typed: Mapping[str, str], not_done: Refusal | None, lines: Sequence[int]) -> Any:
    grade = attempt(lambda: catalog.get("grade", number))
    if isinstance(grade, Refusal):
        return refused(grade, url_for("pages.grades"))
    conditions = _conditions(number)
    page = render_template(
        "assessment/trial_form.html",
        grade=grade,
        conditions=conditions and str(Conditions(**conditions)),
        columns=_COLUMNS,
        typed=typed,
        refused=not_done,
        faults=beside_lines(not_done, plaques=lines),
    )
    return page, not_done.status if not_done else 200


@pages.get(f"/visual-trials/<{NUMBER}:number>")
@signed_in((OneVisualTrial, "GET"))
def trial(number: int) -> Any:
    """Shows a visual trial: its tolerance, the limits that it supports, then its plaques."""
    found: Any = attempt(lambda: visual_trials.shown(number))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.grades"))
    proposal = found["proposal"]
    forms = [proposal[name] for name in ("by_delta_e", "by_components")] if proposal else []
    return render_template(
        "assessment/trial.html",
        trial=found,
        grade=catalog.get("grade", found["grade_id"]),
        forms=[one for one in forms if one["limits"]],
    )
