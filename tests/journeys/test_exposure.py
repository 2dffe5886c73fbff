"""A lot blocked while it is printing: open loads first, and no further load."""

import pytest


def on_the_floor(shop):
    """A released lot of four spools: one used up to 300 g on P1, then P2 and P3 loaded; returns its delivery."""
    got = shop.good_lot(spools=4)
    codes = [spool["code"] for spool in got["spools"]]
    first = shop.load(codes[0], machine="P1", job="J-1", loaded_at="2026-11-21T08:00:00Z")
    shop.unload(first["id"], 300, unloaded_at="2026-11-21T20:00:00Z")
    shop.load(codes[1], machine="P2", job="J-1", loaded_at="2026-11-21T21:00:00Z")
    shop.load(codes[2], machine="P3", job="J-2", loaded_at="2026-11-22T07:00:00Z")
    return got, codes


def reach(exposure):
    """Machine, job and whether it is open, in the given order."""
    return [(item["machine"], item["job"], item["still_loaded"]) for item in exposure["items"]]


EXPECTED = [("P3", "J-2", True), ("P2", "J-1", True), ("P1", "J-1", False)]


def test_a_block_by_hand_answers_at_once_where_the_lot_is(shop):
    """The answer to a manual block lists every machine and job, open loads first, with the advice."""
    got, codes = on_the_floor(shop)
    lot_id = got["lot"]["id"]
    blocked = shop.decide(lot_id, "block", "specks seen on J-1")
    assert EXPECTED == reach(blocked["exposure"])
    assert 2 == blocked["exposure"]["still_loaded"]
    assert "P3 (J-2), P2 (J-1)" in blocked["exposure"]["says"]
    assert "unload the spools first" in blocked["exposure"]["says"]
    for role in ("production", "quality"):
        seen = shop.get(role, f"/lots/{lot_id}/exposure")
        assert EXPECTED == reach(seen)
        assert {"J-1", "J-2"} == set(seen["jobs"])
        assert {"P1", "P2", "P3"} == set(seen["machines"])

    for code in codes:
        refused = shop.load(code, machine="P9", job="J-3", status=409)
        assert any("specks seen on J-1" in reason for reason in refused["reasons"])
    assert EXPECTED == reach(shop.get("production", f"/lots/{lot_id}/exposure"))
    assert 4 == len(shop.get("quality", "/load-refusals")["items"])


def test_a_failing_reading_answers_at_once_where_the_lot_is(shop):
    """The answer to the reading that blocks a lot lists its machines."""
    got, codes = on_the_floor(shop)
    after = shop.diameter(codes[3], 1.84, 1.66)["lot"]
    assert "blocked" == after["standing"]
    assert EXPECTED == reach(after["exposure"])
    assert "blocked" == after["exposure"]["standing"]
    assert got["lot"]["id"] == after["exposure"]["lot_id"]


def test_unloading_a_blocked_spool_leaves_the_job_in_its_exposure(shop):
    """After unloading a blocked spool its job and used mass stay in the exposure."""
    got, codes = on_the_floor(shop)
    lot_id = got["lot"]["id"]
    shop.decide(lot_id, "block")
    for load in shop.get("production", "/loads?open=true")["items"]:
        shop.unload(load["id"], 800)
    exposure = shop.get("production", f"/lots/{lot_id}/exposure")
    assert [("P3", "J-2", False), ("P2", "J-1", False), ("P1", "J-1", False)] == reach(exposure)
    assert [200, 200, 700] == [item["mass_used_g"] for item in exposure["items"]]
    assert (0, "No spool is loaded now") == (exposure["still_loaded"], exposure["says"].split(". ")[1].rstrip("."))
    assert "blocked" == shop.get("production", f"/spools/{codes[1]}")["lot"]["standing"]


def test_lifting_a_block_does_not_erase_what_the_lot_reached(shop):
    """After a lift the lot can be loaded, and its exposure is unchanged."""
    got, codes = on_the_floor(shop)
    lot_id = got["lot"]["id"]
    shop.decide(lot_id, "block")
    shop.decide(lot_id, "lift", "the specks came from the plate")
    assert EXPECTED == reach(shop.get("production", f"/lots/{lot_id}/exposure"))
    shop.load(codes[3], machine="P4", job="J-3")
    assert ("P4", "J-3", True) == reach(shop.get("production", f"/lots/{lot_id}/exposure"))[0]


@pytest.mark.parametrize("action", ["block", "hold", "return", "scrap"])
def test_every_decision_that_takes_a_lot_out_stops_its_loads(shop, action):
    """After a block, hold, return or scrapping no spool of the lot is loaded."""
    got, codes = on_the_floor(shop)
    answer = shop.decide(got["lot"]["id"], action)
    assert EXPECTED == reach(answer["exposure"])
    assert EXPECTED == reach(answer["lot"]["exposure"])
    before = len(shop.get("production", "/loads")["items"])
    for use in ("cosmetic", "hidden"):
        shop.load(codes[3], use, 409, machine="P4")
    assert before == len(shop.get("production", "/loads")["items"])


def test_a_lot_that_was_never_loaded_says_so(shop):
    """A lot without loads has an empty exposure instead of an error."""
    exposure = shop.get("quality", f"/lots/{shop.good_lot()['lot']['id']}/exposure")
    assert ([], 0) == (exposure["items"], exposure["still_loaded"])
    assert "was ever loaded" in exposure["says"]
