"""A spool respooled from several lots over HTTP: its lots are compared as in one job, and each is named."""

from __future__ import annotations

import pytest

from tests.shop import CONDITIONS, SIMPLE_LIMITS, WHITE

# 1.4530 apart and 0.71 and 0.75 from the white; computed with colour-science 0.4.7 (CIEDE2000).
ONE_SIDE, OTHER_SIDE = [95.3, -0.9, 0.8], [94.7, -0.7, 2.26]
LIMITS = {
    "sampling": {"fixed": 1},
    "color": {"lot_max": 1.0, "job_pair_max": 0.5},
    "diameter": {"ovality_max_mm": 0.05},
    "uses": {"cosmetic": ["color", "diameter"], "hidden": ["diameter"]},
}


def lot_of(shop, grade, number, lab=WHITE, spools=2, **more):
    """A lot of a separate supplier, measured on one spool."""
    got = shop.receive(shop.supplier(f"S-{number}"), grade, number, spools, **more)
    shop.diameter(got["spools"][0]["code"])
    if lab is not None:
        shop.color(got["spools"][0]["code"], lab)
    return got


def wind(shop, code, *parents, grams=300):
    """Respools this much of the second spool of each lot onto a new one."""
    each = [{"spool_code": lot["spools"][1]["code"], "mass_g": grams} for lot in parents]
    return shop.post("production", "/spools", {"code": code, "parents": each})


def test_two_lots_too_far_apart_are_refused_on_one_spool_as_in_one_job(shop):
    """300 g each of lots 1.45 apart, limit 0.5: refused where colour shows, with or without a job, and clear for hidden parts."""
    grade = shop.grade(limits=LIMITS)
    one, other = lot_of(shop, grade, "A", ONE_SIDE), lot_of(shop, grade, "B", OTHER_SIDE)
    made = wind(shop, "MIX", one, other)
    told = (
        "This spool holds lots A and B. They do not match: colour difference 1.45, at most 0.5 within one job (darker, redder, yellower). "
        "Use it only where colour does not show."
    )
    assert [told] == made["warnings"]

    answer = shop.ask_clearance("MIX")
    reason = "Spool MIX holds lots A and B. They do not match: colour difference 1.45, at most 0.5 within one job (darker, redder, yellower)."
    assert (False, [reason]) == (answer["clear"], answer["reasons"])
    uses = {"cosmetic": "pass", "hidden": "pass"}
    assert [("A", "released", uses, 300), ("B", "released", uses, 300)] == [
        (lot["supplier_lot"], lot["standing"], lot["uses"], lot["mass_g"]) for lot in answer["lots"]
    ]
    (pair,) = answer["spool_match"]
    assert ("A", "B", 1.45, 0.5, False) == (
        pair["supplier_lot"],
        pair["of_lot"],
        round(pair["delta_e"], 2),
        pair["limit"],
        pair["within"],
    )
    assert reason in shop.ask_clearance("MIX", job="J-9")["reasons"]
    refused = shop.load("MIX", status=409)
    assert ([reason], ["A", "B"]) == (refused["reasons"], [lot["supplier_lot"] for lot in refused["lots"]])
    hidden = shop.ask_clearance("MIX", "hidden")
    assert (True, "Load.") == (hidden["clear"], hidden["says"])
    shop.load("MIX", "hidden")


def test_the_jobs_own_limit_stands_in_for_the_grades(shop):
    """`match_max` replaces the limit between lots on a spool, tighter or wider, as in a job."""
    grade = shop.grade(limits=LIMITS)
    # 0.094 and 1.453 by colour-science 0.4.7.
    near = [lot_of(shop, grade, number, lab) for number, lab in (("W", WHITE), ("X", [95.0, -0.8, 1.6]))]
    far = [lot_of(shop, grade, number, lab) for number, lab in (("A", ONE_SIDE), ("B", OTHER_SIDE))]
    assert [] == wind(shop, "NEAR", *near)["warnings"]
    wind(shop, "FAR", *far)
    asked = {
        spool: [
            shop.ask_clearance(spool, **more)["clear"] for more in ({}, {"match_max": "0.05"}, {"match_max": "1.5"})
        ]
        for spool in ("NEAR", "FAR")
    }
    assert {"NEAR": [True, False, True], "FAR": [False, False, True]} == asked


def test_lots_that_cannot_be_compared_are_refused_on_one_spool(shop):
    """A lot without a colour, or under other conditions, matches no other on a spool."""
    uses = {"cosmetic": ["diameter"], "hidden": ["diameter"]}
    shade = shop.shade("HW")
    grade = shop.grade(limits={**LIMITS, "uses": uses}, shade_id=shade["id"])
    white, blind = lot_of(shop, grade, "W"), lot_of(shop, grade, "BLIND", None)
    other_light = {**CONDITIONS, "illuminant": "D50"}
    shop.approve(shade["id"], WHITE, other_light)
    later = shop.receive(shop.supplier("S-L"), grade, "LATER", 2)
    shop.diameter(later["spools"][0]["code"])
    shop.color(later["spools"][0]["code"], WHITE, conditions=other_light)
    for number, lot in (("BLIND", blind), ("LATER", later)):
        assert "cannot be compared" in wind(shop, f"MIX-{number}", white, lot)["warnings"][0]
        reason = f"Spool MIX-{number} holds lots W and {number}. They cannot be compared: a mean colour under the same conditions is missing."
        assert [reason] == shop.ask_clearance(f"MIX-{number}")["reasons"]
        assert shop.ask_clearance(f"MIX-{number}", "hidden")["clear"]


@pytest.mark.parametrize(
    ("earlier", "later", "limit", "clear"),
    [
        ({"step_max": 2.0}, {"step_max": 2.0}, 2.0, True),
        ({"step_max": 2.0}, {"job_pair_max": 0.5}, 0.5, False),
        ({"job_pair_max": 0.5}, {"step_max": 2.0}, 0.5, False),
        ({"step_max": 0.1, "job_pair_max": 2.0}, {"job_pair_max": 1.5}, 1.5, True),
        ({"step_max": 2.0, "job_pair_max": 1.4}, {}, 1.4, False),
        ({}, {}, None, True),
    ],
    ids=["steps", "later-pair", "earlier-pair", "pair-over-step", "one-sided", "none"],
)
def test_the_stricter_of_two_revisions_decides_on_a_spool_in_a_job_and_in_the_tables(
    shop, earlier, later, limit, clear
):
    """For lots 1.45 apart under two revisions the stricter `job_pair_max`, or else `step_max`, decides in any order everywhere."""
    grade = shop.grade(limits={**LIMITS, "color": {"lot_max": 1.0, **earlier}})
    one = lot_of(shop, grade, "A", ONE_SIDE, 3)
    shop.limit(grade["id"], {**LIMITS, "color": {"lot_max": 1.0, **later}})
    other = lot_of(shop, grade, "B", OTHER_SIDE, 3)
    wind(shop, "MIX", one, other)
    answer = shop.ask_clearance("MIX")
    assert (limit, clear, clear) == (
        answer["spool_match"][0]["limit"],
        answer["spool_match"][0]["within"],
        answer["clear"],
    )
    for first, second in ((one, other), (other, one)):
        job = f"J-{first['lot']['supplier_lot']}"
        shop.load(first["spools"][2]["code"], job=job)
        found = shop.ask_clearance(second["spools"][2]["code"], job=job)
        assert (limit, clear) == (found["shade_match"][0]["limit"], found["shade_match"][0]["within"])
        assert clear is not any("does not match" in reason for reason in found["reasons"])
        lines = shop.get("production", f"/lots/{first['lot_id']}/matches")["items"]
        within = None if limit is None else clear
        assert [(limit, within)] == [(line["limit"], line["within"]) for line in lines]
    (pair,) = shop.get("production", f"/match-table?grade_id={grade['id']}")["pairs"]
    assert (limit, within) == (pair["limit"], pair["within"])
    pick = {"grade_id": grade["id"], "use": "cosmetic", "mass_g": 2200}
    assert clear is shop.post("production", "/picks", pick, 200)["possible"]
    assert shop.post("production", "/picks", {**pick, "match_max": None}, 200)["possible"]


def test_every_lot_of_a_spool_is_compared_with_every_lot_of_its_job(shop):
    """Every pair of a spool's and a job's lots is shown, though only one does not match."""
    grade = shop.grade(limits=LIMITS)
    # From the white 0.352 and 0.708, from each other 0.355; computed with colour-science 0.4.7.
    white, near, far = (
        lot_of(shop, grade, number, lab) for number, lab in (("W", WHITE), ("X", [95.15, -0.85, 1.15]), ("A", ONE_SIDE))
    )
    wind(shop, "MIX", near, far)
    assert shop.ask_clearance("MIX")["clear"]
    shop.load(white["spools"][0]["code"], job="J-1")
    answer = shop.ask_clearance("MIX", job="J-1")
    assert {("X", "W", True), ("A", "W", False)} == {
        (pair["of_lot"], pair["supplier_lot"], pair["within"]) for pair in answer["shade_match"]
    }
    assert 2 == len(answer["shade_match"])
    assert [True] == ["Lot A does not match lot W" in reason for reason in answer["reasons"]]


def test_a_spool_of_one_lot_only_is_unaffected(shop):
    """Two spools of one lot respooled together are compared with nothing, and picked and offered."""
    grade = shop.grade(limits=LIMITS)
    got = lot_of(shop, grade, "A", spools=2)
    parents = [{"spool_code": spool["code"], "mass_g": 1000} for spool in got["spools"]]
    made = shop.post("production", "/spools", {"code": "WHOLE", "parents": parents})
    assert ([], True) == (made["warnings"], made["spliced"])
    answer = shop.ask_clearance("WHOLE")
    assert (True, [], [("A", 2000)]) == (
        answer["clear"],
        answer["spool_match"],
        [(lot["supplier_lot"], lot["mass_g"]) for lot in answer["lots"]],
    )
    picked = shop.post("production", "/picks", {"grade_id": grade["id"], "use": "cosmetic", "mass_g": 1500}, 200)
    assert ["WHOLE"] == picked["spool_codes"]
    assert ["WHOLE"] == [other["spool_code"] for other in shop.ask_clearance(got["spools"][0]["code"])["others"]]


def test_what_is_wound_together_is_neither_picked_nor_matched(shop):
    """A lot left only on a mixed spool is in no match table and no pick."""
    grade = shop.grade(limits=LIMITS)
    one, other, third = (lot_of(shop, grade, number, spools=2) for number in ("A", "B", "C"))
    everything = [{"spool_code": spool["code"], "mass_g": 1000} for lot in (one, other) for spool in lot["spools"]]
    shop.post("production", "/spools", {"code": "MIX", "parents": everything})
    table = shop.get("production", f"/match-table?grade_id={grade['id']}")
    assert ["C"] == [lot["supplier_lot"] for lot in table["lots"]]
    assert [] == shop.get("production", f"/lots/{third['lot_id']}/matches")["items"]
    picked = shop.post("production", "/picks", {"grade_id": grade["id"], "use": "cosmetic", "mass_g": 2500}, 200)
    assert (False, 1) == (picked["possible"], picked["considered"]["lots"])


def test_a_restricted_and_a_released_lot_on_one_spool_say_what_they_are_good_for(shop):
    """A lot that fails cosmetic and one that passes all, on one spool, permit hidden parts alone."""
    grade = shop.grade(limits=LIMITS)
    # 2.0 b* above the white is 1.805 by colour-science 0.4.7, over 1.0.
    yellow, white = lot_of(shop, grade, "YELLOW", [95.0, -0.8, 3.5]), lot_of(shop, grade, "W")
    assert ["restricted", "released"] == [shop.lot(lot["lot_id"])["standing"] for lot in (yellow, white)]
    for code, parents in (("ONE", (yellow, white)), ("TWO", (white, yellow))):
        wind(shop, code, *parents)
        hidden = shop.ask_clearance(code, "hidden")
        assert (True, "Load only for hidden.") == (hidden["clear"], hidden["says"])
        assert any("Lot YELLOW fails for cosmetic" in reason for reason in shop.ask_clearance(code)["reasons"])


def test_the_mass_of_a_lot_is_told_where_it_is_known(shop):
    """The mass of a lot is unknown on a spool from a mixed one, and known for a third lot."""
    grade = shop.grade(limits=LIMITS)
    one, other, third = (lot_of(shop, grade, number, spools=2) for number in ("A", "B", "C"))
    wind(shop, "MIX", one, other)
    parents = [{"spool_code": "MIX", "mass_g": 400}, {"spool_code": third["spools"][1]["code"], "mass_g": 250}]
    shop.post("production", "/spools", {"code": "AGAIN", "parents": parents})
    lots = shop.ask_clearance("AGAIN")["lots"]
    assert {"A": None, "B": None, "C": 250} == {lot["supplier_lot"]: lot["mass_g"] for lot in lots}


def test_a_respooled_spool_of_two_lots_grows_old_too(shop):
    """Open time applies to a spool of several lots."""
    grade = shop.grade(limits=LIMITS, open_life_days=14)
    long_ago = {"received_at": "2026-08-01T08:00:00Z"}
    one, other = (lot_of(shop, grade, number, **long_ago) for number in ("A", "B"))
    opened = {"event": "opened", "at": "2026-09-01T08:00:00Z"}
    shop.post("production", f"/spools/{one['spools'][1]['code']}/events", opened)
    wind(shop, "MIX", one, other)
    assert "Dry it" in shop.ask_clearance("MIX")["says"]
    shop.post("production", "/spools/MIX/events", {"event": "dried"})
    assert shop.ask_clearance("MIX")["clear"]


def test_the_shelf_life_of_each_lot_on_a_spool_counts(shop):
    """The oldest lot on a spool ends its shelf life, and `use_by` has the date."""
    grade = shop.grade(limits=LIMITS, shelf_life_days=60)
    old = lot_of(shop, grade, "OLD", received_at="2026-06-01T08:00:00Z")
    new = lot_of(shop, grade, "NEW")
    parents = [{"spool_code": lot["spools"][1]["code"], "mass_g": mass} for lot, mass in ((new, 500), (old, 100))]
    shop.post("production", "/spools", {"code": "MIX", "parents": parents})
    asked = shop.ask_clearance("MIX", "hidden")
    assert (False, "2026-07-31T08:00:00Z") == (asked["clear"], asked["spool"]["use_by"])
    assert "shelf life of 60 days" in asked["says"]


def test_limits_between_lots_are_kept_as_posted(shop):
    """`job_pair_max` is above 0 and at most 100, shown with its revision, and alone limits no lot."""
    grade = shop.grade()
    made = shop.limit(grade["id"], {**SIMPLE_LIMITS, "color": {"lot_max": 1.0, "job_pair_max": 0.4}})
    assert 0.4 == made["color"]["job_pair_max"]
    for wrong in ({"lot_max": 1.0, "job_pair_max": 0}, {"lot_max": 1.0, "job_pair_max": 101}, {"job_pair_max": 0.4}):
        shop.post("quality", f"/grades/{grade['id']}/limits", {**SIMPLE_LIMITS, "color": wrong}, 422)
