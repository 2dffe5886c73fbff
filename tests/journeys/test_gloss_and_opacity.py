"""Gloss and opacity from the plaque to the verdict, and colours of plaques that are not opaque.

Source: ISO/CIE 11664-4 for Y of L*; limits are invented.
"""

import pytest

from tests.shop import CONDITIONS, WHITE
from tests.store.rows import counts
from tests.tolerances import SAME_FORMULA

ONE = {"sampling": {"fixed": 1}}


def lot_of(shop, limits, shade_id):
    """A lot of one spool that waits to be measured: its number and the spool's code."""
    got = shop.receive(shop.supplier(), shop.grade(limits=limits, shade_id=shade_id), spools=1)
    return got["lot_id"], got["spools"][0]["code"]


def where(refused):
    """Where a refusal points."""
    return [fault["pointer"] for fault in refused["errors"]]


@pytest.mark.parametrize(
    ("gu", "verdict"), [(30.0, "pass"), (29.999, "fail"), (30.001, "pass"), (50.0, "pass"), (50.001, "fail")]
)
def test_gloss_at_just_inside_and_just_outside_its_limits(shop, gu, verdict):
    """Both ends are acceptable; another angle says nothing of this one, and a use may require gloss."""
    limits = {**ONE, "gloss": {"deg_60_gu": [30, 50]}, "uses": {"cosmetic": ["gloss"]}}
    lot_id, spool = lot_of(shop, limits, None)
    other = shop.measure("gloss", {"spool_code": spool, "geometry_deg": 85, "gloss_gu": 40})["lot"]
    assert ("quarantined", [f"60-degree gloss on 1 spool ({spool}), 1 reading"]) == (
        other["standing"],
        other["to_measure"],
    )
    after = shop.measure("gloss", {"spool_code": spool, "geometry_deg": 60, "gloss_gu": gu}, role="receiving")["lot"]
    assert {"cosmetic": verdict} == after["uses"]
    finding = shop.finding(lot_id, "gloss.gu_60")
    assert (verdict, gu, "GU", 1) == tuple(finding[name] for name in ("verdict", "value", "unit", "n"))


def test_opacity_at_just_inside_and_just_outside_its_limit(shop):
    """The ratio is that of (L* + 16)^3 (ISO/CIE 11664-4); the end of the limit is acceptable, and no reading is no pass."""
    lot_id, spool = lot_of(shop, {**ONE, "opacity": {"contrast_ratio_min": 0.9}}, None)
    assert "missing" == shop.finding(lot_id, "opacity.contrast_ratio")["verdict"]
    body = {"spool_code": spool, "over_black": [93.5, -0.8, 1.1], "over_white": WHITE}
    answer = shop.measure("opacity", body, role="receiving")
    ratio = answer["contrast_ratio"]
    assert ((93.5 + 16) / (95.0 + 16)) ** 3 == pytest.approx(ratio, abs=SAME_FORMULA)
    assert "released" == answer["lot"]["standing"]
    grade = shop.lot(lot_id)["grade_id"]
    for revision, (least, standing) in enumerate(((ratio, "released"), (ratio + 1e-6, "blocked")), start=2):
        shop.limit(grade, {**ONE, "opacity": {"contrast_ratio_min": least}})
        assert standing == shop.assessment(lot_id, f"?limits_revision={revision}")["standing"]


def test_a_plaque_that_is_not_opaque_needs_the_references_backing(shop):
    """From the opacity reading on a colour without backing is refused, those before stop counting, and voiding it restores them."""
    backed = {**CONDITIONS, "backing": "white"}
    shade = shop.shade()["id"]
    lot_id, spool = lot_of(shop, {**ONE, "color": {"lot_max": 1.0}}, shade)
    assert "released" == shop.color(spool, WHITE)["lot"]["standing"]
    thin = shop.measure("opacity", {"spool_code": spool, "over_black": [93.0, -0.9, 1.0], "over_white": WHITE})
    assert "quarantined" == thin["lot"]["standing"]
    assert any("not opaque" in note for note in shop.assessment(lot_id)["notes"])
    before = counts()
    refused = shop.color(spool, WHITE, 422)
    assert ["/conditions/backing"] == where(refused)
    assert "a plaque that is not opaque needs a fixed backing" in refused["errors"][0]["detail"]
    # The reference does not say what lay behind it, so no backing would do.
    still = shop.measure("color", {"spool_code": spool, "lab": WHITE, "conditions": backed}, 422)
    assert "approve a revision that states its backing" in still["errors"][0]["hint"]
    assert before == counts()
    shop.approve(shade, WHITE, backed)
    shop.post("quality", f"/lots/{lot_id}/reassess")
    black = {**CONDITIONS, "backing": "black"}
    assert ["/conditions/backing"] == where(
        shop.measure("color", {"spool_code": spool, "lab": WHITE, "conditions": black}, 422)
    )
    after = shop.measure("color", {"spool_code": spool, "lab": WHITE, "conditions": backed})["lot"]
    assert "released" == after["standing"]


def test_what_was_void_of_opacity_and_what_is_newer_decides(shop):
    """A thicker plaque read later, or the word that the first reading was wrong, lets colours without a backing count again."""
    shade = shop.shade()["id"]
    lot_id, spool = lot_of(shop, {**ONE, "color": {"lot_max": 1.0}}, shade)
    shop.color(spool, WHITE)
    pair = {"spool_code": spool, "over_white": WHITE}
    thin = shop.measure("opacity", {**pair, "over_black": [93.0, -0.9, 1.0]})
    assert "quarantined" == shop.lot(lot_id)["standing"]
    thick = {**pair, "over_black": [94.95, -0.8, 1.5], "measured_at": "2026-11-21T08:00:00Z"}
    newer = shop.measure("opacity", thick)
    assert "released" == newer["lot"]["standing"]
    shop.color(spool, WHITE)
    shop.void(newer["id"])
    assert "quarantined" == shop.lot(lot_id)["standing"]
    assert "released" == shop.void(thin["id"])["lot"]["standing"]
