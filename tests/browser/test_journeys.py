"""A day at each desk, in a browser with script and without, on a telephone and on a screen at the wall."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest

from tests.browser.conftest import WIDTHS, Site
from tests.browser.person import Person

# What is read from two metres: letters of 40 px are about 1 cm high on a telephone and 1.5 cm on a screen at the wall.
READABLE_PX = 40

# Lot numbers so unlike that none is taken for another.
LOTS = {(360, True): "KESTREL", (360, False): "DUNLIN-22", (1920, True): "PLOVER-3", (1920, False): "WHIMBREL-4444"}

pytestmark = [
    pytest.mark.parametrize("width", WIDTHS),
    pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"]),
]


def test_clerk(width: int, script: bool, person: Callable[..., Person], site: Site) -> None:
    """The clerk logs a delivery, sees which spools to measure, slips with a reading, puts it right, and prints labels."""
    clerk, lot = person(width, script=script), LOTS[width, script]
    clerk.sign_in(site.tokens["receiving"])
    assert "Home" == clerk.heading()
    clerk.follow("Log a delivery")
    page = clerk.page
    page.get_by_label("Supplier", exact=True).select_option(label="QWT: Quillwort Extrusion")
    page.get_by_label("Grade").select_option(label="PLA-WB-175: PLA Works Black, 1.75 mm")
    page.get_by_label("Supplier's lot number").fill(lot)
    page.get_by_label("Net mass of each").fill("1000")
    page.get_by_label("Codes on the spools").fill(f"{lot}-1\n{lot}-2\n{lot}-3")
    assert clerk.fits()
    clerk.press("Log delivery")
    assert f"Next steps for lot {lot}" == clerk.heading()
    assert clerk.fits()
    here = page.url

    clerk.follow("Print labels")
    assert clerk.fits()
    drawn = page.locator(".labels img").first
    assert drawn.evaluate("e => e.decode().then(() => e.naturalWidth)") > 0

    page.goto(here)
    clerk.follow(f"{lot}-1")
    page.get_by_label("d1, mm").first.fill("0.0689")
    page.get_by_label("d2 across d1").first.fill("0.0690")
    clerk.press("Store")
    assert "Not saved" in page.get_by_role("alert").inner_text()
    assert "inch" in page.locator(".cells").first.inner_text()
    assert "0.0689" == page.get_by_label("d1, mm").first.input_value()
    assert clerk.fits()
    page.get_by_label("d1, mm").first.fill("1.751")
    page.get_by_label("d2 across d1").first.fill("1.753")
    clerk.press("Store")
    assert "1 reading stored: diameter" in page.get_by_role("status").inner_text()
    assert clerk.fits()


def test_line_lead(width: int, script: bool, person: Callable[..., Person], site: Site) -> None:
    """The line lead checks a spool, reads the answer from afar, loads it, takes it off, and is kept from a bad one."""
    lead = person(width, script=script)
    lead.sign_in(site.tokens["production"])
    lead.follow("Check a spool")
    page = lead.page
    page.get_by_label("Spool code").fill("HW-Q12-2")
    page.get_by_label("Job optional").fill("J-1045")
    page.get_by_label("Machine").fill("P6")
    lead.press("Check")
    word, size = lead.answer()
    assert "✔ Load" == word
    assert READABLE_PX <= size
    assert lead.fits()
    lead.press("Load on P6")
    assert "Spool HW-Q12-2 is loaded on " in page.get_by_role("status").inner_text()
    assert lead.fits()

    # A spool is on one machine at a time, and the answer says where it is.
    lead.go("/check?spool=HW-Q12-2&use=cosmetic&job=J-1046&machine=P1")
    word, size = lead.answer()
    assert "✖ Do not load" == word
    assert READABLE_PX <= size
    assert "P6" in page.inner_text("main")

    lead.go("/loaded")
    row = page.get_by_role("row").filter(has_text="HW-Q12-2")
    row.locator("summary").click()
    row.get_by_label("Mass left").fill("a lot")
    lead.press("Unload HW-Q12-2 from P6")
    assert "Mass left, g: This must be a number." in page.get_by_role("alert").inner_text()
    row.get_by_label("Mass left").fill("700")
    lead.press("Unload HW-Q12-2 from P6")
    assert 0 == page.get_by_role("row").filter(has_text="HW-Q12-2").count()

    lead.choose("Check")
    # What a scanner types from the symbol on a label: the address of the spool's page.
    page.get_by_label("Spool code").fill(f"{site.base}/spools/HW-T05-1")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Reasons").wait_for()
    word, size = lead.answer()
    assert "✖ Do not load" == word
    assert READABLE_PX <= size
    assert lead.fits()
    instead = (
        page.get_by_role("heading", name="Other spools you can use").locator("xpath=following-sibling::ul[1]//a").first
    )
    code = instead.inner_text()
    with page.expect_navigation():
        instead.click()
    assert "✔ Load" == lead.answer()[0]
    assert code in page.locator(".answer").inner_text()


def test_buyer(width: int, script: bool, person: Callable[..., Person], site: Site) -> None:
    """The buyer reads what needs attention, compares suppliers, follows one's drift, and takes the report on a blocked lot."""
    buyer = person(width, script=script)
    buyer.sign_in(site.tokens["purchasing"], then="/purchasing/week")
    assert "This week" == buyer.heading()
    page = buyer.page
    assert "Lot TT-05 is blocked, with" in page.inner_text("main")
    assert "Limit near" in page.inner_text("main")
    assert buyer.fits()
    buyer.choose("Suppliers")
    assert "Suppliers" == buyer.heading()
    page.get_by_label("Grade", exact=True).select_option(index=1)
    buyer.press("Compare")
    assert buyer.fits()
    assert 3 == page.locator("article.card").count()
    buyer.follow("Show drift")
    assert buyer.heading().startswith("Drift: ")
    assert page.get_by_role("img", name="drift").is_visible()
    assert buyer.fits()

    buyer.choose("Lots")
    numbers = page.locator(".list tbody th a").evaluate_all("all => all.map(e => Number(e.pathname.split('/').pop()))")
    assert sorted(numbers, reverse=True) == numbers
    assert buyer.fits()
    buyer.follow("Picture of lots and uses")
    page.locator("figure.picture img").scroll_into_view_if_needed()
    assert buyer.fits()
    buyer.follow("List of these lots")
    page.get_by_text("Filter and sort").click()
    page.get_by_label("Status").select_option("blocked")
    buyer.press("Show")
    # Other tests block lots of the same shop.
    assert {"✖ blocked"} == {text.strip() for text in page.locator(".list tbody td.status").all_inner_texts()}
    buyer.follow("TT-05")
    word, _ = buyer.answer()
    assert "✖ blocked" == word
    assert "Single diameter" in page.locator(".finding").first.inner_text()
    assert buyer.fits()
    buyer.follow("Print nonconformity report")
    assert buyer.heading().startswith("Nonconformity report NR-24-")
    assert buyer.fits()


def test_quality(width: int, script: bool, person: Callable[..., Person], site: Site) -> None:
    """The quality technician approves a concession, puts a lot on hold with a reason, and lifts the hold."""
    reason = f"parts for a jig, {width} {script}"
    asked = {"uses": ["hidden"], "max_mass_g": 100, "reason": reason}
    asked["valid_until"] = (datetime.now(UTC) + timedelta(days=7)).isoformat()
    site.ask("admin", "POST", "/lots/12/concessions", asked)

    technician = person(width, script=script)
    technician.sign_in(site.tokens["quality"])
    technician.choose("Quality")
    page = technician.page
    assert technician.fits()
    with page.expect_navigation():
        page.locator("#concessions + ul a").first.click()
    assert reason in page.locator("main").inner_text()
    assert technician.fits()
    technician.press("Approve concession")
    technician.choose("Quality")
    assert "No concessions are waiting for approval." in page.locator("main").inner_text()

    technician.choose("Lots")
    page.get_by_text("Filter and sort").click()
    page.get_by_label("Lot number").fill("QW-11")
    technician.press("Show")
    technician.follow("QW-11")
    assert "✔ released" == technician.answer()[0]
    technician.follow("Print lot record")
    assert technician.heading().startswith("Lot record LR-27-")
    assert technician.fits()
    page.go_back()
    page.get_by_text("Actions on this lot").click()
    technician.follow("Hold lot")
    page.get_by_label("Reason").fill("streaks on the first parts")
    technician.press("Hold lot QW-11")
    assert "… in quarantine" == technician.answer()[0]
    assert "streaks on the first parts" in page.locator(".answer").inner_text()
    assert technician.fits()
    page.get_by_text("Actions on this lot").click()
    technician.follow("Lift the decision")
    page.get_by_label("Reason").fill("the nozzle was worn")
    technician.press("Lift the decision on lot QW-11")
    assert "✔ released" == technician.answer()[0]
