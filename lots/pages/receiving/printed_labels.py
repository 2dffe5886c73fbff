"""Labels of a delivery, a lot or a spool: the print preview, and the files to print."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from flask import Response, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.http.site_address import address_for_phones
from lots.api.pictures.answers import SVG
from lots.api.pictures.labels.stock import Stock, sheet
from lots.api.receiving.labels import (
    PDF,
    DeliveryLabels,
    LabelArgs,
    LotLabels,
    SpoolLabel,
    laid_out,
    page_count,
    printed,
    stock_of,
)
from lots.pages.site.calls import Refusal, attempt, checked
from lots.pages.site.frame import pages
from lots.pages.site.place import details, num
from lots.pages.site.session import may, signed_in
from lots.services.errors import Conflict
from lots.services.receiving import labels as found_labels
from lots.services.views import View

# CSS has 96 pixels to the inch.
_PIXELS = 96 / 25.4


@pages.get(f"/receiving/<{NUMBER}:number>/labels")
@signed_in((DeliveryLabels, "GET"))
def labels(number: int) -> Any:
    """Shows the labels of a delivery, with choices of paper, first free label and spools."""
    return _page("pages.labels_file", lambda: found_labels.of_delivery(number)["labels"], number=number)


@pages.get(f"/lots/<{NUMBER}:number>/labels")
@signed_in((LotLabels, "GET"))
def lot_labels(number: int) -> Any:
    """Shows the labels of a lot, with the same choices."""
    return _page("pages.lot_labels_file", lambda: found_labels.of_lot(number)["labels"], number=number)


@pages.get("/spools/<code>/label")
@signed_in((SpoolLabel, "GET"))
def label(code: str) -> Any:
    """Shows the label of a spool, with the same choices."""
    return _page("pages.label_file", lambda: [found_labels.of_spool(code, printed=True)], code=code)


def _page(file: str, find: Callable[[], Sequence[View]], **which: Any) -> Any:
    asked: dict[str, Any] = {"size": _paper(), "from": request.args.get("from", "1").strip() or "1"}
    chosen = request.args.getlist("spool")
    found = attempt(find)
    every = () if isinstance(found, Refusal) else found

    def count() -> int:
        args = checked(LabelArgs, asked)
        # Laying out one page raises the errors of the label size.
        laid_out(_chosen(every, chosen), args, 1)
        return page_count(len(_chosen(every, chosen)), args)

    counted = found if isinstance(found, Refusal) else attempt(count, LabelArgs)
    refused = counted if isinstance(counted, Refusal) else None
    some = {**which, **asked, "spool": chosen}
    page = render_template(
        "receiving/labels.html",
        refused=refused,
        asked=asked,
        papers=_papers(),
        which=which,
        codes=[one["spool_code"] for one in every],
        chosen=chosen,
        phones=address_for_phones(),
        set_up=may("pages.shop"),
        size=_pixels(asked),
        as_pdf=url_for(file, form="pdf", **some),
        images=[
            url_for(file, form="svg", page=page + 1, **some)
            for page in range(0 if isinstance(counted, Refusal) else counted)
        ],
    )
    return page, refused.status if refused else 200


def _paper() -> str:
    """Returns the requested paper by its present name, by default the paper of the shop."""
    asked = request.args.get("size", "")
    return "roll" if asked == "single" else asked or details().label_paper


def _papers() -> list[tuple[str, str]]:
    """Returns the papers to choose from. A sheet is one of them if a label fits on it."""
    on = sheet(details())
    size = f"{num(on.label_wide)} x {num(on.label_high)} mm"
    offered = [("sheet", f"A4 sheet of {on.per_page}, {size}")] if on.per_page else []
    return [*offered, ("roll", f"Roll, {size}")]


def _on(asked: dict[str, Any]) -> Stock:
    return stock_of(asked)


def _pixels(asked: dict[str, Any]) -> tuple[int, int]:
    """Returns the width and the height of a page of labels on the screen, px."""
    on = _on(asked)
    return round(on.wide * _PIXELS), round(on.high * _PIXELS)


def _chosen(found: Sequence[View], codes: Sequence[str]) -> Sequence[View]:
    """Returns the labels of the ticked spools, or all labels if none is ticked.

    Raises:
        Conflict: no ticked spool has a label.
    """
    if not codes:
        return found
    some = [one for one in found if one["spool_code"] in codes]
    if not some:
        raise Conflict("These spools have no labels. Withdrawn spools cannot be labelled.")
    return some


@pages.get("/labels.css")
@signed_in((SpoolLabel, "GET"))
def label_style() -> Response:
    """Returns a style sheet with the size of a page of labels, from the details of the shop."""
    on = _on({"size": _paper()})
    wide, high = f"{on.wide:g}mm", f"{on.high:g}mm"
    style = (
        f"@page labels {{ size: {wide} {high}; margin: 0; }}\n"
        f".labels img {{ width: {wide}; }}\n"
        f"@media print {{ .labels img {{ height: {high}; }} }}\n"
    )
    return Response(style, mimetype="text/css")


@pages.get(f"/receiving/<{NUMBER}:number>/labels.<any(svg, pdf):form>")
@signed_in((DeliveryLabels, "GET"))
def labels_file(form: str, number: int) -> Any:
    """Returns a page of a delivery's labels as SVG, or all as PDF. A browser has no token to ask the API itself."""
    return _file(form, lambda: found_labels.of_delivery(number)["labels"], f"labels-delivery-{number}")


@pages.get(f"/lots/<{NUMBER}:number>/labels.<any(svg, pdf):form>")
@signed_in((LotLabels, "GET"))
def lot_labels_file(form: str, number: int) -> Any:
    """Shows the labels of a lot, with the same choices."""
    return _file(form, lambda: found_labels.of_lot(number)["labels"], f"labels-lot-{number}")


@pages.get("/spools/<code>/label.<any(svg, pdf):form>")
@signed_in((SpoolLabel, "GET"))
def label_file(form: str, code: str) -> Any:
    """Shows the label of a spool, with the same choices."""
    return _file(form, lambda: [found_labels.of_spool(code, printed=True)], "label")


def _file(form: str, find: Callable[[], Sequence[View]], name: str) -> Any:
    asked = {part: text for part in ("from", "page") if (text := request.args.get(part, ""))} | {"size": _paper()}
    wanted = SVG if form == "svg" else PDF

    def found() -> Sequence[View]:
        return _chosen(find(), request.args.getlist("spool"))

    sent = attempt(lambda: printed(wanted, found, checked(LabelArgs, asked), name), LabelArgs)
    if isinstance(sent, Refusal):
        return render_template("receiving/labels.html", refused=sent, asked=asked, phones="-"), sent.status
    if form == "pdf":
        sent.headers["Content-Disposition"] = f'attachment; filename="{name}.pdf"'
    return sent
