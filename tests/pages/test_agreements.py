"""Acceptance agreements and supplier certificates at the pages of purchasing."""

import io

import pypdf
import pytest

from tests.pages.reading import Browser
from tests.shop import SIMPLE_LIMITS


@pytest.fixture
def buyer(desk):
    """The buyer at a browser."""
    return Browser(desk, "purchasing")


ASKED = "?grade_id=1&supplier_id=1"


def test_an_agreement_is_chosen_read_printed_and_kept_as_a_pdf(desk, buyer):
    """Grade and supplier stay in the address, and lead to the paper."""
    assert "Choose a grade." in buyer.go("/purchasing/agreements").text
    page = buyer.go(f"/purchasing/agreements{ASKED}")
    chosen = page.form("grade_id")["fields"]
    assert ("1", "1") == (chosen["grade_id"], chosen["supplier_id"])
    for part in (
        "Acceptance agreement AA-1-1-1",
        "Single diameter",
        "1.7 to 1.8 mm",
        "Producer's risk",
        "Disputed lots",
        "They are no evidence",
    ):
        assert part in page.text
    paper = buyer.go(page.links["Print agreement"])
    assert (200, "Acceptance agreement AA-1-1-1") == (paper.status, paper.headings[0])
    assert "Signatures" in paper.text
    answer = buyer.raw(page.links["Agreement as a PDF"])
    assert "application/pdf" == answer.mimetype
    assert "Acceptance agreement AA-1-1-1" == pypdf.PdfReader(io.BytesIO(answer.data)).metadata.title


def test_numbers_are_written_as_the_site_writes_them(desk, buyer):
    """A decimal comma, and the days of the site."""
    details = desk.call("admin", "GET", "/shop")
    body = {"decimal_sign": "comma", "date_form": "DD.MM.YYYY"}
    assert 200 == desk.call("admin", "PATCH", "/shop", body, If_Match=details.headers["ETag"]).status_code
    text = buyer.go(f"/purchasing/agreements{ASKED}").text
    assert "1,7 to 1,8 mm" in text
    assert "1.7 to 1.8" not in text


def test_a_grade_without_limits_and_an_unknown_supplier_are_refused_in_words(desk, buyer):
    """The form stays."""
    bare = desk.grade("BARE")
    page = buyer.go(f"/purchasing/agreements?grade_id={bare['id']}")
    assert (409, True) == (page.status, "has no limits yet" in page.text)
    assert 404 == buyer.go("/purchasing/agreements?grade_id=1&supplier_id=99").status
    assert 422 == buyer.go("/purchasing/agreements?grade_id=x").status
    assert 404 == buyer.go("/purchasing/agreements/99").status


def test_a_certificate_is_typed_at_a_delivery_and_compared(desk, buyer):
    """Purchasing stores certificates from the comparison, which shows them next to the shop's own values. The lot does not change."""
    desk.limit(1, {**SIMPLE_LIMITS, "diameter": {"mean_tolerance_mm": 0.03}})
    for number, d_mm in enumerate((1.75, 1.752, 1.79, 1.80), start=1):
        spool = desk.receive(desk.quillwort, desk.white, f"Q-{number}")["sample"]["spool_codes"][0]
        desk.diameter(spool, d_mm, d_mm)
    page = buyer.go("/purchasing/certificates?supplier_id=1&grade_id=1")
    assert "these lots have no certificate" in page.text
    for number, stated in enumerate((1.744, 1.747, 1.785, 1.77), start=1):
        form = buyer.go(page.links[f"Lot Q-{number}, received 2026-11-20"])
        kept = buyer.send(form, "reference", reference=f"C-{number}", **{"value-diameter.mean": str(stated)})
        assert "Certificate stored" in kept.text
        assert f"C-{number}" in kept.text
    page = buyer.go("/purchasing/certificates?supplier_id=1&grade_id=1&received_from=2026-01-01&received_to=2026-12-31")
    assert "The certificates and our readings do not differ significantly" in page.text
    assert "We found 2 lots outside the limit. By certificate, 1 lot is within it (95 % interval" in page.text
    chosen = page.form("grade_id")["fields"]
    assert ("2026-01-01", "2026-12-31") == (chosen["received_from"], chosen["received_to"])
    earlier = buyer.go("/purchasing/certificates?supplier_id=1&grade_id=1&received_to=2020-01-01")
    assert "these lots have no certificate" in earlier.text
    assert ["quarantined"] * 2 + ["blocked"] * 2 == [desk.lot(number)["standing"] for number in range(1, 5)]


def test_what_was_typed_wrongly_is_told_at_its_field_and_stays(desk, buyer):
    """Inches, no number, an uncertainty without a value, and nothing at all."""
    delivery = desk.receive(desk.quillwort, desk.white)
    form = buyer.go(f"/deliveries/{delivery['id']}/certificate")
    for typed, says in (
        ({"value-diameter.mean": "0.0689"}, "This looks like inches"),
        ({"value-diameter.mean": "thick"}, "This must be a number."),
        ({"u-diameter.mean": "0.002"}, "Enter the value too, or leave the uncertainty empty."),
        ({"value-diameter.mean": "-1.75"}, "A diameter is above 0 mm. Check the certificate."),
        ({}, "State 1 to"),
        ({"value-diameter.mean": "1.75", "issued_at": "2199-01-01"}, "is in the future"),
    ):
        page = buyer.send(form, "reference", reference="C-9", **typed)
        assert (422, True) == (page.status, says in page.text), typed
        assert {"reference": "C-9", **typed}.items() <= page.form("reference")["fields"].items()
    assert 404 == desk.call("purchasing", "GET", f"/deliveries/{delivery['id']}/certificate").status_code


def test_the_page_says_which_earlier_values_still_count(desk, buyer):
    """After a second certificate with another measure; one value is no values."""
    delivery = desk.receive(desk.quillwort, desk.white, "Q-1")
    path = f"/deliveries/{delivery['id']}/certificate"
    first = buyer.send(buyer.go(path), "reference", reference="C-1", **{"value-diameter.mean": "1.75"})
    assert "1 value of lot Q-1 was stored." in first.text
    assert "still count" not in first.text
    second = buyer.send(
        buyer.go(path),
        "reference",
        reference="C-2",
        **{"value-color.component_b": "0.1", "value-diameter.mean_ovality": "0.01"},
    )
    assert "2 values of lot Q-1 were stored." in second.text
    assert "The value of an earlier certificate is still valid for mean diameter." in second.text
    assert "Mean diameter (mm) 1.75 not stated C-1" in second.text


def test_the_form_names_the_standard_uncertainty_in_full(desk, buyer):
    """Also where a row is a card, with a hint not to type the expanded one."""
    delivery = desk.receive(desk.quillwort, desk.white)
    page = buyer.raw(f"/deliveries/{delivery['id']}/certificate").text
    assert 'data-name="Standard uncertainty"' in page
    assert 'data-name="Uncertainty"' not in page
    assert "Halve an expanded uncertainty (k = 2)." in page


def test_days_in_the_wrong_order_are_refused_in_words(buyer):
    """No empty answer; both days stay in the form."""
    page = buyer.go("/purchasing/certificates?supplier_id=1&grade_id=1&received_from=2026-05-02&received_to=2026-05-01")
    assert (422, True) == (page.status, "is before the beginning" in page.text)
    chosen = page.form("grade_id")["fields"]
    assert ("2026-05-02", "2026-05-01") == (chosen["received_from"], chosen["received_to"])


def test_an_empty_shop_is_told_what_to_set_up_first(shop):
    """In an empty shop the pages name the records to set up first."""
    buyer = Browser(shop, "purchasing")
    assert "No grades yet. Set up a grade and its limits first." in buyer.go("/purchasing/agreements").text
    page = buyer.go("/purchasing/certificates").text
    assert "No suppliers or no grades yet. Set up both and log a delivery first." in page


def test_a_closed_delivery_has_no_form_and_an_unknown_one_no_page(desk, buyer):
    """The page says so."""
    delivery = desk.receive(desk.quillwort, desk.white)
    desk.post("quality", f"/deliveries/{delivery['id']}/close", {"reason": "twice"}, 200)
    page = buyer.go(f"/deliveries/{delivery['id']}/certificate")
    assert "No certificate can be stored." in page.text
    assert not any("reference" in form["fields"] for form in page.forms)
    assert 404 == buyer.go("/deliveries/99/certificate").status


def test_the_clerk_comes_to_the_certificate_from_the_delivery(desk, clerk):
    """The clerk reaches a certificate from its delivery, and may not open the comparison."""
    delivery = desk.receive(desk.quillwort, desk.white)
    page = clerk.go(clerk.go(f"/receiving/{delivery['id']}").links["Certificate of this delivery"])
    assert 200 == page.status
    assert "Compare certificates" not in page.links
    assert 403 == clerk.go("/purchasing/certificates").status
