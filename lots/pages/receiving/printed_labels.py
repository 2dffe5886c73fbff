"""Labels of a delivery or of one spool: as they will be printed, and as the files to print."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.pictures.answers import SVG
from lots.api.receiving.labels import PDF, DeliveryLabels, LabelArgs, SpoolLabel, page_count, printed
from lots.pages.site.calls import Refusal, attempt, checked
from lots.pages.site.frame import pages
from lots.pages.site.session import signed_in
from lots.services.receiving import labels as found_labels

SIZES = (
    ("sheet", "Sheet: A4, 24 labels of 70 x 37 mm"),
    ("single", "Label printer: one label of 62 x 29 mm after the other"),
)


@pages.get(f"/receiving/<{NUMBER}:number>/labels")
@signed_in((DeliveryLabels, "GET"))
def labels(number: int) -> Any:
    """The labels of a delivery as they will be printed, with the size of the label and the first free place to choose."""
    return _page("sheet", lambda: found_labels.of_delivery(number)["labels"], number=number)


@pages.get("/spools/<code>/label")
@signed_in((SpoolLabel, "GET"))
def label(code: str) -> Any:
    """The label of a spool, likewise."""
    return _page("single", lambda: [found_labels.of_spool(code)], code=code)


def _page(size: str, find: Callable[[], list[Any]], **which: Any) -> Any:
    asked: dict[str, Any] = {
        "size": request.args.get("size", size),
        "from": request.args.get("from", "1").strip() or "1",
    }
    count = attempt(lambda: page_count(len(find()), checked(LabelArgs, asked)), LabelArgs)
    refused = count if isinstance(count, Refusal) else None
    file = "pages.labels_file" if "number" in which else "pages.label_file"
    pages_of = range(0 if isinstance(count, Refusal) else count)
    page = render_template(
        "receiving/labels.html",
        refused=refused,
        asked=asked,
        sizes=SIZES,
        which=which,
        as_pdf=url_for(file, form="pdf", **which, **asked),
        images=[url_for(file, form="svg", page=page + 1, **which, **asked) for page in pages_of],
    )
    return page, refused.status if refused else 200


@pages.get(f"/receiving/<{NUMBER}:number>/labels.<any(svg, pdf):form>")
@signed_in((DeliveryLabels, "GET"))
def labels_file(form: str, number: int) -> Any:
    """A page of a delivery's labels as SVG, or all as PDF, since a browser has no token to ask the API itself."""
    return _file(form, lambda: found_labels.of_delivery(number)["labels"], f"labels-delivery-{number}")


@pages.get("/spools/<code>/label.<any(svg, pdf):form>")
@signed_in((SpoolLabel, "GET"))
def label_file(form: str, code: str) -> Any:
    """The label of a spool, likewise."""
    return _file(form, lambda: [found_labels.of_spool(code, printed=True)], "label")


def _file(form: str, find: Callable[[], list[Any]], name: str) -> Any:
    asked = {part: text for part in ("size", "from", "page") if (text := request.args.get(part, ""))}
    wanted = SVG if form == "svg" else PDF
    sent = attempt(lambda: printed(wanted, find, checked(LabelArgs, asked), name), LabelArgs)
    if isinstance(sent, Refusal):
        return render_template("receiving/labels.html", refused=sent, asked=asked, sizes=SIZES), sent.status
    if form == "pdf":
        sent.headers["Content-Disposition"] = f'attachment; filename="{name}.pdf"'
    return sent
