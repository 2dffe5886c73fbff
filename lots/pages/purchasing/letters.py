"""Letters to suppliers: their form, preview and signing, the PDF, and the record of their sendings."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

from flask import g, redirect, render_template, request, url_for

from lots.api.documents.letter_pages import letter_paper
from lots.api.documents.printed import with_letterhead
from lots.api.http.fields import NUMBER
from lots.api.purchasing.letters import (
    LetterArgs,
    LetterFilterArgs,
    Letters,
    LotLetters,
    OneLetter,
    SendLetter,
    SentArgs,
    pdf,
    signed,
)
from lots.domain.purchasing.letters import CLAIMS, NONE
from lots.pages.site.calls import Refusal, attempt, checked, every, once
from lots.pages.site.frame import pages, refused
from lots.pages.site.place import details, end_of, moment_typed, number, place, start_of
from lots.pages.site.results import pack_result
from lots.pages.site.session import signed_in
from lots.services import clock
from lots.services.documents import letters as desk
from lots.services.purchasing import corrective_actions
from lots.services.receiving import receiving
from lots.services.setup import catalog

_FIELDS = ("claim", "spools", "mass_g", "amount", "currency", "answer_by", "signed_by", "addressed_to", "note")
_CHOSEN = "corrective_action_id"
_NUMBERS = ("spools", "amount", _CHOSEN)
_DAYS = ("signed_from", "signed_to")
_ROWS = 50
CLAIM_NAMES = {code: claim.name for code, claim in CLAIMS.items()}


@pages.get("/purchasing/letters")
@signed_in((Letters, "GET"))
def letters() -> Any:
    """Shows the letters of the supplier and the days in the address, the newest first."""
    names = ("supplier_id", *_DAYS, "cursor")
    asked = {name: text for name in names if (text := request.args.get(name, "").strip())}
    found = attempt(lambda: _listed(asked), LetterFilterArgs)
    not_listed = found if isinstance(found, Refusal) else None
    kept = {name: text for name, text in asked.items() if name != "cursor"}
    suppliers = catalog.directory("supplier")["suppliers"]
    page = render_template(
        "purchasing/letters.html",
        refused=not_listed,
        asked=asked,
        rows=[] if isinstance(found, Refusal) else found.rows,
        following=""
        if isinstance(found, Refusal) or not found.next
        else url_for("pages.letters", **{**kept, "cursor": found.next}),
        filtered=bool(kept),
        suppliers=[("", "Any supplier"), *((one["id"], f"{one['code']}: {one['says']}") for one in suppliers)],
        claims=CLAIM_NAMES,
    )
    return page, not_listed.status if not_listed else 200


def _listed(asked: Mapping[str, str]) -> Any:
    said = dict(asked)
    if day := said.get("signed_from"):
        said["signed_from"] = start_of("/signed_from", day)
    if day := said.get("signed_to"):
        said["signed_to"] = end_of(day)
    filters = checked(LetterFilterArgs, said)
    cursor = filters.pop("cursor", None)
    del filters["limit"]
    return desk.listed(filters, cursor, _ROWS)


@pages.get(f"/lots/<{NUMBER}:number>/letter")
@signed_in((LotLetters, "GET"), (LotLetters, "POST"))
def letter_form(number: int) -> Any:
    """Shows the form of a letter to the supplier of a lot."""
    return _form(number, {"claim": NONE, "signed_by": g.me["name"]}, None)


@pages.post(f"/lots/<{NUMBER}:number>/letter")
@signed_in((LotLetters, "GET"), (LotLetters, "POST"))
def sign_letter(number: int) -> Any:
    """Shows a letter before signing, returns to its form, or signs it."""
    typed = {name: request.form.get(name, "").strip() for name in (*_FIELDS, _CHOSEN)}
    act = request.form.get("act", "look")
    if act == "change":
        return _form(number, typed, None)
    if act != "sign":
        seen = attempt(lambda: desk.draft(number, checked(LetterArgs, _body(typed))), LetterArgs)
        return (
            _form(number, typed, seen, "Letter not complete")
            if isinstance(seen, Refusal)
            else _preview(number, typed, *seen)
        )

    def sign() -> str:
        made: Any = signed(number, checked(LetterArgs, _body(typed)), g.me["name"])
        result = pack_result("Letter signed", "Download the PDF and send it. Then record the day on which it was sent.")
        return url_for("pages.letter", number=made["number"], result=result)

    done = once(sign, LetterArgs)
    return _form(number, typed, done) if isinstance(done, Refusal) else done


def _body(typed: Mapping[str, str]) -> dict[str, Any]:
    """Returns the form as the body of the API: the mass in g, a day as its last second."""
    body: dict[str, Any] = {name: text for name, text in typed.items() if text}
    body |= {name: number(typed[name]) for name in _NUMBERS if typed[name]}
    if typed["mass_g"]:
        kilograms = number(typed["mass_g"])
        body["mass_g"] = kilograms if isinstance(kilograms, str) else round(1000 * kilograms, 6)
    if typed["answer_by"]:
        body["answer_by"] = end_of(typed["answer_by"])
    return body


def _preview(number: int, typed: Mapping[str, str], report: Any, terms: desk.Terms) -> Any:
    paper = with_letterhead(letter_paper(report, terms, place()))
    return render_template(
        "purchasing/letter_look.html",
        number=number,
        typed=typed,
        paper=paper,
        report=report,
        doubts=desk.doubts(report, terms),
    )


def _form(number: int, typed: Mapping[str, Any], not_done: Refusal | None, heading: str = "Not saved") -> Any:
    lot = attempt(lambda: receiving.get_lot(number))
    if isinstance(lot, Refusal):
        return render_template("lots/no_lot.html", number=number), lot.status
    filled = dict(typed)
    if not_done is None and "addressed_to" not in typed:
        usual = attempt(lambda: desk.draft(number, {"claim": NONE, "signed_by": g.me["name"]}))
        if isinstance(usual, Refusal):
            return refused(usual, url_for("pages.lot", number=number))
        filled["addressed_to"] = usual[1].addressed_to
    actions: list[Any] = every(partial(corrective_actions.listed, {"lot_id": number, "state": "open"}))
    if _CHOSEN not in typed and actions:
        filled[_CHOSEN] = actions[-1]["id"]
    page = render_template(
        "purchasing/letter_form.html",
        lot=lot,
        claims=list(CLAIM_NAMES.items()),
        actions=[("", "None"), *((one["id"], f"{one['id']}: {one['requested_action'][:60]}") for one in actions)],
        known=desk.of_lot(number, None, 10).rows,
        typed=filled,
        named=details().name is not None,
        refused=not_done,
        heading=heading,
        faults=not_done.beside() if not_done else {},
        fields=(*_FIELDS, _CHOSEN),
    )
    return page, not_done.status if not_done else 200


@pages.get("/letters/<string:number>")
@signed_in((OneLetter, "GET"))
def letter(number: str) -> Any:
    """Shows a signed letter and its sendings, or returns the stored PDF with ?as=pdf."""
    if request.args.get("as") == "pdf":
        found = attempt(lambda: pdf(number))
        return refused(found, url_for("pages.letters")) if isinstance(found, Refusal) else found
    return _shown(number, {}, None)


@pages.post("/letters/<string:number>/sent")
@signed_in((SendLetter, "POST"))
def record_sending(number: str) -> Any:
    """Records that a letter was sent."""
    typed = {name: request.form.get(name, "").strip() for name in ("sent_at", "sent_to", "note")}
    body = {name: text for name, text in typed.items() if text}

    def record() -> str:
        if "sent_at" in body:
            body["sent_at"] = moment_typed("/sent_at", body["sent_at"])
        desk.record_sending(number, checked(SentArgs, body), g.me["name"])
        return url_for("pages.letter", number=number, result=pack_result("Sending recorded"))

    done = once(record, SentArgs)
    return _shown(number, typed, done) if isinstance(done, Refusal) else done


@pages.get("/letters/<string:number>/sent")
@signed_in((SendLetter, "POST"))
def sent_letter(number: str) -> Any:
    """Redirects to the letter, for a reload of a refused sending."""
    return redirect(url_for("pages.letter", number=number))


def _shown(number: str, typed: Mapping[str, str], not_done: Refusal | None) -> Any:
    found = attempt(lambda: desk.one(number))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.letters"))
    answered_on: Any = found["corrective_action_id"]
    if answered_on is None:
        pending = corrective_actions.listed({"lot_id": found["lot_id"], "state": "open"}, None, 1).rows
        answered_on = pending[0]["id"] if pending else None
    page = render_template(
        "purchasing/letter.html",
        answered_on=answered_on,
        one=found,
        claims=CLAIM_NAMES,
        typed=typed or {"sent_at": place().field(clock.now())},
        refused=not_done,
        faults=not_done.beside() if not_done else {},
    )
    return page, not_done.status if not_done else 200
