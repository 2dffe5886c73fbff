"""Suspect builds, whose control print lies outside its chart, until quality lifts the doubt."""

from __future__ import annotations

from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.readings.build_doubts import BuildDoubts, Lift, LiftArgs
from lots.domain.characteristics.registry import DECLARED
from lots.pages.site.calls import Refusal, attempt, checked, once
from lots.pages.site.frame import pages, refused
from lots.pages.site.results import pack_result
from lots.pages.site.session import signed_in
from lots.services.readings import build_doubts


@pages.get(f"/build-doubts/<{NUMBER}:number>")
@signed_in((BuildDoubts, "GET"), (Lift, "POST"))
def build_doubt(number: int) -> Any:
    """Shows a suspect build, and the form that lifts the doubt."""
    return _shown(number, "", None)


@pages.post(f"/build-doubts/<{NUMBER}:number>")
@signed_in((Lift, "POST"))
def build_doubt_lifted(number: int) -> Any:
    """Lifts a doubt about a build: its prints count again."""
    reason = request.form.get("reason", "").strip()

    def lift() -> str:
        done: Any = build_doubts.lift(number, checked(LiftArgs, {"reason": reason})["reason"], g.me["name"])
        result = pack_result(
            "Doubt lifted", "The prints of this build count again. Their lots were assessed again.", lots=done["lots"]
        )
        return url_for("pages.build_doubt", number=number, result=result)

    done = once(lift, LiftArgs)
    return _shown(number, reason, done) if isinstance(done, Refusal) else done


def _shown(number: int, reason: str, not_done: Refusal | None) -> Any:
    found = attempt(lambda: build_doubts.get(number))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.quality", _anchor="builds"))
    page = render_template(
        "assessment/build_doubt.html",
        doubt=found,
        declared=DECLARED,
        reason=reason,
        refused=not_done,
        faults=not_done.beside() if not_done else {},
    )
    return page, not_done.status if not_done else 200
