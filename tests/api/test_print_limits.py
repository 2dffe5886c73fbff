"""The row limits of a paper, and the text on omitted rows."""

from __future__ import annotations

import pytest

from lots.api.documents import print_limits
from lots.api.documents.print_limits import MOST_PARAGRAPHS, MOST_ROWS, as_printed, shared_out
from lots.api.documents.report_pages import Section, Table
from tests.api.test_report_pages import pdf_text, squeezed
from tests.reported import bad_lot


@pytest.fixture
def engine():
    """SQLite alone: papers do not depend on the engine."""
    return "sqlite"


def table(title, count, rest=""):
    """A table of so many rows."""
    return Table(title, ("No.",), (100,), [(str(n),) for n in range(count)], rest=rest)


def test_what_fits_is_printed_as_it_is():
    """A paper below the limits is complete, without a text on limits."""
    sections = [Section("A", [("Name", "x")], ["said"], [table("T", MOST_ROWS // 2), table("U", MOST_ROWS // 2)])]
    assert sections == as_printed(sections)


def test_long_tables_leave_rows_out_and_short_ones_do_not():
    """A short table stays whole; a long one has a line with the number of omitted rows and their path."""
    long, short = table("Diameter", 20_000, "/v1/lots/7/readings?kind=diameter"), table("Decisions", 30)
    (cut,) = as_printed([Section("Readings", tables=[long, short])])
    assert [MOST_ROWS - 30, 30] == [len(each.rows) for each in cut.tables]
    left = 20_000 - MOST_ROWS + 30
    assert [
        f"Diameter: {left:,} of 20,000 rows are omitted. All rows are at /v1/lots/7/readings?kind=diameter (`Accept: text/csv` for CSV)."
    ] == cut.paragraphs
    assert (
        as_printed([Section("R", tables=[table("S", 900)])])[0]
        .paragraphs[0]
        .endswith("The JSON form (`Accept: application/json`) is complete.")
    )


def test_the_rows_of_a_paper_never_exceed_the_limit():
    """The tables of a paper together never exceed the row limit."""
    for wanted in ([1, 2, 3], [5000] * 9, [0, 10_000, 3], []):
        given = shared_out(wanted, MOST_ROWS)
        assert sum(given) == min(sum(wanted), sum(given))
        assert sum(given) <= MOST_ROWS
        assert all(one <= most for one, most in zip(given, wanted, strict=True))


def test_sentences_and_long_texts_are_cut():
    """A section of thousands of sentences and a very long text are cut."""
    (cut,) = as_printed([Section("A", [("Why", "x" * 10_000)], ["s"] * 1000)])
    assert MOST_PARAGRAPHS + 1 == len(cut.paragraphs)
    assert cut.paragraphs[-1].startswith("800 more sentences are omitted.")
    assert cut.facts[0][1].endswith("... (10,000 characters)")


@pytest.mark.parametrize("paper", ["record", "nonconformity-report"])
def test_every_form_of_a_paper_says_what_it_leaves_out(shop, monkeypatch, paper):
    """Page and PDF keep the row limits and name the full list: a path, or for a supplier the shop."""
    monkeypatch.setattr(print_limits, "MOST_ROWS", 6)
    made = bad_lot(shop)
    url, headers = f"/v1/lots/{made.lot_id}/{paper}", {"Authorization": f"Bearer {shop.tokens['quality']}"}
    whole = shop.client.get(url, headers=headers).get_json()
    ours = f"/v1/lots/{made.lot_id}/readings?kind="
    rest = squeezed(ours if paper == "record" else "The complete data are available on request.")
    page = shop.client.get(url, headers={**headers, "Accept": "text/html"}).get_data(as_text=True)
    pdf = shop.client.get(url, headers={**headers, "Accept": "application/pdf"}).get_data()
    assert len(whole["readings"]) > 6
    for text in (page, pdf_text(pdf)):
        assert "rowsareomitted" in squeezed(text)
        assert rest in squeezed(text)
