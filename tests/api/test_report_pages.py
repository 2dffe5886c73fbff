"""The report as a page and as a PDF: escaped, complete, numbered and equal."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from html.parser import HTMLParser

import pypdf
import pytest

from lots.api.documents import printed
from lots.api.documents.letter_pages import sections
from lots.api.documents.report_pages import Section, Table
from lots.api.documents.report_pdf import as_pdf
from lots.domain.purchasing.letters import CAUTIONS
from lots.services.documents import letters
from lots.services.documents.nonconformity_report import nonconformity
from lots.services.setup.place import Place
from tests.api.refusals import refused
from tests.reported import NAME, bad_lot, fetch, report
from tests.store.rows import connected


@pytest.fixture
def engine():
    """SQLite alone: the report does not depend on the engine."""
    return "sqlite"


@pytest.fixture
def bad(shop):
    """The shop with a lot that fails in colour and diameter."""
    return bad_lot(shop)


def pdf_text(content: bytes) -> str:
    """The words of a PDF without blanks and line ends."""
    return squeezed(" ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(content)).pages))


def squeezed(text: str) -> str:
    """A text without blanks."""
    return "".join(text.split())


class Page(HTMLParser):
    """The text of a page, its tags with their attributes, and its fetched files."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.said: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        """Stores a tag."""
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        """Stores text."""
        self.said.append(data)

    @property
    def text(self) -> str:
        """All its text."""
        return squeezed(" ".join(self.said))


ASKED = {
    "": "application/json",
    "*/*": "application/json",
    "application/json": "application/json",
    "image/png": "application/json",
    "text/html": "text/html",
    "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8": "text/html",
    "application/pdf": "application/pdf",
    "application/pdf;q=0.5, text/html": "text/html",
}


def test_who_asks_for_a_page_or_a_pdf_gets_it(bad):
    """Page and PDF are sent on request, and JSON otherwise."""
    answers = {accept: fetch(bad, accept) for accept in ASKED}
    assert ASKED == {accept: answer.mimetype for accept, answer in answers.items()}
    assert {200} == {answer.status_code for answer in answers.values()}
    assert {True} == {"Accept" in answer.headers["Vary"] for answer in answers.values()}


def test_the_page_escapes_whatever_people_wrote_and_fetches_nothing_but_its_style(bad):
    """A lot number with tags is escaped as text; there is no script, no inline style and no foreign host."""
    bad.post("purchasing", f"/lots/{bad.lot_id}/corrective-actions", {"requested_action": "<script>alert(1)</script>"})
    answer = fetch(bad, "text/html")
    page = Page(answer.get_data(as_text=True))
    assert squeezed(NAME) in page.text
    assert squeezed("<script>alert(1)</script>") in page.text
    assert {"b", "box", "jaw", "script", "style", "img", "form"} & {tag for tag, _ in page.tags} == set()
    addresses = [value for _, attributes in page.tags for name, value in attributes.items() if name in ("href", "src")]
    assert ["/static/report.css"] == addresses
    assert [] == [
        name for _, attributes in page.tags for name in attributes if name.startswith("on") or name == "style"
    ]
    assert ("html", {"lang": "en"}) in page.tags
    assert "style-src 'self'" in answer.headers["Content-Security-Policy"]


def test_the_style_needs_no_token_fetches_nothing_and_numbers_the_pages(bad):
    """The style sheet needs no token, has a class for every column width, numbers pages, and leaves the paper size to the printer."""
    answer = bad.client.get("/static/report.css")
    style = answer.get_data(as_text=True)
    answer.close()
    assert (200, "text/css") == (answer.status_code, answer.mimetype)
    assert [] == [word for word in ("url(", "@import", "http") if word in style]
    assert 'counter(page) " of " counter(pages)' in style
    assert "size:" not in style.replace("font-size:", "").replace("box-sizing:", "")
    tables = [table for part in parts_of_everything(bad) for table in part.tables]
    assert 7 <= len(tables)
    assert [] == [
        width for table in tables for width in table.widths if f".w{width} {{ width: {width}%; }}" not in style
    ]
    assert {100} == {sum(table.widths) for table in tables}


def parts_of_everything(shop):
    """The sections of the report behind page and PDF."""
    with connected():
        found = nonconformity(shop.lot_id, to_print=True)
    return sections(found, letters.unsigned(found), Place())


def test_page_and_pdf_say_the_same_and_all_of_it(bad):
    """Every fact, sentence and cell is in both: supplier, lot number, failing messages and deltas."""
    found = report(bad)
    page, pdf = Page(fetch(bad, "text/html").get_data(as_text=True)).text, pdf_text(fetch(bad, "application/pdf").data)
    said = [found["number"], "Supplier NBK", "Jory, sales@ninebark.example", NAME, "PO-7", "ΔE00", "Δb*", *bad.codes]
    said += [row["message"] for row in found["found"]["failing"]]
    said += [
        "4 required limits are not met",
        "Please answer in writing by",
        "1 further reading was voided and does not count.",
    ]
    said += [found["asked"]["decision_rule"], found["asked"]["sampling"], "Ovality", *CAUTIONS]
    for part in parts_of_everything(bad):
        # Cells of a table are wrapped next to each other, so a PDF's text mixes the long ones.
        said += [part.title, *part.paragraphs[1:], *(name for name, _ in part.facts)]
        said += [table.title for table in part.tables]
    for text in said:
        assert squeezed(text) in page, text
        assert squeezed(text) in pdf, text


def test_the_paper_says_nothing_that_is_for_the_shop_alone(bad):
    """The paper has no cautions, reasons of voids, notes, decisions or tasks."""
    page, pdf = Page(fetch(bad, "text/html").get_data(as_text=True)).text, pdf_text(fetch(bad, "application/pdf").data)
    kept_back = ("keep dry", "<jaw>", "dented", "Still to be measured", "Decisions", " person", "/v1/", "POST")
    assert [] == [text for text in kept_back if squeezed(text) in page or squeezed(text) in pdf]


def test_the_pdf_numbers_its_pages_and_names_itself(bad):
    """Each page has x of y, and the title and the file name contain the report's number."""
    answer = fetch(bad, "application/pdf")
    number = report(bad)["number"]
    assert f'inline; filename="nonconformity-report-{number}.pdf"' == answer.headers["Content-Disposition"]
    read = pypdf.PdfReader(io.BytesIO(answer.data))
    assert f"Nonconformity report {number}" == read.metadata.title
    assert len(read.pages) >= 2
    for index, page in enumerate(read.pages, start=1):
        assert squeezed(f"report {number}, page {index} of {len(read.pages)}") in squeezed(page.extract_text())


def test_without_its_extra_a_pdf_is_refused_with_what_to_install(bad, monkeypatch):
    """Without its extra a PDF is refused with 501; other forms work."""
    monkeypatch.setattr(printed, "find_spec", lambda name: None)
    body = refused(fetch(bad, "application/pdf"), 501, "no-pdf")
    assert "pip install 'lots[pdf]'" in body["detail"]
    assert [200, 200] == [fetch(bad, accept).status_code for accept in ("text/html", "application/json")]


NOW = datetime(2026, 3, 2, 8, tzinfo=UTC)


@pytest.mark.parametrize(
    "text",
    ["word " * 800, "x" * 4000, "W" * 4000, "\n" * 1500 + "end", "a\r\nb\tc", "{nb} {{nb}}", "L\u0141\u00e9\u0394"],
)
def test_a_pdf_holds_any_text_in_any_place(text):
    """A PDF holds pages of words, very long words, empty lines, and text like the library's own markup."""
    narrow = Table("T", ("one", "two", "three"), (7, 14, 79), [("1", text, "right"), (text, "", text)])
    made = as_pdf("Title", [Section("S", [("fact", text)], [text], [narrow])], NOW)
    whole = pdf_text(made)
    assert 5 <= whole.count(squeezed(text)[-3:])
    read = pypdf.PdfReader(io.BytesIO(made))
    assert squeezed(f"page 1 of {len(read.pages)}") in whole
    assert squeezed(text)[:1500] in whole or len(text) > 1500


def test_characters_that_the_font_lacks_are_owned_up_to():
    """A PDF with characters that the font lacks names them and the form that has them."""
    whole = pdf_text(as_pdf("Title", [Section("S", [("Supplier", "\u682a\u5f0f Ltd")])], NOW))
    assert squeezed("shown as empty boxes: U+5F0F, U+682A") in whole
    assert "emptyboxes" not in pdf_text(as_pdf("Title", [Section("S", [("Supplier", "Z\u00fcrich \u0394E")])], NOW))


def test_a_table_has_a_cell_for_every_heading():
    """A row with a missing cell is refused when the table is made."""
    with pytest.raises(ValueError, match="needs 2 cells"):
        Table("T", ("a", "b"), (50, 50), [("1",)])
