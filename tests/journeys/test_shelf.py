"""The shelf: part spools, drying, respooling, matching lots, and picks."""

from __future__ import annotations

import pytest

from tests.shop import SIMPLE_LIMITS, WHITE

# CIEDE2000 0.71 and 0.69 from the white, 1.40 from each other (computed with colour-science 0.4.7).
ONE_SIDE, OTHER_SIDE = [95.3, -0.9, 0.8], [94.7, -0.7, 2.2]


def lot_of(shop, supplier, grade, number, lab=WHITE, **more):
    """A released lot with this mean colour."""
    got = shop.receive(supplier, grade, number, **more)
    code = got["sample"]["spool_codes"][0]
    shop.diameter(code)
    shop.color(code, lab)
    assert "released" == shop.lot(got["lot_id"])["standing"]
    return got


@pytest.fixture
def stock(shop):
    """Three lots of three spools: the white, and one on each side of it."""
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    lots = [lot_of(shop, supplier, grade, n, lab) for n, lab in (("W", WHITE), ("A", ONE_SIDE), ("B", OTHER_SIDE))]
    return grade, lots


def test_a_spool_wound_from_two_lots_is_as_good_as_the_worse(shop, stock):
    """A block of either lot refuses a spliced spool, and the exposure of either contains it."""
    _, (white, one, _) = stock
    first, second = white["spools"][0]["code"], one["spools"][0]["code"]
    body = {"code": "MIX-1", "parents": [{"spool_code": first, "mass_g": 300}, {"spool_code": second, "mass_g": 200}]}
    made = shop.post("production", "/spools", body)
    assert (500, True, 700) == (made["remaining_mass_g"], made["spliced"], self_left(shop, first))
    assert {"W", "A"} == {made["lot"]["supplier_lot"], *(lot["supplier_lot"] for lot in made["further_lots"])}
    assert shop.ask_clearance("MIX-1", "general")["clear"]
    shop.load("MIX-1", "general", job="J-M")
    shop.decide(one["lot_id"], "block", "streaks")
    assert ["J-M"] == shop.get("production", f"/lots/{one['lot_id']}/exposure")["jobs"]
    asked = shop.ask_clearance("MIX-1", "general")
    assert any("Lot A is blocked by a manual decision" in reason for reason in asked["reasons"])


def self_left(shop, code):
    """The remaining mass of a spool."""
    return shop.get("production", f"/spools/{code}")["remaining_mass_g"]


@pytest.mark.parametrize(
    ("parents", "pointer"),
    [
        ([("first", 5000)], "/parents/0/mass_g"),
        ([("first", 100), ("first", 100)], "/parents/1/spool_code"),
        ([("loaded", 100)], "/parents/0/spool_code"),
    ],
    ids=["more-than-there-is", "named-twice", "on-a-machine"],
)
def test_winding_what_is_not_there_is_refused(shop, stock, parents, pointer):
    """A parent spool gives no more than it has, once, and not while it is loaded."""
    _, (white, one, _) = stock
    codes = {"first": white["spools"][0]["code"], "loaded": one["spools"][0]["code"]}
    shop.load(codes["loaded"], "general")
    body = {"parents": [{"spool_code": codes[name], "mass_g": mass} for name, mass in parents]}
    refused = shop.post("production", "/spools", body, 422)
    assert [pointer] == [fault["pointer"] for fault in refused["errors"]]
    assert 1000 == self_left(shop, codes["first"])


def test_a_part_spool_that_lost_its_label_has_no_verdict(shop, stock):
    """A spool without a record is not loaded; logged as a lot of its own it is in quarantine."""
    grade, _ = stock
    assert "Take it to receiving" in shop.load("??", "general", status=404)["detail"]
    found = shop.receive({"id": 1}, grade, "UNLABELLED-1", 1, net_mass_g=400)
    assert not shop.ask_clearance(found["spools"][0]["code"], "general")["clear"]


def test_a_spool_opened_long_ago_is_dried_before_it_is_loaded(shop):
    """Open time counts from the opening or the last drying; the refusal names drying, which clears it."""
    grade = shop.grade(limits=SIMPLE_LIMITS, open_life_days=14)
    got = shop.good_lot(shop.supplier(), grade, received_at="2026-08-01T08:00:00Z")
    code = got["spools"][0]["code"]
    shop.post("production", f"/spools/{code}/events", {"event": "opened", "at": "2026-09-01T08:00:00Z"})
    asked = shop.ask_clearance(code, "general")
    assert (False, True) == (asked["clear"], "Dry it" in asked["says"])
    shop.post("receiving", f"/spools/{code}/events", {"event": "dried"})
    assert shop.ask_clearance(code, "general")["clear"]
    shop.post("production", f"/spools/{code}/events", {"event": "opened"}, 409)
    shop.post("production", f"/spools/{code}/events", {"event": "dried", "at": "2026-01-01T00:00:00Z"}, 422)


def test_a_refusal_offers_the_nearest_spools_that_are_clear(shop, stock):
    """Clear spools are offered, of the same lot first and then the oldest."""
    _, (white, one, _) = stock
    shop.load(white["spools"][0]["code"], "general", machine="P1")
    offered = [o["spool_code"] for o in shop.ask_clearance(white["spools"][0]["code"], "general")["others"]]
    whites, ones = (sorted(spool["code"] for spool in lot["spools"]) for lot in (white, one))
    whites.remove(white["spools"][0]["code"])
    assert [*whites, ones[0]] == offered
    shop.decide(white["lot_id"], "block")
    after = [o["spool_code"] for o in shop.ask_clearance(white["spools"][1]["code"], "general")["others"]]
    assert ones == after


def test_settings_come_with_their_uncertainty_and_what_would_happen_without_them(shop):
    """Scale 1/(1-S), its uncertainty scale^2 u(S), and 100 (1-S) for a length of 100 mm (ISO 294-4 definition of shrinkage)."""
    limits = {**SIMPLE_LIMITS, "shrinkage": {"x_percent": [0.0, 1.0]}}
    got = shop.receive(shop.supplier(), shop.grade(limits=limits))
    code = got["spools"][0]["code"]
    test = {"spool_code": code, "axis": "x", "feature": "outside", "designed_mm": 100, "age_h": 24}
    shop.measure("shrinkage", [{**test, "measured_mm": mm} for mm in (99.58, 99.60, 99.62)])
    settings = shop.ask_clearance(code, "general")["settings"]
    u_of_s = 0.02 / 3**0.5 / 100
    assert 1 / 0.996 == pytest.approx(settings["scale_x"], abs=1e-12)
    assert u_of_s / 0.996**2 == pytest.approx(settings["scale_x_uncertainty"], rel=1e-9)
    assert 99.6 == pytest.approx(settings["length_100_mm_x"], abs=1e-9)
    assert settings["scale_z"] is None


def test_matches_and_the_table_tell_every_pair(shop, stock):
    """The white matches either side within 1.0, and the sides do not match each other, in matches and table."""
    grade, (white, one, other) = stock
    near = shop.get("production", f"/lots/{white['lot_id']}/matches?max=1.0")["items"]
    assert [("B", True), ("A", True)] == [(line["supplier_lot"], line["within"]) for line in near]
    far = shop.get("production", f"/lots/{one['lot_id']}/matches?max=1.0")["items"]
    assert (round(far[1]["delta_e"], 2), far[1]["within"]) == (1.40, False)
    table = shop.get("production", f"/match-table?grade_id={grade['id']}&max=1.0")
    assert {("W", "A"): True, ("W", "B"): True, ("A", "B"): False} == {
        tuple(pair["lots"]): pair["within"] for pair in table["pairs"]
    }
    assert other["lot_id"] in [lot["lot_id"] for lot in table["lots"]]


def test_picks_take_the_fewest_oldest_lots_that_all_match(shop, stock):
    """A pick has one lot where one has enough, two matching lots otherwise, and else the closest possible."""
    grade, _ = stock
    ask = {"grade_id": grade["id"], "use": "general", "match_max": 1.0}
    single = shop.post("production", "/picks", {**ask, "mass_g": 2500}, 200)
    assert (True, ["W"], 3) == (
        single["possible"],
        [lot["supplier_lot"] for lot in single["lots"]],
        len(single["spool_codes"]),
    )
    both = shop.post("production", "/picks", {**ask, "mass_g": 5000, "waste_percent": 10}, 200)
    assert (True, ["A", "W"]) == (both["possible"], sorted(lot["supplier_lot"] for lot in both["lots"]))
    never = shop.post("production", "/picks", {**ask, "mass_g": 7000}, 200)
    assert (False, 6000, 1.4) == (
        never["possible"],
        never["nearest"]["mass_g"],
        round(never["nearest"]["match_max_needed"], 2),
    )
    assert shop.post("production", "/picks", {**ask, "mass_g": 7000, "match_max": None}, 200)["possible"]


def test_a_tab_is_checked_against_the_bond_of_a_lot(shop):
    """5 N at 20 mm on 10 x 2 mm is 15 MPa (by hand): specimens of 9 to 13 MPa are not enough, and the answer gives the thickness."""
    limits = {**SIMPLE_LIMITS, "bond": {"mean_min_mpa": 5}}
    code = shop.receive(shop.supplier(), shop.grade(limits=limits))["spools"][0]["code"]
    tab = {"spool_code": code, "width_mm": 10, "thickness_mm": 2, "lever_mm": 20, "load_n": 5, "layers": "across"}
    assert not shop.post("production", "/tab-checks", tab, 200)["enough"]
    shop.measure("bond", [{"spool_code": code, "stress_mpa": s} for s in (12.1, 10.4, 13.0, 9.2, 11.8)])
    checked = shop.post("quality", "/tab-checks", {**tab, "reserve": 1.0}, 200)
    assert (15.0, 9.2, False) == (checked["stress_mpa"], checked["basis_mpa"], checked["enough"])
    assert (6 * 5 * 20 / (10 * 9.2)) ** 0.5 == pytest.approx(checked["least_thickness_mm"])
    assert "not a design approval" in checked["caution"]
    shop.post("production", "/tab-checks", {**tab, "lot_id": 1}, 422)
