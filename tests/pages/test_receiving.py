"""The clerk at the pages, in a browser without script: a delivery, its labels, and the page a label leads to."""

from __future__ import annotations

import io
import re

import resvg_py
import zxingcpp
from PIL import Image

from tests.pages.reading import SITE, Browser, log, typed
from tests.shop import SIMPLE_LIMITS, WHITE


def test_from_the_pallet_to_a_released_lot_without_script(desk, clerk):
    """Log, see which spool to measure, print, measure it twice, and read in a word that the lot is released."""
    done = log(desk, clerk, order_ref="PO-7", due_at="2026-11-30")
    delivery = desk.get("receiving", "/deliveries")["items"][0]
    (drawn,) = delivery["sample"]["spool_codes"]
    assert ("PO-7", "2026-11-30T23:59:59Z") == (delivery["order_ref"], delivery["due_at"])
    assert "Next steps" in done.headings[0]
    assert "in quarantine" in done.text
    assert delivery["sample"]["says"] in done.text

    labels = clerk.go(done.links["Print labels"])
    assert "image/svg+xml" == clerk.raw(labels.links["Page 1 of 1 as SVG"]).mimetype

    bench = clerk.go(done.links[drawn])
    assert f"Measure spool {drawn}" in bench.text
    stored = clerk.send(
        bench,
        "d1_mm-0",
        "Store",
        **{"d1_mm-0": "1.748", "d2_mm-0": "1.752", "instrument_id": str(desk.micrometer["id"])},
    )
    assert f"1 reading stored: diameter of {drawn}" in stored.text
    assert "Still to do on this lot" in stored.text
    assert "in quarantine" in stored.text

    color = clerk.go(stored.links["Colour"])
    lab = dict(zip(("L-0", "a-0", "b-0"), map(str, WHITE), strict=True))
    end = clerk.send(color, "L-0", "Store", **lab)
    assert "✔ released" in end.text
    assert "All measurements of this lot are complete." in end.text
    assert "released" == desk.lot(delivery["lot_id"])["standing"]


def test_a_double_click_logs_one_delivery_and_one_reading(desk, clerk):
    """The same form sent twice gives the same answer, and the record has it once."""
    form = clerk.go("/receiving").form("supplier_lot")["fields"] | typed(desk)
    places = [clerk.raw("/receiving", data=form).headers["Location"] for _ in range(2)]
    assert places[0] == places[1]
    (delivery,) = desk.get("receiving", "/deliveries")["items"]
    code = delivery["sample"]["spool_codes"][0]
    form = clerk.go(f"/bench?spool={code}").form("d1_mm-0")["fields"] | {"d1_mm-0": "1.75", "d2_mm-0": "1.76"}
    form["step"] = "store"
    pages = [clerk.go("/bench", data=form) for _ in range(2)]
    assert [True, True] == ["1 reading stored" in page.text for page in pages]
    assert 1 == len(desk.get("quality", f"/lots/{delivery['lot_id']}/readings")["items"])


def test_now_is_preset_and_may_be_changed(desk, clerk):
    """The clerk sees the moment on the site's clock; another offset is taken as it says."""
    preset = clerk.go("/receiving").form("received_at")["fields"]["received_at"]
    assert re.fullmatch(r"20\d\d-\d\d-\d\dT\d\d:\d\d", preset)
    log(desk, clerk, received_at="2026-03-02T09:30:00+01:00")
    assert "2026-03-02T08:30:00Z" == desk.get("receiving", "/deliveries")["items"][0]["received_at"]


def test_codes_are_scanned_one_per_line_with_masses_of_their_own(desk, clerk):
    """A comma, a semicolon, a tab or several blanks come before a mass. A code may contain a blank."""
    lines = "W B-1\nWB-2, 750\nWB-3;500\nWB-4\t250\nWB-5   900\n\n"
    log(desk, clerk, spools=lines, spool_count="")
    lot = desk.get("receiving", "/lots/1")
    assert {"W B-1": 1000, "WB-2": 750, "WB-3": 500, "WB-4": 250, "WB-5": 900} == {
        spool["code"]: spool["net_mass_g"] for spool in lot["spools"]
    }


def test_a_number_behind_a_single_blank_is_asked_about(desk, clerk):
    """Mass or part of the code: only the clerk knows, so nothing is stored."""
    page = log(desk, clerk, spools="A-1\nHW 1000", spool_count="")
    assert 422 == page.status
    assert 'Line 2: is 1000 the mass or part of the code? Write "HW, 1000", or "HW 1000, 1000"' in page.text
    assert [] == desk.get("receiving", "/deliveries")["items"]


def test_every_fault_stands_at_its_field_and_what_was_typed_stays(desk, clerk):
    """A decimal comma, a time without offset, a mass in kilograms on one line: refused with the hint, nothing is lost."""
    page = log(desk, clerk, lot="Q 'n <b>", received_at="2026-03-02 9:30", cost="12,50", currency="EUR")
    assert 422 == page.status
    kept = page.form("supplier_lot")["fields"]
    assert ("Q 'n <b>", "12,50", "2026-03-02 9:30") == tuple(
        kept[name] for name in ("supplier_lot", "cost", "received_at")
    )
    assert "Write 12.50, with a decimal point, not a comma" in page.text
    assert "This time is not complete, or has another form." in page.text
    assert "<b>" not in page.html
    page = log(desk, clerk, spools="A-1, 750\n\nA-2, 0.75", spool_count="", net_mass_g="")
    assert "Line 3, mass: 0.75 g is not a plausible net mass" in page.text
    page = log(desk, clerk, supplier_id="", spools="A", spool_count="3")
    assert "The supplier is missing." in page.text
    assert [] == desk.get("receiving", "/deliveries")["items"]


def test_a_number_much_like_a_known_one_is_asked_about_and_added_when_it_is_that_lot(desk, clerk):
    """The first button takes the number as it is known."""
    first = desk.receive(desk.quillwort, desk.white, "Q-71")
    question = log(desk, clerk, "q 71", note="dented\nbox")
    assert (409, "Similar lot numbers") == (question.status, question.headings[0])
    assert 1 == len(desk.get("receiving", "/deliveries")["items"])
    clerk.send(question, "supplier_lot", "Yes, it is Q-71")
    added = desk.get("receiving", "/deliveries")["items"][1]
    assert (first["lot_id"], "dented\r\nbox") == (added["lot_id"], added["note"])


def test_a_number_much_like_a_known_one_begins_a_lot_when_the_clerk_says_so(desk, clerk):
    """The second button confirms that it is another."""
    desk.receive(desk.quillwort, desk.white, "Q-71")
    clerk.send(log(desk, clerk, "q 71"), "supplier_lot", "No, q 71 is another lot")
    assert ["Q-71", "q 71"] == [lot["supplier_lot"] for lot in desk.get("receiving", "/lots")["items"]]


def test_spools_of_a_lot_that_was_sent_back_are_put_aside(desk, clerk):
    """They join the lot, and the page says what to do with them before anything else."""
    lot = desk.receive(desk.quillwort, desk.white, "Q-71")["lot_id"]
    desk.decide(lot, "return", "streaks")
    page = log(desk, clerk)
    assert "Spools to put aside" in page.text
    assert "Tell quality. streaks" in page.text


def test_the_last_deliveries_come_first(desk, clerk):
    """The twelve newest deliveries come first."""
    for number in range(14):
        desk.receive(desk.quillwort, desk.white, f"Q-{number:02d}")
    page = clerk.go("/receiving")
    assert [f"Q-{number:02d}" for number in range(13, 1, -1)] == re.findall(r"Q-\d\d", page.text)
    assert "Q-13" in clerk.go("/receiving/14").text
    assert (404, "Unknown delivery") == (clerk.go("/receiving/15").status, clerk.go("/receiving/15").headings[0])


def test_a_symbol_on_paper_leads_to_the_spools_page(desk, clerk):
    """The decoded address leads to the spool's status, mass left and place."""
    log(desk, clerk, spools="HW 7-7", spool_count="")
    labels = clerk.go("/receiving/1/labels?size=single")
    image = re.search(r'<img src="([^"]+)"', labels.html)[1].replace("&amp;", "&")
    png = resvg_py.svg_to_bytes(svg_string=clerk.raw(image).get_data(as_text=True), dpi=300)
    (symbol,) = zxingcpp.read_barcodes(Image.open(io.BytesIO(bytes(png))).convert("L"))
    assert f"{SITE}/spools/HW%207-7" == symbol.text
    page = clerk.go(symbol.text.removeprefix(SITE))
    for words in (
        "HW 7-7",
        "in quarantine",
        "Q-71",
        "1000 g of 1000 g",
        "Length left 335 m",
        "Not loaded",
        "Supplier QWT",
        "Still sealed",
    ):
        assert words in page.text, words


def test_the_spools_page_offers_each_desk_its_own(desk):
    """Production checks, receiving and quality measure; everybody sees the same status, and what to do with an unknown code."""
    spool = desk.good_lot(desk.quillwort, desk.white)["spools"][0]["code"]
    desk.load(spool)
    offered = {}
    for role in ("receiving", "quality", "production", "purchasing"):
        page = Browser(desk, role).go(f"/spools/{spool}")
        assert "✔ released" in page.text
        assert "Loaded on P1" in page.text
        offered[role] = {"Check", "Measure", "Print label"} & set(page.links)
    bench = {"Measure", "Print label"}
    floor = {"Check", "Print label"}
    assert {"receiving": bench, "quality": bench, "production": floor, "purchasing": set()} == offered
    page = Browser(desk, "production").go("/spools/NOBODY")
    assert (404, True) == (page.status, "Take it to receiving" in page.text)


def test_labels_are_handed_on_as_a_pdf_and_refusals_in_words(desk, clerk):
    """A browser has no token for the API, so the page fetches for it: pages, sizes, the first free place."""
    log(desk, clerk)
    answer = clerk.raw("/receiving/1/labels.pdf?size=single")
    assert ("application/pdf", b"%PDF") == (answer.mimetype, answer.data[:4])
    assert 'attachment; filename="labels-delivery-1.pdf"' == answer.headers["Content-Disposition"]
    assert 'filename="label.pdf"' in clerk.raw("/spools/L1-S001/label.pdf?size=single").headers["Content-Disposition"]
    assert "Page 2 of 2 as SVG" in clerk.go("/receiving/1/labels?from=23").links
    page = clerk.go("/receiving/1/labels?from=30")
    assert (422, True) == (
        page.status,
        "Position 30 does not exist on this sheet. Give a whole number from 1 to 24." in page.text,
    )
    assert "Page 9 does not exist." in clerk.go("/receiving/1/labels.svg?page=9").text
    assert (404, 404) == (clerk.go("/receiving/9/labels").status, clerk.go("/spools/X/label").status)


def test_a_drying_is_recorded_on_the_page_of_its_spool(desk):
    """The form shows its caution, and the stored drying is listed with its effect."""
    grade = desk.grade("PLA-DRY", SIMPLE_LIMITS, dry_c=45, dry_h=6)
    code = desk.receive(desk.quillwort, grade, "DRY-1", spools=1)["spools"][0]["code"]
    maker = Browser(desk, "production")
    page = maker.go(f"/spools/{code}")
    assert "No drying is recorded." in page.text
    assert "never used for food" in page.text
    after = maker.send(page, "temperature_c", temperature_c="45", hours="6")
    assert "This drying meets the grade's rule (45 °C, 6 h)." in after.text
