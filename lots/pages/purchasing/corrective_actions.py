"""Corrective actions: requested from a supplier, answered, and closed on later conforming lots."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.purchasing.corrective_actions import (
    ActionArgs,
    Actions,
    AnswerAction,
    AnswerArgs,
    CloseAction,
    CloseActionArgs,
    LotActions,
)
from lots.pages.site.calls import Refusal, attempt, checked, every, once
from lots.pages.site.frame import pages, refused
from lots.pages.site.place import end_of
from lots.pages.site.results import pack_result
from lots.pages.site.session import signed_in
from lots.services import clock
from lots.services.purchasing import corrective_actions
from lots.services.receiving import receiving

_ANSWER = ("cause", "action", "answered_by", "evidence")


@pages.get("/corrective-actions")
@signed_in((Actions, "GET"))
def actions() -> str:
    """Shows all corrective actions, open ones first, the oldest first."""
    found = every(partial(corrective_actions.listed, {}))
    return render_template("purchasing/actions.html", actions=sorted(found, key=lambda one: one["state"] == "closed"))


@pages.get(f"/lots/<{NUMBER}:number>/corrective-actions")
@signed_in((LotActions, "GET"), (LotActions, "POST"))
def action_form(number: int) -> Any:
    """Shows the form that requests a corrective action for a lot."""
    return _form(number, {}, None)


@pages.post(f"/lots/<{NUMBER}:number>/corrective-actions")
@signed_in((LotActions, "POST"))
def ask_action(number: int) -> Any:
    """Requests a corrective action from the supplier of a lot."""
    typed = {name: request.form.get(name, "").strip() for name in ("requested_action", "due_at")}
    body = {"requested_action": typed["requested_action"]}
    if typed["due_at"]:
        body["due_at"] = end_of(typed["due_at"])

    def request_it() -> str:
        made: Any = corrective_actions.request(number, checked(ActionArgs, body), g.me["name"])
        result = pack_result("Corrective action requested", made["says"])
        return url_for("pages.corrective_action", number=made["id"], result=result)

    done = once(request_it, ActionArgs)
    return _form(number, typed, done) if isinstance(done, Refusal) else done


def _form(number: int, typed: Mapping[str, str], not_done: Refusal | None) -> Any:
    lot = attempt(lambda: receiving.get_lot(number))
    if isinstance(lot, Refusal):
        return render_template("lots/no_lot.html", number=number), lot.status
    page = render_template(
        "purchasing/action_form.html",
        lot=lot,
        known=every(partial(corrective_actions.of_lot, number)),
        typed=typed,
        refused=not_done,
        faults=not_done.beside() if not_done else {},
    )
    return page, not_done.status if not_done else 200


@pages.get(f"/corrective-actions/<{NUMBER}:number>")
@signed_in((Actions, "GET"))
def corrective_action(number: int) -> Any:
    """Shows one corrective action: request, answer and closing."""
    return _shown(number, {}, None)


@pages.post(f"/corrective-actions/<{NUMBER}:number>/answer")
@signed_in((AnswerAction, "POST"))
def note_answer(number: int) -> Any:
    """Stores the answer of a supplier."""
    typed = {name: request.form.get(name, "").strip() for name in _ANSWER}
    body = {name: text for name, text in typed.items() if text}

    def note() -> str:
        done: Any = corrective_actions.answer(number, checked(AnswerArgs, body), g.me["name"])
        result = pack_result("Answer stored", done["says"])
        return url_for("pages.corrective_action", number=number, result=result)

    done = once(note, AnswerArgs)
    return _shown(number, typed, done) if isinstance(done, Refusal) else done


@pages.post(f"/corrective-actions/<{NUMBER}:number>/close")
@signed_in((CloseAction, "POST"))
def close_action(number: int) -> Any:
    """Closes a corrective action after enough conforming lots have followed its answer."""
    typed = {"note": request.form.get("note", "").strip()}

    def close() -> str:
        done: Any = corrective_actions.close(number, checked(CloseActionArgs, typed)["note"], g.me["name"])
        return url_for(
            "pages.corrective_action", number=number, result=pack_result("Corrective action closed", done["says"])
        )

    done = once(close, CloseActionArgs)
    return _shown(number, typed, done) if isinstance(done, Refusal) else done


def _shown(number: int, typed: Mapping[str, str], not_done: Refusal | None) -> Any:
    found = attempt(lambda: corrective_actions.one(number, clock.now()))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.actions"))
    page = render_template(
        "purchasing/action.html",
        one=found,
        typed=typed,
        refused=not_done,
        faults=not_done.beside() if not_done else {},
    )
    return page, not_done.status if not_done else 200
