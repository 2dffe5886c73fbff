"""Decision risk: the probabilities that a lot on its limit is accepted and that a good lot is held or rejected."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import render_template, request
from markupsafe import Markup

from lots.api.pictures import decision_risk as picture
from lots.api.setup.decision_risk import DecisionRisk, RiskArgs
from lots.pages.setup.schema_forms import beside
from lots.pages.site.calls import Refusal, Shown, attempt, checked
from lots.pages.site.frame import pages
from lots.pages.site.place import grade_choice
from lots.pages.site.session import signed_in
from lots.services.setup import catalog, decision_risk

_ASKED = ("grade_id", "spools", "readings", "spools_in_lot", "instrument_id")


@pages.get("/decision-risk", endpoint="decision_risk")
@signed_in((DecisionRisk, "GET"))
def risk_page() -> Any:
    """Shows the decision risks of a grade's newest limits, and the effect of another sample or instrument."""
    typed = {name: text for name in _ASKED if (text := request.args.get(name, "").strip())}
    found = attempt(lambda: _risks(typed), RiskArgs) if typed.get("grade_id") else None
    not_done = found if isinstance(found, Refusal) else None
    risks = None if isinstance(found, Refusal) else found
    known = [one for one in risks["measures"] if one["false_accept_probability"] is not None] if risks else []
    listed = catalog.directory("grade", "instrument")
    answer = render_template(
        "setup/decision_risk.html",
        typed=typed,
        risks=risks,
        measures=risks["measures"] if risks else [],
        worst=max(
            known, key=lambda one: one["false_accept_probability"] + one["false_reject_probability"], default=None
        ),
        picture=Markup(picture.draw({**risks})) if risks else "",  # noqa: S704  # our own drawing
        grades=[("", "choose"), *map(grade_choice, listed["grades"])],
        instruments=[("", "the most used instrument"), *((one["id"], one["code"]) for one in listed["instruments"])],
        grade=next((one for one in listed["grades"] if str(one["id"]) == typed.get("grade_id")), None),
        refused=not_done,
        faults=beside(not_done),
    )
    return (answer, not_done.status) if not_done else answer


def _risks(typed: Mapping[str, str]) -> Shown:
    return decision_risk.decision_risk(checked(RiskArgs, typed))
