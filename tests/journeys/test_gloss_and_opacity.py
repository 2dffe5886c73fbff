"""Gloss and opacity from the plaque to the verdict, and colours of plaques that are not opaque.

Source: ISO/CIE 11664-4 for Y of L*; limits are invented.
"""

import pytest

from tests.shop import CONDITIONS, WHITE
from tests.store.rows import counts
from tests.tolerances import SAME_FORMULA

ONE = {"sampling": {"fixed": 1}}


def lot_of(shop, limits, shade_id):
    """A lot of one unmeasured spool: its number and the spool's code."""
    got = shop.receive(shop.supplier(), shop.grade(limits=limits, shade_id=shade_id), spools=1)
    return got["lot_id"], got["spools"][0]["code"]


def where(refused):
    """The pointers of a refusal."""
    return [fault["pointer"] for fault in refused["errors"]]


@pytest.mark.parametrize(
    ("gu", "verdict"), [(30.0, "pass"), (29.999, "fail"), (30.001, "pass"), (50.0, "pass"), (50.001, "fail")]
)
def test_gloss_at_just_inside_and_just_outside_its_limits(shop, gu, verdict):
    """Both ends of a gloss limit pass; another angle does not count, and a use can require gloss."""
    limits = {**ONE, "gloss": {"deg_60_gu": [30, 50]}, "uses": {"cosmetic": ["gloss"]}}
    lot_id, spool = lot_of(shop, limits, None)
    other = shop.measure("gloss", {"spool_code": spool, "geometry_deg": 85, "gloss_gu": 40})["lot"]
    assert ("quarantined", [f"measure 60-degree gloss on 1 spool ({spool}), 1 reading"]) == (
        other["standing"],
        other["to_measure"],
    )
    after = shop.measure("gloss", {"spool_code": spool, "geometry_deg": 60, "gloss_gu": gu}, role="receiving")["lot"]
    assert {"cosmetic": verdict} == after["uses"]
    finding = shop.finding(lot_id, "gloss.gu_60")
    assert (verdict, gu, "GU", 1) == tuple(finding[name] for name in ("verdict", "value", "unit", "n"))


def test_opacity_at_just_inside_and_just_outside_its_limit(shop):
    """The ratio is that of (L* + 16)^3 (ISO/CIE 11664-4); the end of the limit passes, and without a reading it is missing."""
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
    """After the opacity reading a colour without backing is refused, and earlier ones release nothing until one with the backing."""
    backed = {**CONDITIONS, "backing": "white"}
    shade = shop.shade()["id"]
    lot_id, spool = lot_of(shop, {**ONE, "color": {"lot_max": 1.0}}, shade)
    assert "released" == shop.color(spool, WHITE)["lot"]["standing"]
    thin = shop.measure("opacity", {"spool_code": spool, "over_black": [93.0, -0.9, 1.0], "over_white": WHITE})
    assert "quarantined" == thin["lot"]["standing"]
    assert "ask quality for a shade revision with a backing" in thin["lot"]["says"]
    assert any("not opaque" in note for note in shop.assessment(lot_id)["notes"])
    before = counts()
    refused = shop.color(spool, WHITE, 422)
    assert ["/conditions/backing"] == where(refused)
    assert "they need the backing of the reference" in refused["errors"][0]["detail"]
    # The reference does not state its backing, so no backing would do.
    still = shop.measure("color", {"spool_code": spool, "lab": WHITE, "conditions": backed}, 422)
    assert "approve a revision that states its backing" in still["errors"][0]["hint"]
    assert before == counts()
    shop.approve(shade, WHITE, backed)
    again = shop.post("quality", f"/lots/{lot_id}/reassess", status=201)
    assert [f"measure colour (backing: white) on 1 spool ({spool}), 1 reading"] == again["to_measure"]
    black = {**CONDITIONS, "backing": "black"}
    assert ["/conditions/backing"] == where(
        shop.measure("color", {"spool_code": spool, "lab": WHITE, "conditions": black}, 422)
    )
    after = shop.measure("color", {"spool_code": spool, "lab": WHITE, "conditions": backed})["lot"]
    assert "released" == after["standing"]


def test_what_was_void_of_opacity_and_what_is_newer_decides(shop):
    """A later, thicker plaque, or the void of the first reading, lets colours without a backing count again."""
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


def test_a_plaque_that_is_not_opaque_does_not_lift_a_block(shop):
    """A lot blocked by colour stays blocked when its plaques prove translucent, and the letter still has those readings."""
    lot_id, spool = lot_of(shop, {**ONE, "color": {"lot_max": 1.0}}, shop.shade()["id"])
    assert "blocked" == shop.color(spool, [92.0, -0.8, 1.5])["lot"]["standing"]
    thin = shop.measure("opacity", {"spool_code": spool, "over_black": [93.0, -0.9, 1.0], "over_white": WHITE})
    assert "blocked" == thin["lot"]["standing"]
    assert "fail" == shop.finding(lot_id, "color.lot_delta_e")["verdict"]
    report = shop.get("quality", f"/lots/{lot_id}/nonconformity-report")
    assert [True] == [reading["counts"] for reading in report["readings"] if reading["kind"] == "color"]


def test_limits_that_the_reference_does_not_pass_are_set_with_a_warning(shop):
    """Opacity with a reference without backing, and whiteness above the reference's, are set with a warning; otherwise there is none."""
    shade = shop.shade()["id"]
    grade = shop.grade(shade_id=shade)["id"]
    limits = {**ONE, "color": {"lot_max": 1.0, "whiteness_min": 130}, "opacity": {"contrast_ratio_min": 0.98}}
    warned = shop.limit(grade, limits)["warnings"]
    assert ["/color/whiteness_min", "/opacity"] == [one["pointer"] for one in warned]
    # The whiteness of L* 95, a* -0.8, b* 1.5 under D65 and 10 degrees is 80.79 (CIE 15:2004, 9.4; colour-science 0.4.7).
    assert "80.79" in warned[0]["detail"]
    assert "130" in warned[0]["detail"]
    shop.approve(shade, WHITE, {**CONDITIONS, "backing": "white"})
    assert [] == shop.limit(grade, {**limits, "color": {"lot_max": 1.0, "whiteness_min": 80}})["warnings"]


def test_an_opacity_that_looks_like_a_slip_is_stored_with_a_warning(shop):
    """Exchanged fields on a black, and a reading of the black under a white, have a warning; beyond noise they are refused."""
    _, spool = lot_of(shop, {**ONE, "opacity": {"contrast_ratio_min": 0.9}}, None)

    def warned(black, white):
        body = {"spool_code": spool, "over_black": [black, 0, 0], "over_white": [white, 0, 0]}
        return [(one["field"], one["hint"]) for one in shop.measure("opacity", body)["warnings"]]

    ((field, hint),) = warned(24.9, 24.5)
    assert "over_black" == field
    assert hint.startswith("Check whether the colours over black and over white were swapped.")
    assert "the black backing" in warned(20, 95)[0][1]
    assert [] == warned(94.9, 95)
    swapped = {"spool_code": spool, "over_black": WHITE, "over_white": [93.0, -0.9, 1.0]}
    assert "check whether the two were swapped" in shop.measure("opacity", swapped, 422)["errors"][0]["hint"]
