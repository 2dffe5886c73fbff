"""Supplier certificates: stored with a delivery, and compared with the shop's own values."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.purchasing.certificates import (
    CertificateArgs,
    CertificateComparison,
    CertificateComparisonArgs,
    DeliveryCertificate,
)
from lots.domain.characteristics.registry import DECLARED, MEASURES
from lots.domain.words import counted, plural
from lots.pages.site.calls import Refusal, Told, attempt, checked, once
from lots.pages.site.frame import pages, refused
from lots.pages.site.place import end_of, grade_choice, number, place, start_of
from lots.pages.site.results import pack_result
from lots.pages.site.session import signed_in
from lots.services.errors import Fault, Invalid
from lots.services.purchasing import certificates as service
from lots.services.receiving import deliveries
from lots.services.setup import catalog

_ASKED = ("supplier_id", "grade_id", "received_from", "received_to")
_TEXTS = ("reference", "issued_at", "note")
# The newest deliveries with a link to their certificate.
_NEWEST = 20
_BARE = "Enter the value too, or leave the uncertainty empty."


@pages.get("/purchasing/certificates")
@signed_in((CertificateComparison, "GET"))
def certificates() -> Any:
    """Shows a supplier's certificates of a grade against the shop's own values. The address holds supplier, grade and days."""
    known = catalog.directory("supplier", "grade")
    typed = {name: request.args.get(name, "").strip() for name in _ASKED}
    chosen = bool(typed["supplier_id"] and typed["grade_id"])
    found = attempt(lambda: _compared(typed), CertificateComparisonArgs) if chosen else None
    not_done = found if isinstance(found, Refusal) else None
    shown = None if isinstance(found, Refusal) else found
    answer = render_template(
        "purchasing/certificates.html",
        typed=typed,
        a=shown,
        digits={name: one.decimals for name, one in MEASURES.items()},
        recent=_recent(shown) if shown else [],
        suppliers=[("", "choose"), *((one["id"], f"{one['code']}: {one['says']}") for one in known["suppliers"])],
        grades=[("", "choose"), *map(grade_choice, known["grades"])],
        refused=not_done,
        empty=not (known["suppliers"] and known["grades"]),
    )
    return (answer, not_done.status) if not_done else answer


def _compared(typed: Mapping[str, str]) -> Mapping[str, Any]:
    said = {name: typed[name] for name in ("supplier_id", "grade_id")}
    if day := typed["received_from"]:
        said["from"] = start_of("/from", day)
    if day := typed["received_to"]:
        said["to"] = end_of(day)
    asked = checked(CertificateComparisonArgs, said)
    span = asked.get("received_from"), asked.get("received_to")
    return service.compared(asked["supplier_id"], asked["grade_id"], *span)


def _recent(shown: Mapping[str, Any]) -> list[Any]:
    """Returns the newest deliveries of a supplier's grade."""
    filters = {"supplier_id": shown["supplier_id"], "grade_id": shown["grade_id"]}
    return deliveries.sorted_list(filters, "received", None, _NEWEST).rows


@pages.get(f"/deliveries/<{NUMBER}:number>/certificate")
@signed_in((DeliveryCertificate, "GET"), (DeliveryCertificate, "POST"))
def certificate(number: int) -> Any:
    """Shows the certificates of a delivery, and the form for a further one."""
    return _form(number, {}, None)


@pages.post(f"/deliveries/<{NUMBER}:number>/certificate")
@signed_in((DeliveryCertificate, "POST"))
def keep_certificate(number: int) -> Any:
    """Stores the values of a certificate."""
    names = (*_TEXTS, *(f"{kind}-{code}" for code in MEASURES for kind in ("value", "u")))
    typed = {name: text for name in names if (text := request.form.get(name, "").strip())}
    body, codes = _body(typed)

    def keep() -> str:
        bare = [place for place, code in enumerate(codes) if f"value-{code}" not in typed]
        if bare:
            raise Invalid(*(Fault(f"/values/{place}/value", _BARE) for place in bare))
        kept: Any = service.keep(number, checked(CertificateArgs, body), g.me["name"])
        n = len(body["values"])
        says = f"{counted(n, 'value')} of lot {kept['supplier_lot']} {plural(n, 'was', 'were')} stored. {kept['says']}"
        return url_for("pages.certificate", number=number, result=pack_result("Certificate stored", says))

    done = once(keep, CertificateArgs)
    return _form(number, typed, done, codes) if isinstance(done, Refusal) else done


def _body(typed: Mapping[str, str]) -> tuple[dict[str, Any], list[str]]:
    """Returns the form as the body of the API, and the measure of each value."""
    codes = [code for code in MEASURES if f"value-{code}" in typed or f"u-{code}" in typed]
    values = []
    for code in codes:
        one: dict[str, Any] = {"measure": code, "value": number(typed.get(f"value-{code}", ""))}
        if u := typed.get(f"u-{code}"):
            one["standard_uncertainty"] = number(u)
        values.append(one)
    body: dict[str, Any] = {name: typed[name] for name in ("reference", "note") if name in typed}
    if day := typed.get("issued_at"):
        body["issued_at"] = start_of("/issued_at", day)
    return {**body, "values": values}, codes


def _form(number: int, typed: Mapping[str, str], not_done: Refusal | None, codes: list[str] | None = None) -> Any:
    delivery: Any = attempt(lambda: deliveries.get(number))
    if isinstance(delivery, Refusal):
        return refused(delivery, url_for("pages.home"))
    kept: Any = attempt(lambda: service.of_delivery(number))
    certificates_ = [] if isinstance(kept, Refusal) else [kept, *kept["earlier"]]
    limited = _limited(delivery["grade_id"])
    rows = [(DECLARED[code.partition(".")[0]], one) for code, one in MEASURES.items()]
    page = render_template(
        "purchasing/certificate.html",
        delivery=delivery,
        kept=None if isinstance(kept, Refusal) else kept,
        digits={name: one.decimals for name, one in MEASURES.items()},
        # The name of each certificate in the table of values.
        sources={
            one["id"]: one["reference"] or f"stored {place().moment(one['recorded_at'])}" for one in certificates_
        },
        typed=typed,
        first=[one for declared, one in rows if declared.name in limited],
        others=[one for declared, one in rows if declared.name not in limited],
        refused=not_done,
        faults=_faults(not_done, codes or []) if not_done else {},
    )
    return page, not_done.status if not_done else 200


def _limited(grade_id: int) -> set[str]:
    """Returns the characteristics that the newest limits of a grade name. The form shows them first."""
    limits = catalog.newest_limits(grade_id) or {}
    return {name for name in DECLARED if limits.get(name)}


def _faults(not_done: Refusal, codes: list[str]) -> dict[str, list[str]]:
    """Returns the faults by the field of the form."""
    found: dict[str, list[str]] = {}
    for fault in not_done.faults:
        found.setdefault(_field(fault, codes), []).append(fault.says)
    return found


def _field(fault: Told, codes: list[str]) -> str:
    name, *below = fault.path
    if name != "values" or not below:
        return name
    kind = "u" if below[-1] == "standard_uncertainty" else "value"
    return f"{kind}-{codes[int(below[0])]}"
