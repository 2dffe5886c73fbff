"""Corrections of instruments: with their ETag, and only of fields that no reading depends on."""

from __future__ import annotations

import pytest

from tests.api.refusals import refused

GAUGE = {"code": "G-1", "kind": "micrometer", "standard_uncertainty": 0.002, "check_interval_days": 30}


@pytest.fixture
def gauge(shop):
    """A micrometer, and its address."""
    return f"/instruments/{shop.post('quality', '/instruments', GAUGE)['id']}"


def changed(shop, path, body):
    """The answer to a change with the present ETag."""
    etag = shop.call("quality", "GET", path).headers["ETag"]
    return shop.call("quality", "PATCH", path, body, If_Match=etag)


def test_everything_but_the_code_may_be_corrected_before_it_is_used(shop, gauge):
    """Kind, uncertainty, resolution and interval can be corrected before first use, with a new version and a history entry."""
    said = {"kind": "caliper", "standard_uncertainty": 0.02, "resolution": 0.01, "check_interval_days": 90}
    answer = changed(shop, gauge, said)
    assert 200 == answer.status_code
    found = answer.get_json()
    assert said == {name: found[name] for name in said}
    assert (2, ["diameter", "shrinkage"]) == (found["version"], found["measures"])
    assert answer.headers["ETag"] == shop.call("quality", "GET", gauge).headers["ETag"]
    (event,) = [one for one in shop.get("quality", "/events")["items"] if one["what"] == "instrument changed"]
    assert ("quality person", said["resolution"]) == (event["by"], event["content"]["values"]["resolution"])


def test_an_uncertainty_may_be_taken_back(shop, gauge):
    """An uncertainty is withdrawn as null."""
    assert changed(shop, gauge, {"standard_uncertainty": None}).get_json()["standard_uncertainty"] is None


def test_the_kind_decides_what_it_measures_unless_that_is_stated(shop, gauge):
    """A corrected kind changes the measures, unless quality stated them."""
    assert ["gloss"] == changed(shop, gauge, {"kind": "glossmeter"}).get_json()["measures"]
    stated = changed(shop, gauge, {"kind": "caliper", "measures": ["diameter", "diameter"]}).get_json()
    assert ["diameter"] == stated["measures"]


@pytest.mark.parametrize(
    ("name", "value"),
    [("kind", "caliper"), ("standard_uncertainty", 0.01), ("standard_uncertainty", None), ("resolution", 0.01)],
)
def test_what_readings_rest_on_is_settled(shop, gauge, name, value):
    """Fields behind stored assessments are refused with the advice to add another code."""
    spool = shop.receive(shop.supplier(), shop.grade())["spools"][0]["code"]
    shop.diameter(spool, instrument_id=1)
    before = shop.get("quality", gauge)
    answer = refused(changed(shop, gauge, {name: value}), 409, "settled")
    assert "Add the instrument again under another code." in answer["detail"]
    assert before == shop.get("quality", gauge)
    # An unchanged value changes nothing, and the interval applies to later times.
    same = {"kind": before["kind"], "standard_uncertainty": before["standard_uncertainty"], "check_interval_days": 7}
    assert 7 == changed(shop, gauge, same).get_json()["check_interval_days"]
    assert before["version"] + 1 == shop.get("quality", gauge)["version"]


def test_a_voided_reading_settles_it_too(shop, gauge):
    """A voided reading fixes the fields too, because decisions of its time are recomputed with it."""
    spool = shop.receive(shop.supplier(), shop.grade())["spools"][0]["code"]
    reading = shop.diameter(spool, instrument_id=1)
    shop.post("quality", f"/readings/{reading['id']}/void", {"reason": "wrong spool"})
    refused(changed(shop, gauge, {"resolution": 0.01}), 409, "settled")


def test_the_first_reading_of_an_instrument_moves_its_etag(shop):
    """The first reading of an instrument without stated measures changes its ETag."""
    path = f"/instruments/{shop.post('quality', '/instruments', {**GAUGE, 'kind': 'gauge'})['id']}"
    etag = shop.call("quality", "GET", path).headers["ETag"]
    shop.diameter(shop.receive(shop.supplier(), shop.grade())["spools"][0]["code"], instrument_id=1)
    refused(shop.call("quality", "PATCH", path, {"measures": ["color"]}, If_Match=etag), 412)
