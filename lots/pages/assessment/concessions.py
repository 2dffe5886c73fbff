"""Concessions: one person requests a concession, and a second person reviews its evidence and scope and approves it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.assessment.concessions import (
    Approve,
    ConcessionArgs,
    LotConcessions,
    OneConcession,
    Withdraw,
    WithdrawArgs,
)
from lots.api.assessment.decisions import Assessment
from lots.api.http.fields import NUMBER
from lots.api.production.tracing import Exposure
from lots.domain.assessment.limits_revision import GENERAL
from lots.domain.conformity.findings import LABELS, decimals_of
from lots.pages.production.check import USES
from lots.pages.site.calls import Refusal, Shown, attempt, checked, every, once
from lots.pages.site.frame import pages, refused
from lots.pages.site.place import moment_typed, number, place
from lots.pages.site.results import pack_result
from lots.pages.site.session import signed_in
from lots.services.assessment import concessions, decisions
from lots.services.errors import Fault, Invalid
from lots.services.production import conceded
from lots.services.receiving import receiving

_MOST_KG = 10_000
_TEXTS = ("max_mass_g", "valid_until", "reason", "requested_by")


@pages.get(f"/lots/<{NUMBER}:number>/concession")
@signed_in((LotConcessions, "GET"), (LotConcessions, "POST"))
def concession_form(number: int) -> Any:
    """Shows the concessions of a lot and the form that requests one."""
    return _form(number, {"finish_running": "yes"}, [], None)


@pages.post(f"/lots/<{NUMBER}:number>/concession")
@signed_in((LotConcessions, "POST"))
def concession_requested(number: int) -> Any:
    """Requests a concession."""
    typed = {name: request.form.get(name, "").strip() for name in (*_TEXTS, "finish_running")}
    uses = request.form.getlist("uses")

    def ask() -> str:
        body = checked(ConcessionArgs, _body(typed, uses))
        made: Any = concessions.request(number, body, g.me["name"])
        result = pack_result("Concession requested", "It permits nothing until a second person approves it.")
        return url_for("pages.concession", number=made["id"], result=result)

    done = once(ask, ConcessionArgs)
    return _form(number, typed, uses, done) if isinstance(done, Refusal) else done


def _body(typed: Mapping[str, str], uses: list[str]) -> dict[str, Any]:
    """Returns the form as the body of the API: kilograms as grams, the time at the site with its UTC offset."""
    body: dict[str, Any] = {"uses": uses, "finish_running": typed["finish_running"] == "yes", "reason": typed["reason"]}
    if typed["max_mass_g"]:
        body["max_mass_g"] = _grams(typed["max_mass_g"])
    if typed["valid_until"]:
        body["valid_until"] = moment_typed("/valid_until", typed["valid_until"])
    if typed["requested_by"]:
        body["requested_by"] = typed["requested_by"]
    return body


def _grams(text: str) -> Any:
    kilograms = number(text)
    if not isinstance(kilograms, int | float):
        return kilograms
    if kilograms > _MOST_KG:
        raise Invalid(Fault("/max_mass_g", f"{kilograms:g} kg is out of range.", f"Give at most {_MOST_KG} kg."))
    return round(kilograms * 1000, 6)


def _form(number: int, typed: Mapping[str, str], uses: list[str], not_done: Refusal | None) -> Any:
    lot = attempt(lambda: receiving.get_lot(number))
    if isinstance(lot, Refusal):
        return render_template("lots/no_lot.html", number=number), lot.status
    page = render_template(
        "assessment/concession_form.html",
        lot=lot,
        typed=typed,
        chosen=uses,
        uses=USES,
        known=every(partial(concessions.of_lot, number)),
        refused=not_done,
        faults=not_done.beside() if not_done else {},
    )
    return page, not_done.status if not_done else 200


@pages.get(f"/concessions/<{NUMBER}:number>")
@signed_in((OneConcession, "GET"), (Assessment, "GET"), (Exposure, "GET"))
def concession(number: int) -> Any:
    """Shows a concession to its approver: findings, exposure, scope and requester."""
    return _shown(number, None)


@pages.post(f"/concessions/<{NUMBER}:number>/approve")
@signed_in((Approve, "POST"))
def approve(number: int) -> Any:
    """Approves a concession that somebody else requested."""

    def agree() -> str:
        done: Any = concessions.approve(number, g.me["name"])
        return url_for("pages.concession", number=number, result=pack_result("Concession approved", done["says"]))

    done = once(agree)
    return _shown(number, done) if isinstance(done, Refusal) else done


@pages.post(f"/concessions/<{NUMBER}:number>/withdraw")
@signed_in((Withdraw, "POST"))
def withdraw_concession(number: int) -> Any:
    """Withdraws a concession and names the loads that still depend on it."""
    body = {"reason": request.form.get("reason", "").strip()}

    def take_back() -> str:
        done: Any = concessions.withdraw(number, checked(WithdrawArgs, body)["reason"], g.me["name"])
        off = [f"Take the spool off {load['machine']}, job {load['job']}." for load in done["running"]]
        return url_for(
            "pages.concession", number=number, result=pack_result("Concession withdrawn", done["says"], *off[:3])
        )

    done = once(take_back, WithdrawArgs)
    return _shown(number, done) if isinstance(done, Refusal) else done


def _shown(number: int, not_done: Refusal | None) -> Any:
    found: Any = attempt(lambda: conceded.shown(number))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.quality"))
    lot_id = int(found["lot_id"])
    assessed: Any = decisions.assessment(lot_id, None, None, None)
    asked_by = (found["requested_by"].casefold(), found["recorded_by"].casefold())
    page = render_template(
        "assessment/concession.html",
        c=found,
        lot=receiving.get_lot(lot_id),
        findings=list(_findings(assessed, found["uses"])),
        not_assessed=[use for use in found["uses"] if not {use, GENERAL} & set(assessed["uses"])],
        exposure=receiving.exposure(lot_id),
        mine=g.me["name"].casefold() in asked_by,
        refused=not_done,
        faults=not_done.beside() if not_done else {},
    )
    return page, not_done.status if not_done else 200


_ORDER = {"fail": 0, "near": 1, "missing": 2, "pass": 3}


def _findings(assessed: Shown, uses: Sequence[str]) -> Iterator[dict[str, Any]]:
    """Yields the required findings, failing ones first, with value, limit, margin and probability of conformity as shown.

    `concerned` is true for a finding that one of these uses requires.
    """
    required = (one for one in assessed["findings"] if one["uses"])
    for one in sorted(required, key=lambda one: _ORDER[one["verdict"]]):
        written = partial(place().number, digits=max(decimals_of(one["code"]), 2))
        unit = f" {one['unit']}" if one["unit"] else ""
        yield {
            **one,
            "concerned": bool({*uses, GENERAL} & set(one["uses"])),
            "label": LABELS.get(one["code"], one["code"]) + (f" ({one['subject']})" if one["subject"] else ""),
            "value": "not measured" if one["value"] is None else written(one["value"]) + unit,
            "limit": _limit(one, written) + unit,
            "margin": "" if one["margin"] is None else written(one["margin"]) + unit,
        }


def _limit(finding: Mapping[str, Any], written: Callable[[float], str]) -> str:
    """Returns the limit of a finding in words. The margin tells whether a single limit is an upper or a lower one."""
    limit, value, margin = finding["limit"], finding["value"], finding["margin"]
    if isinstance(limit, list):
        return " to ".join(written(end) for end in limit if end is not None)
    if value is None or margin is None:
        return written(limit)
    is_upper = abs(limit - value - margin) <= abs(value - limit - margin)
    return f"{'at most' if is_upper else 'at least'} {written(limit)}"
