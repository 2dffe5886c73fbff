"""A reading must name a suitable instrument; one of unknown kind keeps the first measured characteristic."""

import io

import pytest

from tests.api.refusals import refused
from tests.shop import CONDITIONS, MEASURED, SIMPLE_LIMITS, WHITE


@pytest.fixture
def spool(shop):
    """A drawn spool of an unmeasured lot."""
    grade = shop.grade(limits=SIMPLE_LIMITS)
    return shop.receive(shop.supplier(), grade)["spools"][0]["code"]


def instrument(shop, code, kind, **more):
    """An instrument."""
    return shop.post("quality", "/instruments", {"code": code, "kind": kind, "check_interval_days": 365, **more})


def test_a_caliper_measures_no_colour_and_a_spectrophotometer_no_bond(shop, spool):
    """A caliper for colour and a spectrophotometer for bond are refused, with suitable instruments in the hint."""
    caliper, spectro = instrument(shop, "CAL-1", "caliper"), instrument(shop, "SPEC-1", "spectrophotometer")
    assert ["diameter", "shrinkage"] == caliper["measures"]
    assert ["color", "opacity"] == spectro["measures"]
    body = {"spool_code": spool, "lab": WHITE, "conditions": CONDITIONS, "measured_at": MEASURED}
    answer = shop.call("quality", "POST", "/color-readings", {**body, "instrument_id": caliper["id"]})
    (fault,) = refused(answer, 422, "invalid", ["/instrument_id"])["errors"]
    assert "Instrument CAL-1 does not measure colour. It measures diameter and shrinkage." == fault["detail"]
    assert f"Name the instrument that was used: SPEC-1 (number {spectro['id']})." == fault["hint"]
    bar = {"spool_code": spool, "stress_mpa": 24, "instrument_id": spectro["id"]}
    (fault,) = shop.measure("bond", [bar], 422)["errors"]
    assert "/0/instrument_id" == fault["pointer"]
    assert "Have quality add the instrument that was used, or leave it out." == fault["hint"]
    shop.color(spool, WHITE, instrument_id=spectro["id"])


def test_specks_are_counted_without_an_instrument(shop, spool):
    """A count with an instrument is refused, unless quality states that the instrument counts."""
    caliper = instrument(shop, "CAL-1", "caliper")
    lens = instrument(shop, "LENS-1", "magnifier", measures=["surface", "surface"])
    assert ["surface"] == lens["measures"]
    count = {"spool_code": spool, "specks": 1, "area_dm2": 1.0}
    (fault,) = shop.measure("surface", {**count, "instrument_id": caliper["id"]}, 422)["errors"]
    assert "This is counted by eye. Leave the instrument out." == fault["hint"]
    shop.measure("surface", {**count, "instrument_id": lens["id"]})
    shop.measure("surface", count)


def test_an_instrument_of_unknown_kind_keeps_what_it_measures_first(shop, spool):
    """An instrument of unknown kind takes its measure from its first reading in the same transaction, until quality adds others."""
    gauge = instrument(shop, "G-1", "gauge")
    assert gauge["measures"] is None
    shop.diameter(spool, d1=0.0689, status=422, instrument_id=gauge["id"])
    assert shop.get("quality", f"/instruments/{gauge['id']}")["measures"] is None
    shop.diameter(spool, instrument_id=gauge["id"])
    assert ["diameter"] == shop.get("quality", f"/instruments/{gauge['id']}")["measures"]
    shop.color(spool, WHITE, 422, instrument_id=gauge["id"])
    wider = {"measures": ["diameter", "color"]}
    answer = shop.call("quality", "PATCH", f"/instruments/{gauge['id']}", wider, If_Match="*")
    assert (200, ["diameter", "color"]) == (answer.status_code, answer.get_json()["measures"])
    shop.color(spool, WHITE, instrument_id=gauge["id"])
    said = [event["what"] for event in shop.get("quality", "/events")["items"]]
    assert 2 == said.count("instrument changed")


def test_a_change_needs_the_etag_of_what_was_read(shop):
    """A change needs the ETag: 428 without If-Match, 412 with a stale one."""
    path = f"/instruments/{instrument(shop, 'G-1', 'gauge')['id']}"
    etag = shop.call("quality", "GET", path).headers["ETag"]
    refused(shop.call("quality", "PATCH", path, {"measures": ["color"]}), 428)
    assert 200 == shop.call("quality", "PATCH", path, {"measures": ["color"]}, If_Match=etag).status_code
    refused(shop.call("quality", "PATCH", path, {"measures": ["bond"]}, If_Match=etag), 412)
    assert ["color"] == shop.get("quality", path)["measures"]


def test_a_reference_is_measured_with_what_measures_colour(shop):
    """A shade revision that names a micrometer is refused."""
    gauge, shade = instrument(shop, "M-1", "micrometer"), shop.shade("S")
    body = {"lab": WHITE, "conditions": CONDITIONS, "approved_by": "Wilhelmina", "instrument_id": gauge["id"]}
    refused(shop.call("quality", "POST", f"/shades/{shade['id']}/revisions", body), 422, "invalid", ["/instrument_id"])


def test_a_list_names_characteristics_only(shop):
    """An unknown name, an empty list and the role of receiving are refused."""
    gauge = instrument(shop, "G-1", "gauge")
    path = f"/instruments/{gauge['id']}"
    refused(shop.call("quality", "PATCH", path, {"measures": ["hue"]}), 422, "invalid", ["/measures/0"])
    refused(shop.call("quality", "PATCH", path, {"measures": []}), 422, "invalid", ["/measures"])
    refused(shop.call("receiving", "PATCH", path, {"measures": ["color"]}), 403)
    refused(shop.call("quality", "PATCH", "/instruments/99", {"measures": ["color"]}), 404, "not-found")
    body = {"code": "G-2", "kind": "gauge", "check_interval_days": 9, "measures": ["color", "hue"]}
    refused(shop.call("quality", "POST", "/instruments", body), 422, "invalid", ["/measures/1"])
    assert shop.get("quality", path)["measures"] is None


def test_a_file_is_held_to_the_same(shop, spool):
    """A row of a file with an unsuitable instrument is an error of its cell."""
    instrument(shop, "SPEC-1", "spectrophotometer")
    text = f"spool_code,d1_mm,d2_mm,instrument_code,measured_at\n{spool},1.75,1.75,SPEC-1,{MEASURED}\n"
    form = {"kind": "diameter", "file": (io.BytesIO(text.encode()), "bench.csv")}
    headers = {"Authorization": f"Bearer {shop.tokens['receiving']}"}
    answer = shop.client.post("/v1/imports", data=form, headers=headers, content_type="multipart/form-data")
    assert 422 == answer.status_code
    (fault,) = answer.get_json()["errors"]
    assert (2, "instrument_code") == (fault["row"], fault["column"])
    assert fault["detail"].startswith("Instrument SPEC-1 does not measure diameter.")
