"""Labels: their content, readability at print size, and bounds."""

from __future__ import annotations

import io
import re
import string
from datetime import UTC, datetime
from itertools import pairwise
from urllib.parse import quote
from xml.etree import ElementTree

import pypdf
import pypdfium2
import pytest
import resvg_py
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from lots.api.pictures.labels.layout import layout, length
from lots.api.pictures.labels.stock import roll, sheet
from lots.api.pictures.labels.symbols import LEAST_MODULE, QUIET, symbol
from lots.api.receiving import labels as labels_api
from lots.services.setup.place import Place
from lots.services.setup.shop import Details
from tests.api.refusals import admin, refused
from tests.described import describe
from tests.shop import RECEIVED, SIMPLE_LIMITS
from tests.tolerances import DRAWN_MM

# The resolution of a label printer and of a laser printer.
DPI = 300
HOST = "lots.example.org:8443"
SITE = f"https://{HOST}"
# Width, height and margin of common labels, mm, with the smallest, the largest and two upright ones.
LABELS = ((40, 20, 2), (62, 29, 2), (70, 36, 2), (105, 74, 3), (50, 70, 2), (20, 40, 2))
# The longest codes that are kept, 60 characters of one to four bytes each: the last makes an address of 760 characters.
LONGEST = ["W" * 60, "Ω" * 60, "漢" * 60, "🧵" * 60, ("A b:c+d'e&f?g#h%i~" * 4)[:60]]


@pytest.fixture
def engine():
    """SQLite alone: labels do not depend on the engine."""
    return "sqlite"


def deliver(shop, codes, lot="QW-71/b"):
    """A delivery of spools with these codes."""
    body = {
        "supplier_id": shop.supplier("QWT")["id"],
        "grade_id": shop.grade()["id"],
        "supplier_lot": lot,
        "received_at": RECEIVED,
        "net_mass_g": 1000,
        "spools": [{"code": code} for code in codes],
    }
    return shop.post("receiving", "/deliveries", body)


@pytest.fixture
def three(shop):
    """A delivery of three spools, one of which is in the sample."""
    supplier, grade = shop.supplier("QWT"), shop.grade(limits=SIMPLE_LIMITS)
    return shop.receive(supplier, grade, "QW-71/b", 3)


def labelled(width, height, margin=2):
    """The shop's details for labels of this size."""
    return {"label_width_mm": width, "label_height_mm": height, "label_margin_mm": margin, "label_paper": "roll"}


def fetch(shop, path, accept, base=SITE, status=200):
    """Labels in a form, requested under an address."""
    answer = shop.client.get(f"/v1{path}", headers={**admin(shop), "Accept": accept}, base_url=base)
    assert status == answer.status_code, answer.get_data(as_text=True)[:500]
    return answer


def svg(shop, path, **more):
    """A page of labels as SVG."""
    return fetch(shop, path, "image/svg+xml", **more).get_data(as_text=True)


def printed(picture):
    """A page of SVG as a printer without greys prints it: black or white dots, 300 per inch."""
    drawn = Image.open(io.BytesIO(bytes(resvg_py.svg_to_bytes(svg_string=picture, dpi=DPI))))
    return drawn.convert("L").point(lambda grey: 255 if grey > 127 else 0)


def parsed(picture):
    """A page of SVG as XML."""
    return ElementTree.fromstring(picture)  # noqa: S314 - our own answer


def read(image):
    """The texts that a scanner reads on a page, by place in millimetres: (text, left, top)."""
    to_mm = 25.4 / DPI
    return [
        (one.text, one.position.top_left.x * to_mm, one.position.top_left.y * to_mm)
        for one in zxingcpp.read_barcodes(image, formats=zxingcpp.BarcodeFormat.QRCode)
    ]


def test_a_label_says_what_the_reel_is_for_people_too(shop, three):
    """A label has code, supplier, lot number, grade, colour, diameter, mass, date and the sample mark."""
    found = shop.get("receiving", f"/deliveries/{three['id']}/labels")
    assert (three["id"], three["lot_id"], 1) == (found["delivery_id"], found["lot_id"], found["pages"])
    assert sorted(spool["code"] for spool in three["spools"]) == [label["spool_code"] for label in found["labels"]]
    drawn = [label["spool_code"] for label in found["labels"] if label["measure_first"]]
    assert three["sample"]["spool_codes"] == drawn
    first = found["labels"][0]
    expected = {
        "supplier_lot": "QW-71/b",
        "supplier_code": "QWT",
        "supplier_name": "Supplier QWT",
        "grade_code": "PLA-HW-175",
        "color_name": "Harbour White",
        "nominal_diameter_mm": 1.75,
        "net_mass_g": 1000,
        "length_m": pytest.approx(335.284, abs=0.001),
        "received_at": "2026-11-20T08:00:00Z",
        "further_lots": [],
    }
    assert expected == {name: first[name] for name in expected}
    assert first == shop.get("production", f"/spools/{first['spool_code']}/label")


def test_the_picture_says_it_all(shop, three):
    """All of the JSON is on the label, and the mark only on spools of the sample."""
    page = parsed(svg(shop, f"/deliveries/{three['id']}/labels"))
    assert ("210mm", "297mm", "0 0 210 297") == tuple(page.get(name) for name in ("width", "height", "viewBox"))
    said = [text.text for text in page.iter("{http://www.w3.org/2000/svg}text")]
    assert 1 == said.count("MEASURE FIRST")
    for words in ("Lot QW-71/b", "Supplier QWT", "1.75 mm, 1000 g net", "Length 335 m", "Received 2026-11-20"):
        assert 3 == said.count(words)
    assert {spool["code"] for spool in three["spools"]} <= set(said)
    assert page.find("{http://www.w3.org/2000/svg}title").text == "Labels for spools, page 1 of 1"


@pytest.mark.parametrize("base", [f"https://{HOST}", "http://192.168.7.20:8080"])
def test_the_code_leads_to_the_spools_page_at_the_address_it_was_asked_under(shop, base):
    """Without a setting the QR code has the address of the request."""
    delivery = deliver(shop, ["A 1-%"])
    label = fetch(shop, f"/deliveries/{delivery['id']}/labels", "application/json", base).get_json()["labels"][0]
    assert f"{base}/spools/A%201-%25" == label["url"]
    assert [label["url"]] == [text for text, _, _ in read(printed(svg(shop, "/spools/A 1-%/label", base=base)))]


def test_a_program_that_reaches_the_server_otherwise_says_where_phones_find_it(shop, three):
    """`site` replaces the address of the request, and an invalid one is refused."""
    path = f"/deliveries/{three['id']}/labels?site="
    assert shop.get("receiving", f"{path}http://[fd00::7]:8080")["labels"][0]["url"].startswith(
        "http://[fd00::7]:8080/"
    )
    assert shop.get("receiving", f"{path}https://{HOST}/")["labels"][0]["url"].startswith(f"https://{HOST}/spools/L")
    for wrong in (
        "lots.example.org",
        "javascript:alert(1)",
        "https://a b",
        "https://x/?y",
        "http://x/%0A",
        "https://[f3]:25",
    ):
        refused(shop.call("receiving", "GET", path + quote(wrong)), 422, "invalid", ["site"])


@pytest.mark.parametrize("size", ["sheet", "roll", "single"])
@pytest.mark.parametrize("code", LONGEST, ids=["one byte", "two bytes", "three bytes", "four bytes", "marks"])
def test_the_longest_code_can_be_read_at_label_size(shop, code, size):
    """60 characters of any script, printed at 300 dots per inch in black and white, are readable, with the same symbol in SVG and PDF."""
    deliver(shop, [code])
    page = svg(shop, f"/spools/{quote(code)}/label?size={size}")
    wanted = f"https://{HOST}/spools/{quote(code, safe='')}"
    assert [wanted] == [text for text, _, _ in read(printed(page))]


@pytest.mark.parametrize(("width", "height", "margin"), LABELS)
def test_a_symbol_of_any_label_size_can_be_read(shop, width, height, margin):
    """The address fits the smallest label at a readable module size."""
    describe(shop, **labelled(width, height, margin))
    deliver(shop, ["QW-1187-S03"])
    page = svg(shop, "/spools/QW-1187-S03/label?size=roll")
    assert [f"{SITE}/spools/QW-1187-S03"] == [text for text, _, _ in read(printed(page))]


def test_a_label_too_small_for_the_address_holds_the_code(shop):
    """A label too small for the address has the code alone."""
    code = "漢" * 14
    describe(shop, **labelled(40, 20))
    deliver(shop, [code])
    assert [code] == [text for text, _, _ in read(printed(svg(shop, f"/spools/{quote(code)}/label?size=roll")))]


def test_a_label_too_small_for_anything_is_refused_with_the_smallest_size(shop):
    """A label too small for the code is refused with 409 and the smallest size; its JSON is available."""
    deliver(shop, ["🧵" * 60, "A-1"])
    describe(shop, **labelled(40, 20))
    for kind in ("image/svg+xml", "application/pdf"):
        body = refused(fetch(shop, f"/spools/{quote('🧵' * 60)}/label", kind, status=409), 409, "conflict")
        assert f"A label of 40 x 20 mm is too small for spool {'🧵' * 60}." in body["detail"]
    describe(shop, **labelled(39, 20))
    body = refused(fetch(shop, "/spools/A-1/label", "image/svg+xml", status=409), 409, "conflict")
    assert "With margins of 2 mm the smallest label is 40 x 20 mm." in body["detail"]
    assert 200 == fetch(shop, "/spools/A-1/label", "application/json").status_code


@pytest.mark.parametrize("size", ["sheet", "roll", "single"])
def test_every_symbol_of_a_page_can_be_read_from_the_pdf(shop, size):
    """Each symbol of 30 spools in the PDF is decoded at 300 dots per inch, with each code as text."""
    codes = [f"HW-Q71-{number:03d}" for number in range(30)]
    delivery = deliver(shop, codes)
    answer = fetch(shop, f"/deliveries/{delivery['id']}/labels?size={size}&from=20", "application/pdf")
    assert f'inline; filename="labels-delivery-{delivery["id"]}.pdf"' == answer.headers["Content-Disposition"]
    document = pypdfium2.PdfDocument(answer.data)
    assert (3 if size == "sheet" else 30) == len(document)
    for page in document:
        wide, high = (points * 25.4 / 72 for points in page.get_size())
        assert ((210, 297) if size == "sheet" else (70, 36)) == pytest.approx((wide, high), abs=DRAWN_MM)
    seen = [text for page in document for text, _, _ in read(page.render(scale=DPI / 72).to_pil().convert("L"))]
    assert sorted(f"{SITE}/spools/{code}" for code in codes) == sorted(seen)
    document.close()
    said = " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(answer.data)).pages)
    assert [] == [code for code in codes if code not in said]
    assert 30 == said.count("Lot QW-71/b")


def test_a_used_sheet_is_begun_where_it_is_free(shop):
    """From place 5 the first label is in the second row, second column; after 24 places the next page begins."""
    delivery = deliver(shop, [f"S-{number:02d}" for number in range(21)])
    path = f"/deliveries/{delivery['id']}/labels?from=5"
    assert 2 == shop.get("receiving", path)["pages"]
    pages = [sorted(read(printed(svg(shop, f"{path}&page={page}")))) for page in (1, 2)]
    assert [20, 1] == [len(page) for page in pages]
    text, left, top = pages[0][0]
    assert text.endswith("/S-00")
    assert (1, 1) == (int(left // 70), int((top - 4.5) // 36))
    text, left, top = pages[1][0]
    assert text.endswith("/S-20")
    assert (0, 0) == (int(left // 70), int((top - 4.5) // 36))


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        *(("page=2", "page"), ("from=0", "from"), ("from=25", "from"), ("from=191", "from")),
        *(("size=A5", "size"), ("from=a", "from")),
    ],
)
def test_what_is_on_no_sheet_is_refused(shop, three, query, pointer):
    """A page too many, a place outside the sheet and an unknown size are refused."""
    answer = fetch(shop, f"/deliveries/{three['id']}/labels?{query}", "image/svg+xml", status=422)
    refused(answer, 422, "invalid", [pointer])


def test_a_spool_wound_in_the_shop_names_every_lot_it_holds_and_is_on_no_packing_slip(shop):
    """A respooled spool's label begins with its largest lot, and is not among the labels of that lot's delivery."""
    supplier, grade = shop.supplier(), shop.grade()
    one, other = shop.receive(supplier, grade, "Q-1"), shop.receive(supplier, grade, "Q-2")
    parents = [
        {"spool_code": one["spools"][0]["code"], "mass_g": 300},
        {"spool_code": other["spools"][0]["code"], "mass_g": 200},
    ]
    wound = shop.post("production", "/spools", {"parents": parents, "code": "MIX-1"})
    label = shop.get("production", "/spools/MIX-1/label")
    assert ("Q-1", ["Q-2"], wound["net_mass_g"]) == (label["supplier_lot"], label["further_lots"], label["net_mass_g"])
    assert "Lots Q-1, Q-2" in svg(shop, "/spools/MIX-1/label?size=roll")
    for delivery in (one, other):
        found = shop.get("receiving", f"/deliveries/{delivery['id']}/labels")["labels"]
        assert [spool["code"] for spool in delivery["spools"]] == [label["spool_code"] for label in found]


def test_the_newest_reference_says_how_a_colour_is_to_be_measured(shop):
    """A label has the conditions of the shade's current revision, and none for a grade without a shade."""
    shade = shop.shade("HW")
    spool = shop.receive(shop.supplier(), shop.grade(shade_id=shade["id"]))["spools"][0]["code"]
    new = {"illuminant": "D50", "observer_deg": 2, "geometry": "45/0", "specular": "excluded", "backing": "white"}
    shop.approve(shade["id"], [95.0, -0.8, 1.5], new)
    assert new == shop.get("quality", f"/spools/{spool}/label")["color_conditions"]
    bare = shop.receive(shop.supplier("NBK"), shop.grade("BARE", shade_id=None))["spools"][0]["code"]
    assert shop.get("quality", f"/spools/{bare}/label")["color_conditions"] is None


def test_what_does_not_exist_has_no_label(shop):
    """Labels of an unknown code are 404, with a suggestion where only separators differ."""
    deliver(shop, ["HW-1"])
    refused(shop.call("receiving", "GET", "/deliveries/99/labels"), 404, "not-found")
    said = refused(shop.call("receiving", "GET", "/spools/HW1/label"), 404, "not-found")["detail"]
    assert "Did you mean HW-1?" in said


def test_without_its_extra_a_pdf_is_refused_with_what_to_install(shop, three, monkeypatch):
    """Without its extra a PDF is refused with 501; other forms work."""
    monkeypatch.setattr(labels_api, "find_spec", lambda name: None)
    path = f"/deliveries/{three['id']}/labels"
    body = refused(fetch(shop, path, "application/pdf", status=501), 501, "no-pdf")
    assert "pip install 'lots[pdf]'" in body["detail"]
    assert [200, 200] == [fetch(shop, path, accept).status_code for accept in ("image/svg+xml", "application/json")]


def test_a_pdf_whose_labels_nobody_could_read_is_not_made(shop):
    """A character that the font lacks gives 406 with the character and the form that has it."""
    deliver(shop, ["漢-1"])
    body = refused(fetch(shop, "/spools/漢-1/label", "application/pdf", status=406), 406, "no-glyphs")
    assert "U+6F22" in body["detail"]
    assert "image/svg+xml" in body["detail"]
    assert "漢-1" in svg(shop, "/spools/漢-1/label?size=roll")


def test_what_people_wrote_is_text_and_what_xml_cannot_hold_is_shown_as_a_stand_in(shop):
    """Tags and entities are escaped, and characters outside XML are replaced."""
    delivery = deliver(shop, ["A&<b>\uffff"], lot="<script>x</script>\ufffe")
    page = parsed(svg(shop, f"/deliveries/{delivery['id']}/labels?size=single"))
    said = "".join(text.text for text in page.iter("{http://www.w3.org/2000/svg}text"))
    assert "A&<b>\ufffd" in said
    assert "<script>x</script>" in said.replace(" ", "")
    assert {"svg", "title", "desc", "rect", "path", "text"} == {one.tag.rpartition("}")[2] for one in page.iter()}


def test_the_form_goes_with_the_request_and_caches_are_told(shop, three):
    """Without a valid form the answer is JSON, and caches are told of the variation."""
    path = f"/deliveries/{three['id']}/labels"
    for accept, kind in (("*/*", "application/json"), ("text/html", "application/json"), ("image/*", "image/svg+xml")):
        answer = fetch(shop, path, accept)
        assert kind == answer.mimetype
        assert "Accept" in answer.headers["Vary"]


def spans(picture):
    """Every text of a page of SVG with its box, mm: (text, left, top, right, bottom), ascenders and descenders of DejaVu Sans Mono included."""
    return [
        (
            one.text,
            float(one.get("x")),
            float(one.get("y")) - 0.76 * float(one.get("font-size")),
            float(one.get("x")) + float(one.get("textLength")),
            float(one.get("y")) + 0.24 * float(one.get("font-size")),
        )
        for one in parsed(picture).iter("{http://www.w3.org/2000/svg}text")
    ]


def symbol_box(picture):
    """The symbol of a page with one label: left, top, right, bottom and the side of a module, mm."""
    path = next(parsed(picture).iter("{http://www.w3.org/2000/svg}path"))
    x, y, module = map(float, re.findall(r"[0-9.]+", path.get("transform")))
    runs = [tuple(map(int, run)) for run in re.findall(r"M(\d+) (\d+)h(\d+)", path.get("d"))]
    right, bottom = max(left + long for left, _, long in runs), max(top for _, top, _ in runs) + 1
    return x, y, x + right * module, y + bottom * module, module


@pytest.mark.parametrize(("width", "height", "margin"), LABELS)
def test_nothing_on_a_printed_label_leaves_its_margin_or_lies_on_something_else(shop, width, height, margin):
    """Texts, bar and symbol of the SVG lie inside the margin, apart from each other, and the quiet zone is free.

    Source: ISO/IEC 18004, quiet zone of 4X.
    """
    describe(shop, **labelled(width, height, margin), date_form="DD.MM.YYYY", decimal_sign="comma")
    drawn = shop.receive(shop.supplier("QWT"), shop.grade(limits=SIMPLE_LIMITS), "QW-2026-1187/b", 1)
    page = svg(shop, f"/spools/{drawn['spools'][0]['code']}/label?size=roll")
    assert (f"{width}mm", f"{height}mm") == (parsed(page).get("width"), parsed(page).get("height"))
    texts, (left, top, right, bottom, module) = spans(page), symbol_box(page)
    assert module >= LEAST_MODULE
    quiet = QUIET * module - DRAWN_MM
    assert min(left, top, width - right, height - bottom) >= max(margin, QUIET * module) - DRAWN_MM
    for text, x, y, end, below in texts:
        assert min(x, y, width - end, height - below) >= margin - DRAWN_MM, text
        assert x >= right + quiet or y >= bottom + quiet, text
    rows = sorted((y, below) for _, _, y, _, below in texts)
    assert all(below <= y + DRAWN_MM for (_, below), (y, _) in pairwise(rows))
    assert "MEASURE FIRST" in [text for text, *_ in texts]


def test_numbers_and_dates_stand_as_the_site_writes_them(shop):
    """Numbers have the site's comma and dates its day: 20:30 UTC is the next day in Kolkata (IANA tz database: UTC+05:30)."""
    describe(shop, date_form="DD.MM.YYYY", decimal_sign="comma", time_zone="Asia/Kolkata")
    body = {
        "supplier_id": shop.supplier("QWT")["id"],
        "grade_id": shop.grade()["id"],
        "supplier_lot": "7.5",
        "received_at": "2026-11-20T20:30:00Z",
        "net_mass_g": 750.5,
        "spools": [{"code": "W-1.75"}],
    }
    shop.post("receiving", "/deliveries", body)
    said = {text for text, *_ in spans(svg(shop, "/spools/W-1.75/label?size=roll"))}
    assert {"W-1.75", "Lot 7.5", "1,75 mm, 750,5 g net", "Received 21.11.2026"} <= said
    found = shop.get("receiving", "/spools/W-1.75/label")
    assert ("2026-11-20T20:30:00Z", 1.75) == (found["received_at"], found["nominal_diameter_mm"])


def test_a_label_of_a_shop_without_an_address_holds_the_code(shop):
    """At 127.0.0.1 the QR code has the spool code until the shop states its address."""
    deliver(shop, ["HW-1"])
    for base in ("http://127.0.0.1:8080", "http://localhost:8080", "http://[::1]:8080"):
        found = fetch(shop, "/spools/HW-1/label", "application/json", base).get_json()
        assert (f"{base}/spools/HW-1", "HW-1") == (found["url"], found["qr_text"])
        assert ["HW-1"] == [text for text, _, _ in read(printed(svg(shop, "/spools/HW-1/label", base=base)))]
    describe(shop, site="https://lots.saltmarsh.example/")
    found = fetch(shop, "/spools/HW-1/label", "application/json", "http://127.0.0.1:8080").get_json()
    assert "https://lots.saltmarsh.example/spools/HW-1" == found["url"] == found["qr_text"]


def test_the_setting_counts_before_the_shops_details(shop, monkeypatch):
    """The setting of the server replaces the shop's address."""
    deliver(shop, ["HW-1"])
    describe(shop, site="https://lots.saltmarsh.example")
    monkeypatch.setitem(shop.app.config, "SITE", "https://filament.saltmarsh.example/")
    assert "https://filament.saltmarsh.example/spools/HW-1" == shop.get("receiving", "/spools/HW-1/label")["qr_text"]


def test_paper_and_sheet_follow_from_the_shops_details(shop):
    """Paper follows from the shop's details: single labels on a roll, or a sheet filled within its margins.

    A label that fits no sheet is a page of its own.
    """
    codes = [f"S-{number:02d}" for number in range(14)]
    delivery = deliver(shop, codes)
    describe(shop, **labelled(99, 38.1), sheet_top_mm=15.1, sheet_left_mm=4.7)
    path = f"/deliveries/{delivery['id']}/labels"
    assert 14 == shop.get("receiving", f"{path}?size=roll")["pages"]
    page = parsed(svg(shop, f"{path}?size=roll"))
    assert ("99mm", "38.1mm") == (page.get("width"), page.get("height"))
    assert 1 == shop.get("receiving", path)["pages"]
    assert 2 == shop.get("receiving", f"{path}?from=2")["pages"]
    seen = sorted(read(printed(svg(shop, path))))
    assert codes == [text.rpartition("/")[2] for text, _, _ in seen]
    places = [(int((left - 4.7) // 99), int((top - 15.1) // 38.1)) for _, left, top in seen]
    assert [(column, row) for row in range(7) for column in range(2)] == places
    describe(shop, **labelled(150, 290), sheet_top_mm=10)
    assert 14 == shop.get("receiving", f"{path}?size=sheet")["pages"]
    page = parsed(svg(shop, f"{path}?size=sheet&from=3"))
    assert ("150mm", "290mm") == (page.get("width"), page.get("height"))


@pytest.mark.parametrize(("width", "height", "margin"), LABELS)
def test_a_page_of_a_pdf_on_a_roll_is_one_label(shop, width, height, margin):
    """A PDF page on a roll has exactly the size of one label (pypdf), because a label printer feeds by the page."""
    describe(shop, **labelled(width, height, margin))
    delivery = deliver(shop, ["A-1", "A-2"])
    answer = fetch(shop, f"/deliveries/{delivery['id']}/labels?size=roll", "application/pdf")
    boxes = [page.mediabox for page in pypdf.PdfReader(io.BytesIO(answer.data)).pages]
    sizes = [(float(box.width) * 25.4 / 72, float(box.height) * 25.4 / 72) for box in boxes]
    assert [pytest.approx((width, height), abs=DRAWN_MM)] * 2 == sizes


def test_the_labels_of_a_lot_are_those_of_all_its_deliveries(shop):
    """Labels of a lot have each spool once with its own delivery date; withdrawn spools have none, and a lot of them is refused."""
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    first, second = shop.receive(supplier, grade, "Q-1", 2), shop.receive(supplier, grade, "Q-1", 1)
    path = f"/lots/{first['lot_id']}/labels"
    found = shop.get("receiving", path)
    assert (first["lot_id"], 1) == (found["lot_id"], found["pages"])
    codes = [spool["code"] for delivery in (first, second) for spool in delivery["spools"]]
    assert sorted(codes) == sorted(label["spool_code"] for label in found["labels"])
    for label in found["labels"]:
        assert label == shop.get("receiving", f"/spools/{label['spool_code']}/label")
    assert 3 == len(read(printed(svg(shop, path))))
    shop.post("quality", f"/deliveries/{first['id']}/close", {"reason": "Another lot."}, 200)
    assert [spool["code"] for spool in second["spools"]] == [
        label["spool_code"] for label in shop.get("receiving", path)["labels"]
    ]
    shop.post("quality", f"/deliveries/{second['id']}/close", {"reason": "Another lot."}, 200)
    refused(shop.call("receiving", "GET", path), 409, "conflict")
    refused(shop.call("receiving", "GET", "/lots/99/labels"), 404, "not-found")


TEXT = st.text(st.characters(exclude_categories=["Cc", "Cs"]), min_size=1, max_size=60).filter(str.strip)
LONG = st.text(st.sampled_from(string.ascii_letters + "0123456789 -/é漢🧵"), min_size=1, max_size=120).filter(str.strip)


@given(
    code=TEXT,
    lot=LONG,
    name=LONG,
    size=st.sampled_from(LABELS),
    first=st.booleans(),
    further=st.lists(LONG, max_size=20),
)
def test_nothing_leaves_its_label_or_runs_into_the_symbol(code, lot, name, size, first, further):
    """With any names a label is refused or complete: lines inside the margin without overlap, code and lot whole."""
    on = roll(Details(**{key: float(value) for key, value in labelled(*size).items() if key != "label_paper"}))
    label = {
        "spool_code": code,
        "symbol_texts": (f"{SITE}/spools/{quote(code, safe='')}", code),
        "supplier_lot": lot,
        "further_lots": further,
        "supplier_name": name,
        "grade_code": name[:40],
        "color_name": name,
        "nominal_diameter_mm": 2.85,
        "net_mass_g": 12345.678,
        "length_m": 1560.6,
        "received_at": datetime(2026, 11, 20, tzinfo=UTC),
        "measure_first": first,
    }
    placed = layout(label, on, Place())
    if placed is None:
        assert min(on.inner) < 32, "the label that the shop starts with holds everything"
        return
    assert first == (placed.mark is not None)
    right, below = (corner + placed.symbol.modules * placed.module for corner in placed.corner)
    bottom = 0.0
    for line in placed.lines:
        assert line.x >= on.margin - DRAWN_MM
        assert line.x >= right + QUIET * placed.module - DRAWN_MM or line.y - line.size >= below
        assert line.x + line.long <= on.label_wide - on.margin + DRAWN_MM
        assert bottom - DRAWN_MM <= line.y
        assert line.y + 0.24 * line.size <= on.label_high - on.margin + DRAWN_MM
        assert line.long == pytest.approx(length(line.text) * line.size)
        bottom = line.y
    words = "".join("".join(line.text for line in placed.lines).split())
    wanted = "".join(char if ord(char) & 0xFFFE != 0xFFFE else "\ufffd" for char in code)
    assert "".join(wanted.split()) in words
    if not further:
        assert "".join(f"Lot {lot}".split()) in words


@given(st.text(st.characters(exclude_categories=["Cc", "Cs"]), min_size=1, max_size=60))
def test_every_symbol_fills_its_square(code):
    """The dark modules of a symbol reach every side, so that the quiet zone is as computed."""
    made = symbol(f"http://{HOST}/spools/{quote(code, safe='')}", "L")
    assert 0 == min(left for left, _, _ in made.runs) == min(top for _, top, _ in made.runs)
    assert made.modules == max(left + run for left, _, run in made.runs) == max(top for _, top, _ in made.runs) + 1


def test_a_sheet_has_as_many_labels_as_fit():
    """A4 (ISO 216) of 210 x 297 mm has 3 x 8 labels of 70 x 36 mm, and none wider than the sheet."""
    assert (3, 8, 24) == (sheet(Details()).columns, sheet(Details()).rows, sheet(Details()).per_page)
    assert 0 == sheet(Details(label_width_mm=210.0, sheet_left_mm=5.0)).per_page
