"""Labels for spools: what stands on them as JSON, and sheets to print as SVG or PDF."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from importlib.util import find_spec
from ipaddress import AddressValueError, IPv6Address
from typing import Any
from urllib.parse import quote

from flask import Response, request
from marshmallow import Schema, ValidationError, fields, validate

from lots.api.http.errors import problem
from lots.api.http.fields import NUMBER, SITE, Instant, Strict, Text, WrittenWhole
from lots.api.http.roles import BENCH, FLOOR
from lots.api.http.routes import Refused, Resource, Routes
from lots.api.http.site_address import shop_address
from lots.api.pictures import labels as drawn
from lots.api.pictures.answers import AS_PICTURE, JSON, SVG
from lots.api.setup.shades import ConditionsSchema
from lots.services.errors import Fault, Invalid
from lots.services.receiving import labels
from lots.services.views import View

PDF = "application/pdf"
AS_PDF = {
    "schema": {"type": "string", "format": "binary"},
    "content_type": PDF,
    "description": "all pages as a PDF",
    "success": True,
}
_LIKE = "Write it like https://lots.example.org:8080."


def _ipv6_is_one(address: str) -> None:
    """Refuses brackets around something else than an address: a pattern cannot say what one is."""
    within = re.search(r"\[(.*)\]", address)
    try:
        IPv6Address(within[1] if within else "::")
    except AddressValueError:
        raise ValidationError(_LIKE) from None


routes = Routes(
    "labels", __name__, url_prefix="/v1", description="Labels for spools, readable by eye, scanner and phone."
)


class LabelArgs(Strict):
    """On what labels are printed, and where on it."""

    size = Text(
        6,
        one_of=tuple(drawn.STOCKS),
        load_default="sheet",
        metadata={
            "label": "Size",
            "description": "sheet: A4 with 3 x 8 labels of 70 x 37 mm; single: one label of 62 x 29 mm per page",
        },
    )
    first = WrittenWhole(
        1,
        24,
        load_default=1,
        data_key="from",
        metadata={"label": "First free label", "description": "place of the first free label on a sheet"},
    )
    page = WrittenWhole(1, 1000, load_default=1, metadata={"label": "Page", "description": "which page, as SVG"})
    site = Text(
        200,
        validate=[validate.Regexp(SITE, error=_LIKE), _ipv6_is_one],
        metadata={
            "description": "where phones reach this server, when it is another address than the setting `site` or this request's"
        },
    )


class LabelSchema(Schema):
    """What stands on a label. `url` is the spool's own page, which the QR code leads to."""

    spool_code = fields.String(required=True)
    url = fields.String(required=True, metadata={"format": "uri"})
    lot_id = fields.Integer(required=True)
    delivery_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True, metadata={"description": "the lot number as printed"})
    further_lots = fields.List(
        fields.String(), required=True, metadata={"description": "lot numbers a spool wound in the shop holds too"}
    )
    supplier_code = fields.String(required=True)
    supplier_name = fields.String(required=True)
    grade_code = fields.String(required=True)
    color_name = fields.String(required=True)
    nominal_diameter_mm = fields.Float(required=True)
    net_mass_g = fields.Float(required=True)
    length_m = fields.Float(
        required=True,
        metadata={
            "description": "filament when it came, m: from net mass, density and nominal diameter",
            "example": 335.284,
        },
    )
    received_at = Instant(required=True)
    withdrawn_at = Instant(
        required=True,
        allow_none=True,
        metadata={"description": "when the spool was withdrawn; then no label is printed"},
    )
    measure_first = fields.Boolean(required=True, metadata={"description": "true when it was drawn in the sample"})
    color_conditions = fields.Nested(
        ConditionsSchema,
        required=True,
        allow_none=True,
        metadata={
            "description": "how its colour is to be measured, by the newest revision of its shade; not on the label"
        },
    )


class LabelsSchema(Schema):
    """The labels of a delivery, and how many pages they take."""

    delivery_id = fields.Integer(required=True)
    lot_id = fields.Integer(required=True)
    pages = fields.Integer(required=True, metadata={"description": "of the size asked for"})
    labels = fields.List(fields.Nested(LabelSchema), required=True)


@routes.route(f"/deliveries/<{NUMBER}:number>/labels")
class DeliveryLabels(Resource):
    """Labels of a delivery."""

    who = {"GET": BENCH}

    @routes.arguments(LabelArgs, location="query")
    @routes.response(200, LabelsSchema)
    @routes.alt_response(200, **AS_PICTURE)
    @routes.alt_response(200, **AS_PDF)
    def get(self, args: dict[str, Any], number: int) -> Any:
        """Show or draw the labels of a delivery's spools.

        JSON by default, one page as image/svg+xml, all pages as application/pdf. 406 where the font of the PDF lacks a character. 409 for a closed
        delivery. 501 for a PDF where the extra for it is not installed.
        """
        wanted = _wanted()
        if wanted != JSON:
            return _varies(
                printed(wanted, lambda: labels.of_delivery(number)["labels"], args, f"labels-delivery-{number}")
            )
        found = labels.of_delivery(number)
        named = _addressed(found["labels"], args)
        return {**found, "labels": named, "pages": page_count(len(named), args)}, {"Vary": "Accept"}


@routes.route("/spools/<code>/label")
class SpoolLabel(Resource):
    """The label of a spool."""

    who = {"GET": (*BENCH, *FLOOR)}

    @routes.arguments(LabelArgs, location="query")
    @routes.response(200, LabelSchema)
    @routes.alt_response(200, **AS_PICTURE)
    @routes.alt_response(200, **AS_PDF)
    def get(self, args: dict[str, Any], code: str) -> Any:
        """Show or draw the label of a spool.

        JSON by default, or image/svg+xml or application/pdf. 406 where the font of the PDF lacks a character. 409 for a withdrawn spool. 501 for a PDF
        where the extra for it is not installed.
        """
        wanted = _wanted()
        if wanted != JSON:
            return _varies(printed(wanted, lambda: [labels.of_spool(code, printed=True)], args, "label"))
        return _addressed([labels.of_spool(code)], args)[0], {"Vary": "Accept"}


def _wanted() -> str:
    return request.accept_mimetypes.best_match([JSON, SVG, PDF], JSON)


def _varies(answer: Response) -> Response:
    answer.vary.add("Accept")
    return answer


def _addressed(found: Sequence[View], args: dict[str, Any]) -> list[dict[str, Any]]:
    site = args.get("site", shop_address()).rstrip("/")
    return [{**label, "url": f"{site}/spools/{quote(str(label['spool_code']), safe='')}"} for label in found]


def _first(args: dict[str, Any]) -> int:
    return int(args["first"]) if args["size"] == "sheet" else 1


def page_count(labels: int, args: dict[str, Any]) -> int:
    """Returns how many pages so many labels take, by the arguments of a request."""
    return drawn.STOCKS[args["size"]].pages(labels, _first(args))


def printed(wanted: str, find: Callable[[], Sequence[dict[str, Any]]], args: dict[str, Any], name: str) -> Response:
    """Returns a page of labels as SVG, or all of them as PDF.

    Args:
        wanted: SVG or PDF.
        find: what stands on them.
        args: of the request.
        name: of the file, without its ending.

    Raises:
        Refused: 501 for a PDF that cannot be made, before anything is looked up; 406 where its font lacks a character.
        Invalid: there is no such page.
    """
    if wanted == PDF and find_spec("fpdf") is None:
        raise Refused(_no_pdf())
    named = _addressed(find(), args)
    stock, first, pages = drawn.STOCKS[args["size"]], _first(args), page_count(len(named), args)
    if wanted == PDF:
        return _as_pdf(named, stock, first, name)
    if args["page"] > pages:
        raise Invalid(Fault("page", f"There is no page {args['page']}.", f"Give a page from 1 to {pages}."))
    return Response(drawn.draw(named, stock, first, args["page"]), mimetype=SVG)


def _as_pdf(named: list[dict[str, Any]], stock: drawn.Stock, first: int, name: str) -> Response:
    from lots.api.receiving import labels_pdf

    if lacking := labels_pdf.lacking(named, stock):
        raise Refused(_no_glyphs(lacking))
    answer = Response(labels_pdf.as_pdf(named, stock, first), mimetype=PDF)
    answer.headers["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    return answer


def _no_pdf() -> Response:
    return problem(
        501,
        "no-pdf",
        "This server makes no PDF",
        "Its extra for PDF is not installed. Print the labels as pictures (image/svg+xml) instead, or ask the administrator "
        "to install it: pip install 'lots[pdf]', or in a checkout: .venv/bin/pip install -e '.[pdf]'.",
    )


def _no_glyphs(lacking: list[str]) -> Response:
    named = ", ".join(f"U+{ord(char):04X}" for char in lacking[:20]) + (" and others" if len(lacking) > 20 else "")
    return problem(
        406,
        "no-glyphs",
        "These labels cannot be read as a PDF",
        f"The font of the PDF lacks {named}, so the labels would show empty boxes. Print them as pictures (image/svg+xml) instead.",
    )
