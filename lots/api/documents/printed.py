"""A paper as JSON, as a page to print, or as a PDF: whichever the request asks for, with the same sections in the last two."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from importlib.util import find_spec
from typing import Any, TypeAlias

from flask import Response, render_template, request

from lots.api.documents.print_limits import as_printed
from lots.api.documents.report_pages import Section
from lots.api.http.errors import problem
from lots.api.http.routes import Refused
from lots.api.http.site_address import shop_details
from lots.services.setup.place import Place

JSON, HTML, PDF = "application/json", "text/html", "application/pdf"
# For a resource's documentation: @routes.alt_response(200, **AS_PAGE), and the same with AS_PDF.
AS_PAGE = {"schema": {"type": "string"}, "content_type": HTML, "description": "a page to print", "success": True}
AS_PDF = {
    "schema": {"type": "string", "format": "binary"},
    "content_type": PDF,
    "description": "a PDF, A4",
    "success": True,
}


@dataclass(frozen=True, slots=True)
class Paper:
    """What is printed.

    Args:
        kind: a class of the style sheet, which says what stands at the foot of a printed page: report or record.
        title: at the top, with its number.
        sections: all that it says.
        made_at: its date.
        name: of a file, without its ending.
        shop: whose paper it is: name, then lines of its address.
    """

    kind: str
    title: str
    sections: Sequence[Section]
    made_at: datetime
    name: str
    shop: Sequence[str] = ()


# What a paper is made of: what was found, and how the site writes.
Made: TypeAlias = Callable[[dict[str, Any], Place], Paper]


def printed(find: Callable[..., dict[str, Any]], paper: Made) -> Any:
    """Returns what a resource should answer: what `find` finds as JSON, or its paper as a page or a PDF."""
    wanted = request.accept_mimetypes.best_match([JSON, HTML, PDF], JSON)
    if wanted == JSON:
        return find(), {"Vary": "Accept"}
    answer = on_paper(wanted, find, paper)
    answer.vary.add("Accept")
    return answer


def on_paper(wanted: str, find: Callable[..., dict[str, Any]], paper: Made, script: str = "") -> Response:
    """Returns the paper of what `find` finds as a page or a PDF, with dates and numbers as the site writes them.

    Args:
        wanted: HTML or PDF.
        find: what it says.
        paper: lays it out.
        script: address of the script of a button that prints, where there is one.

    Raises:
        Refused: 501 for a PDF that cannot be made, before anything is looked up.
    """
    if wanted == PDF and find_spec("fpdf") is None:
        raise Refused(_no_pdf())
    details = shop_details()
    head = [line.strip() for part in (details.name, details.address) if part for line in part.splitlines()]
    made = replace(paper(find(to_print=True), details.place), shop=list(filter(None, head)))
    return _as_pdf(made) if wanted == PDF else _as_page(made, script)


def _as_page(paper: Paper, script: str) -> Response:
    sections = as_printed(paper.sections)
    text = render_template(
        "printed.html", kind=paper.kind, title=paper.title, sections=sections, shop=paper.shop, script=script
    )
    return Response(text, mimetype=HTML)


def _as_pdf(paper: Paper) -> Response:
    from lots.api.documents.report_pdf import as_pdf

    answer = Response(as_pdf(paper.title, as_printed(paper.sections), paper.made_at, paper.shop), mimetype=PDF)
    answer.headers["Content-Disposition"] = f'inline; filename="{paper.name}.pdf"'
    return answer


def _no_pdf() -> Response:
    return problem(
        501,
        "no-pdf",
        "This server makes no PDF",
        "Its extra for PDF is not installed. Print the page (text/html) instead, or ask the administrator to install it: "
        "pip install 'lots[pdf]', or in a checkout: .venv/bin/pip install -e '.[pdf]'.",
    )
