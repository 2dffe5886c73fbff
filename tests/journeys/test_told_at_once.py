"""Stored readings that do not count are reported in the answer, on the bench and in the list with one reason."""

from tests.journeys.test_required_instruments import received
from tests.shop import CONDITIONS, SIMPLE_LIMITS, WHITE

AGED = {"shrinkage": {"x_percent": [0.1, 0.5], "age_h": [20, 48]}}
COUPON = {"axis": "x", "feature": "outside", "designed_mm": 100, "measured_mm": 99.7}


def listed(shop, lot_id):
    """Whether each reading counts and helps, with the reason."""
    found = shop.get("quality", f"/lots/{lot_id}/readings")["items"]
    return [(one["counts"], one["helps"], one["why_not"]) for one in found]


def test_a_coupon_outside_its_age_window(shop):
    """A coupon outside its age window does not count, with the limits' window in the hint; one inside does."""
    lot_id, spool, _ = received(shop, AGED)
    early = shop.measure("shrinkage", {**COUPON, "spool_code": spool, "age_h": 2})
    (warning,) = early["warnings"]
    assert ("age_h", False) == (warning["field"], warning["helps"])
    assert (
        "This reading does not count: not measured at the required age or on the required length." == warning["detail"]
    )
    assert "measured 20 to 48 h after printing" in warning["hint"]
    late = shop.measure("shrinkage", {**COUPON, "spool_code": spool, "age_h": 24})
    assert ([], "released") == (late["warnings"], late["lot"]["standing"])
    assert [
        (False, False, "not measured at the required age or on the required length"),
        (True, True, None),
    ] == listed(shop, lot_id)


def test_a_print_by_another_recipe(shop):
    """Limits with a recipe exclude prints by another one, and by none."""
    recipe = shop.recipe(revisions=2)
    lot_id, spool, _ = received(shop, {"shrinkage": {"x_percent": [0.1, 0.5], "test_print": recipe}})
    other = shop.measure("shrinkage", {**COUPON, "spool_code": spool, "age_h": 24})
    assert [("test_print", False)] == [(one["field"], one["helps"]) for one in other["warnings"]]
    assert "This reading does not count: not printed by COUPON/2." == other["warnings"][0]["detail"]
    assert [(False, False, "not printed by COUPON/2")] == listed(shop, lot_id)


def test_a_screening_reading_and_one_by_an_instrument_out_of_order(shop):
    """A screening reading and one by an invalid instrument each have their reason."""
    lot_id, spool, _ = received(shop, {"diameter": {"mean_tolerance_mm": 0.05}})
    mic = shop.post("quality", "/instruments", {"code": "MIC-1", "kind": "micrometer", "check_interval_days": 365})[
        "id"
    ]
    shop.post("quality", f"/instruments/{mic}/checks", {"checked_at": "2026-11-20T07:00:00Z", "result": "fail"})
    doubtful = shop.diameter(spool, instrument_id=mic)
    assert [("instrument_id", False)] == [(one["field"], one["helps"]) for one in doubtful["warnings"]]
    assert doubtful["doubt"] in doubtful["warnings"][0]["detail"]
    quick = shop.diameter(spool, screening=True)
    assert ["screening"] == [one["field"] for one in quick["warnings"]]
    assert [False, False] == [one[0] for one in listed(shop, lot_id)]
    assert "for information only" == listed(shop, lot_id)[1][2]


def test_a_colour_before_the_opacity_was_read_counts_against_its_lot_only(shop):
    """A colour measured before its plaque proved translucent has that reason in the list."""
    lot_id, spool, _ = received(shop, SIMPLE_LIMITS)
    shop.color(spool, WHITE)
    assert [(True, True, None)] == listed(shop, lot_id)
    shop.measure("opacity", {"spool_code": spool, "over_black": [93.0, -0.9, 1.0], "over_white": WHITE})
    assert (True, False, "another backing than that of the reference") == listed(shop, lot_id)[0]


def test_voided_and_excluded_readings_say_so_in_the_list(shop):
    """A void comes before every other reason."""
    lot_id, spool, _ = received(shop, SIMPLE_LIMITS)
    shop.void(shop.color(spool, WHITE, screening=True)["id"], "typed twice")
    assert [(False, False, "voided: typed twice")] == listed(shop, lot_id)


def test_a_good_reading_of_a_drawn_spool_is_told_nothing(shop):
    """A colour of a drawn spool under the reference's conditions has no reason against it."""
    _, spool, _ = received(shop, SIMPLE_LIMITS)
    stored = shop.color(spool, WHITE, conditions=CONDITIONS)
    assert ([], True, True, None) == (stored["warnings"], stored["counts"], stored["helps"], stored["why_not"])
