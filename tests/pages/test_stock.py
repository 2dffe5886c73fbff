"""Stock at the pages: kilograms of each grade by use, drawn, as a file, and for one grade or use."""

from __future__ import annotations

import pytest

from tests.pages.reading import Browser


@pytest.fixture
def engine():
    """A shop on SQLite only: the API's answers are tested on both engines."""
    return "sqlite"


@pytest.fixture
def stocked(desk):
    """A lot of two spools, one of them on a machine, and a lot of another grade in quarantine."""
    spool = desk.good_lot(desk.quillwort, desk.white, "Q-1", spools=2)["spools"][0]["code"]
    desk.load(spool, "general")
    desk.black = desk.grade("PLA-WB-175", limits={"diameter": {"reading_tolerance_mm": 0.05}})
    desk.receive(desk.ninebark, desk.black, "N-1", spools=3)
    return desk


def test_each_grade_has_a_table_of_its_uses(stocked):
    """Kilograms in words, links to the lots and the file, and what is not counted."""
    page = Browser(stocked, "purchasing").go("/purchasing/stock")
    assert "Stock" == page.headings[0]
    assert "general not known 1.00 0.00 0.00 1.00" in page.text
    assert "PLA-WB-175: Harbour White Kilograms by use, 3.00 kg in all" in page.text
    assert f"/lots?grade_id={stocked.black['id']}" in page.every_link
    assert "Open orders are not recorded here." in page.text
    assert "load_bearing" not in page.text


def test_the_filter_stays_in_the_address(stocked):
    """One grade and one use: only their line, chosen in the form, and the file has the same."""
    buyer = Browser(stocked, "purchasing")
    page = buyer.go(f"/purchasing/stock?grade_id={stocked.white['id']}&use=general")
    chosen = page.form("grade_id")["fields"]
    assert (str(stocked.white["id"]), "general") == (chosen["grade_id"], chosen["use"])
    assert "Kilograms by use" in page.text
    assert "3.00 kg in all" not in page.text
    file = buyer.raw(page.links["Download CSV"])
    assert ("text/csv", 2) == (file.mimetype, len(file.text.splitlines()))
    assert "attachment; filename=stock.csv" == file.headers["Content-Disposition"]


@pytest.mark.parametrize("size", ["", "?size=narrow"])
def test_the_picture_is_one_of_its_own(stocked, size):
    """The picture of the stock has title, description and kilograms in words, for a page and for a phone."""
    picture = Browser(stocked, "production").raw(f"/purchasing/stock.svg{size}")
    assert "image/svg+xml" == picture.mimetype
    assert all(words in picture.text for words in ("<title", "<desc", "3.00 kg in quarantine", "1.00 kg on machines"))
    assert ('width="360"' in picture.text) is bool(size)


def test_kilograms_are_rounded_alike_on_page_and_picture(desk):
    """Page and picture round kilograms to 10 g, halves up in decimal, and write "1 lot" in the singular."""
    one = desk.good_lot(desk.quillwort, desk.white, "Q-1", spools=1)["spools"][0]["code"]
    load = desk.load(one, "general")
    desk.post("production", f"/loads/{load['id']}/unload", {"remaining_mass_g": 625})
    buyer = Browser(desk, "purchasing")
    page = buyer.go("/purchasing/stock")
    assert "0.63 kg in all" in page.text
    assert "0.63 kg may be loaded" in page.text
    assert "0.63 kg may be loaded" in buyer.raw("/purchasing/stock.svg").text
    assert "1 of 1 lot accepted" in page.text


def test_what_is_no_grade_is_refused_in_words(stocked):
    """404 or 422, for page, picture and file alike."""
    buyer = Browser(stocked, "quality")
    for path in ("/purchasing/stock", "/purchasing/stock.svg", "/purchasing/stock.csv"):
        assert [404, 422] == [buyer.raw(f"{path}?{query}").status_code for query in ("grade_id=99", "use=flying")]


def test_an_empty_shop_says_so(desk):
    """No table, no picture, and a sentence."""
    page = Browser(desk, "purchasing").go("/purchasing/stock")
    assert "No filament is in stock, and none was used." in page.text
    assert "Download CSV" not in page.links


def test_receiving_has_no_such_page(desk):
    """Stock is for purchasing, production and quality."""
    assert 403 == Browser(desk, "receiving").raw("/purchasing/stock").status_code
