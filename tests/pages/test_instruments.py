"""Instruments at the pages: the list, adding one of the right kind, and corrections."""

from __future__ import annotations

import pytest

from lots.domain.characteristics.registry import DECLARED
from lots.domain.instruments.measuring import measures_of_kind
from tests.pages.reading import Browser
from tests.pages.test_words import JSON_NAME

NEW = {
    "code": "MIC-9",
    "kind": "micrometer",
    "standard_uncertainty": "0,002",
    "resolution": "0,001",
    "check_interval_days": "30",
}


@pytest.fixture
def quality(shop):
    """The quality technician at a browser, where decimals have a comma."""
    shop.call("admin", "PATCH", "/shop", {"decimal_sign": "comma"}, If_Match="*")
    return Browser(shop, "quality")


def kept(shop, number=1):
    """An instrument as the API has it."""
    return shop.get("quality", f"/instruments/{number}")


def test_every_kind_that_a_characteristic_declares_is_offered(quality):
    """The form offers every kind of instrument that a characteristic declares, with its measures."""
    page = quality.go("/setup/instruments")
    for word in {word for one in DECLARED.values() for word in one.kinds}:
        assert f'<option value="{word}">{word.capitalize()}: ' in page.html
        assert measures_of_kind(word)
    assert "Micrometer: diameter and shrinkage" in page.text
    assert [] == JSON_NAME.findall(page.text)


def test_an_instrument_is_added_and_measures_what_its_kind_does(shop, quality):
    """An instrument is added with decimal commas. The list shows its measures, uncertainty and due date."""
    page = quality.send(quality.go("/setup/instruments"), "code", **NEW)
    assert "Instrument MIC-9" == page.headings[0]
    found = kept(shop)
    assert (0.002, 0.001, 30, ["diameter", "shrinkage"]) == tuple(
        found[name] for name in ("standard_uncertainty", "resolution", "check_interval_days", "measures")
    )
    row = quality.go("/setup/instruments").text
    assert "MIC-9 micrometer diameter, shrinkage 0,002 mm none" in row


def test_another_kind_is_named_with_what_it_measures(shop, quality):
    """Ticks state it."""
    typed = {**NEW, "kind": "other", "other_kind": "drop gauge", "measures-diameter": "on"}
    quality.send(quality.go("/setup/instruments"), "code", **typed)
    assert ("drop gauge", ["diameter"]) == (kept(shop)["kind"], kept(shop)["measures"])
    form = quality.go("/setup/instruments/1").form("kind")["fields"]
    assert ("other", "drop gauge", "on") == (form["kind"], form["other_kind"], form["measures-diameter"])


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({"kind": ""}, "This is required."),
        ({"kind": "other"}, "This is required."),
        ({"code": ""}, "This is required."),
        ({"standard_uncertainty": "fine"}, "This must be a number."),
        ({"resolution": "0"}, "must be greater than 0"),
        ({"check_interval_days": "1,5"}, "is not a whole number"),
    ],
)
def test_a_slip_is_said_at_its_field_and_the_rest_is_kept(shop, quality, typed, says):
    """Nothing is added."""
    page = quality.send(quality.go("/setup/instruments"), "code", **{**NEW, **typed})
    assert (422, True) == (page.status, says in page.text)
    fields = page.form("code")["fields"]
    assert {**NEW, **typed} == {name: fields[name] for name in NEW}
    assert [] == shop.get("quality", "/instruments")["items"]
    assert [] == JSON_NAME.findall(page.text)


def test_a_slip_is_corrected_before_the_first_reading(shop, quality):
    """Kind, uncertainty, resolution, interval and measures. An emptied uncertainty becomes unknown."""
    page = quality.send(quality.go("/setup/instruments"), "code", **NEW)
    typed = {"kind": "caliper", "standard_uncertainty": "", "resolution": "0,01", "check_interval_days": "90"}
    quality.send(page, "kind", **typed)
    found = kept(shop)
    assert ("caliper", None, 0.01, 90) == tuple(
        found[name] for name in ("kind", "standard_uncertainty", "resolution", "check_interval_days")
    )


def test_what_readings_rest_on_is_settled_and_said_so(shop, quality):
    """The form still offers interval and measures, and says why the rest cannot be changed."""
    stale = quality.send(quality.go("/setup/instruments"), "code", **NEW)
    shop.diameter(shop.receive(shop.supplier(), shop.grade())["spools"][0]["code"], instrument_id=1)
    page = quality.go("/setup/instruments/1")
    assert "If one is wrong, add the instrument again under another code." in page.text
    fields = page.form("check_interval_days")["fields"]
    assert not {"kind", "standard_uncertainty", "resolution"} & fields.keys()
    quality.send(page, "check_interval_days", check_interval_days="7")
    assert (0.002, 7) == (kept(shop)["standard_uncertainty"], kept(shop)["check_interval_days"])
    # The form of before the reading: somebody else changed the instrument since.
    assert 412 == quality.send(stale, "check_interval_days", standard_uncertainty="1").status
    assert 0.002 == kept(shop)["standard_uncertainty"]


def test_checks_are_listed_newest_first_and_an_overdue_one_is_marked(shop, quality):
    """Checks are listed newest first, with artefact and result in words. An overdue instrument is marked."""
    quality.send(quality.go("/setup/instruments"), "code", **NEW)
    for day, result in (("01", "pass"), ("02", "fail")):
        check = {"checked_at": f"2026-01-{day}T08:00:00Z", "result": result, "artefact": f"Pin {day}"}
        shop.post("quality", "/instruments/1/checks", check)
    text = quality.go("/setup/instruments/1").text
    assert text.index("failed Pin 02") < text.index("passed Pin 01")
    assert "overdue" in text
    assert "2026-01-02: failed" in quality.go("/setup/instruments").text


def test_instruments_are_quality_work(shop, quality):
    """Other desks get 403, and an unknown one gets 404, both in words."""
    assert 403 == Browser(shop, "production").raw("/setup/instruments").status_code
    assert 404 == quality.go("/setup/instruments/9").status
