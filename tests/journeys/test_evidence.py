"""Complete evidence: a missing characteristic never passes, and coupons of several lengths are separated."""

import numpy as np
import pytest

from tests.shop import CONDITIONS, FULL_LIMITS, WHITE
from tests.tolerances import LEAST_SQUARES

GENERAL = {name: block for name, block in FULL_LIMITS.items() if name != "uses"}
ALL = ("color", "diameter", "shrinkage", "bond", "surface", "moisture", "gloss", "opacity")
COUPON = {"feature": "outside", "designed_mm": 100, "measured_mm": 99.7, "age_h": 24}


def whole(kind, spools):
    """Readings of one kind that satisfy all of the limits, on three spools."""
    if kind == "color":
        return [{"spool_code": s, "lab": WHITE, "conditions": CONDITIONS} for s in spools for _ in range(3)]
    if kind == "diameter":
        return [{"spool_code": s, "d1_mm": 1.75, "d2_mm": 1.76} for s in spools for _ in range(5)]
    first = {"spool_code": spools[0]}
    if kind == "shrinkage":
        return [{**first, **COUPON, "axis": axis} for axis in "xyz" for _ in range(2)]
    if kind == "bond":
        bars = [{**first, "stress_mpa": stress} for stress in (24.0, 25.0, 26.0, 23.0, 22.0)]
        return [*bars, {**first, "stress_mpa": 30.0, "control": True}]
    if kind == "surface":
        return [{"spool_code": s, "specks": 1, "area_dm2": 2.0} for s in spools]
    if kind == "gloss":
        return [{"spool_code": s, "geometry_deg": 60, "gloss_gu": 40.0} for s in spools]
    if kind == "opacity":
        return [{**first, "over_black": [94.9, -0.8, 1.5], "over_white": WHITE}]
    return [{"spool_code": s, "moisture_percent": 0.03} for s in spools]


@pytest.mark.parametrize("dropped", ALL)
def test_what_was_not_measured_never_passes(shop, dropped):
    """With one characteristic missing the lot stays in quarantine and names it; measuring it releases the lot."""
    got = shop.receive(shop.supplier(), shop.grade(limits=GENERAL))
    spools, lot_id = got["sample"]["spool_codes"], got["lot"]["id"]
    for kind in ALL:
        if kind != dropped:
            shop.measure(kind, whole(kind, spools))
    said = shop.assessment(lot_id)
    assert ("quarantined", {"general": "missing"}) == (said["standing"], said["uses"])
    missing = {finding["characteristic"] for finding in said["findings"] if finding["verdict"] == "missing"}
    assert {dropped} == missing
    assert said["to_measure"]
    for use in ("cosmetic", "fit", "load_bearing", "flexing", "hidden"):
        assert shop.ask_clearance(spools[0], use)["clear"] is False

    after = shop.measure(dropped, whole(dropped, spools))["lots"][0]
    assert ("released", []) == (after["standing"], after["to_measure"])


@pytest.mark.parametrize("kind", ALL)
def test_all_but_the_last_reading_is_not_enough(shop, kind):
    """One reading short of the limits is missing, for every characteristic."""
    limits = {"sampling": {"fixed": 3}, kind: GENERAL[kind]}
    got = shop.receive(shop.supplier(), shop.grade(limits=limits))
    items = whole(kind, got["sample"]["spool_codes"])
    before = shop.measure(kind, items[:-1])["lots"][0] if items[1:] else got["lot"]
    assert "quarantined" == before["standing"]
    assert "released" == shop.measure(kind, items[-1:])["lots"][0]["standing"]


def test_thirty_readings_of_one_spool_are_one_spool(shop):
    """Many readings of one spool do not replace other spools."""
    got = shop.receive(shop.supplier(), shop.grade(limits={"sampling": {"fixed": 3}, "diameter": GENERAL["diameter"]}))
    spools = sorted(got["sample"]["spool_codes"])
    after = shop.measure("diameter", whole("diameter", spools[:1]) * 6)["lots"][0]
    assert "quarantined" == after["standing"]
    assert [f"measure diameter on 2 more spools ({spools[1]}, {spools[2]}), 5 readings each"] == after["to_measure"]


def test_a_coupon_measured_too_early_does_not_count(shop):
    """A coupon measured after two hours is stored and left out, with a note."""
    limits = {"shrinkage": {"x_percent": [0.1, 0.5], "age_h": [20, 30]}}
    got = shop.receive(shop.supplier(), shop.grade(limits=limits), spools=1)
    test = {"spool_code": got["spools"][0]["code"], **COUPON, "axis": "x"}
    shop.measure("shrinkage", {**test, "age_h": 2})
    said = shop.assessment(got["lot"]["id"])
    assert "quarantined" == said["standing"]
    assert any("not measured 20 to 30 h after printing" in note for note in said["notes"])
    assert "released" == shop.measure("shrinkage", {**test, "age_h": 20})["lot"]["standing"]


def test_scale_and_bead_offset_are_told_apart_by_two_lengths_inside_and_outside(shop):
    """Outside lengths gain what inside lengths lose to a wide bead; the lot's shrinkage and scale are the slope's."""
    # Invented coupons: about 0.3 % short, 0.1 mm of bead, a caliper's noise.
    coupons = [
        ("outside", 100.0, 99.81),
        ("outside", 40.0, 39.97),
        ("inside", 100.0, 99.60),
        ("inside", 40.0, 39.79),
        ("outside", 160.0, 159.63),
    ]
    got = shop.receive(shop.supplier(), shop.grade(limits={"shrinkage": {"x_percent": [0.1, 0.5]}}), spools=1)
    spool = got["spools"][0]["code"]
    items = [
        {"spool_code": spool, "axis": "x", "feature": side, "designed_mm": d, "measured_mm": m, "age_h": 24}
        for side, d, m in coupons
    ]
    shop.measure("shrinkage", items)

    # measured = (1 - S) designed + e on an outside length, - e on an inside one: least squares, any textbook.
    sign = np.array([1.0 if side == "outside" else -1.0 for side, _, _ in coupons])
    designed, measured = (np.array(column) for column in list(zip(*coupons, strict=True))[1:])
    (slope, offset), *_ = np.linalg.lstsq(np.column_stack([designed, sign]), measured, rcond=None)
    found = shop.finding(got["lot"]["id"], "shrinkage.x")
    assert ("pass", 5) == (found["verdict"], found["n"])
    assert 100 * (1 - slope) == pytest.approx(found["value"], abs=LEAST_SQUARES)
    assert f"{offset:+.3f} mm" in found["message"]
    settings = shop.ask_clearance(spool, "fit")["settings"]
    assert 1 / slope == pytest.approx(settings["scale_x"], abs=LEAST_SQUARES)
    assert settings["scale_y"] is settings["scale_z"] is None


def test_one_length_cannot_tell_scale_from_offset(shop):
    """Two coupons of one length give their mean shrinkage without an offset."""
    got = shop.receive(shop.supplier(), shop.grade(limits={"shrinkage": {"x_percent": [0.1, 0.5]}}), spools=1)
    test = {"spool_code": got["spools"][0]["code"], **COUPON, "axis": "x"}
    shop.measure("shrinkage", [{**test, "measured_mm": 99.8}, {**test, "measured_mm": 99.6}])
    found = shop.finding(got["lot"]["id"], "shrinkage.x")
    assert 0.3 == pytest.approx(found["value"])
    assert "offset" not in found["message"]


@pytest.mark.parametrize(
    ("kind", "fields", "pointer", "hint"),
    [
        ("moisture", {"moisture_percent": 250}, "/moisture_percent", "250 ppm is 0.025 %"),
        ("shrinkage", {**COUPON, "axis": "x", "measured_mm": 3.921}, "/measured_mm", "inches"),
        ("shrinkage", {**COUPON, "axis": "x", "measured_mm": 0.3}, "/measured_mm", "not the shrinkage"),
        ("bond", {"stress_mpa": 12_100_000}, "/stress_mpa", "pascals"),
        ("bond", {"stress_mpa": 1755}, "/stress_mpa", "psi"),
        ("surface", {"specks": 1.5, "area_dm2": 1}, "/specks", ""),
        ("surface", {"specks": 1, "area_dm2": 0}, "/area_dm2", ""),
        ("gloss", {"geometry_deg": 60, "gloss_gu": 925}, "/gloss_gu", "did you mean 92.5?"),
        ("gloss", {"geometry_deg": 45, "gloss_gu": 40}, "/geometry_deg", ""),
        ("opacity", {"over_black": WHITE, "over_white": [94.0, -0.8, 1.5]}, "/over_black", "over black and over white"),
    ],
    ids=[
        "ppm",
        "inches",
        "shrinkage-for-length",
        "pascals",
        "psi",
        "half-a-speck",
        "no-area",
        "point",
        "angle",
        "swapped",
    ],
)
def test_a_slip_of_the_technician_comes_back_with_a_hint(shop, kind, fields, pointer, hint):
    """A mistaken unit is recognised and nothing is stored."""
    got = shop.receive(shop.supplier(), shop.grade(limits=GENERAL))
    refused = shop.measure(kind, {"spool_code": got["spools"][0]["code"], **fields}, 422)
    faults = {fault["pointer"]: fault.get("hint", "") for fault in refused["errors"]}
    assert pointer in faults
    assert hint in faults[pointer]
    assert [] == shop.get("quality", f"/lots/{got['lot']['id']}/readings")["items"]


def test_limits_written_as_fractions_are_refused(shop):
    """A shrinkage limit of 0.001 to 0.005 % is refused as a probable fraction."""
    grade = shop.grade()
    body = {"shrinkage": {"x_percent": [0.001, 0.005]}}
    refused = shop.post("quality", f"/grades/{grade['id']}/limits", body, 422)
    assert ["/shrinkage/x_percent"] == [fault["pointer"] for fault in refused["errors"]]
    assert "such as 0.3 for 0.3 %" in refused["errors"][0]["hint"]
    assert [] == shop.get("quality", f"/grades/{grade['id']}/limits")["items"]
