"""Drying over HTTP: assessed by the grade's rule, and an expired measurement is not clear."""

from datetime import UTC, datetime, timedelta

import pytest

from tests.shop import RECEIVED

RULE = {"dry_c": 45, "dry_h": 6, "softening_c": 55, "dry_for_h": 48}
LIMITS = {"sampling": {"fixed": 1}, "moisture": {"max_percent": 0.05}}


def ago(hours):
    """A moment so many hours ago."""
    return (datetime.now(UTC) - timedelta(hours=hours)).isoformat()


def spool_of(shop, percent=0.02, hours=1, **grade):
    """A spool of a lot measured some hours ago."""
    got = shop.receive(shop.supplier(), shop.grade(limits=LIMITS, **{**RULE, **grade}), spools=1)
    code = got["spools"][0]["code"]
    shop.measure("moisture", {"spool_code": code, "moisture_percent": percent, "measured_at": ago(hours)})
    return got["lot_id"], code


def dry(shop, code, temperature_c=45, hours=6, status=201, role="production", **more):
    """A drying."""
    body = {"temperature_c": temperature_c, "hours": hours, **more}
    return shop.post(role, f"/spools/{code}/dryings", body, status)


def test_a_drying_is_judged_by_the_grades_rule_and_listed(shop):
    """A drying by the rule conforms, a short one does not and says why; both are listed with the caution."""
    _, code = spool_of(shop)
    good, short = dry(shop, code, ended_at=ago(2)), dry(shop, code, hours=4, role="receiving")
    assert (True, False) == (good["conforms"], short["conforms"])
    assert "meets the grade's rule (45 °C, 6 h)" in good["says"]
    assert "because it was 2 h too short" in short["says"]
    assert "never used for food" in good["caution"]
    listed = shop.get("quality", f"/spools/{code}/dryings")
    assert ([good["id"], short["id"]], None) == ([one["id"] for one in listed["items"]], listed["next"])
    spool = shop.get("production", f"/spools/{code}")
    assert (good["ended_at"], short["ended_at"]) == (spool["dried_by_rule_at"], spool["dried_at"])


def test_a_reading_that_is_too_old_stops_a_spool_until_it_is_dried_by_the_rule(shop):
    """A spool measured 100 h ago with 48 h of validity is not clear, also after a short drying, and clear after one by the rule."""
    _, code = spool_of(shop, hours=100)
    asked = shop.ask_clearance(code, "general")
    reason = f"Spool {code} or its lot was measured for moisture 100 h ago (valid for 48 h). Dry it by the grade's rule (45 °C, 6 h) or measure it again."
    assert (False, [reason]) == (asked["clear"], asked["reasons"])
    dry(shop, code, hours=3)
    assert not shop.ask_clearance(code, "general")["clear"]
    dry(shop, code)
    assert shop.ask_clearance(code, "general")["clear"]


def test_measuring_again_clears_it_too_and_an_opened_spool_holds_half_as_long(shop):
    """40 h after its measurement a sealed spool is clear, and one opened 25 h ago only after a new measurement."""
    _, code = spool_of(shop, hours=40)
    assert shop.ask_clearance(code, "general")["clear"]
    shop.post("production", f"/spools/{code}/events", {"event": "opened", "at": ago(25)})
    assert "was opened 25 h ago (valid for 24 h once opened)" in shop.ask_clearance(code, "general")["reasons"][0]
    shop.measure("moisture", {"spool_code": code, "moisture_percent": 0.02, "measured_at": ago(0.5)})
    assert shop.ask_clearance(code, "general")["clear"]


def test_drying_alone_never_clears_a_wet_lot(shop):
    """A wet reading needs a dry measurement of the spool, and drying alone is not enough."""
    _, code = spool_of(shop, percent=0.08)
    dry(shop, code)
    assert not shop.ask_clearance(code, "general")["clear"]


def test_nothing_is_asked_without_a_time_to_hold(shop):
    """A grade without a validity time has no age limit on readings."""
    _, code = spool_of(shop, hours=150, dry_for_h=None)
    assert shop.ask_clearance(code, "general")["clear"]


def test_a_drying_above_the_softening_temperature_is_kept_and_cautioned(shop):
    """60 °C with a softening temperature of 55 °C is stored as nonconforming with a caution."""
    _, code = spool_of(shop)
    hot = dry(shop, code, temperature_c=60)
    assert hot["conforms"] is False
    assert "above the softening temperature of 55 °C" in hot["says"]
    cautions = shop.ask_clearance(code, "general")["cautions"]
    assert any("may stick together or be oval" in caution for caution in cautions)


@pytest.mark.parametrize(
    ("fields", "pointer"),
    [({"dry_c": 60}, "/dry_c"), ({"dry_for_open_h": 50}, "/dry_for_open_h")],
    ids=["above-softening", "longer-once-opened"],
)
def test_a_rule_that_contradicts_itself_is_refused(shop, fields, pointer):
    """A drying temperature above softening, or a longer validity once opened, is refused."""
    body = {
        "code": "PLA-X",
        "polymer": "PLA",
        "color_name": "White",
        "filler_kind": "none",
        "nominal_diameter_mm": 1.75,
        "density_g_cm3": 1.24,
        **RULE,
        **fields,
    }
    refused = shop.post("quality", "/grades", body, 422)
    assert [pointer] == [fault["pointer"] for fault in refused["errors"]]


@pytest.mark.parametrize(
    "ended_at", ["2026-11-19T08:00:00Z", "2099-01-01T00:00:00Z"], ids=["before-it-came", "to-come"]
)
def test_a_drying_lies_between_its_delivery_and_now(shop, ended_at):
    """A drying that ended before the delivery or in the future is refused."""
    assert RECEIVED > "2026-11-19"
    _, code = spool_of(shop)
    refused = dry(shop, code, status=422, ended_at=ended_at)
    assert ["/ended_at"] == [fault["pointer"] for fault in refused["errors"]]
