"""Manual decisions on a lot: block, hold, lift, return, scrap. A lot whose readings fail cannot be released."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.assessment.decisions import DecisionArgs, Decisions
from lots.api.http.fields import NUMBER
from lots.api.production.tracing import Exposure
from lots.domain.assessment.standing_by_hand import ACTIONS
from lots.pages.site.calls import Refusal, attempt, checked, once
from lots.pages.site.frame import answered, pages
from lots.pages.site.results import pack_result, reached_of
from lots.pages.site.session import signed_in
from lots.services.assessment import decisions
from lots.services.receiving import receiving

# A decision -> its button and its effect.
_ACTS = {
    "block": ("Block", "No spool of the lot can be loaded until quality lifts the block. Loaded spools must come off."),
    "hold": (
        "Hold",
        "No spool of the lot can be loaded until quality lifts the hold. A lot that its readings block stays blocked. Loaded spools must come off.",
    ),
    "lift": ("Lift the decision on", "The readings decide again. A lot whose readings fail cannot be released."),
    "return": ("Return", "The lot goes back to the supplier. You confirm this on the next page."),
    "scrap": ("Scrap", "The lot is discarded. You confirm this on the next page."),
}


@pages.get(f"/lots/<{NUMBER}:number>/decide")
@signed_in((Decisions, "POST"), (Decisions, "GET"), (Exposure, "GET"))
def deciding(number: int) -> Any:
    """Shows the form of a manual decision, with its effect and the loaded spools."""
    action = request.args.get("action", "")
    return _form(number, {"action": action if action in ACTIONS else "block", "reason": ""}, None)


@pages.post(f"/lots/<{NUMBER}:number>/decide")
@signed_in((Decisions, "POST"))
def decide(number: int) -> Any:
    """Stores a manual decision on a lot. A return or a scrapping is first confirmed on a page of its own."""
    body = {name: request.form.get(name, "").strip() for name in ("action", "reason")}
    known = body["action"] in ACTIONS
    if body["action"] in ("return", "scrap") and request.form.get("confirm") != f"{body['action']} {number}":
        wrong = attempt(partial(checked, DecisionArgs, body), DecisionArgs) if known else None
        return _form(number, body, wrong) if isinstance(wrong, Refusal) else _confirm(number, body)
    back = url_for("pages.lot", number=number)

    def take() -> str:
        said = checked(DecisionArgs, body)
        done: Any = decisions.decide(number, said["action"], said["reason"], g.me["name"])
        result = pack_result("Decision stored", done["lot"]["says"], reached=reached_of(done["lot"]))
        return url_for("pages.lot", number=number, result=result)

    done = once(take, DecisionArgs)
    if isinstance(done, Refusal) and known:
        return _form(number, body, done)
    return answered(done, back)


def _confirm(number: int, body: Mapping[str, str]) -> Any:
    lot = attempt(lambda: receiving.get_lot(number))
    if isinstance(lot, Refusal):
        return render_template("lots/no_lot.html", number=number), lot.status
    return render_template("assessment/confirm.html", lot=lot, asked=body)


def _form(number: int, typed: Mapping[str, str], refused: Refusal | None) -> Any:
    lot = attempt(lambda: receiving.get_lot(number))
    if isinstance(lot, Refusal):
        return render_template("lots/no_lot.html", number=number), lot.status
    verb, does = _ACTS[typed["action"]]
    page = render_template(
        "assessment/decide.html",
        lot=lot,
        typed=typed,
        verb=verb,
        does=does,
        why_not=decisions.why_not(number, typed["action"], g.me["name"]),
        exposure=receiving.exposure(number),
        refused=refused,
        faults=refused.beside() if refused else {},
    )
    return page, refused.status if refused else 200
