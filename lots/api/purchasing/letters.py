"""Letters to suppliers, signed once and stored unchanged, with records of sending. The program sends no e-mail."""

from __future__ import annotations

from base64 import b64encode
from hashlib import sha256
from typing import Any, cast

from flask import request
from marshmallow import Schema, fields

from lots.api.documents.letter_pages import letter_paper
from lots.api.documents.printed import AS_PDF, JSON, PDF, need_pdf, pdf_answer, pdf_bytes, with_letterhead
from lots.api.http.fields import (
    MAX_ID,
    NUMBER,
    Instant,
    Strict,
    StrictFloat,
    StrictInteger,
    Text,
    WrittenWhole,
    answered,
)
from lots.api.http.roles import SUPPLY
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_args, page_schema, person
from lots.api.http.site_address import place_here
from lots.api.lot_schemas import NamedSchema
from lots.domain.purchasing.letters import CLAIMS
from lots.services.documents import letters
from lots.services.views import View

routes = Routes(
    "letters",
    __name__,
    url_prefix="/v1",
    description="Letters to suppliers about nonconforming lots.",
)


class LetterArgs(Strict):
    """The claim and the signatory of a letter."""

    example = {
        "claim": "credit",
        "spools": 1,
        "mass_g": 1000.0,
        "amount": 24.5,
        "currency": "EUR",
        "signed_by": "Isolde Marrow",
        "note": "The spools are kept apart for you.",
    }

    claim = Text(12, one_of=tuple(CLAIMS), required=True, metadata={"label": "Claim"})
    spools = StrictInteger(
        1, metadata={"label": "Spools", "description": "number of spools claimed, at most those delivered"}
    )
    mass_g = StrictFloat(
        None,
        1e9,
        above=0,
        metadata={"label": "Mass", "description": "net filament mass claimed, g, at most that delivered"},
    )
    amount = StrictFloat(0, 1e9, metadata={"label": "Amount", "description": "amount claimed, in `currency`"})
    currency = Text(
        3,
        metadata={
            "label": "Currency",
            "description": "currency code (ISO 4217), such as EUR; required with amount, and limits its decimals",
            "pattern": "^[A-Z]{3}$",
        },
    )
    answer_by = Instant(
        metadata={
            "label": "Answer due",
            "description": "due date of the answer. By default that of the corrective action, or else in two weeks (common practice, no source)",
        }
    )
    signed_by = Text(120, required=True, metadata={"label": "Signed by", "description": "name of the signatory"})
    addressed_to = Text(
        2000,
        lines=True,
        metadata={"label": "To", "description": "address block; by default the name and contact of the supplier"},
    )
    corrective_action_id = StrictInteger(
        1, MAX_ID, metadata={"label": "Corrective action", "description": "number of a corrective action for this lot"}
    )
    note = Text(4000, lines=True, metadata={"label": "Note", "description": "note printed below the claim"})


class SentArgs(Strict):
    """The sending of a letter."""

    example = {"sent_to": "sales@ninebark.example"}

    sent_at = Instant(metadata={"label": "Sent", "description": "time of sending; now by default"})
    sent_to = Text(200, required=True, metadata={"label": "Sent to", "description": "address or person"})
    note = Text(2000, lines=True, metadata={"label": "Note"})


class LetterFilterArgs(PageArgs):
    """Filters for letters."""

    supplier_id = WrittenWhole(1, MAX_ID, metadata={"label": "Supplier", "description": "number of the supplier"})
    signed_from = Instant(metadata={"label": "Signed from", "description": "earliest time of signature, included"})
    signed_to = Instant(metadata={"label": "Signed to", "description": "latest time of signature, included"})


class SendingSchema(Schema):
    """The sending of a letter."""

    sent_at = Instant(required=True)
    sent_to, note = answered(SentArgs, "sent_to", "note")
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class LetterSchema(Schema):
    """A signed letter. It never changes."""

    number = fields.String(
        required=True, metadata={"description": "letter number, from lot and count", "example": "L-12-1"}
    )
    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    supplier_id = fields.Integer(required=True)
    supplier = fields.Nested(NamedSchema, required=True)
    grade_id = fields.Integer(required=True)
    grade = fields.Nested(NamedSchema, required=True)
    claim, spools, mass_g, amount, currency = answered(LetterArgs, "claim", "spools", "mass_g", "amount", "currency")
    answer_by = Instant(required=True)
    signed_by, corrective_action_id, note = answered(LetterArgs, "signed_by", "corrective_action_id", "note")
    addressed_to = fields.String(required=True)
    digest = fields.String(required=True, metadata={"description": "SHA-256 of the PDF, hexadecimal"})
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)
    sent = fields.List(
        fields.Nested(SendingSchema), required=True, metadata={"description": "records of sending, in order"}
    )


_PAGE = page_schema(LetterSchema)


@routes.route(f"/lots/<{NUMBER}:number>/letters")
class LotLetters(Resource):
    """Letters about a lot."""

    who = {"GET": SUPPLY, "POST": SUPPLY}
    made_at = "/v1/letters/{number}"

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, _PAGE)
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List the letters about a lot.

        The newest come first. 404 for an unknown lot.
        """
        return page_answer(letters.of_lot(number, args.get("cursor"), args["limit"]))

    @routes.arguments(LetterArgs)
    @routes.response(201, LetterSchema)
    def post(self, args: letters.LetterBody, number: int) -> Any:
        """Sign a letter to a supplier.

        The PDF is made once and stored with its SHA-256. Nothing is sent. 409 if no limit fails and the lot was not
        blocked manually. 409 if the lot is in quarantine or released. 422 for more spools or mass than were delivered.
        422 for a quantity or an amount without a claim. 422 for an amount without a currency, and for an answer date in
        the past. 501 if the PDF extra is not installed.
        """
        made = signed(number, args, person().name)
        return made, self.location(made)


@routes.route("/letters")
class Letters(Resource):
    """All letters."""

    who = {"GET": SUPPLY}

    @routes.arguments(LetterFilterArgs, location="query")
    @routes.response(200, _PAGE)
    def get(self, args: dict[str, Any]) -> Any:
        """List letters.

        The newest come first. Filters can be combined.
        """
        filters, cursor, limit = page_args(args)
        return page_answer(letters.listed(cast("Any", filters), cursor, limit))


@routes.route("/letters/<string:number>")
class OneLetter(Resource):
    """A letter."""

    who = {"GET": SUPPLY}

    @routes.response(200, LetterSchema)
    @routes.alt_response(200, **AS_PDF)
    def get(self, number: str) -> Any:
        """Show a letter.

        JSON by default. `Accept: application/pdf` returns the signed PDF unchanged. The PDF is verified against its
        digest first. 404 for an unknown letter. 503 if the stored PDF was altered.
        """
        if request.accept_mimetypes.best_match([JSON, PDF], JSON) == PDF:
            answer = pdf(number)
            answer.vary.add("Accept")
            return answer
        return letters.one(number), {"Vary": "Accept"}


@routes.route("/letters/<string:number>/sent")
class SendLetter(Resource):
    """The sending of a letter."""

    who = {"POST": SUPPLY}

    @routes.arguments(SentArgs)
    @routes.response(201, LetterSchema)
    def post(self, args: letters.SentBody, number: str) -> Any:
        """Record the sending of a letter.

        It can be recorded several times. 404 for an unknown letter. 422 for a time in the future, or before the
        signature.
        """
        return letters.record_sending(number, args, person().name)


def signed(lot_id: int, values: letters.LetterBody, by: str) -> View:
    """Signs a letter about a lot and returns it. `by` is the author of the record.

    Raises:
        Refused: 501 if PDFs are not available.
    """
    need_pdf()
    return letters.sign(lot_id, values, by, _rendered)


def _rendered(report: View, terms: letters.Terms) -> bytes:
    return pdf_bytes(with_letterhead(letter_paper(report, terms, place_here())))


def pdf(number: str) -> Any:
    """Returns the stored PDF of a letter as an answer, with its SHA-256 (RFC 9530, Content-Digest)."""
    kept = letters.pdf_of(number)
    answer = pdf_answer(kept, f"letter-{number}")
    answer.headers["Content-Digest"] = f"sha-256=:{b64encode(sha256(kept).digest()).decode()}:"
    return answer
