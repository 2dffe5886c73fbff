"""Letters to suppliers about nonconforming lots: drafts, signed PDFs and dates of sending."""

from __future__ import annotations

import base64
import binascii
import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import TypedDict

from babel.numbers import get_currency_precision, list_currencies

from lots.domain.code_identity import has_control
from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.purchasing import letters as rules
from lots.domain.words import counted, moment
from lots.services import clock
from lots.services.documents.nonconformity_report import nonconformity
from lots.services.errors import Conflict, Damaged, Fault, Invalid, NotFound, quoted
from lots.services.lookups import lot_of
from lots.services.receiving.receiving import money_faults
from lots.services.setup import shop
from lots.services.views import View
from lots.store import audit, corrective_actions
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.purchasing import letters as store
from lots.store.receiving import deliveries
from lots.store.tables.decisions import Letter, LetterSent
from lots.store.tables.models import Lot


class _Signed(TypedDict):
    claim: str
    signed_by: str


class LetterBody(_Signed, total=False):
    """The claim of a letter, its terms and its signatory."""

    spools: int
    mass_g: float
    amount: float
    currency: str
    answer_by: datetime
    addressed_to: str
    corrective_action_id: int
    note: str


class _Sent(TypedDict):
    sent_to: str


class SentBody(_Sent, total=False):
    """A record that a letter was sent."""

    sent_at: datetime
    note: str


@dataclass(frozen=True, slots=True)
class Terms:
    """The terms of a letter, next to the findings.

    Args:
        dated: when the letter is signed, or the report made.
        addressed_to: lines of the address.
        answer_by: when the answer is due.
        number: None before signing.
        signed_by: None for an unsigned report.
        claim: a key of `rules.CLAIMS`.
        spools: the spools claimed; None if not stated.
        mass_g: the mass claimed, g; None if not stated.
        amount: the money claimed; None if not stated.
        currency: its code, ISO 4217; None if not stated.
        action_id: the corrective action; None without one.
        requested: the words of the corrective action; None without one.
        note: a note by the signatory.
    """

    dated: datetime
    addressed_to: str
    answer_by: datetime
    number: str | None = None
    signed_by: str | None = None
    claim: str = rules.NONE
    spools: int | None = None
    mass_g: float | None = None
    amount: float | None = None
    currency: str | None = None
    action_id: int | None = None
    requested: str | None = None
    note: str | None = None


_NO_CLAIM = "State a claim, or leave this field empty."
# Codes of ISO 4217 that are no currency: for tests, and for transactions without a currency (from memory).
_NO_MONEY = ("XTS", "XXX")

# Makes the PDF of a letter from the report on its lot and its terms.
Render = Callable[[View, Terms], bytes]


def unsigned(report: View) -> Terms:
    """Returns the terms of an unsigned report: no claim, and an answer by the date of its corrective action, else in two weeks."""
    supplier, asked, made_at = report["supplier"], report["requested"], report["made_at"]
    if not (isinstance(supplier, dict) and isinstance(asked, dict) and isinstance(made_at, datetime)):
        raise TypeError("this is no report on a lot")
    waits = asked["id"] is not None and asked["answered_at"] is None
    return Terms(
        dated=made_at,
        addressed_to=_address(supplier["name"], supplier["contact"]),
        answer_by=asked["due_at"] if waits else made_at + rules.ANSWER_AFTER,
        action_id=asked["id"] if waits else None,
        requested=asked["requested_action"] if waits else None,
    )


def _address(name: str, contact: str | None) -> str:
    return "\n".join(filter(None, (name, contact)))


def draft(lot_id: int, values: LetterBody) -> tuple[View, Terms]:
    """Returns the report on a lot and the terms of the letter that signing would store. Stores nothing.

    Raises:
        NotFound: no such lot.
        Conflict: there is nothing to report to the supplier, or the lot's status allows no letter.
        Invalid: the claim or another value is not valid for this lot.
    """
    return _drafted(lot_of(lot_id), values, clock.now())


def sign(lot_id: int, values: LetterBody, by: str, render: Render) -> View:
    """Signs a letter about a lot. Its PDF is made once and stored with its digest.

    Args:
        lot_id: the lot.
        values: the claim and the signatory.
        by: who records it.
        render: makes the PDF.

    Raises:
        NotFound: no such lot.
        Conflict: there is nothing to report to the supplier, or the lot's status allows no letter.
        Invalid: the claim or another value is not valid for this lot.
    """
    lot, now = lot_of(lot_id), clock.now()
    with transaction():
        lots.lock([lot.id])
        report, terms = _drafted(lot, values, now)
        number = rules.number_of(lot.id, store.count(lot.id))
        pdf = render(report, replace(terms, number=number))
        digest = hashlib.sha256(pdf).hexdigest()
        kept: store.Signed = {
            "number": number,
            "claim": terms.claim,
            "spools": terms.spools,
            "mass_g": terms.mass_g,
            "amount": terms.amount,
            "currency": terms.currency,
            "answer_by": terms.answer_by,
            "addressed_to": terms.addressed_to,
            "signed_by": values["signed_by"],
            "corrective_action": terms.action_id,
            "note": terms.note,
            "pdf": base64.b64encode(pdf).decode(),
            "digest": digest,
        }
        row_id = store.add(lot, kept, by, now)
        audit.note(lot.id, "letter signed", by, now, {"letter": [row_id]}, {"digest": digest, "number": number})
        return one(number)


def _drafted(lot: Lot, values: LetterBody, now: datetime) -> tuple[View, Terms]:
    report = nonconformity(lot.id, to_print=True)
    _check_standing(report)
    action_id, action = values.get("corrective_action_id"), None
    faults: list[Fault] = []
    if action_id is not None:
        action = corrective_actions.find(action_id)
        if action is None or action.lot_id != lot.id:
            hint = "Name a corrective action of this lot, or leave this field empty."
            faults.append(
                Fault("/corrective_action_id", f"Lot {lot.supplier_lot} has no corrective action {action_id}.", hint)
            )
    faults += _quantity_faults(lot, values) + _money_faults(values)
    due_at = action.due_at if action is not None and action.due_at > now else None
    answer_by = values.get("answer_by") or due_at or _usual_answer(now)
    if answer_by <= now:
        hint = "Give a later time, or leave this field empty for two weeks from now."
        faults.append(Fault("/answer_by", f"{moment(answer_by)} is in the past.", hint))
    if faults:
        raise Invalid(*faults)
    terms = Terms(
        dated=now,
        addressed_to=values.get("addressed_to") or _address(lot.supplier.name, lot.supplier.contact),
        answer_by=answer_by,
        signed_by=values["signed_by"],
        claim=values["claim"],
        spools=values.get("spools"),
        mass_g=values.get("mass_g"),
        amount=values.get("amount"),
        currency=values.get("currency"),
        action_id=action_id,
        requested=action.requested if action is not None else None,
        note=values.get("note"),
    )
    return report, terms


def doubts(report: View, terms: Terms) -> list[str]:
    """Returns warnings for the signatory: a claim without a value proved to be outside its limit (ISO 14253-1)."""
    found = report["found"]
    if not isinstance(found, dict):
        raise TypeError("this is no report on a lot")
    each = [*found["failing"], *(row for spool in found["nonconforming_spools"] for row in spool["findings"])]
    return [] if terms.claim == rules.NONE or any(row["claimable"] for row in each) else [rules.UNPROVED]


def _check_standing(report: View) -> None:
    lot, found = report["lot"], report["found"]
    if not (isinstance(lot, dict) and isinstance(found, dict)):
        raise TypeError("this is no report on a lot")
    why = rules.why_no_letter(lot["supplier_lot"], lot["standing"], complete=not found["to_measure"])
    if why is not None:
        raise Conflict(why)


def _usual_answer(now: datetime) -> datetime:
    """Returns the default due time of an answer: the end of the due day in the shop's time zone."""
    place = shop.details().place
    signed_on = date.fromisoformat(place.field(now)[:10])
    return datetime.fromisoformat(place.end_of(rules.answer_day(signed_on).isoformat())).astimezone(UTC)


def _quantity_faults(lot: Lot, values: LetterBody) -> list[Fault]:
    """Returns the errors of the quantity. It needs a claim, and exceeds neither the lot nor the mass of the spools claimed."""
    spools, mass_g = values.get("spools"), values.get("mass_g")
    if spools is None and mass_g is None:
        return []
    if values["claim"] == rules.NONE:
        stated = [name for name, value in (("spools", spools), ("mass_g", mass_g)) if value is not None]
        return [Fault(f"/{name}", "A letter without a claim cannot state a quantity.", _NO_CLAIM) for name in stated]
    came = deliveries.of_lot(lot.id)
    all_spools, all_g = sum(one.spools for one in came), sum(one.mass_g for one in came)
    faults = []
    if spools is not None and spools > all_spools:
        detail = f"Lot {lot.supplier_lot} has {counted(all_spools, 'spool')}, fewer than {spools}."
        faults.append(Fault("/spools", detail, f"Give at most {all_spools}."))
    if mass_g is not None and mass_g > all_g + BINARY_NOISE:
        detail = f"Lot {lot.supplier_lot} has {all_g / 1000:g} kg, less than {mass_g / 1000:g} kg."
        faults.append(Fault("/mass_g", detail, f"Give at most {all_g / 1000:g} kg."))
    if not faults and spools is not None and mass_g is not None:
        held_g = store.heaviest(lot.id, spools)
        if mass_g > held_g + BINARY_NOISE:
            detail = f"{counted(spools, 'spool')} of lot {lot.supplier_lot} held at most {held_g / 1000:g} kg, less than {mass_g / 1000:g} kg."
            faults.append(Fault("/mass_g", detail, f"Give at most {held_g / 1000:g} kg, or more spools."))
    return faults


def _money_faults(values: LetterBody) -> list[Fault]:
    amount, currency = values.get("amount"), values.get("currency")
    if amount is not None and values["claim"] == rules.NONE:
        return [Fault("/amount", "A letter without a claim cannot state an amount.", _NO_CLAIM)]
    faults = money_faults("amount", amount, currency)
    if faults or amount is None or currency is None:
        return faults
    if currency not in list_currencies() or currency in _NO_MONEY:
        hint = "Give a three-letter currency code (ISO 4217), such as EUR."
        return [Fault("/currency", f"{currency} is not a currency code.", hint)]
    decimals = get_currency_precision(currency)
    if round(amount, decimals) != amount:
        most = f"at most {counted(decimals, 'decimal')}" if decimals else "no decimals"
        hint = f"Give {most}."
        return [Fault("/amount", f"An amount in {currency} has {most}, but {amount!r} has more.", hint)]
    return []


def one(number: str) -> View:
    """Returns a letter with its dates of sending. Two queries.

    Raises:
        NotFound: no such letter.
    """
    return _views([_found(number)])[0]


def of_lot(lot_id: int, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of the letters about a lot, newest first.

    Raises:
        NotFound: no such lot.
    """
    return listed({"lot_id": lot_of(lot_id).id}, cursor, limit)


def listed(filters: store.LetterFilter, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of letters, newest first, without their PDFs. Two queries for any number of letters."""
    found = store.listed(filters, cursor, limit)
    return Page(_views(found.rows), found.next)


def pdf_of(number: str) -> bytes:
    """Returns the PDF of a letter exactly as it was signed. One query.

    Raises:
        NotFound: no such letter.
        Damaged: the SHA-256 of the PDF differs from the stored digest.
    """
    kept = None if has_control(number) else store.pdf_of(number)
    if kept is None:
        raise _no_letter(number)
    try:
        pdf = base64.b64decode(kept[0], validate=True)
    except (binascii.Error, ValueError):
        pdf = b""
    if hashlib.sha256(pdf).hexdigest() != kept[1]:
        raise Damaged(f"The PDF of letter {number} does not match its stored digest. Run lots check.")
    return pdf


def record_sending(number: str, values: SentBody, by: str) -> View:
    """Records that a letter was sent. A letter may be sent more than once.

    Raises:
        NotFound: no such letter.
        Invalid: the time of sending is in the future, or before the signature.
    """
    now = clock.now()
    with transaction():
        row = _found(number)
        stated = values.get("sent_at")
        faults = clock.doubt_future("/sent_at", stated, now)
        if stated is not None and stated < row.recorded_at - clock.TOLERANCE:
            detail = f"{moment(stated)} is before the letter was signed, at {moment(row.recorded_at)}."
            faults.append(Fault("/sent_at", detail, "Give the time at which the letter was sent."))
        if faults:
            raise Invalid(*faults)
        row_id = store.add_sending(row, stated or now, values["sent_to"], values.get("note"), by, now)
        audit.note(row.lot_id, "letter sent", by, now, {"letter_sent": [row_id]}, {"number": number})
        return one(number)


def _found(number: str) -> Letter:
    # A path may hold control characters, a letter's number never does.
    row = None if has_control(number) else store.find(number)
    if row is None:
        raise _no_letter(number)
    return row


def _no_letter(number: str) -> NotFound:
    return NotFound(f"Letter {quoted(number)} does not exist. See the list of letters.")


def _views(rows: Sequence[Letter]) -> list[View]:
    sent = store.sendings_of(row.id for row in rows)
    return [_view(row, sent.get(row.id, [])) for row in rows]


def _view(row: Letter, sendings: Sequence[LetterSent]) -> View:
    lot = row.lot
    return {
        "number": row.number,
        "lot_id": row.lot_id,
        "supplier_lot": lot.supplier_lot,
        "supplier_id": lot.supplier_id,
        "supplier": {"id": lot.supplier_id, "code": lot.supplier.code, "name": lot.supplier.name},
        "grade_id": lot.grade_id,
        "grade": {"id": lot.grade_id, "code": lot.grade.code, "color_name": lot.grade.color_name},
        "claim": row.claim,
        "spools": row.spools,
        "mass_g": row.mass_g,
        "amount": row.amount,
        "currency": row.currency,
        "answer_by": row.answer_by,
        "addressed_to": row.addressed_to,
        "signed_by": row.signed_by,
        "corrective_action_id": row.corrective_action_id,
        "note": row.note,
        "digest": row.digest,
        "recorded_at": row.recorded_at,
        "recorded_by": row.recorded_by,
        "sent": [
            {
                "sent_at": one.sent_at,
                "sent_to": one.sent_to,
                "note": one.note,
                "recorded_at": one.recorded_at,
                "recorded_by": one.recorded_by,
            }
            for one in sendings
        ],
    }
