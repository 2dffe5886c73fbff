"""Tab checks and their lot: never enough for a lot, spool or shape that is not permitted."""

from datetime import UTC, datetime, timedelta

import pytest

from tests.shop import SIMPLE_LIMITS

BARS = (31.0, 30.2, 32.1, 29.9, 30.8)
# 6 * 5 N * 20 mm / (10 mm * (4 mm)^2) = 3.75 MPa (by hand), where specimens of 30 MPa have a reserve of nearly 8.
TAB = {"width_mm": 10, "thickness_mm": 4, "lever_mm": 20, "load_n": 5, "layers": "across"}
USES = {"load_bearing": ["diameter", "bond"], "flexing": ["diameter", "bond"], "hidden": ["diameter"]}
LIMITS = {"sampling": {"fixed": 1}, "diameter": {"ovality_max_mm": 0.05}, "bond": {"mean_min_mpa": 20}, "uses": USES}


def lot(shop, limits=LIMITS, number="Q-71", bars=BARS, supplier=None, **grade):
    """A measured lot of two spools: its delivery."""
    made = shop.grade(f"G-{number}", limits, **{"filler_kind": "none", **grade})
    got = shop.receive(supplier or shop.supplier(), made, number, spools=2)
    code = got["sample"]["spool_codes"][0]
    shop.diameter(code)
    shop.measure("bond", [{"spool_code": code, "stress_mpa": bar} for bar in bars])
    return {**got, "grade": made, "code": code}


def check(shop, got, **asked):
    """A tab check of the lot, by its number unless a spool is named."""
    whose = {} if "spool_code" in asked else {"lot_id": got["lot_id"]}
    return shop.post("production", "/tab-checks", {**TAB, **whose, **asked}, 200)


def reasons(found):
    """Its reasons as one text; a check with reasons is never enough."""
    assert found["enough"] is (found["reasons"] == [])
    return " ".join(found["reasons"])


def test_a_good_lot_is_enough_for_both_uses(shop):
    """Without a use both are checked, with one only that."""
    found = check(shop, lot(shop))
    assert (True, []) == (found["enough"], found["reasons"])
    assert [("load_bearing", True), ("flexing", True)] == [(one["use"], one["clear"]) for one in found["uses"]]
    alone = check(shop, {"lot_id": found["lot_id"]}, use="flexing")
    assert (True, ["flexing"]) == (alone["enough"], [one["use"] for one in alone["uses"]])


def test_a_lot_that_fails_for_flexing_is_enough_for_no_flexing_tab(shop):
    """A lot that fails flexing, with strong enough specimens, is refused for flexing and without a use."""
    uses = {"load_bearing": ["diameter"], "flexing": ["diameter", "bond"]}
    got = lot(shop, {**LIMITS, "bond": {"mean_min_mpa": 35}, "uses": uses})
    assert "restricted" == shop.lot(got["lot_id"])["standing"]
    assert "fails for flexing use" in reasons(check(shop, got, use="flexing"))
    found = check(shop, got)
    assert "fails for flexing use" in reasons(found)
    assert found["says"].startswith("Do not print this tab. Lot Q-71 fails for flexing use.")
    assert check(shop, got, use="load_bearing")["enough"]


def test_a_use_that_the_limits_do_not_name_is_a_reason(shop):
    """A lot not assessed for flexing has that reason."""
    got = lot(shop, {**LIMITS, "uses": {"load_bearing": ["diameter", "bond"]}})
    assert "Lot Q-71 has not been assessed for flexing use." in reasons(check(shop, got))
    assert check(shop, got, use="load_bearing")["enough"]
    bare = lot(shop, SIMPLE_LIMITS, "Q-72", supplier={"id": 1})
    assert "for load-bearing use" in reasons(check(shop, bare, use="load_bearing"))


@pytest.mark.parametrize(
    ("action", "words"), [("block", "is blocked by a manual decision"), ("hold", "is on hold"), ("scrap", "scrapped")]
)
def test_a_lot_under_a_decision_by_hand_is_never_enough(shop, action, words):
    """A lot under a manual decision is never enough, however strong."""
    got = lot(shop)
    shop.decide(got["lot_id"], action, "streaks on the first parts")
    found = check(shop, got, use="load_bearing")
    assert words in reasons(found)
    assert "streaks on the first parts" in reasons(found)


def test_a_lot_that_is_not_measured_to_the_end_is_never_enough(shop):
    """A lot in quarantine without a diameter is never enough."""
    made = shop.grade(limits=LIMITS, filler_kind="none")
    got = shop.receive(shop.supplier(), made)
    shop.measure("bond", [{"spool_code": got["sample"]["spool_codes"][0], "stress_mpa": bar} for bar in BARS])
    assert "in quarantine" in reasons(check(shop, got))


def test_a_forbidden_use_of_the_grade_is_a_reason_until_it_is_permitted(shop):
    """A matte grade is refused for both uses, then enough for the permitted use with the permission in the answer."""
    got = lot(shop, finish="matte")
    assert 2 == reasons(check(shop, got)).count("its finish is matte")
    path = f"/grades/{got['grade']['id']}"
    body = {"permitted_uses": ["load_bearing"], "reason": "30 bars of 5 lots"}
    etag = shop.call("quality", "GET", path).headers["ETag"]
    assert 200 == shop.call("quality", "PATCH", path, body, If_Match=etag).status_code
    found = check(shop, got, use="load_bearing")
    assert (True, "30 bars of 5 lots") == (found["enough"], found["uses"][0]["permission"]["reason"])
    assert "its finish is matte" in reasons(check(shop, got))


@pytest.mark.parametrize(
    ("tab", "thin"),
    [
        ({"thickness_mm": 2.99}, True),
        ({"thickness_mm": 3}, False),
        ({"width_mm": 2.99, "load_n": 0.5}, True),
        ({"thickness_mm": 2.99, "layers": "along"}, False),
    ],
)
def test_a_forbidden_shape_is_a_reason(shop, tab, thin):
    """A grade prohibited for thin upright tabs: layers across and below 3 mm in either direction (common practice, no source)."""
    got = lot(shop, forbidden_shapes=["thin_upright"], reason="load across layers is weak")
    found = check(shop, got, **tab)
    assert thin is ('forbidden for thin upright tabs: "load across layers is weak"' in " ".join(found["reasons"]))
    assert found["enough"] is (not thin and tab.get("layers") != "along")


def test_the_weakness_of_the_bond_is_a_reason_too(shop):
    """Specimens of 12 MPa release the lot under limits of 5 MPa, but a tab with 15 MPa at the root is not enough."""
    got = lot(shop, {**LIMITS, "bond": {"mean_min_mpa": 5}}, bars=(12.1, 10.4, 13.0, 9.2, 11.8))
    found = check(shop, got, thickness_mm=2, reserve=1.0)
    assert 15.0 == found["stress_mpa"]
    assert [found["says"]] == found["reasons"]
    # By hand, with the weakest specimen: sqrt(6 * 5 N * 20 mm / (10 mm * 9.2 MPa)) = 2.554 mm, rounded up.
    assert "The tab must be 2.56 mm thick." in reasons(found)


def test_a_spool_that_fails_by_itself_is_not_enough_though_its_lot_is(shop):
    """Of a lot accepted by its mean, the oval spool is refused by its own reading and the other is not."""
    plan = {"plan": "MIL-STD-105E", "level": "II", "aql": 6.5}
    limits = {"sampling": plan, "diameter": {"reading_tolerance_mm": 0.05}, "bond": {"mean_min_mpa": 20}}
    made = shop.grade(limits={**limits, "uses": {"load_bearing": ["diameter", "bond"]}}, filler_kind="none")
    got = shop.receive(shop.supplier(), made, "Q-1", spools=16)
    codes = got["sample"]["spool_codes"]
    for place, code in enumerate(codes):
        shop.diameter(code, d1=1.83 if place == 0 else 1.75)
    shop.measure("bond", [{"spool_code": codes[1], "stress_mpa": bar} for bar in BARS])
    assert "released" == shop.lot(got["lot_id"])["standing"]
    assert "1.83" in reasons(check(shop, got, spool_code=codes[0], use="load_bearing"))
    assert check(shop, got, spool_code=codes[1], use="load_bearing")["enough"]


def test_a_respooled_spool_is_as_weak_as_its_weakest_lot(shop):
    """On a spool of 300 g each of a strong and a weak lot, the weak lot decides, and a block of either is a reason."""
    supplier, made = shop.supplier(), shop.grade(limits={**LIMITS, "bond": {"mean_min_mpa": 5}}, filler_kind="none")
    codes, numbers = [], []
    for number, bars in (("S-1", BARS), ("W-1", [6.0, 6.1, 6.2])):
        got = shop.receive(supplier, made, number, spools=1)
        codes.append(got["spools"][0]["code"])
        numbers.append(got["lot_id"])
        shop.diameter(codes[-1])
        shop.measure("bond", [{"spool_code": codes[-1], "stress_mpa": bar} for bar in bars])
    parents = [{"spool_code": code, "mass_g": 300} for code in codes]
    wound = shop.post("production", "/spools", {"code": "WOUND", "parents": parents})["code"]
    assert check(shop, {}, spool_code=codes[0])["enough"]
    found = check(shop, {}, spool_code=wound)
    assert (False, 6.0, 3) == (found["enough"], found["weakest_mpa"], found["n"])
    shop.decide(numbers[1], "block", "tabs snapped")
    assert "tabs snapped" in reasons(check(shop, {}, spool_code=wound, load_n=0.5))


def test_a_spool_on_a_machine_is_checked_all_the_same(shop):
    """A tab check concerns the filament, so a loaded spool is no reason."""
    got = lot(shop)
    shop.load(got["code"], "hidden")
    assert check(shop, got, spool_code=got["code"])["enough"]


def test_a_concession_permits_its_use_and_is_told(shop):
    """A rejected lot with a concession for load-bearing is enough where its specimens are, under the terms, for that use alone."""
    got = lot(shop, {**LIMITS, "bond": {"mean_min_mpa": 35}})
    assert "fails for load-bearing use" in reasons(check(shop, got, use="load_bearing"))
    until = (datetime.now(UTC) + timedelta(days=3)).isoformat()
    body = {"uses": ["load_bearing"], "max_mass_g": 500, "valid_until": until, "reason": "brackets inside a box"}
    number = shop.post("quality", f"/lots/{got['lot_id']}/concessions", body)["id"]
    shop.post("admin", f"/concessions/{number}/approve", {})
    found = check(shop, got, use="load_bearing")
    assert found["enough"]
    assert f"for load-bearing, under concession {number}, approved by" in found["uses"][0]["concession"]
    assert not check(shop, got)["enough"]
    assert not check(shop, got, use="load_bearing", load_n=100)["enough"]


def test_another_use_is_refused(shop):
    """Uses other than load-bearing and flexing are refused."""
    got = lot(shop)
    wrong = shop.post("production", "/tab-checks", {**TAB, "lot_id": got["lot_id"], "use": "cosmetic"}, 422)
    assert ["/use"] == [fault["pointer"] for fault in wrong["errors"]]
