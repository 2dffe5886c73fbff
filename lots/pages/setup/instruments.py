"""Instruments: their list, and the forms that add and correct them."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.instruments.calibration_checks import InstrumentArgs, InstrumentChange, Instruments, OneInstrument
from lots.api.setup.form_fields import FormField, form_fields
from lots.domain.characteristics.registry import DECLARED, said
from lots.domain.instruments.measuring import measures_of_kind
from lots.domain.words import listed
from lots.pages.setup.schema_forms import beside, body_of, typed_of
from lots.pages.site.calls import Refusal, Shown, attempt, checked, every, once, version_read
from lots.pages.site.frame import pages, refused
from lots.pages.site.session import signed_in
from lots.services.instruments import calibration_checks, due
from lots.services.setup import catalog

# The choice of a kind that no declaration names.
OTHER = "other"
_NUMBERS = ("standard_uncertainty", "resolution", "check_interval_days")


@pages.get("/setup/instruments")
@signed_in((Instruments, "GET"))
def instruments() -> str:
    """Shows all instruments with measures, uncertainty, last check and due date."""
    return _list({}, None)


@pages.post("/setup/instruments")
@signed_in((Instruments, "POST"))
def instrument_added() -> Any:
    """Adds an instrument and redirects to its page."""
    typed = request.form.to_dict()

    def add() -> str:
        body = _body(InstrumentArgs, typed)
        made = calibration_checks.add(checked(InstrumentArgs, body), g.me["name"])
        return url_for("pages.instrument", number=made["id"])

    done = once(add, InstrumentArgs)
    return (_list(typed, done), done.status) if isinstance(done, Refusal) else done


@pages.get(f"/setup/instruments/<{NUMBER}:number>")
@signed_in((OneInstrument, "GET"))
def instrument(number: int) -> Any:
    """Shows one instrument: uncertainty in force, checks, and the form that corrects it."""
    return _one(number, None, None)


@pages.post(f"/setup/instruments/<{NUMBER}:number>")
@signed_in((OneInstrument, "PATCH"))
def instrument_changed(number: int) -> Any:
    """Corrects an instrument. Kind, uncertainty and resolution cannot change once it has readings."""
    typed, version = request.form.to_dict(), version_read()

    def change() -> str:
        settled = catalog.has_read(number)
        asked = ("check_interval_days",) if settled else _NUMBERS
        body = {**({} if settled else dict.fromkeys(_NUMBERS[:2])), **_body(InstrumentChange, typed, *asked)}
        calibration_checks.change(number, version, checked(InstrumentChange, body), g.me["name"])
        return url_for("pages.instrument", number=number)

    done = once(change, InstrumentChange)
    return _one(number, typed, done) if isinstance(done, Refusal) else done


def kinds() -> list[tuple[str, str]]:
    """Returns the kinds of instrument that declarations name, each with its characteristics, and "another kind"."""
    words = dict.fromkeys(word for one in DECLARED.values() for word in one.kinds or one.instruments)
    named = [
        (word, f"{word.capitalize()}: {listed([said(name) for name in measures_of_kind(word) or ()])}")
        for word in words
    ]
    return [("", "choose"), *sorted(named, key=lambda kind: kind[1]), (OTHER, "Another kind, named in the next field")]


def _body(schema: Any, typed: Mapping[str, str], *names: str) -> dict[str, Any]:
    """Returns the form as the body of the API."""
    body = body_of(form_fields(schema, *(names or ("code", *_NUMBERS))), typed)
    kind = typed.get("kind", "").strip()
    if kind == OTHER:
        kind = typed.get("other_kind", "").strip()
    measures = [name for name in DECLARED if f"measures-{name}" in typed]
    return {**body, **({"kind": kind} if kind else {}), **({"measures": measures} if measures else {})}


def _asked(schema: Any, *names: str) -> tuple[FormField, ...]:
    return form_fields(schema, *names)


def _list(typed: Mapping[str, str], not_done: Refusal | None) -> str:
    found: list[Shown] = [*every(partial(calibration_checks.listed))]
    dated = {one["code"]: one for one in due.instruments()}
    return render_template(
        "setup/instruments.html",
        rows=[(one, dated.get(str(one["code"]))) for one in found],
        units=_units(),
        asked_of=_asked(InstrumentArgs, *_NUMBERS),
        code=_asked(InstrumentArgs, "code")[0],
        **_shown(typed, not_done),
    )


def _one(number: int, typed: Mapping[str, str] | None, not_done: Refusal | None) -> Any:
    found = attempt(partial(_read, number))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.instruments"))
    one, checks = found
    settled = catalog.has_read(number)
    known = {word for word, _ in kinds()}
    kept = typed_of(form_fields(InstrumentChange, *_NUMBERS), one) | {
        "kind": one["kind"] if one["kind"] in known else OTHER,
        "other_kind": "" if one["kind"] in known else one["kind"],
        **{f"measures-{name}": "on" for name in one["measures"] or ()},
    }
    answer = render_template(
        "setup/instrument.html",
        instrument=one,
        checks=checks[::-1],
        dated=next((row for row in due.instruments() if row["code"] == one["code"]), None),
        settled=settled,
        asked_of=_asked(InstrumentChange, *(_NUMBERS[2:] if settled else _NUMBERS)),
        units=_units(),
        **_shown(kept if typed is None else typed, not_done),
    )
    return (answer, not_done.status) if not_done else answer


def _read(number: int) -> tuple[Shown, list[Shown]]:
    return calibration_checks.get(number), [*every(partial(calibration_checks.checks, number))]


def _units() -> str:
    """Returns the units of standard uncertainties in words."""
    alike: dict[str, list[str]] = {}
    for name, one in DECLARED.items():
        if one.instrument_unit:
            alike.setdefault(one.instrument_unit, []).append(said(name))
    return ", ".join(f"{unit} for {listed(measured)}" for unit, measured in alike.items())


def _shown(typed: Mapping[str, str], not_done: Refusal | None) -> dict[str, Any]:
    """Returns the values that both templates need."""
    return {
        "typed": typed,
        "refused": not_done,
        "faults": beside(not_done),
        "kinds": kinds(),
        "titles": {name: one.title for name, one in DECLARED.items()},
        "in_words": {name: said(name) for name in DECLARED},
    }
