"""The shop's details and its suppliers on their pages: stated, shown as they will look, and corrected."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
import time_machine

from tests.pages.reading import Browser

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)


@pytest.fixture
def admin(shop):
    """The administrator at a browser."""
    return Browser(shop, "admin")


def state(admin, **typed):
    """Sends the form of the shop's details."""
    return admin.send(admin.go("/setup/shop"), "time_zone", **typed)


def test_the_details_are_stored_and_hold_on_every_page(shop, admin):
    """The form leads back to the list of steps, which has the shop as stated."""
    with time_machine.travel(NOON, tick=False):
        page = state(
            admin,
            name="Saltmarsh Yard Prints",
            address="Mole 3\r\nSaltmarsh",
            site="https://lots.example.org",
            time_zone="Europe/Berlin",
            date_form="DD.MM.YYYY",
            decimal_sign="comma",
            label_width_mm="62.5",
        )
        assert "Set up" == page.headings[0]
        said = shop.get("receiving", "/shop")
        assert ("Saltmarsh Yard Prints", "Europe/Berlin", 62.5) == (
            said["name"],
            said["time_zone"],
            said["label_width_mm"],
        )
        assert ("https://lots.example.org", 1) == (said["site"], said["version"])
        again = admin.go("/setup/shop")
    assert "25.11.2026 13:00 CET" in again.text
    assert "1,748 mm" in again.text
    assert "62,5" == again.form("time_zone")["fields"]["label_width_mm"]


def test_a_comma_is_typed_where_it_is_the_decimal_sign(shop, admin):
    """An emptied field becomes not stated."""
    state(admin, name="Saltmarsh", decimal_sign="comma")
    state(admin, label_margin_mm="1,5", name="")
    said = shop.get("receiving", "/shop")
    assert (1.5, None, 2) == (said["label_margin_mm"], said["name"], said["version"])


def test_an_example_shows_what_was_typed_and_stores_nothing(shop, admin):
    """Date, time and number as they will look, and how many labels fit on a sheet."""
    with time_machine.travel(NOON, tick=False):
        form = admin.go("/setup/shop")
        page = admin.send(
            form,
            "time_zone",
            button="Show example",
            time_zone="America/New_York",
            date_form="MM/DD/YYYY",
            label_width_mm="105",
        )
    assert "11/25/2026 07:00 EST" in page.text
    assert "1.748 mm" in page.text
    assert "2 x 8" in page.text
    assert "America/New_York" == page.form("time_zone")["fields"]["time_zone"]
    assert 0 == shop.get("receiving", "/shop")["version"]


@pytest.mark.parametrize("odd", [{"time_zone": "../etc/passwd"}, {"label_width_mm": "0"}, {"decimal_sign": "dot"}])
def test_an_example_of_what_cannot_be_is_left_out(admin, odd):
    """The page answers all the same."""
    page = admin.send(admin.go("/setup/shop"), "time_zone", button="Show example", **odd)
    assert 200 == page.status


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({"time_zone": "Europe/Berln"}, "Did you mean Europe/Berlin?"),
        ({"site": "lots.example"}, "Write it like https://lots.example.org:8080."),
        ({"label_width_mm": "wide"}, "This must be a number."),
        ({"label_width_mm": "1"}, "1 is out of range."),
        ({"label_margin_mm": "18"}, "Margins of 18 mm leave no space on a label."),
    ],
)
def test_what_cannot_be_is_refused_beside_its_field(shop, admin, typed, says):
    """The typed values stay, and nothing is stored."""
    page = state(admin, name="Saltmarsh", **typed)
    assert (422, True) == (page.status, says in page.text)
    assert "Saltmarsh" == page.form("time_zone")["fields"]["name"]
    assert 0 == shop.get("receiving", "/shop")["version"]


def test_who_was_slower_writes_over_nothing(shop, admin):
    """The form was made of an older version."""
    form = admin.go("/setup/shop")
    state(Browser(shop, "admin"), name="First")
    page = admin.send(form, "time_zone", name="Second")
    assert (412, True) == (page.status, "changed since you read them" in page.text)
    assert "First" == shop.get("receiving", "/shop")["name"]


def test_every_time_zone_is_offered(admin):
    """The form offers every time zone by its IANA name, and no name of this computer's own."""
    html = admin.go("/setup/shop").html
    assert "<option>Europe/Berlin</option>" in html
    assert "<option>UTC</option>" in html
    assert "localtime" not in html


def test_only_the_administrator_states_them(shop):
    """The list of steps says so to the others."""
    for role in ("receiving", "quality", "purchasing", "production"):
        assert 403 == Browser(shop, role).raw("/setup/shop").status_code


# Suppliers


@pytest.mark.parametrize("role", ["quality", "purchasing", "admin"])
def test_a_supplier_is_added_and_corrected(shop, role):
    """Quality and purchasing add and correct a supplier. The code stays."""
    somebody = Browser(shop, role)
    empty = somebody.go("/setup/suppliers")
    assert "No suppliers yet." in empty.text
    page = somebody.send(empty, "code", code="QWT", name="Quillwort", contact="orders@example.org")
    assert "/setup/suppliers/1" == page.links["QWT"]
    one = somebody.go("/setup/suppliers/1")
    assert "code" not in one.form("contact")["fields"]
    somebody.send(one, "contact", name="Quillwort Filament", contact="")
    found = shop.get(role, "/suppliers/1")
    assert ("QWT", "Quillwort Filament", None) == (found["code"], found["name"], found["contact"])


@pytest.mark.parametrize("role", ["receiving", "production"])
def test_other_desks_add_none(shop, role):
    """The page names the right role."""
    somebody = Browser(shop, role)
    seal = somebody.go("/setup").form("seal")["fields"]["seal"]
    assert 403 == somebody.raw("/setup/suppliers").status_code
    assert 403 == somebody.raw("/setup/suppliers", data={"seal": seal, "code": "A", "name": "N"}).status_code


def test_a_code_that_is_taken_and_a_name_that_is_missing_are_told(desk):
    """Nothing is stored, and the typed values stay."""
    buyer = Browser(desk, "purchasing")
    page = buyer.send(buyer.go("/setup/suppliers"), "code", code="QWT", name="Again")
    assert (409, True) == (page.status, "The code QWT belongs to supplier 1." in page.text)
    page = buyer.send(page, "code", code="NEW", name="")
    assert (422, True, "NEW") == (page.status, "This is required." in page.text, page.form("code")["fields"]["code"])
    assert 2 == len(desk.get("purchasing", "/suppliers")["items"])


def test_a_supplier_that_was_changed_meanwhile_is_not_written_over(desk):
    """412, and the newer name stays."""
    buyer, other = Browser(desk, "purchasing"), Browser(desk, "quality")
    form = buyer.go("/setup/suppliers/1")
    other.send(other.go("/setup/suppliers/1"), "contact", name="First")
    page = buyer.send(form, "contact", name="Second")
    assert 412 == page.status
    assert "First" == desk.get("purchasing", "/suppliers/1")["name"]


def test_a_form_sent_twice_adds_one(desk):
    """A form sent twice, as by a double click, adds one supplier."""
    buyer = Browser(desk, "purchasing")
    form = buyer.go("/setup/suppliers")
    for _ in range(2):
        buyer.at = "/setup/suppliers"
        assert "NEW" in buyer.send(form, "code", code="NEW", name="New").links
    assert 3 == len(desk.get("purchasing", "/suppliers")["items"])


def test_a_supplier_who_is_not_there_is_told_in_words(desk):
    """The page of an unknown supplier answers 404 with a link back to the list."""
    page = Browser(desk, "quality").go("/setup/suppliers/99")
    assert (404, "/setup/suppliers") == (page.status, page.links["Back"])
