"""Test prints and their recipes, in numbered revisions that never change."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.setup.form_fields import form_fields
from lots.api.setup.test_prints import OneTestPrint, RecipeArgs, Recipes, TestPrintArgs, TestPrints
from lots.pages.setup.schema_forms import beside, body_of, typed_of, words_of
from lots.pages.site.calls import Refusal, Shown, attempt, checked, every, once
from lots.pages.site.frame import pages, refused
from lots.pages.site.session import may, signed_in
from lots.services.setup import test_prints as services


@pages.get("/setup/test-prints", endpoint="test_prints")
@signed_in((TestPrints, "GET"))
def print_list() -> str:
    """Shows all test prints with their newest recipe, and the form for a new one."""
    return _list({}, None)


@pages.post("/setup/test-prints")
@signed_in((TestPrints, "POST"))
def print_added() -> Any:
    """Adds a test print and redirects to its page, where its recipe is added."""
    typed = request.form.to_dict()

    def add() -> str:
        made = services.add(checked(TestPrintArgs, body_of(form_fields(TestPrintArgs), typed)), g.me["name"])
        return url_for("pages.test_print", number=made["id"])

    done = once(add, TestPrintArgs)
    return (_list(typed, done), done.status) if isinstance(done, Refusal) else done


@pages.get(f"/setup/test-prints/<{NUMBER}:number>", endpoint="test_print")
@signed_in((OneTestPrint, "GET"))
def one_print(number: int) -> Any:
    """Shows one test print: its recipes with their changes, and the form for the next one, filled with the newest."""
    return _one(number, None, None)


@pages.post(f"/setup/test-prints/<{NUMBER}:number>")
@signed_in((Recipes, "POST"))
def recipe_added(number: int) -> Any:
    """Adds the next revision of a recipe."""
    typed = request.form.to_dict()

    def add() -> str:
        services.add_revision(number, checked(RecipeArgs, body_of(form_fields(RecipeArgs), typed)), g.me["name"])
        return url_for("pages.test_print", number=number)

    done = once(add, RecipeArgs)
    return _one(number, typed, done) if isinstance(done, Refusal) else done


def _list(typed: Mapping[str, str], not_done: Refusal | None) -> str:
    return render_template(
        "setup/test_prints.html",
        rows=every(services.listed),
        typed=typed,
        asked_of=form_fields(TestPrintArgs),
        may_add=may("pages.print_added"),
        refused=not_done,
        faults=beside(not_done),
    )


def _one(number: int, typed: Mapping[str, str] | None, not_done: Refusal | None) -> Any:
    found = attempt(partial(_read, number))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.test_prints"))
    one, recipes = found
    asked = form_fields(RecipeArgs)
    said = [
        {field.label: words_of(field, row[field.name]) for field in asked if row[field.name] is not None}
        for row in recipes
    ]
    newest = {name: text for name, text in typed_of(asked, recipes[-1]).items() if name != "note"} if recipes else {}
    answer = render_template(
        "setup/test_print.html",
        one=one,
        rows=[
            (row, now, {label for label in now if before is not None and before.get(label) != now[label]})
            for row, now, before in zip(recipes, said, [None, *said], strict=False)
        ][::-1],
        typed=newest if typed is None else typed,
        asked_of=asked,
        may_add=may("pages.recipe_added"),
        refused=not_done,
        faults=beside(not_done),
    )
    return (answer, not_done.status) if not_done else answer


def _read(number: int) -> tuple[Shown, list[Shown]]:
    return services.get(number), [*every(partial(services.revisions, number))]
