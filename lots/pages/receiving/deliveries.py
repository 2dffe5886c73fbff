"""Receiving: a delivery logged, what to do with it now, labels to stick on."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.receiving.delivery_corrections import OneDelivery
from lots.api.receiving.lots_and_deliveries import Deliveries, DeliveryArgs
from lots.pages.site.calls import Refusal, Told, attempt, checked, once
from lots.pages.site.frame import pages
from lots.pages.site.place import end_of, number
from lots.pages.site.session import signed_in
from lots.services import clock
from lots.services.receiving import deliveries, receiving
from lots.services.setup import catalog

_TEXTS = ("supplier_lot", "order_ref", "received_at", "currency", "note")
_NUMBERS = ("supplier_id", "grade_id", "cost", "spool_count", "net_mass_g")
_FIELDS = (*_TEXTS, *_NUMBERS, "due_at", "spools", "confirm_spool_count")
# Between a code and its mass; a blank alone may belong to the code.
_BETWEEN = re.compile(r"\s*[\t;,]\s*|\s{2,}")
_BLANK_AND_NUMBER = re.compile(r"(.*\S) (\d+(?:[.,]\d+)?)")
_MOST_RECENT = 12


@pages.get("/receiving", endpoint="receiving")
@signed_in((Deliveries, "GET"), (Deliveries, "POST"))
def log_delivery() -> str:
    """The form for a delivery, and the deliveries that came last."""
    now = clock.now().replace(microsecond=0)
    return _form({"received_at": now.isoformat()})


@pages.post("/receiving")
@signed_in((Deliveries, "POST"))
def delivered() -> Any:
    """Logs a delivery, then shows what to do with it; a lot number much like a known one is asked about first."""
    typed = {name: request.form.get(name, "").strip() for name in _FIELDS}
    if known := request.form.get("as_lot"):
        typed["supplier_lot"] = known
    body, lines, doubts = _body(typed)
    if doubts:
        return _form(typed, Refusal(422, "", doubts), {"spools": [doubt.says for doubt in doubts]}), 422
    if typed["confirm_spool_count"] == "yes":
        body["confirm_spool_count"] = True
    if request.form.get("another") == "yes":
        body["confirm_new_lot"] = True

    def receive() -> str:
        made = receiving.receive(checked(DeliveryArgs, body), g.me["name"])
        return url_for("pages.received", number=made["id"])

    done = once(receive, DeliveryArgs)
    if not isinstance(done, Refusal):
        return done
    if candidates := done.more.get("candidates"):
        return render_template(
            "receiving/similar.html",
            typed=typed,
            candidates=candidates,
            same_lot=done.more.get("same_lot"),
            says=done.faults[0].detail,
        ), done.status
    return _form(typed, done, _faults(done, lines)), done.status


def _form(
    typed: Mapping[str, str], refused: Refusal | None = None, faults: Mapping[str, list[str]] | None = None
) -> str:
    known = catalog.directory("supplier", "grade")
    return render_template(
        "receiving/log.html",
        typed=typed,
        refused=refused,
        faults=faults or {},
        recent=deliveries.listed({}, None, _MOST_RECENT, newest_first=True).rows,
        named={one["id"]: one["says"] for one in known["suppliers"]},
        **choices(known),
    )


def choices(known: Mapping[str, Any]) -> dict[str, list[tuple[Any, str]]]:
    """Returns the suppliers and the grades there are to choose from."""
    return {
        subject: [("", "choose"), *((one["id"], f"{one['code']}: {one['says']}") for one in known[subject])]
        for subject in ("suppliers", "grades")
    }


def _body(typed: Mapping[str, str]) -> tuple[dict[str, Any], list[int], tuple[Told, ...]]:
    """What was typed as the API takes it, the line of each spool in the list, and what only a person can tell."""
    body: dict[str, Any] = {name: typed[name] for name in _TEXTS if typed[name]}
    body |= {name: number(typed[name]) for name in _NUMBERS if typed[name]}
    if due := typed["due_at"]:
        body["due_at"] = end_of(due)
    listed, rows, doubts = split_codes(typed["spools"])
    if listed:
        body["spools"] = listed
    return body, rows, doubts


def split_codes(text: str) -> tuple[list[dict[str, Any]], list[int], tuple[Told, ...]]:
    """Returns the spools that were typed one per line, the line of each, and what only a person can tell."""
    written = [(row, line.strip()) for row, line in enumerate(text.splitlines(), 1) if line.strip()]
    doubts = []
    listed: list[dict[str, Any]] = []
    for row, line in written:
        code, *mass = _BETWEEN.split(line, maxsplit=1)
        if not mass and (parts := _BLANK_AND_NUMBER.fullmatch(line)):
            doubts.append(_doubt(row, line, *parts.groups()))
        listed.append({"code": code, **({"net_mass_g": number(mass[0])} if mass and mass[0] else {})})
    return listed, [row for row, _ in written], tuple(doubts)


def _doubt(row: int, line: str, code: str, mass: str) -> Told:
    says = (
        f'Line {row}: is {mass} the mass or part of the code? Write "{code}, {mass}", or "{line}, 1000" with its mass.'
    )
    return Told("/spools", "", says)


def _faults(refused: Refusal, lines: list[int]) -> dict[str, list[str]]:
    """What was refused, at the field it was typed in; a spool of the list with its line."""
    found: dict[str, list[str]] = {}
    for fault in refused.faults:
        name, *below = fault.path
        index = below[0] if below else ""
        line = f"Line {lines[int(index)]}: " if index.isdigit() and int(index) < len(lines) else ""
        found.setdefault(name if name in _FIELDS else "", []).append(line + fault.says)
    return found


@pages.get(f"/receiving/<{NUMBER}:number>")
@signed_in((OneDelivery, "GET"))
def received(number: int) -> Any:
    """What to do with a delivery now: labels, the spools to measure, and where the rest goes."""
    found = attempt(lambda: deliveries.get(number))
    if isinstance(found, Refusal):
        return render_template("receiving/done.html", refused=found), found.status
    return render_template("receiving/done.html", number=number, lot=found["lot"], delivery=found)
