"""Studies of an instrument: their forms, their results in words, and voiding."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.instruments.calibration_checks import OneInstrument
from lots.api.instruments.studies import OneStudy, Studies, StudyArgs, StudyVoid, StudyVoidArgs
from lots.domain.characteristics.registry import STUDIED
from lots.pages.instruments.study_tables import TABLES, study_table
from lots.pages.site.calls import Refusal, attempt, checked, every, once
from lots.pages.site.frame import pages, refused
from lots.pages.site.place import grade_choice, moment_field, moment_typed, number
from lots.pages.site.results import pack_result
from lots.pages.site.session import signed_in
from lots.pages.site.typed_tables import beside_lines, sent_table
from lots.services import clock
from lots.services.instruments import calibration_checks, studies
from lots.services.setup import catalog

_KINDS = {
    "repeatability": "Repeatability: several people measure the same parts several times",
    "linearity": "Linearity: artefacts of known value are measured over the range",
    "agreement": "Agreement: the same plaques are measured with two instruments",
}
_FIELDS = ("kind", "measure", "studied_at", "tolerance_width", "other_instrument_id", "grade_id", "note")
_NUMBERS = ("tolerance_width", "other_instrument_id", "grade_id")
_OF_KIND = {
    "repeatability": ("measure", "tolerance_width"),
    "linearity": ("measure",),
    "agreement": ("other_instrument_id", "grade_id"),
}


@pages.get(f"/instruments/<{NUMBER}:number>/study")
@signed_in((OneInstrument, "GET"), (Studies, "GET"), (Studies, "POST"))
def instrument_study(number: int) -> Any:
    """Shows the form of a study of the kind in the address, and the earlier studies."""
    kind = request.args.get("kind", "")
    typed = {"kind": kind if kind in TABLES else "repeatability", "studied_at": moment_field(clock.now())}
    return _form(number, typed, None, ())


@pages.post(f"/instruments/<{NUMBER}:number>/study")
@signed_in((Studies, "POST"))
def instrument_studied(number: int) -> Any:
    """Stores a study and redirects to its results."""
    typed = {name: request.form.get(name, "").strip() for name in _FIELDS}
    if typed["kind"] not in TABLES:
        typed["kind"] = "repeatability"
    sent = attempt(lambda: sent_table("table"))
    typed["table"] = request.form.get("table", "") if isinstance(sent, Refusal) else sent
    if isinstance(sent, Refusal):
        return _form(number, typed, sent, ())
    table = attempt(lambda: study_table(typed["kind"], sent))
    if isinstance(table, Refusal):
        return _form(number, typed, table, ())

    def store() -> str:
        body = {**_body(typed), **({table.name: table.entries} if table.entries else {})}
        done: Any = studies.add(number, checked(StudyArgs, body), g.me["name"])
        return url_for("pages.study", number=done["id"], result=pack_result("Study stored", lots=done["lots"]))

    done = once(store, StudyArgs)
    return _form(number, typed, done, table.lines) if isinstance(done, Refusal) else done


def _body(typed: Mapping[str, str]) -> dict[str, Any]:
    body: dict[str, Any] = {"kind": typed["kind"]}
    for name in (*_OF_KIND[typed["kind"]], "note"):
        if typed[name]:
            body[name] = number(typed[name]) if name in _NUMBERS else typed[name]
    if typed["studied_at"]:
        body["studied_at"] = moment_typed("/studied_at", typed["studied_at"])
    return body


def _form(number: int, typed: Mapping[str, str], not_done: Refusal | None, lines: Sequence[int]) -> Any:
    instrument: Any = attempt(lambda: calibration_checks.get(number))
    if isinstance(instrument, Refusal):
        return refused(instrument, url_for("pages.quality", _anchor="instruments"))
    table, columns, example = TABLES[typed["kind"]]
    faults = beside_lines(not_done, **{table: lines})
    faults["table"] = [*faults.get("table", ()), *faults.pop(table, ())]
    known = catalog.directory("instrument", "grade")
    page = render_template(
        "instruments/study_form.html",
        instrument=instrument,
        studies=every(partial(studies.listed, number)),
        kinds=_KINDS,
        columns=columns,
        example=example,
        measures=_measures(instrument["measures"]),
        others=[("", "choose"), *((one["id"], one["code"]) for one in known["instruments"] if one["id"] != number)],
        grades=[("", "none"), *map(grade_choice, known["grades"])],
        typed=typed,
        refused=not_done,
        faults=faults,
    )
    return page, not_done.status if not_done else 200


def _measures(measured: Sequence[str] | None) -> list[tuple[str, str]]:
    """Returns the measures that an instrument can be studied for, with their labels."""
    every_one = [(code, one) for code, one in STUDIED.items() if measured is None or _kind(code) in measured]
    return [("", "choose"), *((code, one.label + (f", {one.unit}" if one.unit else "")) for code, one in every_one)]


def _kind(code: str) -> str:
    return code.partition(".")[0]


@pages.get(f"/studies/<{NUMBER}:number>")
@signed_in((OneStudy, "GET"))
def study(number: int) -> Any:
    """Shows a study: its result in words, its numbers, and the form that voids it."""
    return _shown(number, "", None)


@pages.post(f"/studies/<{NUMBER}:number>/void")
@signed_in((StudyVoid, "POST"))
def study_voided(number: int) -> Any:
    """Voids a study."""
    reason = request.form.get("reason", "").strip()

    def void() -> str:
        done: Any = studies.void(number, checked(StudyVoidArgs, {"reason": reason})["reason"], g.me["name"])
        result = pack_result("Study voided", "It stays on record with your reason.", lots=done["lots"])
        return url_for("pages.study", number=number, result=result)

    done = once(void, StudyVoidArgs)
    return _shown(number, reason, done) if isinstance(done, Refusal) else done


def _shown(number: int, reason: str, not_done: Refusal | None) -> Any:
    found: Any = attempt(lambda: studies.get(number))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.quality", _anchor="instruments"))
    page = render_template(
        "instruments/study.html",
        study=found,
        measure=STUDIED[found["measure"]] if found["measure"] else None,
        instrument=calibration_checks.get(found["instrument_id"]),
        reason=reason,
        refused=not_done,
        faults=not_done.beside() if not_done else {},
    )
    return page, not_done.status if not_done else 200
