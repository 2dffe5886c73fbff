"""A document as JSON, as a page to print or as a PDF, as requested. Page and PDF have the same sections."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from importlib.util import find_spec
from typing import Any, TypeAlias

from flask import Response, render_template, request

from lots.api.documents.print_limits import WHOLE, as_printed
from lots.api.documents.report_pages import Section
from lots.api.http.errors import problem
from lots.api.http.routes import Refused
from lots.api.http.site_address import shop_details
from lots.services.setup.place import Place

JSON, HTML, PDF = "application/json", "text/html", "application/pdf"
# For a resource's documentation: @routes.alt_response(200, **AS_PAGE), and the same with AS_PDF.
AS_PAGE = {"schema": {"type": "string"}, "content_type": HTML, "description": "Page to print (HTML)", "success": True}
AS_PDF = {
    "schema": {"type": "string", "format": "binary"},
    "content_type": PDF,
    "description": "PDF document (A4)",
    "success": True,
}


@dataclass(frozen=True, slots=True)
class Paper:
    """A printed document.

    Args:
        kind: Class in the style sheet, which sets the page footer: report, letter, record or agreement.
        title: Title with number.
        sections: Content.
        made_at: Date.
        name: File name without extension.
        shop: Name of the shop, then lines of its address.
        whole: Sentence on where to find omitted data.
        most: Maximum number of rows, if below the general one.
    """

    kind: str
    title: str
    sections: Sequence[Section]
    made_at: datetime
    name: str
    shop: Sequence[str] = ()
    whole: str = WHOLE
    most: int | None = None

    @property
    def shown(self) -> list[Section]:
        """Sections as printed, shortened to the limits."""
        return as_printed(self.sections, self.whole, self.most)


# Lays out a document from data and number format.
Made: TypeAlias = Callable[[dict[str, Any], Place], Paper]


def printed(find: Callable[..., dict[str, Any]], paper: Made) -> Any:
    """Returns the answer of a resource: the result of `find` as JSON, or its document as a page or a PDF."""
    wanted = request.accept_mimetypes.best_match([JSON, HTML, PDF], JSON)
    if wanted == JSON:
        return find(), {"Vary": "Accept"}
    answer = on_paper(wanted, find, paper)
    answer.vary.add("Accept")
    return answer


def on_paper(wanted: str, find: Callable[..., dict[str, Any]], paper: Made, script: str = "") -> Response:
    """Returns the document of the result of `find` as a page or a PDF, in the format of the site.

    Args:
        wanted: HTML or PDF.
        find: Returns the data.
        paper: Lays out the document.
        script: Address of the script for a print button, if any.

    Raises:
        Refused: 501 if PDFs are not available, before any query.
    """
    if wanted == PDF:
        need_pdf()
    made = with_letterhead(paper(find(to_print=True), shop_details().place))
    return _as_pdf(made) if wanted == PDF else _as_page(made, script)


def need_pdf() -> None:
    """Checks that PDFs are available.

    Raises:
        Refused: 501 with the extra to install.
    """
    if find_spec("fpdf") is None:
        raise Refused(_no_pdf())


def with_letterhead(paper: Paper) -> Paper:
    """Returns a document with the name and address of the shop, if stated."""
    details = shop_details()
    head = [line.strip() for part in (details.name, details.address) if part for line in part.splitlines()]
    return replace(paper, shop=list(filter(None, head)))


def _as_page(paper: Paper, script: str) -> Response:
    text = render_template(
        "printed.html", kind=paper.kind, title=paper.title, sections=paper.shown, shop=paper.shop, script=script
    )
    return Response(text, mimetype=HTML)


def pdf_bytes(paper: Paper) -> bytes:
    """Returns a document as a PDF."""
    from lots.api.documents.report_pdf import as_pdf

    return as_pdf(paper.title, paper.shown, paper.made_at, paper.shop)


def pdf_answer(content: bytes, name: str) -> Response:
    """Returns a PDF as an answer. `name` is the file name without extension."""
    answer = Response(content, mimetype=PDF)
    answer.headers["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    return answer


def _as_pdf(paper: Paper) -> Response:
    return pdf_answer(pdf_bytes(paper), paper.name)


def _no_pdf() -> Response:
    return problem(
        501,
        "no-pdf",
        "PDF not available",
        "The PDF extra is not installed. Print the page (text/html) instead. The administrator can install the extra: "
        "pip install 'lots[pdf]', or in a checkout: .venv/bin/pip install -e '.[pdf]'.",
    )
