"""Quality sets an empty shop up on the pages alone: shade, reference, grade, limits, instrument, test print. Then a lot is judged by it."""

from __future__ import annotations

import pytest

from tests.pages.reading import Browser
from tests.pages.test_words import JSON_NAME


@pytest.fixture
def quality(shop):
    """The quality technician of a shop in which nothing is set up."""
    return Browser(shop, "quality")


def test_an_empty_shop_says_what_to_add_first(quality):
    """Each list says that there is nothing, and offers the form."""
    for path, says in (
        ("/setup/shades", "No shades yet."),
        ("/grades", "No grades yet."),
        ("/setup/instruments", "No instruments yet."),
        ("/setup/test-prints", "No test prints yet."),
        ("/decision-risk", "Decision risk"),
    ):
        page = quality.go(path)
        assert says in page.text
        assert [] == JSON_NAME.findall(page.text)


def test_what_quality_sets_up_on_the_pages_judges_a_lot(shop, quality):
    """From nothing to a released lot: every value of the limits is one of common practice."""
    page = quality.send(quality.go("/setup/shades"), "code", code="HW", name="Harbour White")
    page = quality.go(page.links["Approve the first reference"])
    page = quality.send(page, "approved_by", readings="95 -0.8 1.5\n95 -0.8 1.5", approved_by="Wilhelmina")
    quality.send(page, "approved_by", "Approve revision 1")
    grade = {
        "code": "PLA-HW-175",
        "polymer": "PLA",
        "color_name": "Harbour White",
        "filler_kind": "none",
        "shade_id": "1",
    }
    page = quality.go("/grades/new")
    page = quality.send(page, "code", **grade, nominal_diameter_mm="1.75", density_g_cm3="1.24")
    page = quality.go(page.links["Set its limits"])
    for part in ("colour", "diameter", "sampling"):
        page = quality.send(page, "note", f"Fill in common practice: {part}")
    page = quality.send(page, "note", "Fill in common practice: uses", **{"uses-hidden-diameter": "on"})
    page = quality.send(page, "note", "Check")
    page = quality.send(page, "note", "Set limits")
    assert "Limits of grade PLA-HW-175, revision 1" == page.headings[0]
    for code, kind, u in (("SPEC-1", "spectrophotometer", "0.05"), ("MIC-1", "micrometer", "0.002")):
        instrument = {"code": code, "kind": kind, "standard_uncertainty": u, "check_interval_days": "90"}
        quality.send(quality.go("/setup/instruments"), "code", **instrument)
    (limits,) = shop.get("quality", "/grades/1/limits")["items"]
    assert ({"cosmetic": ["color"], "hidden": ["diameter"]}, {"fixed": 3}) == (limits["uses"], limits["sampling"])
    delivery = shop.receive(shop.supplier(), {"id": 1}, spools=3)
    for spool in delivery["spools"]:
        for _ in range(5):
            shop.diameter(spool["code"], instrument_id=2)
            shop.color(spool["code"], [95, -0.8, 1.5], instrument_id=1)
    lot = shop.get("quality", f"/lots/{delivery['lot']['id']}")
    assert ("released", {"cosmetic": "pass", "hidden": "pass"}) == (lot["standing"], lot["uses"])
