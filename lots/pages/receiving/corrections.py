"""A delivery that was logged wrongly: the form that corrects it, and quality's form that closes it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import g, redirect, render_template, request, url_for

from lots.pages.readings.bench import number as as_number
from lots.pages.receiving.deliveries import choices, split_codes
from lots.pages.site.api_client import Answer, ask, at, end_of
from lots.pages.site.frame import pages
from lots.pages.site.session import signed_in

_TEXTS = ("order_ref", "currency", "note")
_FIELDS = (
    *("supplier_id", "grade_id", "supplier_lot", "received_at", "due_at", "cost", "spool_count", "net_mass_g"),
    *(*_TEXTS, "reason", "further"),
)
_CONFIRMED = ("confirm_new_lot", "confirm_spool_count")
_MASS = "mass-"


@pages.get("/receiving/<int:number>/correct")
@signed_in("receiving", "quality")
def correcting(number: int) -> Any:
    """The form that corrects a delivery, filled with what is known of it."""
    answer = ask("GET", at("deliveries", number))
    if not answer.good:
        return render_template("receiving/correct.html", answer=answer), answer.status
    return _form(answer, _known(answer.body), None)


@pages.post("/receiving/<int:number>/correct")
@signed_in("receiving", "quality")
def corrected(number: int) -> Any:
    """Corrects a delivery by what was changed in the form."""
    answer = ask("GET", at("deliveries", number))
    if not answer.good:
        return render_template("receiving/correct.html", answer=answer), answer.status
    typed = {name: request.form.get(name, "").strip() for name in (*_FIELDS, *_CONFIRMED)}
    typed |= {name: value.strip() for name, value in request.form.items() if name.startswith(_MASS)}
    # By the ETag that the form was made from: whatever changed since is not written over.
    done = ask("PATCH", at("deliveries", number), _body(typed, answer.body), etag=request.form.get("etag"))
    if done.good:
        return redirect(url_for("pages.received", number=number))
    return _form(answer, typed, done), done.status


def _form(answer: Answer, typed: Mapping[str, str], done: Answer | None) -> str:
    page: str = render_template(
        "receiving/correct.html",
        answer=answer,
        delivery=answer.body,
        etag=request.form.get("etag") or answer.etag,
        typed=typed,
        withdrawn=request.form.getlist("withdraw"),
        done=done,
        faults=_faults(done) if done else {},
        quality=g.me["role"] in ("quality", "admin"),
        **choices(),
    )
    return page


def _faults(done: Answer) -> dict[str, list[str]]:
    """What was refused, at the field it was typed in; what has none stands above."""
    found: dict[str, list[str]] = {}
    for fault in done.body.get("errors", ()):
        name = fault["pointer"].strip("/").partition("/")[0]
        place = {"add": "further"}.get(name, name if name in _FIELDS else "")
        found.setdefault(place, []).append(" ".join(filter(None, (fault["detail"], fault.get("hint")))))
    return found


def _known(delivery: Mapping[str, Any]) -> dict[str, str]:
    """What stands in the form at first."""
    known = {name: delivery[name] for name in ("order_ref", "received_at", "cost", "currency", "note")}
    known |= {"supplier_id": delivery["supplier_id"], "grade_id": delivery["grade_id"]}
    known |= {"supplier_lot": delivery["lot"]["supplier_lot"], "due_at": (delivery["due_at"] or "")[:10]}
    known |= {f"{_MASS}{one['code']}": f"{one['net_mass_g']:g}" for one in delivery["spools"]}
    return {name: "" if value is None else str(value) for name, value in known.items()}


def _body(typed: Mapping[str, str], delivery: Mapping[str, Any]) -> dict[str, Any]:
    """What was changed, as the API takes it. A field that was emptied is none any more."""
    known = _known(delivery)
    body: dict[str, Any] = {}
    for name in (*_TEXTS, "supplier_lot", "received_at"):
        if typed[name] != known[name].strip():
            body[name] = typed[name] or None
    for name in ("supplier_id", "grade_id", "cost"):
        if typed[name] != known[name]:
            body[name] = as_number(typed[name]) if typed[name] else None
    if typed["due_at"] != known["due_at"]:
        body["due_at"] = end_of(typed["due_at"]) if typed["due_at"] else None
    body |= {name: as_number(typed[name]) for name in ("spool_count", "net_mass_g") if typed[name]}
    gone = request.form.getlist("withdraw")
    masses = [
        {"code": name.removeprefix(_MASS), "net_mass_g": as_number(value)}
        for name, value in typed.items()
        if name.startswith(_MASS) and value and value != known.get(name) and name.removeprefix(_MASS) not in gone
    ]
    further, _, _ = split_codes(typed["further"])
    body |= {name: listed for name, listed in (("withdraw", gone), ("spools", masses), ("add", further)) if listed}
    body |= {name: True for name in _CONFIRMED if typed[name] == "yes"}
    return body | ({"reason": typed["reason"]} if typed["reason"] else {})


@pages.post("/receiving/<int:number>/close")
@signed_in("quality")
def closed(number: int) -> Any:
    """Closes a delivery."""
    back = url_for("pages.correcting", number=number)
    body = {"reason": request.form.get("reason", "").strip()}
    done = ask("POST", at("deliveries", number, "close"), body, key=request.form.get("once"))
    if done.good:
        return redirect(url_for("pages.received", number=number))
    return render_template("site/refused.html", answer=done, back=back), done.status
