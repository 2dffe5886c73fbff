"""Papers about a lot as people take them: opened from the lot's page, printed, or saved as a PDF."""

from __future__ import annotations

import io

import pypdf
import pytest

from lots.services.setup.roles import PEOPLE
from tests.pages.reading import Browser
from tests.reported import bad_lot

PAPER = {"record": "Print lot record", "pdf": "Download lot record (PDF)", "report": "Print nonconformity report"}


@pytest.mark.parametrize("role", [*PEOPLE, "admin"])
def test_everybody_opens_the_record_from_the_page_of_a_lot(desk, role):
    """Every desk opens the lot record as a page with one heading, and as a PDF with the same title."""
    desk.good_lot(desk.quillwort, desk.white)
    somebody = Browser(desk, role)
    lot = somebody.go("/lots/1")
    record = somebody.go(lot.links[PAPER["record"]])
    assert (200, "Lot record LR-1-") == (record.status, record.headings[0][:16])
    answer = somebody.raw(lot.links[PAPER["pdf"]])
    assert "application/pdf" == answer.mimetype
    assert record.headings[0] == pypdf.PdfReader(io.BytesIO(answer.data)).metadata.title


def test_a_lot_that_does_not_conform_has_both_papers(shop):
    """The record for everybody, the report for those who write to the supplier."""
    bad = bad_lot(shop)
    for role in (*PEOPLE, "admin"):
        links = Browser(bad, role).go(f"/lots/{bad.lot_id}").links
        assert PAPER["record"] in links
        assert (PAPER["report"] in links) is (role in ("quality", "purchasing", "admin"))


@pytest.mark.parametrize("paper", ["record", "report"])
def test_no_paper_of_a_lot_that_is_not(desk, paper):
    """404 in words, with a way back."""
    page = Browser(desk, "quality").go(f"/lots/99/{paper}")
    assert (404, "Lot 99 does not exist.") == (page.status, page.text[page.text.index("Lot 99") :][:22])


def test_a_lot_that_conforms_has_no_report_and_the_page_names_no_request(desk):
    """A person is told in words why there is no report, without paths and methods."""
    desk.good_lot(desk.quillwort, desk.white)
    page = Browser(desk, "quality").go("/lots/1/report")
    assert (409, True) == (page.status, "there is nothing to report" in page.text)
    assert [] == [word for word in ("GET ", "POST ", "/v1/", "?as_of") if word in page.text]


def test_no_pdf_is_offered_where_none_can_be_made(desk, monkeypatch):
    """Without the extra for PDF, the pages offer neither the record nor the labels as PDF."""
    desk.good_lot(desk.quillwort, desk.white)
    somebody = Browser(desk, "quality")
    offered = [PAPER["pdf"] in somebody.go("/lots/1").links, "Download PDF" in somebody.go("/receiving/1/labels").links]
    monkeypatch.setattr("lots.pages.site.frame.find_spec", lambda name: None)
    refused = [PAPER["pdf"] in somebody.go("/lots/1").links, "Download PDF" in somebody.go("/receiving/1/labels").links]
    assert ([True, True], [False, False]) == (offered, refused)
