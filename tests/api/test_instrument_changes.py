"""Instruments that are corrected: on their ETag, and only in what no reading rests on."""

from __future__ import annotations

import pytest

from tests.api.refusals import refused

GAUGE = {"code": "G-1", "kind": "micrometer", "standard_uncertainty": 0.002, "check_interval_days": 30}


@pytest.fixture
def gauge(shop):
    """A micrometer, and its address."""
    return f"/instruments/{shop.post('quality', '/instruments', GAUGE)['id']}"


def changed(shop, path, body):
    """What a change on the ETag as it is answers."""
    etag = shop.call("quality", "GET", path).headers["ETag"]
    return shop.call("quality", "PATCH", path, body, If_Match=etag)


def test_everything_but_the_code_may_be_corrected_before_it_is_used(shop, gauge):
    """A slip of kind, uncertainty, resolution or interval is put right; the version rises and the history names what changed."""
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
    """What nobody knows is stated as null."""
    assert changed(shop, gauge, {"standard_uncertainty": None}).get_json()["standard_uncertainty"] is None


def test_the_kind_decides_what_it_measures_unless_that_is_stated(shop, gauge):
    """A micrometer that is a glossmeter reads gloss; what quality states goes before."""
    assert ["gloss"] == changed(shop, gauge, {"kind": "glossmeter"}).get_json()["measures"]
    stated = changed(shop, gauge, {"kind": "caliper", "measures": ["diameter", "diameter"]}).get_json()
    assert ["diameter"] == stated["measures"]


@pytest.mark.parametrize(
    ("name", "value"),
    [("kind", "caliper"), ("standard_uncertainty", 0.01), ("standard_uncertainty", None), ("resolution", 0.01)],
)
def test_what_readings_rest_on_is_settled(shop, gauge, name, value):
    """Stored assessments must come out the same: the refusal leads to another code, and nothing is changed."""
    spool = shop.receive(shop.supplier(), shop.grade())["spools"][0]["code"]
    shop.diameter(spool, instrument_id=1)
    before = shop.get("quality", gauge)
    answer = refused(changed(shop, gauge, {name: value}), 409, "settled")
    assert "Add the instrument again under another code." in answer["detail"]
    assert before == shop.get("quality", gauge)
    # What is sent as it stands changes nothing, and the interval is for times to come.
    same = {"kind": before["kind"], "standard_uncertainty": before["standard_uncertainty"], "check_interval_days": 7}
    assert 7 == changed(shop, gauge, same).get_json()["check_interval_days"]
    assert before["version"] + 1 == shop.get("quality", gauge)["version"]


def test_a_voided_reading_settles_it_too(shop, gauge):
    """A decision of its day is worked out again with the reading in it."""
    spool = shop.receive(shop.supplier(), shop.grade())["spools"][0]["code"]
    reading = shop.diameter(spool, instrument_id=1)
    shop.post("quality", f"/readings/{reading['id']}/void", {"reason": "wrong spool"})
    refused(changed(shop, gauge, {"resolution": 0.01}), 409, "settled")


def test_the_first_reading_of_an_instrument_moves_its_etag(shop):
    """Where nobody stated what it measures its first reading does, and who read it before must read it again."""
    path = f"/instruments/{shop.post('quality', '/instruments', {**GAUGE, 'kind': 'gauge'})['id']}"
    etag = shop.call("quality", "GET", path).headers["ETag"]
    shop.diameter(shop.receive(shop.supplier(), shop.grade())["spools"][0]["code"], instrument_id=1)
    refused(shop.call("quality", "PATCH", path, {"measures": ["color"]}, If_Match=etag), 412)
