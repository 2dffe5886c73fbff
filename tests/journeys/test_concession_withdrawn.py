"""A concession withdrawn while a job runs under it."""

from __future__ import annotations

from tests.shop import SIMPLE_LIMITS


def test_what_runs_under_a_concession_taken_back_must_come_off(shop):
    """A withdrawn concession ends its running load, even where a job could have finished under it."""
    got = shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS))
    code, lot_id = got["spools"][0]["code"], got["lot_id"]
    shop.diameter(code, 1.84, 1.66)
    ask = {"uses": ["general"], "max_mass_g": 900, "valid_until": "2199-01-01T00:00:00Z", "reason": "jigs"}
    number = shop.post("quality", f"/lots/{lot_id}/concessions", ask)["id"]
    shop.post("admin", f"/concessions/{number}/approve")
    load = shop.load(code, "general")
    taken_back = shop.post("quality", f"/concessions/{number}/withdraw", {"reason": "jigs broke"})
    assert ([load["id"]], True) == ([run["load_id"] for run in taken_back["running"]], taken_back["must_come_off"])
    shop.unload(load["id"], 500)
    (kept,) = shop.get("quality", f"/lots/{lot_id}/concessions")["items"]
    assert ([], False) == (kept["running"], kept["must_come_off"])
