"""Specks per spool: nine on one spool of five reject lot and spool, though the lot's rate passes."""

LIMITS = {"sampling": {"fixed": 5}, "surface": {"specks_per_dm2_max": 2}}


def looked_at(shop, counts, limits=None, **more):
    """A lot with this many of 24 spools drawn, with these specks on 1 dm2 each: its number and the drawn spools."""
    got = shop.receive(shop.supplier(), shop.grade(limits=limits or LIMITS), "Q-71", 24)
    drawn = got["sample"]["spool_codes"]
    for spool, specks in zip(drawn, counts, strict=True):
        size = {name: value for name, value in more.items() if specks}
        shop.measure("surface", {"spool_code": spool, "specks": specks, "area_dm2": 1, **size})
    return got["lot_id"], drawn


def test_nine_specks_on_one_spool_of_five(shop):
    """1.80 per dm2 passes 2, but the spool with nine blocks the lot and is named."""
    lot_id, drawn = looked_at(shop, [9, 0, 0, 0, 0])
    assert "blocked" == shop.lot(lot_id)["standing"]
    pooled, worst = (shop.finding(lot_id, f"surface.{name}") for name in ("specks", "spool_specks"))
    assert ("pass", 1.8) == (pooled["verdict"], pooled["value"])
    assert ("fail", 9.0, f"spool {drawn[0]}") == (worst["verdict"], worst["value"], worst["subject"])


def test_under_a_plan_the_spool_with_nine_specks_is_not_loaded(shop):
    """A plan that accepts one bad spool releases the lot; the spool with nine specks stays refused."""
    plan = {"plan": "MIL-STD-105E", "level": "II", "aql": 10}
    lot_id, drawn = looked_at(shop, [9, 0, 0, 0, 0], {**LIMITS, "sampling": plan})
    lot = shop.lot(lot_id)
    assert "released" == lot["standing"], lot["to_measure"]
    refused = shop.ask_clearance(drawn[0], "hidden")
    assert refused["clear"] is False
    assert any("Specks of the worst spool" in reason for reason in refused["reasons"])
    assert not any("Specks" in reason for reason in shop.ask_clearance(drawn[1], "hidden")["reasons"])


def test_specks_of_one_rate_release(shop):
    """3, 1, 2, 2, 2 are consistent with one rate, so the lot's rate of 2.0 covers each spool."""
    lot_id, _ = looked_at(shop, [3, 1, 2, 2, 2])
    assert "released" == shop.lot(lot_id)["standing"]


def test_the_size_of_the_largest_speck_is_judged(shop):
    """Specks without a size are missing, 1.2 mm against 0.8 mm blocks, and a size without a speck is refused."""
    limits = {"sampling": {"fixed": 1}, "surface": {"specks_per_dm2_max": 2, "largest_max_mm": 0.8}}
    lot_id, (spool,) = looked_at(shop, [1], limits)
    assert "missing" == shop.finding(lot_id, "surface.largest")["verdict"]
    answer = shop.measure("surface", {"spool_code": spool, "specks": 0, "area_dm2": 1, "largest_mm": 0.4}, 422)
    assert ["/largest_mm"] == [error["pointer"] for error in answer["errors"]]
    shop.measure("surface", {"spool_code": spool, "specks": 1, "area_dm2": 1, "largest_mm": 1.2})
    assert ("blocked", "fail") == (shop.lot(lot_id)["standing"], shop.finding(lot_id, "surface.largest")["verdict"])
    (_, kept) = shop.get("quality", f"/lots/{lot_id}/readings?kind=surface")["items"]
    assert 1.2 == kept["largest_mm"]
