"""Grades, with the uses that quality forbids and permits."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.setup.grades import GradeArgs, GradeChange, Grades, OneGrade
from lots.pages.production.check import USES
from lots.pages.site.calls import Refusal, Shown, attempt, checked, every, once, version_read
from lots.pages.site.frame import pages, refused
from lots.pages.site.place import number, place
from lots.pages.site.session import signed_in
from lots.services.errors import Fault, Invalid
from lots.services.setup import catalog

FILLER_KINDS = (
    ("", "choose"),
    ("none", "None"),
    ("pigment", "Pigment"),
    ("mineral", "Mineral"),
    ("fibre", "Fibre"),
    ("other", "Other: neither mineral nor fibre"),
)
SHAPES = (("thin_upright", "Thin upright tabs"),)
# g/cm3 of unfilled filament. Common practice, no source.
COMMON_DENSITIES = {
    "PLA": 1.24,
    "PETG": 1.27,
    "ABS": 1.04,
    "ASA": 1.07,
    "PC": 1.20,
    "PA6": 1.14,
    "PA12": 1.01,
    "TPU": 1.21,
    "PP": 0.90,
    "HIPS": 1.04,
}
_TEXTS = ("finish", "filler", "filler_kind", "reason")
_DRYING = ("dry_c", "dry_h", "softening_c", "dry_for_h", "dry_for_open_h")
_LIVES = ("shelf_life_days", "open_life_days")
# Required fields of a grade. The other fields may be emptied.
_ALWAYS_TEXTS = ("polymer", "color_name")
_ALWAYS_NUMBERS = ("nominal_diameter_mm", "density_g_cm3")
_MAY_BE_NONE = ("finish", "filler", "shade_id", *_DRYING, *_LIVES)
# A list of the API -> the prefix of its boxes, and the choices.
_BOXES = {"forbidden_uses": ("forbid", USES), "permitted_uses": ("permit", USES), "forbidden_shapes": ("shape", SHAPES)}


@pages.get("/grades")
@signed_in((Grades, "GET"))
def grades() -> str:
    """Shows all grades with their forbidden uses, those to review first."""
    found = every(partial(catalog.listed, "grade"))
    found.sort(key=lambda one: not one["to_review"])
    return render_template("setup/grades.html", grades=found)


@pages.get("/grades/new")
@signed_in((Grades, "POST"))
def new_grade() -> str:
    """Shows the form for a new grade."""
    return _form({}, None, None)


@pages.post("/grades/new")
@signed_in((Grades, "POST"))
def grade_added() -> Any:
    """Adds a grade."""
    typed = request.form.to_dict()
    code = {"code": text} if (text := typed.get("code", "").strip()) else {}
    body = {**code, **{name: value for name, value in _body(typed).items() if value not in (None, "")}}

    def add() -> str:
        if "filler_kind" not in body:
            raise Invalid(Fault("/filler_kind", "The kind of filler is required.", "Choose one."))
        made = catalog.add("grade", checked(GradeArgs, body), g.me["name"])
        return url_for("pages.grade", number=made["id"], added="yes")

    done = once(add, GradeArgs)
    return (_form(typed, None, done), done.status) if isinstance(done, Refusal) else done


@pages.get(f"/grades/<{NUMBER}:number>")
@signed_in((OneGrade, "GET"))
def grade(number: int) -> Any:
    """Shows one grade: forbidden uses with reasons, limits, and the form that corrects it."""
    found = attempt(lambda: catalog.get("grade", number))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.grades"))
    return _form(_typed_of(found), found, None)


@pages.post(f"/grades/<{NUMBER}:number>")
@signed_in((OneGrade, "PATCH"))
def grade_changed(number: int) -> Any:
    """Corrects a grade, except its code and the fields that its lots were assessed with."""
    typed = request.form.to_dict()
    body = {name: value for name, value in _body(typed).items() if value is not None or name in _MAY_BE_NONE}
    version = version_read()

    def change() -> str:
        # The form leaves out fields that cannot change any more.
        for name in ("nominal_diameter_mm", "shade_id"):
            if name not in typed:
                body.pop(name, None)
        catalog.change("grade", number, version, checked(GradeChange, body), g.me["name"])
        return url_for("pages.grade", number=number)

    done = once(change, GradeChange)
    if not isinstance(done, Refusal):
        return done
    found = attempt(lambda: catalog.get("grade", number))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.grades"))
    return _form(typed, found, done), done.status


def _body(typed: Mapping[str, str]) -> dict[str, Any]:
    """Returns the form as the body of the API; None for a text that was left empty."""
    body: dict[str, Any] = {name: typed.get(name, "").strip() or None for name in _TEXTS}
    numbers = ("shade_id", *_DRYING, *_LIVES)
    body |= {name: number(text) if (text := typed.get(name, "").strip()) else None for name in numbers}
    body |= {name: typed.get(name, "").strip() for name in _ALWAYS_TEXTS}
    body |= {name: number(typed.get(name, "")) for name in _ALWAYS_NUMBERS}
    body["brightened"] = "brightened" in typed
    body["cautions"] = [line.strip() for line in typed.get("cautions", "").splitlines() if line.strip()]
    for name, (box, choices) in _BOXES.items():
        body[name] = [one for one, _ in choices if f"{box}_{one}" in typed]
    return body


def _typed_of(found: Mapping[str, Any]) -> dict[str, str]:
    """Returns a grade as its form shows it. Ticks are statements of quality, not consequences of finish and filler."""
    typed = {name: found.get(name) or "" for name in _TEXTS}
    typed |= {name: found[name] for name in _ALWAYS_TEXTS}
    numbers = (*_ALWAYS_NUMBERS, *_DRYING, *_LIVES)
    typed |= {name: "" if found[name] is None else place().number(found[name]) for name in numbers}
    typed["shade_id"] = "" if found["shade_id"] is None else str(found["shade_id"])
    typed |= {"brightened": "on"} if found["brightened"] else {}
    typed["cautions"] = "\n".join(found["cautions"])
    stated = [one["use"] for one in found["forbidden"] if one["source"] in ("quality", "caution")]
    ticked = {
        "forbidden_uses": stated,
        "permitted_uses": found["permitted_uses"],
        "forbidden_shapes": found["forbidden_shapes"],
    }
    boxes = {f"{box}_{one}": "on" for name, (box, _) in _BOXES.items() for one in ticked[name] if one}
    return {**typed, **boxes}


def _form(typed: Mapping[str, str], found: Shown | None, not_done: Refusal | None) -> str:
    shades = catalog.directory("shade")["shades"]
    return render_template(
        "setup/grade.html",
        typed=typed,
        grade=found,
        refused=not_done,
        faults=not_done.beside() if not_done else {},
        kinds=FILLER_KINDS,
        uses=USES,
        shapes=SHAPES,
        shades=[("", "none"), *((one["id"], f"{one['code']}: {one['says']}") for one in shades)],
        densities=COMMON_DENSITIES,
        settled=found is not None and catalog.has_lots(found["id"]),
        limits=catalog.newest_limits(found["id"]) if found else None,
        added=request.args.get("added") == "yes",
    )
