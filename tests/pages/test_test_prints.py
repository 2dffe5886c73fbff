"""Test prints at the page: added, given recipes in numbered revisions, and named by limits."""

from __future__ import annotations

import pytest

from tests.pages.reading import Browser
from tests.pages.test_words import JSON_NAME

RECIPE = {
    "nozzle_c": "215",
    "bed_c": "60",
    "layer_height_mm": "0,2",
    "speed_mm_s": "60",
    "cooling_percent": "40",
    "orientation": "upright",
    "geometry": "Bar 10 x 4 mm, 80 mm tall.",
}


@pytest.fixture
def quality(shop):
    """The quality technician at a browser, where decimals have a comma."""
    shop.call("admin", "PATCH", "/shop", {"decimal_sign": "comma"}, If_Match="*")
    return Browser(shop, "quality")


def recipes(shop):
    """The recipes of the first test print."""
    return shop.get("quality", "/test-prints/1/revisions")["items"]


def test_a_test_print_is_added_and_given_its_recipes(shop, quality):
    """The form starts with the newest recipe, and the new one lists its changes."""
    page = quality.send(quality.go("/setup/test-prints"), "code", code="BAR", name="Upright bar")
    assert "Test print BAR, Upright bar" == page.headings[0]
    assert [] == JSON_NAME.findall(page.text)
    page = quality.send(page, "nozzle_c", **RECIPE, note="First.")
    assert (0.2, "upright") == (recipes(shop)[0]["layer_height_mm"], recipes(shop)[0]["orientation"])
    begins = page.form("nozzle_c")["fields"]
    assert {**RECIPE, "note": ""} == {name: begins[name] for name in (*RECIPE, "note")}
    page = quality.send(page, "nozzle_c", nozzle_c="220")
    assert "Changed: Nozzle, °C." in page.text
    assert [215, 220] == [row["nozzle_c"] for row in recipes(shop)]
    assert "BAR/2" in quality.go("/setup/test-prints").text


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({"nozzle_c": "hot"}, "This must be a number."),
        ({"geometry": ""}, "This is required."),
        ({"bed_c": "900"}, "out of range"),
    ],
)
def test_a_slip_in_a_recipe_is_said_at_its_field_and_the_rest_is_kept(shop, quality, typed, says):
    """Nothing is added."""
    page = quality.send(quality.go("/setup/test-prints"), "code", code="BAR", name="Upright bar")
    page = quality.send(page, "nozzle_c", **{**RECIPE, **typed})
    assert (422, True) == (page.status, says in page.text)
    assert {**RECIPE, **typed} == {name: page.form("nozzle_c")["fields"][name] for name in RECIPE}
    assert [] == recipes(shop)


def test_a_code_is_taken_once_and_holds_no_slash(shop, quality):
    """Both are reported in words, and the typed values stay."""
    quality.send(quality.go("/setup/test-prints"), "code", code="BAR", name="Upright bar")
    page = quality.send(quality.go("/setup/test-prints"), "code", code="BAR", name="Another")
    assert (409, True) == (page.status, "The code BAR belongs to test print 1." in page.text)
    page = quality.send(quality.go("/setup/test-prints"), "code", code="BAR/2", name="Another")
    assert (422, "Another") == (page.status, page.form("code")["fields"]["name"])


def test_everybody_reads_recipes_and_quality_adds_them(shop, quality):
    """The clerk sees no form, and cannot send one."""
    quality.send(quality.go("/setup/test-prints"), "code", code="BAR", name="Upright bar")
    clerk = Browser(shop, "receiving")
    assert "New test print" not in clerk.go("/setup/test-prints").text
    assert "First recipe" not in clerk.go("/setup/test-prints/1").text
    seal = clerk.go("/").form("seal")["fields"]["seal"]
    assert 403 == clerk.raw("/setup/test-prints", data={"seal": seal, "code": "X", "name": "Y"}).status_code
    assert 404 == quality.go("/setup/test-prints/9").status
