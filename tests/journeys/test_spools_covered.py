"""Every characteristic needs the sample: one clean spool of 24 does not release the lot."""

LIMITS = {
    "sampling": {"fixed": 3},
    "surface": {"specks_per_dm2_max": 2},
    "moisture": {"max_percent": 0.05},
    "shrinkage": {"x_percent": [0.1, 0.5]},
}
COUPON = {"axis": "x", "feature": "outside", "designed_mm": 100, "measured_mm": 99.7, "age_h": 24}


def received(shop, limits):
    """A lot of 24 spools under these limits: its number and the drawn spools."""
    got = shop.receive(shop.supplier(), shop.grade(limits=limits), "Q-71", 24)
    return got["lot_id"], got["sample"]["spool_codes"]


def first_spool(shop, spool):
    """Clean specks, dry filament and a coupon of one spool."""
    shop.measure("surface", {"spool_code": spool, "specks": 0, "area_dm2": 1})
    shop.measure("moisture", {"spool_code": spool, "moisture_percent": 0.02})
    shop.measure("shrinkage", {"spool_code": spool, **COUPON})


def test_one_spool_of_24_does_not_release_the_lot(shop):
    """Specks and moisture wait for the other two drawn spools by name, shrinkage needs one; then the lot is released."""
    lot_id, (first, second, third) = received(shop, LIMITS)
    first_spool(shop, first)
    lot = shop.lot(lot_id)
    assert "quarantined" == lot["standing"]
    wanted = {f"measure {what} on 2 more drawn spools ({second}, {third})" for what in ("specks", "moisture")}
    assert wanted == set(lot["to_measure"])
    assert ("pass", 1) == tuple(shop.finding(lot_id, "shrinkage.x")[name] for name in ("verdict", "spools"))

    for spool in (second, third):
        shop.measure("surface", {"spool_code": spool, "specks": 0, "area_dm2": 1})
        shop.measure("moisture", {"spool_code": spool, "moisture_percent": 0.02})
    assert "released" == shop.lot(lot_id)["standing"]
    assert 3 == shop.finding(lot_id, "surface.specks")["spools"]


def test_the_block_says_on_how_many_spools_it_rests(shop):
    """`spools_min` 1 requires one spool for specks and moisture, 2 requires a second coupon of shrinkage."""
    asked = {
        **LIMITS,
        "surface": {**LIMITS["surface"], "spools_min": 1},
        "moisture": {**LIMITS["moisture"], "spools_min": 1},
    }
    lot_id, (first, second, third) = received(shop, {**asked, "shrinkage": {**LIMITS["shrinkage"], "spools_min": 2}})
    first_spool(shop, first)
    assert [f"measure shrinkage on 1 more of the drawn spools {second}, {third}"] == shop.lot(lot_id)["to_measure"]
    shop.measure("shrinkage", {"spool_code": third, **COUPON})
    assert "released" == shop.lot(lot_id)["standing"]


def test_more_spools_than_were_drawn_are_drawn(shop):
    """With five spools required and three drawn, two more are drawn once the three are measured."""
    limits = {"sampling": {"fixed": 3}, "surface": {"specks_per_dm2_max": 2, "spools_min": 5}}
    lot_id, drawn = received(shop, limits)
    for spool in drawn:
        shop.measure("surface", {"spool_code": spool, "specks": 0, "area_dm2": 1})
    (wanted,) = shop.lot(lot_id)["to_measure"]
    further = shop.get("receiving", f"/deliveries?lot_id={lot_id}")["items"][0]["further_draws"]
    codes = [code for draw in further for code in draw["spool_codes"]]
    assert 2 == len(codes)
    assert all(code in wanted for code in codes)
    for spool in codes:
        shop.measure("surface", {"spool_code": spool, "specks": 0, "area_dm2": 1})
    assert "released" == shop.lot(lot_id)["standing"]


def test_spools_min_is_a_whole_number_of_at_least_one(shop):
    """A value below one, a fraction and text are refused."""
    for value in (0, 1.5, "2"):
        grade = shop.grade(f"G-{value}")
        body = {"surface": {"specks_per_dm2_max": 2, "spools_min": value}}
        answer = shop.post("quality", f"/grades/{grade['id']}/limits", body, 422)
        assert ["/surface/spools_min"] == [error["pointer"] for error in answer["errors"]]
