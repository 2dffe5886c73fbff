"""Corrections of a delivery: the form that corrects it, and quality's form that closes it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.receiving.delivery_corrections import Closing, ClosingArgs, DeliveryChange, OneDelivery
from lots.pages.receiving import received_at
from lots.pages.receiving.deliveries import choices, split_codes
from lots.pages.site.calls import Refusal, Shown, attempt, checked, once, version_read
from lots.pages.site.frame import answered, pages
from lots.pages.site.place import day_field, end_of, moment_field, num, number, place
from lots.pages.site.session import may_call, signed_in
from lots.services.receiving import deliveries
from lots.services.setup import catalog

_TEXTS = ("order_ref", "currency", "note")
_FIELDS = (
    *(
        "supplier_id",
        "grade_id",
        "supplier_lot",
        "received_at",
        "ordered_at",
        "due_at",
        "cost",
        "spool_count",
        "net_mass_g",
    ),
    *(*_TEXTS, "received_which", "reason", "further"),
)
_CONFIRMED = ("confirm_new_lot", "confirm_spool_count")
_MASS = "mass-"


@pages.get(f"/receiving/<{NUMBER}:number>/correct")
@signed_in((OneDelivery, "GET"), (OneDelivery, "PATCH"))
def correcting(number: int) -> Any:
    """Shows the form that corrects a delivery, filled with its present values."""
    found = attempt(lambda: deliveries.get(number))
    if isinstance(found, Refusal):
        return render_template("receiving/correct.html", unknown=found), found.status
    return _form(found, _known(found), found["version"])


@pages.post(f"/receiving/<{NUMBER}:number>/correct")
@signed_in((OneDelivery, "PATCH"))
def corrected(number: int) -> Any:
    """Corrects a delivery by the fields that were changed."""
    found = attempt(lambda: deliveries.get(number))
    if isinstance(found, Refusal):
        return render_template("receiving/correct.html", unknown=found), found.status
    typed = {name: request.form.get(name, "").strip() for name in (*_FIELDS, *_CONFIRMED)}
    typed |= {name: value.strip() for name, value in request.form.items() if name.startswith(_MASS)}
    version = version_read()

    def correct() -> str:
        body = checked(DeliveryChange, _body(typed, found))
        deliveries.correct(number, version, body, g.me["name"], g.me["role"])
        return url_for("pages.received", number=number)

    done = once(correct, DeliveryChange)
    return (_form(found, typed, version, done), done.status) if isinstance(done, Refusal) else done


def _form(delivery: Shown, typed: Mapping[str, str], version: object, refused: Refusal | None = None) -> str:
    return render_template(
        "receiving/correct.html",
        delivery=delivery,
        version=version,
        typed=typed,
        withdrawn=request.form.getlist("withdraw"),
        refused=refused,
        faults=_faults(refused) if refused else {},
        which=received_at.which(typed),
        zone=place().time_zone,
        quality=may_call(Closing, "POST"),
        **choices(catalog.directory("supplier", "grade")),
    )


def _faults(refused: Refusal) -> dict[str, list[str]]:
    """Returns the faults by the field of the form; "" holds those without a field."""
    found: dict[str, list[str]] = {}
    for name, says in refused.beside().items():
        place = {"add": "further"}.get(name, name if name in _FIELDS else "")
        found.setdefault(place, []).extend(says)
    return found


def _known(delivery: Mapping[str, Any]) -> dict[str, str]:
    """Returns the present values of a delivery as the form shows them."""
    known = {name: delivery[name] for name in ("order_ref", "currency", "note")}
    known |= {"cost": num(delivery["cost"]), "received_at": moment_field(delivery["received_at"])}
    known |= {"received_which": received_at.chosen(delivery["received_at"])}
    known |= {"supplier_id": delivery["supplier_id"], "grade_id": delivery["grade_id"]}
    known |= {"supplier_lot": delivery["lot"]["supplier_lot"], "due_at": day_field(delivery["due_at"])}
    known |= {"ordered_at": day_field(delivery["ordered_at"])}
    known |= {f"{_MASS}{one['code']}": num(one["net_mass_g"]) for one in delivery["spools"]}
    return {name: "" if value is None else str(value) for name, value in known.items()}


def _body(typed: Mapping[str, str], delivery: Shown) -> dict[str, Any]:
    """Returns the changes as the body of the API. An emptied field becomes None."""
    known = _known(delivery)
    body = _receipt(typed, known)
    body |= {name: number(typed[name]) for name in ("spool_count", "net_mass_g") if typed[name]}
    body |= _single_spools(typed, known)
    body |= {name: True for name in _CONFIRMED if typed[name] == "yes"}
    return body | ({"reason": typed["reason"]} if typed["reason"] else {})


def _receipt(typed: Mapping[str, str], known: Mapping[str, str]) -> dict[str, Any]:
    """Returns the changes of the lot and the receipt."""
    changed: dict[str, Any] = {
        name: typed[name] or None for name in (*_TEXTS, "supplier_lot") if typed[name] != known[name].strip()
    }
    for name in ("supplier_id", "grade_id", "cost"):
        if number(typed[name]) != number(known[name]):
            changed[name] = number(typed[name]) if typed[name] else None
    # The form shows minutes. An unchanged moment keeps its seconds.
    if any(typed[name] != known[name] for name in ("received_at", "received_which")):
        changed["received_at"] = received_at.received(typed) if typed["received_at"] else None
    for name in ("ordered_at", "due_at"):
        if typed[name] != known[name]:
            changed[name] = end_of(typed[name]) if typed[name] else None
    return changed


def _single_spools(typed: Mapping[str, str], known: Mapping[str, str]) -> dict[str, Any]:
    """Returns the spools to withdraw, with another mass, or to add; empty lists are left out."""
    gone = request.form.getlist("withdraw")
    masses = [
        {"code": name.removeprefix(_MASS), "net_mass_g": number(value)}
        for name, value in typed.items()
        if name.startswith(_MASS)
        and value
        and number(value) != number(known.get(name, ""))
        and name.removeprefix(_MASS) not in gone
    ]
    further, _, _ = split_codes(typed["further"])
    return {name: listed for name, listed in (("withdraw", gone), ("spools", masses), ("add", further)) if listed}


@pages.post(f"/receiving/<{NUMBER}:number>/close")
@signed_in((Closing, "POST"))
def closed(number: int) -> Any:
    """Closes a delivery."""
    body = {"reason": request.form.get("reason", "").strip()}

    def close() -> str:
        deliveries.close(number, checked(ClosingArgs, body)["reason"], g.me["name"])
        return url_for("pages.received", number=number)

    return answered(once(close, ClosingArgs), url_for("pages.correcting", number=number))
