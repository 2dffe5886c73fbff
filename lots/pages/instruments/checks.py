"""Checks of an instrument against a known artefact. Before a failed check is stored, a page shows the suspect readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.instruments.calibration_checks import CheckArgs, Checks, OneInstrument, SuspectLots
from lots.domain.characteristics.registry import DECLARED
from lots.domain.words import counted
from lots.pages.site.calls import Refusal, attempt, checked, every, once
from lots.pages.site.frame import pages, refused
from lots.pages.site.place import moment_field, moment_typed, place
from lots.pages.site.results import pack_result, reached_of
from lots.pages.site.session import signed_in
from lots.pages.site.typed_tables import beside_lines, lines_with_text, numbers_of
from lots.services import clock
from lots.services.instruments import calibration_checks

_FIELDS = ("checked_at", "result", "artefact", "readings", "note")
# The newest checks that the page lists.
_LISTED = 8


@pages.get(f"/instruments/<{NUMBER}:number>/check")
@signed_in((OneInstrument, "GET"), (Checks, "GET"), (Checks, "POST"))
def instrument_check(number: int) -> Any:
    """Shows the form of a check and the earlier checks."""
    return _form(number, {"checked_at": moment_field(clock.now())}, None)


@pages.post(f"/instruments/<{NUMBER}:number>/check")
@signed_in((Checks, "POST"), (SuspectLots, "GET"))
def instrument_checked(number: int) -> Any:
    """Records a check. A failed one is confirmed on a page of its own, which says what becomes suspect."""
    typed = {name: request.form.get(name, "").strip() for name in _FIELDS}
    if typed["result"] == "fail" and request.form.get("confirm") != f"fail {number}":
        return _suspect(number, typed)

    def store() -> str:
        said = checked(CheckArgs, _body(typed))
        done: Any = calibration_checks.add_check(number, said, g.me["name"])
        result = pack_result(
            "Check passed" if done["result"] == "pass" else "Check failed",
            _summary(said.get("readings") or ()),
            _followed(done),
            lots=done["lots"],
            reached=reached_of(*done["lots"]) if done["result"] == "fail" else (),
            bad=done["result"] == "fail",
        )
        return url_for("pages.instrument_check", number=number, result=result)

    done = once(store, CheckArgs)
    return _form(number, typed, done) if isinstance(done, Refusal) else done


def _followed(done: Mapping[str, Any]) -> str:
    lots = counted(len(done["lots"]), "lot was", "lots were")
    if done["result"] == "pass":
        return f"{lots} assessed again and changed status." if done["lots"] else ""
    if not done["lots"]:
        return "No reading is suspect."
    return f"The readings since the last passed check are suspect. {lots} assessed again without them."


def _summary(readings: Sequence[Any]) -> str:
    """Returns mean, minimum and maximum of readings in words; "" for readings of several numbers."""
    values = [one for one in readings if isinstance(one, int | float)]
    if not values or len(values) != len(readings):
        return ""
    written = place().number
    mean, low, high = sum(values) / len(values), min(values), max(values)
    return f"Mean {written(mean)} of {counted(len(values), 'reading')}, from {written(low)} to {written(high)}."


def _body(typed: Mapping[str, str]) -> dict[str, Any]:
    body: dict[str, Any] = {name: typed[name] for name in ("result", "artefact", "note") if typed[name]}
    if typed["checked_at"]:
        body["checked_at"] = moment_typed("/checked_at", typed["checked_at"])
    if rows := numbers_of(typed["readings"]):
        body["readings"] = rows
    return body


def _suspect(number: int, typed: Mapping[str, str]) -> Any:
    """Shows which readings a failed check makes suspect, or the form again where it is invalid."""

    def look() -> dict[str, Any]:
        at = checked(CheckArgs, _body(typed))["checked_at"]
        return {"instrument": calibration_checks.get(number), "found": calibration_checks.suspect(number, at)}

    seen = attempt(look, CheckArgs)
    if isinstance(seen, Refusal):
        return _form(number, typed, seen)
    return render_template("instruments/suspect.html", typed=typed, **seen)


def _form(number: int, typed: Mapping[str, str], not_done: Refusal | None) -> Any:
    instrument = attempt(lambda: calibration_checks.get(number))
    if isinstance(instrument, Refusal):
        return refused(instrument, url_for("pages.quality", _anchor="instruments"))
    known: list[Any] = every(partial(calibration_checks.checks, number))
    page = render_template(
        "instruments/check.html",
        instrument=instrument,
        declared=DECLARED,
        checks=sorted(known, key=lambda one: one["checked_at"], reverse=True)[:_LISTED],
        typed=typed,
        refused=not_done,
        faults=beside_lines(not_done, readings=lines_with_text(typed.get("readings", ""))),
    )
    return page, not_done.status if not_done else 200
