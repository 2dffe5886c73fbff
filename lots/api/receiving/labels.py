"""Labels for spools: what stands on them as JSON, and sheets to print as SVG or PDF."""

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
# The paper of a label, and `single`, as `roll` was first called.
SIZES = ("sheet", "roll", "single")
# Places on a sheet of the smallest labels that the shop's details allow.
MOST_PLACES = 190
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
        one_of=SIZES,
        load_default="sheet",
        metadata={
            "label": "Label paper",
            "description": "sheet: A4 with as many labels as fit; roll, or single: one label a page, as is one that fits on no sheet. Their size is in the shop's "
            "details",
        },
    )
    first = WrittenWhole(
        1,
        MOST_PLACES,
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
    """What stands on a label, and the spool's own page (`url`)."""

    spool_code = fields.String(required=True)
    url = fields.String(required=True, metadata={"format": "uri"})
    qr_text = fields.String(
        required=True,
        metadata={
            "description": "what the QR code holds: `url`, or the code alone where only this machine reaches `url`. A label too small for `url` holds the "
            "code, too"
        },
    )
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


class LotLabelsSchema(Schema):
    """The labels of a lot, and how many pages they take."""

    lot_id = fields.Integer(required=True)
    pages = fields.Integer(required=True, metadata={"description": "of the paper asked for"})
    labels = fields.List(fields.Nested(LabelSchema), required=True)


class LabelsSchema(LotLabelsSchema):
    """The labels of a delivery, and how many pages they take."""

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
        """Show or draw the labels of a delivery's spools.

        JSON by default, one page as image/svg+xml, all pages as application/pdf. 406 where the font of the PDF lacks a character. 409 for a closed
        delivery, and for labels too small for code and text. 501 for a PDF where the extra for it is not installed.
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
        """Show or draw the labels of all spools of a lot.

        JSON by default, one page as image/svg+xml, all pages as application/pdf. Withdrawn spools have none. 406 where the font of the PDF lacks a
        character. 409 where every spool of the lot was withdrawn, and for labels too small for code and text. 501 for a PDF where the extra for it is not
        installed.
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
        """Show or draw the label of a spool.

        JSON by default, or image/svg+xml or application/pdf. 406 where the font of the PDF lacks a character. 409 for a withdrawn spool, and
        for a label too small for code and text. 501 for a PDF where the extra for it is not installed.
        """
        wanted = _wanted()
        if wanted != JSON:
            return _varies(printed(wanted, lambda: [labels.of_spool(code, printed=True)], args, "label"))
        return _addressed([labels.of_spool(code)], args)[0], {"Vary": "Accept"}


def _labels(find: Callable[[], Any], args: dict[str, Any], name: str) -> Any:
    """Several labels in the form that the request asks for."""
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
    """Returns what labels are printed on, by the arguments of a request and the shop's details."""
    details = shop_details()
    on = sheet(details)
    return on if args["size"] == "sheet" and on.per_page else roll(details)


def _first(args: dict[str, Any], stock: Stock) -> int:
    """The first free place of a page.

    Raises:
        Invalid: a sheet has no such place.
    """
    if stock == roll(shop_details()):
        return 1
    first = int(args["first"])
    if first > stock.per_page:
        hint = f"Give a whole number from 1 to {stock.per_page}."
        raise Invalid(Fault("from", f"A sheet has no label {first}.", hint))
    return first


def page_count(labels: int, args: dict[str, Any]) -> int:
    """Returns how many pages so many labels take, by the arguments of a request. Raises for a place beyond the sheet."""
    stock = stock_of(args)
    return stock.pages(labels, _first(args, stock))


@dataclass(frozen=True, slots=True)
class Printing:
    """Labels laid out on pages: for each page the left and upper edge of each label, mm, its code and what stands on it."""

    stock: Stock
    pages: Sequence[Sequence[tuple[float, float, str, Layout]]]
    total: int


def laid_out(found: Sequence[View], args: dict[str, Any], page: int | None) -> Printing:
    """Returns labels laid out on one page or, with None, on all.

    Raises:
        Invalid: there is no such page, or no such place on a sheet.
        Conflict: labels of this size are too small, at all or for one of these spools.
    """
    named, stock, place = _addressed(found, args), stock_of(args), place_here()
    first = _first(args, stock)
    total = stock.pages(len(named), first)
    if page is not None and page > total:
        raise Invalid(Fault("page", f"There is no page {page}.", f"Give a page from 1 to {total}."))
    if stock.too_small:
        raise Conflict(f"{stock.too_small} {_SET_UP}")
    pages = []
    for number in range(1, total + 1) if page is None else (page,):
        placed = []
        for index, x, y in stock.places(len(named), first, number):
            label = named[index]
            # The code alone is shorter, and scanners type it.
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
        find: what stands on them.
        args: of the request.
        name: of the file, without its ending.

    Raises:
        Refused: 501 for a PDF that cannot be made, before anything is looked up; 406 where its font lacks a character.
        Invalid, Conflict: as `laid_out`.
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
