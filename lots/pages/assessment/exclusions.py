"""Outliers of a lot: the outlier tests, and the exclusion and inclusion of readings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.readings.replicates import Exclude, ExcludeArgs, Include, IncludeArgs, Replicates
from lots.domain.characteristics.registry import DECLARED
from lots.domain.replicates.repeats import CAUSES
from lots.pages.site.calls import Refusal, Shown, attempt, checked, once
from lots.pages.site.frame import pages, refused
from lots.pages.site.results import pack_result
from lots.pages.site.session import signed_in
from lots.services.assessment import exclusions, repeats
from lots.services.readings import recording

_CAUSES = tuple((cause, f"{cause.capitalize()}: {words}") for cause, words in CAUSES.items())


@pages.get(f"/lots/<{NUMBER}:number>/outliers")
@signed_in((Replicates, "GET"), (Exclude, "POST"))
def outliers(number: int) -> Any:
    """Shows the outlier tests of a lot, with links to exclude and to include readings."""
    found = attempt(lambda: repeats.of_lot(number))
    if isinstance(found, Refusal):
        return render_template("lots/no_lot.html", number=number), found.status
    return render_template("readings/outliers.html", lot=found, declared=DECLARED)


@pages.get(f"/readings/<{NUMBER}:number>/exclude")
@signed_in((Replicates, "GET"), (Exclude, "POST"), (Include, "POST"))
def excluding(number: int) -> Any:
    """Shows the outlier test of a reading, and the form that excludes it or includes it again."""
    return _form(number, {}, None)


@pages.post(f"/readings/<{NUMBER}:number>/exclude")
@signed_in((Exclude, "POST"))
def excluded(number: int) -> Any:
    """Excludes an outlier for a cause."""
    body = {name: request.form.get(name, "").strip() for name in ("cause", "reason")}

    def leave_out() -> str:
        said = checked(ExcludeArgs, body)
        done: Any = exclusions.exclude(number, said["cause"], said["reason"], g.me["name"])
        return _led(done, f"Reading {number} is excluded")

    done = once(leave_out, ExcludeArgs)
    return _form(number, body, done) if isinstance(done, Refusal) else done


@pages.post(f"/readings/<{NUMBER}:number>/include")
@signed_in((Include, "POST"))
def included(number: int) -> Any:
    """Includes an excluded reading again."""
    body = {"reason": request.form.get("reason", "").strip()}

    def take_in() -> str:
        done: Any = exclusions.include(number, checked(IncludeArgs, body)["reason"], g.me["name"])
        return _led(done, f"Reading {number} is included again")

    done = once(take_in, IncludeArgs)
    return _form(number, body, done) if isinstance(done, Refusal) else done


def _led(done: Shown, title: str) -> str:
    """Returns the address of the page of the lot, with the result."""
    lot = {**done["lot"], "standing_before": done["before"]["standing"]}
    result = pack_result(title, done["lot"]["says"], lots=[lot])
    return url_for("pages.lot", number=done["lot_id"], result=result)


def _form(number: int, typed: Mapping[str, str], not_done: Refusal | None) -> Any:
    reading: Any = attempt(lambda: recording.whole_reading(number))
    if isinstance(reading, Refusal):
        return refused(reading, url_for("pages.quality"))
    lot: Any = repeats.of_lot(reading["lot_id"])
    figures = [
        figure
        for part in lot["characteristics"]
        if part["characteristic"] == reading["kind"]
        for figure in part["figures"]
    ]
    flagged = [one for figure in figures for one in figure["outliers"]["flagged"] if one["reading_id"] == number]
    page = render_template(
        "readings/exclude.html",
        reading=reading,
        says=DECLARED[reading["kind"]].says(reading),
        lot=lot,
        figures=figures,
        flagged=flagged,
        none=DECLARED[reading["kind"]].repeats.none,
        causes=_CAUSES,
        declared=DECLARED,
        typed=typed,
        refused=not_done,
        faults=not_done.beside() if not_done else {},
    )
    return page, not_done.status if not_done else 200
