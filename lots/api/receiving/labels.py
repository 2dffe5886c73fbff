"""Spool labels as JSON, and sheets to print as SVG or PDF."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
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
from lots.api.http.site_address import address_for_phones, place_here, shop_address, shop_details
from lots.api.pictures.answers import AS_PICTURE, JSON, SVG
from lots.api.pictures.labels.drawn import draw
from lots.api.pictures.labels.layout import Layout, layout
from lots.api.pictures.labels.stock import Stock, roll, sheet
from lots.api.setup.shades import ConditionsSchema
from lots.services.errors import Conflict, Fault, Invalid
from lots.services.receiving import labels
from lots.services.views import View

PDF = "application/pdf"
# Label papers. `single` is the former name of `roll`.
SIZES = ("sheet", "roll", "single")
# Maximum number of positions on a sheet, with the smallest labels.
MOST_PLACES = 190
AS_PDF = {
    "schema": {"type": "string", "format": "binary"},
    "content_type": PDF,
    "description": "All pages as PDF",
    "success": True,
}
_LIKE = "Write it like https://lots.example.org:8080."


def _ipv6_is_one(address: str) -> None:
    """Refuses brackets that do not enclose an IPv6 address. A pattern cannot check that."""
    within = re.search(r"\[(.*)\]", address)
    try:
        IPv6Address(within[1] if within else "::")
    except AddressValueError:
        raise ValidationError(_LIKE) from None


routes = Routes("labels", __name__, url_prefix="/v1", description="Spool labels for eye, scanner and phone.")


class LabelArgs(Strict):
    """Label paper and position."""

    size = Text(
        6,
        one_of=SIZES,
        load_default="sheet",
        metadata={
            "label": "Label paper",
            "description": "label paper: sheet for A4, roll or single for one label per page. The shop details have the label size",
        },
    )
    first = WrittenWhole(
        1,
        MOST_PLACES,
        load_default=1,
        data_key="from",
        metadata={"label": "First free label", "description": "position of the first free label on a sheet"},
    )
    page = WrittenWhole(1, 1000, load_default=1, metadata={"label": "Page", "description": "page number, for SVG"})
    site = Text(
        200,
        validate=[validate.Regexp(SITE, error=_LIKE), _ipv6_is_one],
        metadata={
            "description": "address of this server for phones, if it differs from the setting `site` and from this request"
        },
    )


class LabelSchema(Schema):
    """The content of a label, with the page of the spool (`url`)."""

    spool_code = fields.String(required=True)
    url = fields.String(required=True, metadata={"format": "uri"})
    qr_text = fields.String(
        required=True,
        metadata={
            "description": "content of the QR code: `url`, or the spool code if `url` is not reachable by phones. A label too small for `url` also has the code"
        },
    )
    lot_id = fields.Integer(required=True)
    delivery_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True, metadata={"description": "lot number as printed"})
    further_lots = fields.List(
        fields.String(), required=True, metadata={"description": "other lot numbers on a respooled spool"}
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
            "description": "filament length at receipt, m, from net mass, density and nominal diameter",
            "example": 335.284,
        },
    )
    received_at = Instant(required=True)
    withdrawn_at = Instant(
        required=True,
        allow_none=True,
        metadata={"description": "time of withdrawal; a withdrawn spool has no printed label"},
    )
    measure_first = fields.Boolean(required=True, metadata={"description": "true if the spool is in the sample"})
    color_conditions = fields.Nested(
        ConditionsSchema,
        required=True,
        allow_none=True,
        metadata={"description": "measuring conditions of the newest revision of its shade; not on the label"},
    )


class LotLabelsSchema(Schema):
    """The labels of a lot, with the number of pages."""

    lot_id = fields.Integer(required=True)
    pages = fields.Integer(required=True, metadata={"description": "number of pages of the selected paper"})
    labels = fields.List(fields.Nested(LabelSchema), required=True)


class LabelsSchema(LotLabelsSchema):
    """The labels of a delivery, with the number of pages."""

    delivery_id = fields.Integer(required=True)


@routes.route(f"/deliveries/<{NUMBER}:number>/labels")
class DeliveryLabels(Resource):
    """Labels of a delivery."""

    who = {"GET": BENCH}

    @routes.arguments(LabelArgs, location="query")
    @routes.response(200, LabelsSchema)
    @routes.alt_response(200, **AS_PICTURE)
    @routes.alt_response(200, **AS_PDF)
    def get(self, args: dict[str, Any], number: int) -> Any:
        """Get the labels of a delivery.

        JSON by default, one page as image/svg+xml, all pages as application/pdf. 406 if the PDF font lacks a character.
        409 for a closed delivery, and for labels too small for code and text. 501 if the PDF extra is not installed.
        """
        return _labels(lambda: labels.of_delivery(number), args, f"labels-delivery-{number}")


@routes.route(f"/lots/<{NUMBER}:number>/labels")
class LotLabels(Resource):
    """Labels of a lot."""

    who = {"GET": BENCH}

    @routes.arguments(LabelArgs, location="query")
    @routes.response(200, LotLabelsSchema)
    @routes.alt_response(200, **AS_PICTURE)
    @routes.alt_response(200, **AS_PDF)
    def get(self, args: dict[str, Any], number: int) -> Any:
        """Get the labels of a lot.

        JSON by default, one page as image/svg+xml, all pages as application/pdf. Withdrawn spools have no label. 406 if
        the PDF font lacks a character. 409 if all spools of the lot are withdrawn, and for labels too small for code
        and text. 501 if the PDF extra is not installed.
        """
        return _labels(lambda: labels.of_lot(number), args, f"labels-lot-{number}")


@routes.route("/spools/<code>/label")
class SpoolLabel(Resource):
    """The label of a spool."""

    who = {"GET": (*BENCH, *FLOOR)}

    @routes.arguments(LabelArgs, location="query")
    @routes.response(200, LabelSchema)
    @routes.alt_response(200, **AS_PICTURE)
    @routes.alt_response(200, **AS_PDF)
    def get(self, args: dict[str, Any], code: str) -> Any:
        """Get the label of a spool.

        JSON by default, or image/svg+xml or application/pdf. 406 if the PDF font lacks a character. 409 for a withdrawn
        spool, and for a label too small for code and text. 501 if the PDF extra is not installed.
        """
        wanted = _wanted()
        if wanted != JSON:
            return _varies(printed(wanted, lambda: [labels.of_spool(code, printed=True)], args, "label"))
        return _addressed([labels.of_spool(code)], args)[0], {"Vary": "Accept"}


def _labels(find: Callable[[], Any], args: dict[str, Any], name: str) -> Any:
    """Returns several labels in the requested form."""
    wanted = _wanted()
    if wanted != JSON:
        return _varies(printed(wanted, lambda: find()["labels"], args, name))
    found = find()
    named = _addressed(found["labels"], args)
    return {**found, "labels": named, "pages": page_count(len(named), args)}, {"Vary": "Accept"}


def _wanted() -> str:
    return request.accept_mimetypes.best_match([JSON, SVG, PDF], JSON)


def _varies(answer: Response) -> Response:
    answer.vary.add("Accept")
    return answer


def _addressed(found: Sequence[View], args: dict[str, Any]) -> list[dict[str, Any]]:
    said = args.get("site")
    phones = (said if said is not None else address_for_phones()).rstrip("/")
    site = phones or shop_address()
    listed = []
    for label in found:
        code = str(label["spool_code"])
        path = f"/spools/{quote(code, safe='')}"
        listed.append({**label, "url": f"{site}{path}", "qr_text": f"{phones}{path}" if phones else code})
    return listed


def stock_of(args: dict[str, Any]) -> Stock:
    """Returns the label stock for the arguments of a request and the details of the shop."""
    details = shop_details()
    on = sheet(details)
    return on if args["size"] == "sheet" and on.per_page else roll(details)


def _first(args: dict[str, Any], stock: Stock) -> int:
    """Returns the first free place of a page. Raises Invalid if a sheet has no such place."""
    if stock == roll(shop_details()):
        return 1
    first = int(args["first"])
    if first > stock.per_page:
        hint = f"Give a whole number from 1 to {stock.per_page}."
        raise Invalid(Fault("from", f"Position {first} does not exist on this sheet.", hint))
    return first


def page_count(labels: int, args: dict[str, Any]) -> int:
    """Returns the number of pages for this number of labels. Raises Invalid for a place beyond the sheet."""
    stock = stock_of(args)
    return stock.pages(labels, _first(args, stock))


@dataclass(frozen=True, slots=True)
class Printing:
    """Labels laid out on pages. Each has its left and upper edge, mm, its code and its layout."""

    stock: Stock
    pages: Sequence[Sequence[tuple[float, float, str, Layout]]]
    total: int


def laid_out(found: Sequence[View], args: dict[str, Any], page: int | None) -> Printing:
    """Returns labels laid out on one page, or on all pages if `page` is None.

    Raises:
        Invalid: Unknown page or position.
        Conflict: Labels are too small, generally or for one of the spools.
    """
    named, stock, place = _addressed(found, args), stock_of(args), place_here()
    first = _first(args, stock)
    total = stock.pages(len(named), first)
    if page is not None and page > total:
        raise Invalid(Fault("page", f"Page {page} does not exist.", f"Give a page from 1 to {total}."))
    if stock.too_small:
        raise Conflict(f"{stock.too_small} {_SET_UP}")
    pages = []
    for number in range(1, total + 1) if page is None else (page,):
        placed = []
        for index, x, y in stock.places(len(named), first, number):
            label = named[index]
            # The spool code alone is shorter, and scanners type it.
            texts = tuple(dict.fromkeys((label["qr_text"], label["spool_code"])))
            made = layout({**label, "symbol_texts": texts}, stock, place)
            if made is None:
                raise Conflict(f"{_of_spool(stock, label['spool_code'])} {_SET_UP}")
            placed.append((x, y, str(label["spool_code"]), made))
        pages.append(placed)
    return Printing(stock, pages, total)


_SET_UP = "Ask the administrator to set up larger labels."


def _of_spool(stock: Stock, code: str) -> str:
    return f"A label of {stock.label_wide:g} x {stock.label_high:g} mm is too small for spool {code}."


def printed(wanted: str, find: Callable[[], Sequence[View]], args: dict[str, Any], name: str) -> Response:
    """Returns a page of labels as SVG, or all of them as PDF.

    Args:
        wanted: SVG or PDF.
        find: Returns the labels.
        args: Arguments of the request.
        name: File name without extension.

    Raises:
        Refused: 501 if PDFs are not available, before any query. 406 if the font lacks a character.
        Invalid, Conflict: As in `laid_out`.
    """
    if wanted == PDF and find_spec("fpdf") is None:
        raise Refused(_no_pdf())
    if wanted == PDF:
        return _as_pdf(laid_out(find(), args, None), name)
    made = laid_out(find(), args, args["page"])
    (shown,) = made.pages
    told = ", ".join(code for _, _, code, _ in shown)
    title = f"Labels for spools, page {args['page']} of {made.total}"
    return Response(
        draw([(x, y, label) for x, y, _, label in shown], made.stock, title, f"Labels of {told}."), mimetype=SVG
    )


def _as_pdf(made: Printing, name: str) -> Response:
    from lots.api.receiving import labels_pdf

    pages = [[(x, y, label) for x, y, _, label in page] for page in made.pages]
    if lacking := labels_pdf.lacking(pages):
        raise Refused(_no_glyphs(lacking))
    answer = Response(labels_pdf.as_pdf(pages, made.stock), mimetype=PDF)
    answer.headers["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    return answer


def _no_pdf() -> Response:
    return problem(
        501,
        "no-pdf",
        "PDF not available",
        "The PDF extra is not installed. Print the labels as pictures (image/svg+xml) instead. The administrator "
        "can install the extra: pip install 'lots[pdf]', or in a checkout: .venv/bin/pip install -e '.[pdf]'.",
    )


def _no_glyphs(lacking: list[str]) -> Response:
    named = ", ".join(f"U+{ord(char):04X}" for char in lacking[:20]) + (" and others" if len(lacking) > 20 else "")
    return problem(
        406,
        "no-glyphs",
        "Missing characters in PDF",
        f"The PDF font lacks {named}. Print the labels as pictures (image/svg+xml) instead.",
    )
