"""Second thoughts, in a browser without script: a reading undone, a lot scrapped by mistake, a lot inspected again."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from tests.pages.reading import Browser, log
from tests.shop import SIMPLE_LIMITS


def bad_entry(desk, clerk):
    """The page of the bench after the clerk typed 1.83 for 1.75 on the only spool of a lot."""
    log(desk, clerk, spools="S-1", spool_count="")
    return clerk.send(clerk.go("/bench?spool=S-1"), "d1_mm-0", "Store", **{"d1_mm-0": "1.83", "d2_mm-0": "1.83"})


def test_the_bench_offers_to_undo_what_was_just_stored(desk, clerk):
    """The bench offers to void a stored reading with a reason. It then shows the void, the status of the lot, and the form for the spool."""
    page = clerk.go(bad_entry(desk, clerk).links["Void for another reason"])
    assert ["Void reading 1"] == page.headings[:1]
    assert "Reading 1: diameter 1.83 and 1.83 mm" in page.text
    assert "for ten minutes" in page.text
    refused = clerk.send(page, "reason", reason=" ")
    assert 422 == refused.status
    page = clerk.send(refused, "reason", reason="typed 1.83 for 1.75")
    assert "Reading 1 is voided" in page.text
    assert "in quarantine" in page.text
    assert "Ask quality to approve the void of reading 1" in page.text
    assert "S-1" == page.form("d1_mm-0")["fields"]["spool"]


def test_one_press_undoes_what_was_mistyped(desk, clerk):
    """The other of two readings stays listed, with the status of the lot without the first."""
    log(desk, clerk, spools="S-1", spool_count="")
    entry = {"d1_mm-0": "1.83", "d2_mm-0": "1.83", "d1_mm-1": "1.75", "d2_mm-1": "1.76"}
    page = clerk.send(clerk.go("/bench?spool=S-1"), "d1_mm-0", "Store", **entry)
    assert "blocked" in page.text
    page = clerk.send(page, "reason")
    assert "Reading 1 is voided" in page.text
    assert "1 reading stored: diameter of S-1" in page.text
    assert "1.75 and 1.76 mm" in page.text
    assert "1.83" not in page.text.partition("1 reading stored")[2]
    (void,) = desk.get("quality", "/voids?held=true")["items"]
    assert ("mistyped", 1) == (void["reason"], void["reading"]["id"] if "reading" in void else void["reading_id"])
    page = clerk.send(page, "reason")
    assert "reading stored" not in page.text
    assert "S-1" == page.form("d1_mm-0")["fields"]["spool"]


def test_too_late_or_not_the_author_is_said_with_the_way_out(desk, clerk):
    """Somebody else's reading has no such link on its lot's page, and the form behind the address names the reason at once."""
    log(desk, clerk, spools="S-1", spool_count="")
    number = desk.diameter("S-1")["id"]
    assert f"Void reading {number}" not in clerk.go("/lots/1").links
    page = clerk.go(f"/readings/{number}/void")
    assert (403, True) == (page.status, "Ask quality." in page.text)
    seal = clerk.go("/bench?spool=S-1&kind=diameter").form("d1_mm-0")["fields"]["seal"]
    page = clerk.go(f"/readings/{number}/void", data={"seal": seal, "reason": "x"})
    assert (403, True) == (page.status, "Ask quality." in page.text)
    assert (404, "Not possible") == ((page := clerk.go("/readings/999/void")).status, page.headings[0])


def test_quality_agrees_on_its_page(desk, clerk):
    """The lot links there. The void is listed with values, author and reason, until quality agrees."""
    clerk.send(
        clerk.go(bad_entry(desk, clerk).links["Void for another reason"]), "reason", reason="typed 1.83 for 1.75"
    )
    technician = Browser(desk, "quality")
    lot = technician.go("/lots/1")
    assert "voided by its author, needs the agreement of quality" in lot.text
    page = technician.go(lot.links["Voids that need your agreement"])
    assert "Voids that need your agreement (1)" in page.text
    assert "reading 1 (diameter): 1.83 and 1.83 mm. Voided by receiving person" in page.text
    form = technician.go(page.links["Review the void of reading 1"])
    refused = technician.send(form, "reason", reason=" ")
    assert (422, True) == (refused.status, "This is required." in refused.text)
    page = technician.send(refused, "reason", reason="the gauge says 1.75")
    assert "No voids need agreement." in page.text
    assert "Void agreed Reading 1 does not count." in page.text.replace("✔ ", "")
    assert "needs the agreement" not in technician.go("/lots/1").text


def test_quality_voids_from_the_page_of_the_lot(desk, clerk):
    """Any reading that is not void, at any time, without an agreement."""
    bad_entry(desk, clerk)
    technician = Browser(desk, "quality")
    page = technician.send(
        technician.go(technician.go("/lots/1").links["Void reading 1"]), "reason", reason="dirty jaw"
    )
    assert "no: dirty jaw" in page.text
    assert [] == desk.get("quality", "/voids?held=true")["items"]


def test_a_scrapping_is_confirmed_on_a_page_of_its_own(desk):
    """It names the lot and what follows; nothing is decided before; afterwards only a lift is offered."""
    lot = desk.good_lot(desk.quillwort, desk.white)
    desk.load(lot["spools"][0]["code"])
    technician = Browser(desk, "quality")
    page = technician.go(technician.go("/lots/1").links["Scrap lot"])
    page = technician.send(page, "action", reason="wrong pallet")
    assert ["Scrapping of lot Q-71"] == page.headings[:1]
    for says in (
        "3 spools with 3000 g left",
        "is on P1. Unload it.",
        "Quality can lift this for one day",
        "wrong pallet",
    ):
        assert says in page.text
    assert "released" == desk.lot(1)["standing"]
    page = technician.send(page, "confirm")
    assert "scrapped" == desk.lot(1)["standing"]
    offered = {"Lift the decision", "Block lot", "Hold lot", "Scrap lot", "Return to the supplier"} & set(page.links)
    assert {"Lift the decision"} == offered
    page = technician.go(page.links["Lift the decision"])
    technician.send(page, "action", reason="the right pallet was meant")
    assert "released" == desk.lot(1)["standing"]


def test_a_form_that_confirms_another_lot_decides_nothing(desk):
    """The confirmation holds for its lot and its decision alone."""
    desk.good_lot(desk.quillwort, desk.white)
    technician = Browser(desk, "quality")
    form = technician.go("/lots/1/decide?action=return").form("action")["fields"]
    sent = {**form, "action": "return", "reason": "x", "confirm": "scrap 1"}
    assert ["Return of lot Q-71"] == technician.go("/lots/1/decide", data=sent).headings[:1]
    assert "released" == desk.lot(1)["standing"]


def test_quality_inspects_a_lot_again(desk):
    """The lot's page offers it if the grade has a shelf life, and shows what is missing and when it is complete."""
    grade = desk.grade("PLA-OLD", SIMPLE_LIMITS, shelf_life_days=30)
    lot = desk.receive(desk.quillwort, grade)
    code = lot["spools"][0]["code"]
    technician = Browser(desk, "quality")
    page = technician.go("/lots/1/reinspections")
    assert "The shelf life of this grade is 30 days from receipt." in page.text
    day = f"{datetime.now(UTC) + timedelta(days=20):%Y-%m-%d}"
    refused = technician.send(page, "use_by", use_by=day, reason="kept dry")
    assert "Name at least one characteristic" in refused.text
    page = technician.send(page, "use_by", use_by=day, reason="kept dry", measure="diameter")
    assert "for the re-inspection: measure diameter on 1 spool" in page.text
    desk.diameter(code, measured_at=datetime.now(UTC).isoformat())
    page = technician.go("/lots/1")
    assert f"A re-inspection extends it to {day} 23:59 UTC" in page.text
    assert "complete" in page.text
    assert "Re-inspection" not in Browser(desk, "receiving").go("/lots/1").text
