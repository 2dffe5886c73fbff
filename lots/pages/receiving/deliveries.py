"""Receiving: a delivery logged, what to do with it now, labels to stick on; and the page that a label leads to."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from flask import Response, redirect, render_template, request, url_for

from lots.domain.production.drying import CAUTION as DRYING_CAUTION
from lots.pages.readings.bench import number
from lots.pages.site.api_client import Answer, ask, at, end_of, items
from lots.pages.site.frame import pages
from lots.pages.site.session import signed_in

_TEXTS = ("supplier_lot", "order_ref", "received_at", "currency", "note")
_NUMBERS = ("supplier_id", "grade_id", "cost", "spool_count", "net_mass_g")
_FIELDS = (*_TEXTS, *_NUMBERS, "due_at", "spools", "confirm_spool_count")
# Between a code and its mass; a blank alone may belong to the code.
_BETWEEN = re.compile(r"\s*[\t;,]\s*|\s{2,}")
_BLANK_AND_NUMBER = re.compile(r"(.*\S) (\d+(?:[.,]\d+)?)")
_MOST_RECENT = 12
SIZES = (
    ("sheet", "Sheet: A4, 24 labels of 70 x 37 mm"),
    ("single", "Label printer: one label of 62 x 29 mm after the other"),
)


@pages.get("/receiving")
@signed_in("receiving")
def receiving() -> str:
    """The form for a delivery, and the deliveries that came last."""
    now = datetime.now(UTC).replace(microsecond=0)
    return _form({"received_at": now.isoformat()}, None, {})


@pages.post("/receiving")
@signed_in("receiving")
def delivered() -> Any:
    """Logs a delivery, then shows what to do with it; a lot number much like a known one is asked about first."""
    typed = {name: request.form.get(name, "").strip() for name in _FIELDS}
    if known := request.form.get("as_lot"):
        typed["supplier_lot"] = known
    body, lines, doubts = _body(typed)
    if doubts:
        return _form(
            typed, Answer(422, {"detail": "", "errors": doubts}), {"spools": [d["detail"] for d in doubts]}
        ), 422
    if typed["confirm_spool_count"] == "yes":
        body["confirm_spool_count"] = True
    if request.form.get("another") == "yes":
        body["confirm_new_lot"] = True
    done = ask("POST", "/deliveries", body, key=request.form.get("once"))
    if done.good:
        return redirect(url_for("pages.received", number=done.body["id"]))
    if candidates := done.body.get("candidates"):
        return render_template(
            "receiving/similar.html",
            typed=typed,
            candidates=candidates,
            same_lot=done.body.get("same_lot"),
            says=done.body["errors"][0]["detail"],
        ), done.status
    return _form(typed, done, _faults(done, lines)), done.status


def _form(typed: Mapping[str, str], done: Answer | None, faults: dict[str, list[str]]) -> str:
    named = {number: says.partition(": ")[2] for number, says in choices()["suppliers"][1:]}
    return render_template(
        "receiving/log.html",
        typed=typed,
        done=done,
        faults=faults,
        recent=ask("GET", at("deliveries", order="newest", limit=_MOST_RECENT)).body["items"],
        named=named,
        **choices(),
    )


def choices() -> dict[str, list[tuple[Any, str]]]:
    """Returns the suppliers and the grades there are to choose from."""
    directory = ask("GET", "/directory").body
    return {
        subject: [("", "choose"), *((one["id"], f"{one['code']}: {one['says']}") for one in directory[subject])]
        for subject in ("suppliers", "grades")
    }


def _body(typed: Mapping[str, str]) -> tuple[dict[str, Any], list[int], list[dict[str, Any]]]:
    """What was typed as the API takes it, the line of each spool in the list, and what only a person can tell."""
    body: dict[str, Any] = {name: typed[name] for name in _TEXTS if typed[name]}
    body |= {name: number(typed[name]) for name in _NUMBERS if typed[name]}
    if due := typed["due_at"]:
        body["due_at"] = end_of(due)
    spools, rows, doubts = split_codes(typed["spools"])
    if spools:
        body["spools"] = spools
    return body, rows, doubts


def split_codes(text: str) -> tuple[list[dict[str, Any]], list[int], list[dict[str, Any]]]:
    """Returns the spools that were typed one per line, the line of each, and what only a person can tell."""
    written = [(row, line.strip()) for row, line in enumerate(text.splitlines(), 1) if line.strip()]
    doubts = []
    spools: list[dict[str, Any]] = []
    for row, line in written:
        code, *mass = _BETWEEN.split(line, maxsplit=1)
        if not mass and (parts := _BLANK_AND_NUMBER.fullmatch(line)):
            doubts.append(_doubt(row, line, *parts.groups()))
        spools.append({"code": code, **({"net_mass_g": number(mass[0])} if mass and mass[0] else {})})
    return spools, [row for row, _ in written], doubts


def _doubt(row: int, line: str, code: str, mass: str) -> dict[str, Any]:
    detail = (
        f'Line {row}: is {mass} the mass or part of the code? Write "{code}, {mass}", or "{line}, 1000" with its mass.'
    )
    return {"pointer": "/spools", "detail": detail}


def _faults(done: Answer, lines: list[int]) -> dict[str, list[str]]:
    """What the API refused, at the field it was typed in; a spool of the list with its line."""
    found: dict[str, list[str]] = {}
    for fault in done.body.get("errors", ()):
        name, _, below = fault["pointer"].strip("/").partition("/")
        index = below.partition("/")[0]
        line = f"Line {lines[int(index)]}: " if index.isdigit() and int(index) < len(lines) else ""
        said = " ".join(filter(None, (fault["detail"], fault.get("hint"))))
        found.setdefault(name if name in _FIELDS else "", []).append(line + said)
    return found


@pages.get("/receiving/<int:number>")
@signed_in("receiving", "quality")
def received(number: int) -> Any:
    """What to do with a delivery now: labels, the spools to measure, and where the rest goes."""
    answer = ask("GET", at("deliveries", number))
    if not answer.good:
        return render_template("receiving/done.html", answer=answer), answer.status
    own = answer.body
    return render_template("receiving/done.html", answer=answer, number=number, lot=own.lot, delivery=own)


@pages.get("/receiving/<int:number>/labels")
@pages.get("/spools/<code>/label")
@signed_in("receiving", "quality", "production")
def labels(number: int | None = None, code: str | None = None) -> Any:
    """Labels as they will be printed, with the size of the label and the first free place to choose."""
    asked: dict[str, Any] = {
        "size": request.args.get("size", "sheet" if code is None else "single"),
        "from": request.args.get("from", "1").strip() or "1",
    }
    answer = ask("GET", at(*_labels_of(number, code), **asked))
    count = answer.body.get("pages", 1) if answer.good else 0
    which: dict[str, Any] = {"number": number} if code is None else {"code": code}
    page = render_template(
        "receiving/labels.html",
        answer=answer,
        asked=asked,
        sizes=SIZES,
        which=which,
        images=[url_for("pages.label_file", form="svg", page=page + 1, **which, **asked) for page in range(count)],
    )
    return page, answer.status


@pages.get("/receiving/<int:number>/labels.<any(svg, pdf):form>")
@pages.get("/spools/<code>/label.<any(svg, pdf):form>")
@signed_in("receiving", "quality", "production")
def label_file(form: str, number: int | None = None, code: str | None = None) -> Any:
    """A page of labels as SVG, or all as PDF, since a browser has no token to ask the API itself."""
    asked = {name: request.args.get(name, "") for name in ("size", "from", "page")}
    kind = "image/svg+xml" if form == "svg" else "application/pdf"
    answer = ask("GET", at(*_labels_of(number, code), **asked), accept=kind)
    if not answer.good:
        return render_template("receiving/labels.html", answer=answer, asked=asked, sizes=SIZES), answer.status
    sent = Response(answer.body, mimetype=kind)
    if form == "pdf":
        name = "label" if number is None else f"labels-delivery-{number}"
        sent.headers["Content-Disposition"] = f'attachment; filename="{name}.pdf"'
    return sent


def _labels_of(number: int | None, code: str | None) -> tuple[object, ...]:
    return ("deliveries", number, "labels") if code is None else ("spools", code, "label")


@pages.get("/spools/<code>")
@signed_in("receiving", "quality", "production")
def spool(code: str) -> Any:
    """One spool, where its label leads: what it is, where it stands, what is left, and what to do with it."""
    answer = ask("GET", at("spools", code, "label"))
    if not answer.good:
        return render_template("receiving/spool.html", answer=answer, code=code, meant=answer.meant), answer.status
    lot = ask("GET", at("lots", answer.body["lot_id"])).body
    # As it stands on the label, however it was typed.
    code = answer.body["spool_code"]
    own = next(one for one in lot["spools"] if one["code"] == code)
    dryings = items(at("spools", code, "dryings"))
    return render_template(
        "receiving/spool.html",
        answer=answer,
        code=code,
        label=answer.body,
        lot=lot,
        spool=own,
        dryings=dryings,
        caution=DRYING_CAUTION,
    )
