"""What leaves the printer: labels of one spool, chosen ones or all, papers as the site writes them, and the button that prints."""

from __future__ import annotations

import io
import re

import pypdf
import pytest
import resvg_py
import zxingcpp
from PIL import Image

from tests.api.refusals import admin
from tests.described import describe
from tests.pages.reading import Browser, log
from tests.reported import bad_lot
from tests.tolerances import DRAWN_MM

BUTTON = "data-print hidden"


def labels_on(who, page):
    """The spool codes in the symbols of every picture on a page of labels."""
    found = []
    for address in re.findall(r'<img src="([^"]+)"', page.html):
        picture = who.raw(address.replace("&amp;", "&")).get_data(as_text=True)
        png = bytes(resvg_py.svg_to_bytes(svg_string=picture, dpi=300))
        found += [
            one.text.rpartition("/")[2] for one in zxingcpp.read_barcodes(Image.open(io.BytesIO(png)).convert("L"))
        ]
    return sorted(found)


def asked(shop, path, kind):
    """The answer of the API for this media type."""
    return shop.client.get(f"/v1{path}", headers={**admin(shop), "Accept": kind}).get_data(as_text=True)


def test_labels_are_printed_again_for_one_spool_some_or_all(desk, clerk):
    """From the spool, by ticks on the delivery, and for the whole lot; not for a withdrawn spool."""
    log(desk, clerk, spools="S-1\nS-2\nS-3", spool_count="")
    log(desk, clerk, spools="S-4", spool_count="")
    page = clerk.go("/receiving/1/labels")
    assert ["S-1", "S-2", "S-3"] == labels_on(clerk, page)
    some = clerk.go("/receiving/1/labels?size=roll&spool=S-1&spool=S-3")
    assert ["S-1", "S-3"] == labels_on(clerk, some)
    pdf = clerk.raw(some.links["Download PDF"].replace("&amp;", "&"))
    assert 2 == len(pypdf.PdfReader(io.BytesIO(pdf.data)).pages)
    whole = clerk.go(clerk.go("/receiving/1").links["Labels of the whole lot"])
    assert ["S-1", "S-2", "S-3", "S-4"] == labels_on(clerk, whole)
    assert ["S-2"] == labels_on(clerk, clerk.go("/spools/S-2/label"))
    clerk.send(clerk.go("/receiving/1/correct"), "spool_count", withdraw="S-3")
    assert ["S-1", "S-2"] == labels_on(clerk, clerk.go("/receiving/1/labels"))
    gone = clerk.go("/receiving/1/labels?spool=S-3")
    assert (409, True) == (gone.status, "Withdrawn spools cannot be labelled." in gone.text)
    struck = clerk.go("/spools/S-3/label")
    assert (409, []) == (struck.status, labels_on(clerk, struck))


def test_the_page_of_labels_has_the_size_of_the_shops_labels(desk, clerk):
    """On the screen and on paper: its style and its pictures follow from the shop's details."""
    log(desk, clerk, spools="S-1", spool_count="")
    describe(desk, label_width_mm=50, label_height_mm=25, label_paper="roll")
    page = clerk.go("/receiving/1/labels")
    assert "Roll, 50 x 25 mm" in page.text
    assert "A4 sheet of 44, 50 x 25 mm" in page.text
    address = re.search(r'href="([^"]*labels\.css[^"]*)"', page.html)[1]
    style = clerk.raw(address)
    assert ("text/css", True) == (style.mimetype, "size: 50mm 25mm" in style.get_data(as_text=True))
    box = pypdf.PdfReader(io.BytesIO(clerk.raw(page.links["Download PDF"]).data)).pages[0].mediabox
    assert (50, 25) == pytest.approx((float(box.width) * 25.4 / 72, float(box.height) * 25.4 / 72), abs=DRAWN_MM)
    sheet = clerk.go("/receiving/1/labels?size=sheet")
    assert "size: 210mm 297mm" in clerk.raw("/labels.css?size=sheet").get_data(as_text=True)
    assert ["S-1"] == labels_on(clerk, sheet)


def test_a_label_too_small_is_refused_in_words(desk, clerk):
    """The error for a too small label names the smallest possible size and who sets it up."""
    log(desk, clerk, spools="S-1", spool_count="")
    describe(desk, label_width_mm=30, label_height_mm=15)
    page = clerk.go("/receiving/1/labels")
    assert 409 == page.status
    assert "A label of 30 x 15 mm is too small for code and text." in page.text
    assert "the smallest label is 40 x 20 mm. Ask the administrator to set up larger labels." in page.text


def test_the_page_says_that_phones_need_an_address(desk, clerk):
    """Only where no address is known that a phone reaches."""
    log(desk, clerk, spools="S-1", spool_count="")
    said = "Ask the administrator to state the web address of the shop, so that a phone can open the page of a spool."
    assert said not in clerk.go("/receiving/1/labels").text
    at_home = clerk.client.get("/receiving/1/labels", base_url="http://127.0.0.1:8080")
    if at_home.status_code == 302:
        signed = clerk.client.get_cookie("__Host-lots_session", domain="lots.example.org")
        at_home = desk.app.test_client(use_cookies=False).get(
            "/receiving/1/labels", base_url="http://127.0.0.1:8080", headers={"Cookie": f"lots_session={signed.value}"}
        )
    assert said in " ".join(at_home.get_data(as_text=True).split())


@pytest.mark.parametrize(
    ("zone", "shown"),
    [
        ("Europe/Berlin", "25.10.2026 02:30 CET"),
        ("Asia/Kolkata", "25.10.2026 07:00 IST"),
        ("America/St_Johns", "24.10.2026 23:00 NDT"),
    ],
)
def test_a_paper_is_written_as_the_site_writes(desk, zone, shown):
    """Page and PDF, with the shop at its head; on the day on which Berlin's clocks go back (IANA tz database). JSON stays as it is."""
    place = {"time_zone": zone, "date_form": "DD.MM.YYYY", "decimal_sign": "comma"}
    describe(desk, name="Saltmarsh Yard Prints", address="Kiln Lane 4\nSaltmarsh", **place)
    body = {
        "supplier_id": desk.quillwort["id"],
        "grade_id": desk.white["id"],
        "supplier_lot": "7.5",
        "received_at": "2026-10-25T01:30:00Z",
        "spool_count": 1,
        "net_mass_g": 750.5,
    }
    lot = desk.post("receiving", "/deliveries", body)["lot_id"]
    desk.diameter("L1-S001", 1.748)
    quality = Browser(desk, "quality")
    page = quality.go(f"/lots/{lot}/record")
    pdf = pypdf.PdfReader(io.BytesIO(quality.raw(f"/lots/{lot}/record?as=pdf").data))
    for text in (page.text, " ".join(" ".join(one.extract_text() for one in pdf.pages).split())):
        assert "Saltmarsh Yard Prints Kiln Lane 4 Saltmarsh Lot record LR-" in text
        for words in (shown, "750,5", "1,75 mm", "7.5"):
            assert words in text, words
        assert "750.5" not in text
        assert "1.748" not in text
        assert "UTC" not in text
    record = desk.get("quality", f"/lots/{lot}/record")
    assert ("2026-10-25T01:30:00Z", 750.5) == (record["lot"]["received_at"], record["spools"][0]["net_mass_g"])


def test_a_report_is_written_as_the_site_writes(shop):
    """Its numbers carry commas; clauses of standards, codes and what people named stay as they are."""
    bad = bad_lot(shop)
    describe(bad, decimal_sign="comma", date_form="DD/MM/YYYY")
    page = Browser(bad, "quality").go(f"/lots/{bad.lot_id}/report")
    assert re.search(r"Date \d\d/\d\d/20\d\d ", page.text)
    assert "JCGM 106:2012, 8." in page.text
    assert re.search(r"limit (at most|at least)? ?\d,\d", page.text)
    # The clause of a standard, and the name that somebody gave a gauge pin.
    said = re.sub(r"106:2012, 8\.\d|pin 1\.750", "", page.text)
    assert [] == re.findall(r"(?<![\w.:-])-?\d+\.\d+(?![\w.])", said)


@pytest.mark.parametrize("sign", ["point", "comma"])
def test_a_picture_is_written_as_the_site_writes(desk, sign):
    """Axes and sentences carry the site's sign; the name of a lot that looks like a number stays."""
    describe(desk, decimal_sign=sign)
    lot = desk.good_lot(desk.quillwort, desk.white, "7.5")["lot_id"]
    path = f"/lots/{lot}/diameter-profile"
    picture = asked(desk, path, "image/svg+xml")
    said = " ".join(re.findall(r">([^<>]+)<", picture))
    assert "lot 7.5" in said
    numbers = re.findall(r"(?<![\w.,])\d[.,]\d+", said.replace("lot 7.5", ""))
    assert {"point": {"."}, "comma": {","}}[sign] == {number[1] for number in numbers}


def test_every_paper_has_a_button_that_prints(desk, clerk):
    """Hidden until the script shows it. The API's page, which allows no script, has no button."""
    log(desk, clerk, spools="S-1", spool_count="")
    for path in ("/receiving/1", "/receiving/1/labels", "/lots/1/labels", "/spools/S-1/label", "/lots/1/record"):
        html = clerk.raw(path).get_data(as_text=True)
        assert 1 == html.count(BUTTON), path
        assert 1 == html.count('<script src="/static/print.js" defer></script>'), path
    with clerk.raw("/static/print.js") as script:
        assert "window.print" in script.get_data(as_text=True)
    assert BUTTON not in asked(desk, "/lots/1/record", "text/html")
