"""Equal readings show no uncertainty, one spool does not represent a lot, and drying one spool dries no other."""

import math

import pytest

from tests.tolerances import SAME_SUM

GUARDED = {"decision_rule": "guarded", "instruments": "optional", "sampling": {"fixed": 1}}
MEAN = {**GUARDED, "diameter": {"mean_tolerance_mm": 0.05}}
WET = {"sampling": {"fixed": 1}, "moisture": {"max_percent": 0.05}, "diameter": {"reading_tolerance_mm": 0.05}}
USES = {**WET, "uses": {"hidden": ["diameter"], "fit": ["diameter", "moisture"]}}


def lot(shop, limits, spools):
    """A delivery of a grade under these limits: its lot and its spools, the drawn one first."""
    got = shop.receive(shop.supplier(), shop.grade(limits=limits), "Q-71", spools)
    (drawn,) = got["sample"]["spool_codes"]
    return got["lot_id"], sorted((spool["code"] for spool in got["spools"]), key=lambda code: code != drawn)


def micrometer(shop, code="MIC-1", **stated):
    """A micrometer with these statements."""
    body = {"code": code, "kind": "micrometer", "check_interval_days": 365, **stated}
    return shop.post("quality", "/instruments", body)["id"]


def read(shop, spool, values, **more):
    """Round diameters, one position each; returns the lot."""
    rows = [{"spool_code": spool, "d1_mm": d, "d2_mm": d, "position_m": 3 * i, **more} for i, d in enumerate(values)]
    return shop.measure("diameter", rows)["lots"][0]


@pytest.mark.parametrize("stated", [None, {}, {"standard_uncertainty": 0}])
def test_equal_readings_are_no_certainty(shop, stated):
    """Two readings of 1.7999 against 1.70 to 1.80 show no spread, so they are missing with the remedy."""
    lot_id, (spool,) = lot(shop, MEAN, 1)
    more = {} if stated is None else {"instrument_id": micrometer(shop, **stated)}
    assert "quarantined" == read(shop, spool, [1.7999, 1.7999], **more)["standing"]
    found = shop.finding(lot_id, "diameter.spool_mean")
    assert ("missing", None, None) == tuple(found[n] for n in ("verdict", "uncertainty", "conformance_probability"))
    assert "resolution" in found["to_measure"]
    assert shop.ask_clearance(spool, "hidden")["clear"] is False


@pytest.mark.parametrize(("value", "verdict"), [(1.7999, "near"), (1.79, "pass")])
def test_a_stated_resolution_bounds_what_equal_readings_hide(shop, value, verdict):
    """A step of 0.001 mm hides a standard uncertainty of 0.001 / sqrt(12) mm (JCGM 100:2008, F.2.2.1), so 1.7999 is near 1.80."""
    lot_id, (spool,) = lot(shop, MEAN, 1)
    read(shop, spool, [value, value], instrument_id=micrometer(shop, resolution=0.001))
    found = shop.finding(lot_id, "diameter.spool_mean")
    assert verdict == found["verdict"]
    assert 0.001 / math.sqrt(12) == pytest.approx(found["uncertainty"], abs=SAME_SUM)


def test_spools_that_read_alike_have_a_spread_to_judge(shop):
    """Three spools of one colour with a resolution of 0.01 are released under the guarded rule."""
    limits = {"decision_rule": "guarded", "sampling": {"fixed": 3}, "color": {"lot_max": 1.0, "spread_max": 0.5}}
    limits["color"]["readings_per_spool_min"] = 2
    lot = shop.receive(shop.supplier(), shop.grade(limits=limits), "Q-71", 3)
    body = {"code": "SPEC-1", "kind": "spectrophotometer", "check_interval_days": 365, "resolution": 0.01}
    instrument = shop.post("quality", "/instruments", body)["id"]
    for spool in lot["spools"]:
        for _ in range(2):
            after = shop.color(spool["code"], [95.0, -0.8, 1.6], instrument_id=instrument)["lot"]
    assert "released" == after["standing"]


def test_one_spool_of_24_does_not_release_the_lot(shop):
    """One spool's repeats do not represent the lot; the next drawn spool releases it, and another does not."""
    lot_id, (first, *others) = lot(shop, MEAN, 24)
    gauge = micrometer(shop, standard_uncertainty=0.002, resolution=0.001)
    after = read(shop, first, [1.75, 1.752, 1.748], instrument_id=gauge)
    assert "quarantined" == after["standing"]
    found = shop.finding(lot_id, "diameter.spool_mean")
    assert "missing" == found["verdict"]
    assert "at least one more spool" in found["to_measure"]
    (drawn,) = shop.get("receiving", f"/deliveries?lot_id={lot_id}")["items"][0]["further_draws"][0]["spool_codes"]
    assert drawn in found["to_measure"]
    another = next(code for code in others if code != drawn)
    assert "quarantined" == read(shop, another, [1.75, 1.752, 1.748], instrument_id=gauge)["standing"]
    assert "released" == read(shop, drawn, [1.75, 1.752, 1.748], instrument_id=gauge)["standing"]


def test_a_failing_spool_needs_no_second(shop):
    """One complete spool outside the limit rejects the lot."""
    _, (first, *_) = lot(shop, MEAN, 24)
    assert "blocked" == read(shop, first, [1.82, 1.821, 1.822])["standing"]


def wetness(shop, spool, percent, hour):
    """A moisture reading at this hour of the day; returns the lot."""
    at = f"2026-11-20T{hour:02}:00:00Z"
    return shop.measure("moisture", {"spool_code": spool, "moisture_percent": percent, "measured_at": at})["lot"]


def test_drying_one_spool_dries_no_other(shop):
    """One of ten spools at 0.20 %, dried to 0.03 %, is clear, and each of the other nine must be dried and measured."""
    lot_id, (first, *others) = lot(shop, WET, 10)
    read(shop, first, [1.75])
    assert "quarantined" == wetness(shop, first, 0.2, 9)["standing"]
    wetness(shop, first, 0.03, 12)
    assert shop.ask_clearance(first, "hidden")["clear"] is True
    for spool in others:
        answer = shop.ask_clearance(spool, "hidden")
        assert answer["clear"] is False
        assert any(f"Dry spool {spool}, then measure its moisture" in reason for reason in answer["reasons"])
        shop.load(spool, "hidden", 409)
    shown = {spool["code"]: spool["nonconforming"] for spool in shop.lot(lot_id)["spools"]}
    assert ([], 9) == (shown[first], sum(bool(why) for why in shown.values()))
    wetness(shop, others[0], 0.02, 13)
    assert shop.ask_clearance(others[0], "hidden")["clear"] is True
    assert shop.ask_clearance(others[1], "hidden")["clear"] is False


def test_a_dry_reading_before_a_wet_one_clears_nothing(shop):
    """A spool measured dry before another was wet waits too; voiding the wet reading ends that."""
    _, (first, second, _) = lot(shop, WET, 3)
    read(shop, first, [1.75])
    wetness(shop, second, 0.01, 8)
    at = "2026-11-20T09:00:00Z"
    wet = shop.measure("moisture", {"spool_code": first, "moisture_percent": 0.2, "measured_at": at})
    wetness(shop, first, 0.03, 12)
    assert shop.ask_clearance(second, "hidden")["clear"] is False
    shop.void(wet["id"], "the analyser was not tared")
    assert shop.ask_clearance(second, "hidden")["clear"] is True


def test_moisture_holds_for_the_uses_that_ask_for_it(shop):
    """A use whose limits do not require moisture is not held."""
    _, (first, second) = lot(shop, USES, 2)
    read(shop, first, [1.75])
    wetness(shop, first, 0.2, 9)
    wetness(shop, first, 0.03, 12)
    assert shop.ask_clearance(second, "hidden")["clear"] is True
    assert shop.ask_clearance(second, "fit")["clear"] is False


def test_filament_wound_from_a_lot_that_was_wet_is_measured_itself(shop):
    """Filament respooled from a wet lot must be measured itself."""
    _, (first, second, third) = lot(shop, WET, 3)
    read(shop, first, [1.75])
    wetness(shop, first, 0.2, 9)
    wetness(shop, first, 0.03, 12)
    parents = [{"spool_code": second, "mass_g": 300}, {"spool_code": third, "mass_g": 300}]
    shop.post("production", "/spools", {"code": "WOUND", "parents": parents})
    assert shop.ask_clearance("WOUND", "hidden")["clear"] is False
    wetness(shop, "WOUND", 0.03, 14)
    assert shop.ask_clearance("WOUND", "hidden")["clear"] is True
