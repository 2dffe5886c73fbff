"""Shades and their references: typed, measured or read from a file, previewed, approved, and then immutable."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.setup.form_fields import FormField, form_fields
from lots.api.setup.shades import ConditionsArgs, OneShade, RevisionArgs, Revisions, ShadeArgs, ShadeChange, Shades
from lots.domain.characteristics.registry import DECLARED
from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.screen_colors import Shown as ScreenColor
from lots.domain.colorimetry.screen_colors import on_screen
from lots.pages.setup.schema_forms import beside, body_of, proposed, typed_of, words_of
from lots.pages.site.calls import Refusal, Shown, Told, attempt, checked, every, once, version_read
from lots.pages.site.frame import pages, refused
from lots.pages.site.place import number, place
from lots.pages.site.session import signed_in
from lots.services.assessment import impact
from lots.services.errors import Fault, Invalid
from lots.services.files.reference_file import read_reference
from lots.services.instruments import references
from lots.services.setup import catalog, shade_revisions

_LAB = ("lab-0", "lab-1", "lab-2")


def _conditions() -> tuple[FormField, ...]:
    return form_fields(ConditionsArgs, below=("conditions",))


@pages.get("/setup/shades")
@signed_in((Shades, "GET"))
def shades() -> str:
    """Shows all shades, each with its newest reference."""
    return _list({}, None)


@pages.post("/setup/shades")
@signed_in((Shades, "POST"))
def shade_added() -> Any:
    """Adds a shade and redirects to its page, where its first reference is approved."""
    typed = request.form.to_dict()

    def add() -> str:
        body = body_of(form_fields(ShadeArgs), typed)
        return url_for("pages.shade", number=catalog.add("shade", checked(ShadeArgs, body), g.me["name"])["id"])

    done = once(add, ShadeArgs)
    return (_list(typed, done), done.status) if isinstance(done, Refusal) else done


def _list(typed: Mapping[str, str], not_done: Refusal | None) -> str:
    found: list[Shown] = [*every(partial(catalog.listed, "shade"))]
    newest = catalog.current_references(one["id"] for one in found)
    rows: list[tuple[Shown, Shown | None]] = [(one, newest.get(one["id"])) for one in found]
    return render_template(
        "setup/shades.html",
        rows=[(one, revision, _screen(revision["lab"]) if revision else None) for one, revision in rows],
        typed=typed,
        asked_of=form_fields(ShadeArgs),
        refused=not_done,
        faults=beside(not_done),
    )


@pages.get(f"/setup/shades/<{NUMBER}:number>")
@signed_in((OneShade, "GET"))
def shade(number: int) -> Any:
    """Shows one shade: its revisions with the steps between them, and the form that corrects name and interval."""
    return _shade(number, None, None)


@pages.post(f"/setup/shades/<{NUMBER}:number>")
@signed_in((OneShade, "PATCH"))
def shade_changed(number: int) -> Any:
    """Corrects a shade's name and interval."""
    typed, version = request.form.to_dict(), version_read()

    def change() -> str:
        body = {"remeasure_every_days": None, **body_of(form_fields(ShadeChange), typed)}
        catalog.change("shade", number, version, checked(ShadeChange, body), g.me["name"])
        return url_for("pages.shade", number=number)

    done = once(change, ShadeChange)
    return _shade(number, typed, done) if isinstance(done, Refusal) else done


def _shade(number: int, typed: Mapping[str, str] | None, not_done: Refusal | None) -> Any:
    found = attempt(lambda: (references.shade(number), _revisions(number)))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.shades"))
    one, revisions = found
    steps = shade_revisions.steps([row["lab"] for row in revisions], *shade_revisions.formula_of(number))
    approved = request.args.get("approved", type=int)
    answer = render_template(
        "setup/shade.html",
        shade=one,
        rows=[
            (row, step, _screen(row["lab"]), _conditions_in_words(row["conditions"]))
            for row, step in zip(revisions, [None, *steps], strict=bool(revisions))
        ][::-1],
        typed=typed if typed is not None else typed_of(form_fields(ShadeChange), one),
        asked_of=form_fields(ShadeChange),
        refused=not_done,
        faults=beside(not_done),
        approved=approved,
        losses=impact.of_shade_revision(number, approved) if approved and approved <= len(revisions) else [],
    )
    return (answer, not_done.status) if not_done else answer


@pages.get(f"/setup/shades/<{NUMBER}:number>/revisions/new")
@signed_in((Revisions, "POST"))
def new_shade_revision(number: int) -> Any:
    """Shows the form for a shade's next reference. Conditions are those of the previous revision, or common practice."""
    found = attempt(partial(_revisions, number))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.shades"))
    if found:
        return _revision_form(number, typed_of(_conditions(), found[-1]["conditions"]), None)
    return _revision_form(number, {k: v for one in _conditions() for k, v in proposed(one).items()}, None)


@pages.post(f"/setup/shades/<{NUMBER}:number>/revisions/new")
@signed_in((Revisions, "POST"))
def shade_revision_sent(number: int) -> Any:
    """Shows a reference as it would be approved, or approves it."""
    typed, step = request.form.to_dict(), request.form.get("step", "look")
    if step == "edit":
        return _revision_form(number, typed, None)
    if step == "approve" and typed.get("before") == _newest(number):
        done = once(partial(_approve, number, typed), RevisionArgs)
        return (_revision_form(number, typed, done), done.status) if isinstance(done, Refusal) else done
    drafted = attempt(partial(_draft, number, typed), RevisionArgs)
    if isinstance(drafted, Refusal):
        return _revision_form(number, typed, drafted), drafted.status
    before = drafted["before"]
    return render_template(
        "setup/shade_revision.html",
        shade=catalog.get("shade", number),
        drafted=drafted,
        screen=_screen(drafted["lab"]),
        screen_before=_screen(before["lab"]) if before else None,
        conditions=_conditions_in_words(_body(typed)["conditions"]),
        conditions_before=_conditions_in_words(before["conditions"]) if before else [],
        typed={name: text for name, text in typed.items() if name not in ("seal", "once", "step", "before")},
        approved_by=typed.get("approved_by", ""),
    )


def _draft(number: int, typed: dict[str, str]) -> Shown:
    """Returns a drafted reference. Values of an uploaded file are copied into `typed`."""
    file = request.files.get("file")
    if file is not None and file.filename:
        _type_file(file.stream.read(), file.filename, typed)
    return shade_revisions.drafted(number, checked(RevisionArgs, _body(typed)))


def _newest(number: int) -> str:
    """Returns the number of the newest revision, to detect a later one; "0" for none."""
    return str(max((row["revision"] for row in _revisions(number)), default=0))


def _type_file(content: bytes, name: str, typed: dict[str, str]) -> None:
    read = read_reference(content)
    if any(typed.get(one, "").strip() for one in (*_LAB, "readings")):
        raise Invalid(Fault("/file", "A colour is typed and a file is given.", "Empty the fields, or give no file."))
    typed["readings"] = "\n".join(
        " ".join(f"{value:.6f}".rstrip("0").rstrip(".") for value in lab) for lab in read.labs
    )
    if read.spectrum:
        values = " ".join(map(repr, read.spectrum["values"]))
        typed["spectrum"] = f"{read.spectrum['start_nm']} {read.spectrum['step_nm']} {values}"
    typed["file_name"] = name
    typed |= {f"conditions-{name}": place().typed_number(text) for name, text in read.conditions.items()}


def _approve(number: int, typed: Mapping[str, str]) -> str:
    made = shade_revisions.approve(number, checked(RevisionArgs, _body(typed)), g.me["name"])
    return url_for("pages.shade", number=number, approved=made["revision"])


def _body(typed: Mapping[str, str]) -> dict[str, Any]:
    """Returns the form as the body of the API."""
    body = body_of(form_fields(RevisionArgs, "instrument_id", "standard_uncertainty", "approved_by", "note"), typed)
    lab = [typed.get(name, "").strip() for name in _LAB]
    lines = [line for line in typed.get("readings", "").splitlines() if line.strip()]
    given: dict[str, Any] = {
        "lab": [number(text) for text in lab] if any(lab) else None,
        "readings": [_color(line) for line in lines] or None,
        "spectrum": _spectrum(typed.get("spectrum", "")),
        "conditions": body_of(_conditions(), typed),
    }
    return {**body, **{name: value for name, value in given.items() if value is not None}}


def _color(line: str) -> list[Any]:
    """Returns the numbers of a line. Commas separate them if the site writes decimal points."""
    return [number(part) for part in re.split(r"[;\s]+" if _sign() == "," else r"[,;\s]+", line.strip()) if part]


def _sign() -> str:
    return "," if place().decimal_sign == "comma" else "."


def _spectrum(text: str) -> Any:
    """Returns the spectrum in a hidden field as first wavelength, step (nm) and values; None if it is empty."""
    parts = text.split()
    if not parts:
        return None
    try:
        start, step = map(int, parts[:2])
        return {"start_nm": start, "step_nm": step, "values": [float(value) for value in parts[2:]]}
    except ValueError:
        return text


def _revisions(number: int) -> list[Shown]:
    return [*every(partial(shade_revisions.listed, number))]


def _screen(lab: Sequence[float]) -> ScreenColor:
    return on_screen(Lab(*lab))


def _conditions_in_words(conditions: Shown) -> list[tuple[str, str]]:
    """Returns the stated measuring conditions in words, by label."""
    return [
        (one.label, words_of(one, conditions[one.path[-1]]))
        for one in _conditions()
        if conditions.get(one.path[-1]) is not None
    ]


def _by_line(told: Told) -> Told:
    """Returns a fault of one of several readings with its line."""
    if told.path[0] == "readings" and len(told.path) > 1:
        return replace(told, pointer="/readings", detail=f"Line {int(told.path[1]) + 1}: {told.detail}")
    return replace(told, pointer="/spectrum") if told.path[0] == "spectrum" else told


def _revision_form(number: int, typed: Mapping[str, str], not_done: Refusal | None) -> str:
    told = replace(not_done, faults=tuple(map(_by_line, not_done.faults))) if not_done else None
    color = next(name for name, one in DECLARED.items() if one.of_type("lab"))
    instruments = [
        one for one in catalog.directory("instrument")["instruments"] if color in (one.get("measures") or [color])
    ]
    return render_template(
        "setup/new_shade_revision.html",
        shade=catalog.get("shade", number),
        typed=typed,
        conditions=_conditions(),
        rest=form_fields(RevisionArgs, "standard_uncertainty", "approved_by", "note"),
        instruments=[("", "none"), *((one["id"], f"{one['code']}: {one['says']}") for one in instruments)],
        refused=not_done,
        faults=beside(told),
    )
