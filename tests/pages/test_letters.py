"""Letters to suppliers at pages: looked at before they are signed, downloaded, their sendings recorded, listed."""

from __future__ import annotations

import hashlib

import pytest

from lots.services.setup.roles import PEOPLE
from tests.described import describe
from tests.pages.reading import Browser
from tests.pages.test_statements import made
from tests.reported import bad_lot
from tests.shop import MEASURED, SIMPLE_LIMITS

SIGNER = "Isolde Marrow"


@pytest.fixture
def bad(shop):
    """The shop with a lot that fails in colour and diameter."""
    return bad_lot(shop)


@pytest.fixture
def buyer(bad):
    """Purchasing at a browser."""
    return Browser(bad, "purchasing")


def written(buyer, lot, **typed):
    """The letter as it is shown before it is signed."""
    page = buyer.go(buyer.go(f"/lots/{lot}").links["Write a letter"])
    return buyer.send(page, "claim", button="Show letter", signed_by=SIGNER, **typed)


def test_a_letter_is_looked_at_then_signed_downloaded_and_sent(bad, buyer):
    """From the page of the lot; nothing is kept before it is signed; the PDF has the digest that the page shows."""
    describe(bad, name="Saltmarsh Yard Prints", decimal_sign="comma")
    typed = {"claim": "credit", "spools": "2", "mass_g": "1,5", "amount": "49,50", "currency": "EUR"}
    look = written(buyer, bad.lot_id, **typed, note="Kept apart for you.")
    for words in ("This letter is not signed yet.", "Saltmarsh Yard Prints", "2 spools, 1,5 kg", "49,50 EUR", SIGNER):
        assert words in look.text
    assert "Nonconforming lot" in look.text
    assert [] == bad.get("purchasing", "/letters")["items"]
    changed = buyer.send(look, "claim", button="Change letter")
    assert ("2", "1,5", "Kept apart for you.") == tuple(
        changed.form("claim")["fields"][name] for name in ("spools", "mass_g", "note")
    )
    signed = buyer.send(look, "claim", button="Sign letter")
    (kept,) = bad.get("purchasing", "/letters")["items"]
    assert ("credit", 2, 1500.0, 49.5, SIGNER) == tuple(
        kept[name] for name in ("claim", "spools", "mass_g", "amount", "signed_by")
    )
    assert ("Letter signed" in signed.text, kept["digest"] in signed.text) == (True, True)
    assert "This letter was not sent yet." in signed.text
    pdf = buyer.raw(signed.links["Download the PDF"])
    assert kept["digest"] == hashlib.sha256(pdf.data).hexdigest()
    sent = buyer.send(signed, "sent_to", sent_to="sales@ninebark.example", note="by e-mail")
    assert ("Sending recorded" in sent.text, "sales@ninebark.example" in sent.text) == (True, True)
    buyer.send(sent, "sent_to", sent_to="Jory")
    assert 2 == len(bad.get("purchasing", "/letters")["items"][0]["sent"])


def test_what_is_wrong_stands_beside_its_field(bad, buyer):
    """The preview of a letter shows each error at its field. A lot without a finding gets no letter."""
    page = written(buyer, bad.lot_id, claim="credit", spools="9")
    assert (422, True, True) == (page.status, "Give at most 3." in page.text, "has 3 spools, fewer than 9" in page.text)
    again = buyer.send(page, "claim", button="Show letter", spools="", mass_g="much")
    assert (422, True) == (again.status, "Correct the fields marked below." in again.text)
    assert ("Letter not complete" in again.text, "Not saved" in again.text) == (True, False)
    past = buyer.send(again, "claim", button="Show letter", mass_g="", answer_by="2020-01-01")
    assert (422, True) == (past.status, "is in the past" in past.text)
    good = bad.good_lot(bad.supplier_row, bad.grade("G-2", SIMPLE_LIMITS), "OK-1")["lot_id"]
    assert 409 == buyer.go(f"/lots/{good}/letter").status
    assert 404 == buyer.go("/lots/99/letter").status
    assert 404 == buyer.go("/letters/L-9-9").status


def test_a_sending_that_cannot_be_is_refused_at_its_field(bad, buyer):
    """A sending in the future, before the signature or without a recipient is refused at its field."""
    letter = buyer.send(written(buyer, bad.lot_id), "claim", button="Sign letter")
    for wrong in ({"sent_at": "2199-01-01T08:00"}, {"sent_at": "2020-01-01T08:00"}, {"sent_to": ""}):
        page = buyer.send(letter, "sent_to", **{"sent_to": "Jory", **wrong})
        assert (422, True) == (page.status, "This letter was not sent yet." in page.text)


def test_a_form_that_is_sent_twice_signs_once(bad, buyer):
    """A second click leads to the same letter."""
    look = written(buyer, bad.lot_id)
    for _ in range(2):
        assert "Letter L-" in buyer.send(look, "claim", button="Sign letter").headings[0]
    assert 1 == len(bad.get("purchasing", "/letters")["items"])


def test_a_letter_names_the_open_corrective_action(bad, buyer):
    """It is preselected, and the letter quotes it."""
    asked = {"requested_action": "Find the cause.", "due_at": "2190-01-31T08:00:00Z"}
    number = bad.post("purchasing", f"/lots/{bad.lot_id}/corrective-actions", asked)["id"]
    page = buyer.go(f"/lots/{bad.lot_id}/letter")
    assert str(number) == page.form("claim")["fields"]["corrective_action_id"]
    look = buyer.send(page, "claim", button="Show letter")
    assert ("Find the cause." in look.text, "by 2190-01-31" in look.text) == (True, True)


def test_a_claim_that_no_value_proves_is_warned_of_before_it_is_signed(bad, buyer):
    """The preview warns of a claim that no value proves, and signing stays possible. No claim, or a proved value, needs no warning."""
    said = "Nonconformity is not proved for any value (ISO 14253-1), so the supplier may refuse the claim."
    lot = bad.good_lot(bad.supplier_row, bad.grade("G-2", SIMPLE_LIMITS), "OK-1")["lot_id"]
    bad.decide(lot, "block", "wound crosswise")
    look = written(buyer, lot, claim="credit")
    assert said in look.text
    assert "Letter signed" in buyer.send(look, "claim", button="Sign letter").text
    assert said not in written(buyer, lot, claim="none").text
    assert said not in written(buyer, bad.lot_id, claim="credit").text


def test_no_letter_is_begun_about_a_lot_in_quarantine(bad, buyer):
    """Its page says why, also where the form is sent past it."""
    grade = bad.grade("G-2", {**SIMPLE_LIMITS, "moisture": {"max_percent": 0.05}})
    got = bad.receive(bad.supplier_row, grade, "WET-1", 1)
    code, path = got["spools"][0]["code"], f"/lots/{got['lot_id']}/letter"
    bad.measure("moisture", {"spool_code": code, "moisture_percent": 0.2, "measured_at": MEASURED})
    page = buyer.go(path)
    assert (409, True) == (page.status, "so nothing can be claimed yet." in page.text)
    typed = buyer.go(f"/lots/{bad.lot_id}/letter").form("claim")["fields"]
    for act in ("look", "sign"):
        assert 409 == buyer.go(path, data={**typed, "signed_by": SIGNER, "act": act}).status
    assert [] == bad.get("purchasing", "/letters")["items"]


def test_a_refused_sending_can_be_loaded_again(bad, buyer):
    """The address of the form leads to the letter."""
    letter = buyer.send(written(buyer, bad.lot_id), "claim", button="Sign letter")
    assert 422 == buyer.send(letter, "sent_to", sent_to="").status
    number = f"L-{bad.lot_id}-1"
    again = buyer.raw(f"/letters/{number}/sent")
    assert (302, f"/letters/{number}") == (again.status_code, again.headers["Location"])


def test_a_letter_says_where_its_answer_is_noted_and_on_which_day_it_is_due(bad, buyer):
    """On the open corrective action of its lot, else on a new one. The day is shown without a time."""
    due = {"answer_by": "2190-12-12"}
    letter = buyer.send(written(buyer, bad.lot_id, **due), "claim", button="Sign letter")
    assert f"/lots/{bad.lot_id}/corrective-actions" == letter.links["Request a corrective action"]
    assert ("2190-12-12" in letter.text, "23:59" in letter.text) == (True, False)
    number = bad.post("purchasing", f"/lots/{bad.lot_id}/corrective-actions", {"requested_action": "Find out."})["id"]
    letter = buyer.go(f"/letters/L-{bad.lot_id}-1")
    assert f"/corrective-actions/{number}" == letter.links[f"corrective action {number}"]
    assert "/corrective-actions" == buyer.go("/purchasing/letters").links["Corrective actions"]


def test_a_shop_without_a_name_is_told_so_before_it_writes(bad, buyer):
    """The letter would come from "the buyer"."""
    said = "The shop has no name yet"
    assert said in buyer.go(f"/lots/{bad.lot_id}/letter").text
    describe(bad, name="Saltmarsh Yard Prints")
    assert said not in buyer.go(f"/lots/{bad.lot_id}/letter").text


def test_the_list_keeps_its_filters_in_the_address(bad, buyer):
    """The list of letters filters by supplier and days, shows claims in words and marks unsent letters."""
    buyer.send(written(buyer, bad.lot_id, claim="sorting"), "claim", button="Sign letter")
    page = buyer.go("/purchasing/letters")
    for words in (f"L-{bad.lot_id}-1", "Sorting by the supplier", "not sent", "Supplier NBK"):
        assert words in page.text
    supplier = bad.supplier_row["id"]
    assert f"L-{bad.lot_id}-1" in buyer.go(f"/purchasing/letters?supplier_id={supplier}&signed_from=2020-01-01").text
    none = buyer.go(f"/purchasing/letters?supplier_id={supplier}&signed_to=2020-01-01")
    assert ("No letters match these filters." in none.text, "2020-01-01") == (
        True,
        none.form("signed_to")["fields"]["signed_to"],
    )
    assert 422 == buyer.go("/purchasing/letters?supplier_id=x").status
    assert 422 == buyer.go("/purchasing/letters?signed_from=soon").status


@pytest.mark.parametrize("role", [*PEOPLE, "admin"])
def test_letters_are_for_those_who_write_to_suppliers(bad, buyer, role):
    """Only purchasing, quality and administrators open letters and write them."""
    buyer.send(written(buyer, bad.lot_id), "claim", button="Sign letter")
    somebody, may = Browser(bad, role), role in ("quality", "purchasing", "admin")
    paths = ("/purchasing/letters", f"/letters/L-{bad.lot_id}-1", f"/lots/{bad.lot_id}/letter")
    assert {200 if may else 403} == {somebody.raw(path).status_code for path in paths}
    assert may is ("Write a letter" in somebody.go(f"/lots/{bad.lot_id}").links)


def test_the_pages_make_as_many_statements_for_many_letters_as_for_few(bad, buyer):
    """The list and the letter."""
    paths = ("/purchasing/letters", f"/letters/L-{bad.lot_id}-1")

    def more():
        letter = buyer.send(written(buyer, bad.lot_id), "claim", button="Sign letter")
        buyer.send(letter, "sent_to", sent_to="Jory")

    more()
    few = [made(buyer, path) for path in paths]
    for _ in range(2):
        more()
    assert few == [made(buyer, path) for path in paths]
    assert max(few) <= 8
