"""Oval filament, positions along a spool, and plaques of a stated thickness, over HTTP.

Sources: geometry for the oval; 5 % of a thickness is common practice, no source; limits are invented.
"""

import pytest

OVAL = {"sampling": {"fixed": 1}, "diameter": {"mean_tolerance_mm": 0.05, "ovality_max_mm": 0.05}}


def spool_of(shop, limits):
    """A lot of one spool: its number and the spool's code."""
    got = shop.receive(shop.supplier(), shop.grade(limits=limits), spools=1)
    return got["lot_id"], got["spools"][0]["code"]


def test_an_oval_across_the_diagonals_is_found_by_turning(shop):
    """With both fixed axes at 1.75 the lot is released; turned, 1.84 and 1.66 mm block it by an ovality of 0.18 mm."""
    lot_id, code = spool_of(shop, OVAL)
    assert "released" == shop.diameter(code)["lot"]["standing"]
    after = shop.diameter(code, d_max_mm=1.84, d_min_mm=1.66)
    assert ("blocked", 1.84, 1.66) == (after["lot"]["standing"], after["d_max_mm"], after["d_min_mm"])
    assert 0.18 == round(shop.finding(lot_id, "diameter.ovality")["value"], 9)
    assert 1.75 == shop.finding(lot_id, "diameter.spool_mean")["value"]


@pytest.mark.parametrize(
    ("turned", "pointer"),
    [
        ({"d_max_mm": 1.74}, "/d_max_mm"),
        ({"d_min_mm": 1.76}, "/d_min_mm"),
        ({"d_max_mm": 0.0724}, "/d_max_mm"),
    ],
    ids=["largest-below-an-axis", "smallest-above-an-axis", "inches"],
)
def test_diameters_that_contradict_each_other_are_refused(shop, turned, pointer):
    """A largest diameter below an axis, or a smallest above one, is refused."""
    _, code = spool_of(shop, OVAL)
    refused = shop.diameter(code, status=422, **turned)
    assert [pointer] == [fault["pointer"] for fault in refused["errors"]]
    assert refused["errors"][0]["hint"]


def test_positions_are_spread_along_the_spool(shop):
    """Two positions within half a metre do not satisfy 5 m; a third at 6 m does."""
    limits = {**OVAL, "diameter": {**OVAL["diameter"], "readings_per_spool_min": 2, "span_min_m": 5}}
    _, code = spool_of(shop, limits)
    shop.diameter(code, position_m=0)
    near = shop.diameter(code, position_m=0.5)["lot"]
    assert ("quarantined", [f"measure further along spool {code} (its positions span 0.5 m of at least 5 m)"]) == (
        near["standing"],
        near["to_measure"],
    )
    assert "released" == shop.diameter(code, position_m=6)["lot"]["standing"]


def test_opacity_holds_at_its_thickness(shop):
    """An opacity limit for 2 mm plaques ignores 3 mm and unstated thickness with a message, and counts 2.05 mm."""
    limits = {"sampling": {"fixed": 1}, "opacity": {"contrast_ratio_min": 0.9, "thickness_mm": 2}}
    lot_id, code = spool_of(shop, limits)
    body = {"spool_code": code, "over_black": [94.9, -0.8, 1.4], "over_white": [95.0, -0.8, 1.5]}
    for thickness in ({}, {"thickness_mm": 3}):
        told = shop.measure("opacity", {**body, **thickness}, role="receiving")
        assert "quarantined" == told["lot"]["standing"]
        assert "does not count" in told["warnings"][0]["detail"]
    notes = shop.assessment(lot_id)["notes"]
    assert ["2 readings of opacity do not count, since the limit applies to plaques of 2 mm, within 5 %."] == notes
    told = shop.measure("opacity", {**body, "thickness_mm": 2.05}, role="receiving")
    assert ("released", []) == (told["lot"]["standing"], told["warnings"])
