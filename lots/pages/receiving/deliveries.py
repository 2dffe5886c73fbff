"""Receiving: the form for a delivery, and the next steps of a delivery."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.receiving.delivery_corrections import OneDelivery
from lots.api.receiving.lots_and_deliveries import Deliveries, DeliveryArgs
from lots.api.setup.grades import Grades
from lots.api.setup.suppliers import Suppliers
from lots.domain.words import listed
from lots.pages.receiving import received_at
from lots.pages.site.calls import Refusal, Told, attempt, checked, once
from lots.pages.site.frame import pages
from lots.pages.site.place import end_of, moment_field, number, place
from lots.pages.site.session import may, signed_in
from lots.services import clock
from lots.services.receiving import deliveries, receiving
from lots.services.setup import catalog

_TEXTS = ("supplier_lot", "order_ref", "currency", "note")
_NUMBERS = ("supplier_id", "grade_id", "cost", "spool_count", "net_mass_g")
_FIELDS = (*_TEXTS, *_NUMBERS, *received_at.FIELDS, "ordered_at", "due_at", "spools", "confirm_spool_count")
# Between a code and its mass. A single blank may belong to the code.
_BETWEEN = re.compile(r"\s*[\t;,]\s*|\s{2,}")
_BLANK_AND_NUMBER = re.compile(r"(.*\S) (\d+(?:[.,]\d+)?)")
_MOST_RECENT = 12


@pages.get("/receiving", endpoint="receiving")
@signed_in((Deliveries, "GET"), (Deliveries, "POST"))
def log_delivery() -> str:
    """Shows the form for a delivery, and the latest deliveries."""
    now = clock.now().replace(microsecond=0)
    return _form({"received_at": moment_field(now), "received_known": now.isoformat()})


@pages.post("/receiving")
@signed_in((Deliveries, "POST"))
def delivered() -> Any:
    """Logs a delivery and redirects to the next steps. Asks first if the lot number is similar to a known one."""
    typed = {name: request.form.get(name, "").strip() for name in _FIELDS}
    if known := request.form.get("as_lot"):
        typed["supplier_lot"] = known
    read = attempt(lambda: _body(typed), DeliveryArgs)
    if isinstance(read, Refusal):
        return _form(typed, read, _faults(read, [])), read.status
    body, lines, doubts = read
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
    recent = deliveries.listed({}, None, _MOST_RECENT, newest_first=True).rows
    last: Mapping[str, Any] = recent[0] if recent else {}
    offered = choices(known, last)
    return render_template(
        "receiving/log.html",
        typed={**_single_choices(offered), **typed},
        refused=refused,
        faults=faults or {},
        which=received_at.which(typed),
        zone=place().time_zone,
        recent=recent,
        named={one["id"]: one["says"] for one in known["suppliers"]},
        lacking=_missing_setup(offered),
        **offered,
    )


def choices(known: Mapping[str, Any], last: Mapping[str, Any] | None = None) -> dict[str, list[tuple[Any, str]]]:
    """Returns the suppliers and the grades to choose from, those of the last delivery first."""
    first = last or {}
    return {
        "suppliers": _choice(known["suppliers"], first.get("supplier_id")),
        "grades": _choice(known["grades"], first.get("grade_id")),
    }


def _choice(entries: Sequence[Mapping[str, Any]], first: int | None) -> list[tuple[Any, str]]:
    ahead = [one for one in entries if one["id"] == first]
    rest = [one for one in entries if one["id"] != first]
    return [("", "choose"), *((one["id"], f"{one['code']}: {place().prose(one['says'])}") for one in (*ahead, *rest))]


def _single_choices(offered: Mapping[str, list[tuple[Any, str]]]) -> dict[str, str]:
    """Returns the supplier and the grade, each if the shop has only one."""
    single = {"supplier_id": offered["suppliers"][1:], "grade_id": offered["grades"][1:]}
    return {name: str(some[0][0]) for name, some in single.items() if len(some) == 1}


def _missing_setup(offered: Mapping[str, list[tuple[Any, str]]]) -> list[dict[str, Any]]:
    """Returns what has to be set up before receiving: its name, the roles that do it, and its page if this person may open it."""
    found = []
    for subject, resource, page in (("suppliers", Suppliers, "supplier_list"), ("grades", Grades, "grades")):
        if len(offered[subject]) == 1:
            endpoint = f"pages.{page}"
            open_to_me = may(endpoint)
            who = listed([*resource.who["POST"], "the administrator"], "or")
            found.append({"what": subject[:-1], "who": who, "page": endpoint if open_to_me else None})
    return found


def _body(typed: Mapping[str, str]) -> tuple[dict[str, Any], list[int], tuple[Told, ...]]:
    """Returns the form as the body of the API, the line of each listed spool, and the questions for the clerk."""
    body: dict[str, Any] = {name: typed[name] for name in _TEXTS if typed[name]}
    body |= {name: number(typed[name]) for name in _NUMBERS if typed[name]}
    if typed["received_at"]:
        body["received_at"] = received_at.received(typed)
    if ordered := typed["ordered_at"]:
        body["ordered_at"] = end_of(ordered)
    if due := typed["due_at"]:
        body["due_at"] = end_of(due)
    spools_typed, rows, doubts = split_codes(typed["spools"])
    if spools_typed:
        body["spools"] = spools_typed
    return body, rows, doubts


def split_codes(text: str) -> tuple[list[dict[str, Any]], list[int], tuple[Told, ...]]:
    """Returns the spools typed one per line, the line of each, and the questions for the clerk."""
    written = [(row, line.strip()) for row, line in enumerate(text.splitlines(), 1) if line.strip()]
    doubts = []
    found: list[dict[str, Any]] = []
    for row, line in written:
        code, *mass = _BETWEEN.split(line, maxsplit=1)
        if not mass and (parts := _BLANK_AND_NUMBER.fullmatch(line)):
            doubts.append(_ambiguous_line(row, line, *parts.groups()))
        found.append({"code": code, **({"net_mass_g": number(mass[0])} if mass and mass[0] else {})})
    return found, [row for row, _ in written], tuple(doubts)


def _ambiguous_line(row: int, line: str, code: str, mass: str) -> Told:
    says = (
        f'Line {row}: is {mass} the mass or part of the code? Write "{code}, {mass}", or "{line}, 1000" with its mass.'
    )
    return Told("/spools", "", says)


_PARTS = {"code": ", code", "net_mass_g": ", mass"}


def _faults(refused: Refusal, lines: list[int]) -> dict[str, list[str]]:
    """Returns the faults by the field of the form. A fault of a listed spool names its line."""
    found: dict[str, list[str]] = {}
    for fault in refused.faults:
        name, *below = fault.path
        index = below[0] if below else ""
        part = _PARTS.get(below[1], "") if len(below) > 1 else ""
        line = f"Line {lines[int(index)]}{part}: " if index.isdigit() and int(index) < len(lines) else ""
        found.setdefault(name if name in _FIELDS else "", []).append(line + fault.says)
    return found


@pages.get(f"/receiving/<{NUMBER}:number>")
@signed_in((OneDelivery, "GET"), (OneDelivery, "PATCH"))
def received(number: int) -> Any:
    """Shows the next steps of a delivery: labels, spools to measure, and storage."""
    found = attempt(lambda: deliveries.get(number))
    if isinstance(found, Refusal):
        return render_template("receiving/done.html", refused=found), found.status
    return render_template("receiving/done.html", number=number, lot=found["lot"], delivery=found)
