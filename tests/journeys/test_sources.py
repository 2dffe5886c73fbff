"""Who measured, and with what, over HTTP: readings of another instrument, printer or build help only where they may. Source: this project's rules."""

import pytest

DIAMETER = {"sampling": {"fixed": 1}, "diameter": {"mean_tolerance_mm": 0.03}}


def test_a_second_micrometer_does_not_release_what_the_first_refuses(shop):
    """A spool of 1.79 mm by MIC-2 is blocked; five readings of 1.75 mm by MIC-1 bring the mean to 1.757 mm and leave it blocked."""
    mics = [
        shop.post("quality", "/instruments", {"code": code, "kind": "micrometer", "check_interval_days": 365})["id"]
        for code in ("MIC-1", "MIC-2")
    ]
    lot = shop.receive(shop.supplier(), shop.grade(limits=DIAMETER))
    code = lot["sample"]["spool_codes"][0]
    assert "blocked" == shop.diameter(code, 1.79, 1.79, instrument_id=mics[1])["lot"]["standing"]
    for _ in range(5):
        after = shop.diameter(code, 1.75, 1.75, instrument_id=mics[0])["lot"]
    assert "blocked" == after["standing"]
    found = shop.finding(lot["lot_id"], "diameter.spool_mean")
    assert ("fail", pytest.approx(1.79)) == (found["verdict"], found["value"])
    assert "By the readings of instrument MIC-2 alone." in found["message"]


RATIO = {"sampling": {"fixed": 1}, "bond": {"control_ratio_min": 0.7}, "uses": {"load_bearing": ["bond"]}}


def test_control_bars_of_a_cold_build_do_not_lift_the_ratio(shop):
    """Bars of 16.2 MPa beside control bars of 30 MPa are at 0.54 and blocked; control bars of 14 MPa of a cold build would make it 0.74 and do not count."""
    lot = shop.receive(shop.supplier(), shop.grade(limits=RATIO))
    code = lot["sample"]["spool_codes"][0]
    own = {"spool_code": code, "printer": "P1", "build": "B1"}
    bars = [{**own, "stress_mpa": 16.2}, {**own, "stress_mpa": 30.0, "control": True}]
    assert "blocked" == shop.measure("bond", bars)["lots"][0]["standing"]
    cold = [{**own, "build": "B2", "stress_mpa": 14.0, "control": True} for _ in range(2)]
    assert "blocked" == shop.measure("bond", cold)["lots"][0]["standing"]
    found = shop.finding(lot["lot_id"], "bond.control_ratio")
    assert ("fail", pytest.approx(0.54)) == (found["verdict"], found["value"])
    assert "Against 1 control bar of build B1 on P1." in found["message"]
    assert any("2 control bars do not count" in note for note in shop.assessment(lot["lot_id"])["notes"])


def test_a_build_without_control_bars_asks_for_them(shop):
    """Good bars of build B7 wait for control bars of build B7, and those release the lot."""
    lot = shop.receive(shop.supplier(), shop.grade(limits=RATIO))
    own = {"spool_code": lot["sample"]["spool_codes"][0], "printer": "P1", "build": "B7"}
    after = shop.measure("bond", {**own, "stress_mpa": 27.0})["lot"]
    assert ["control bars printed in build B7 on P1"] == after["to_measure"]
    assert "released" == shop.measure("bond", {**own, "stress_mpa": 30.0, "control": True})["lot"]["standing"]
