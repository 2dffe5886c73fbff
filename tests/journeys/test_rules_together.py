"""Rules in combination: a plan with limits on the lot, revisions in one job, uses with failing spools.

Plans: MIL-STD-105E, Tables I and II-A: of 30 spools at AQL 6.5, level II, code letter D: 8 measured, 1 may be nonconforming.
"""

import pytest

from tests.shop import CONDITIONS, WHITE

PLAN = {"plan": "MIL-STD-105E", "level": "II", "aql": 6.5}
SPOOLS, SAMPLE, ACCEPT = 30, 8, 1
GOOD, BAD = 1.75, 1.83
# 2.87 darker than the reference in CIEDE2000 (colour-science).
DARK = [90.3, -0.8, 1.5]


def delivered(shop, limits, spools=SPOOLS, supplier=None, lot="Q-71"):
    """A delivery of a new grade under these limits, and the codes of its sample."""
    got = shop.receive(supplier or shop.supplier(), shop.grade(limits=limits), lot, spools)
    return got, got["sample"]["spool_codes"]


def colors(shop, rows):
    """Colour readings of (spool, Lab); returns the lot."""
    sent = [{"spool_code": code, "lab": lab, "conditions": CONDITIONS} for code, lab in rows]
    (lot,) = shop.measure("color", sent)["lots"]
    return lot


def diameters(shop, rows):
    """Round diameters of (spool, mm); returns the lot."""
    (lot,) = shop.measure("diameter", [{"spool_code": code, "d1_mm": d, "d2_mm": d} for code, d in rows])["lots"]
    return lot


@pytest.mark.parametrize("limit", [{"lot_max": 1.0}, {"lot_max": 1.0, "spool_max": 5.0}], ids=["lot", "lot-and-spools"])
def test_a_plan_does_not_forgive_a_mean_colour_out_of_its_limit(shop, limit):
    """With every spool 2.87 from the reference and none failing alone, the lot's mean blocks it whatever the count."""
    got, sample = delivered(shop, {"sampling": PLAN, "color": limit, "diameter": {"reading_tolerance_mm": 0.05}})
    assert (SAMPLE, ACCEPT) == (got["sample"]["size"], got["sample"]["accept"])
    diameters(shop, [(code, BAD if code == sample[0] else GOOD + 0.001 * i) for i, code in enumerate(sample)])
    assert "blocked" == colors(shop, [(code, DARK) for code in sample])["standing"]
    found = {finding["code"]: finding for finding in shop.assessment(got["lot_id"])["findings"]}
    assert ("fail", ["general"]) == (found["color.lot_delta_e"]["verdict"], found["color.lot_delta_e"]["uses"])
    assert ("pass", 1) == (found["sampling.nonconforming"]["verdict"], found["sampling.nonconforming"]["value"])
    shop.load(sample[1], status=409)


def test_a_plan_does_not_forgive_shrinkage_out_of_its_limit(shop):
    """With spools within the accept number, a shrinkage of 0.62 % over 0.5 % blocks the lot."""
    limits = {"sampling": PLAN, "diameter": {"reading_tolerance_mm": 0.05}, "shrinkage": {"x_percent": [0.1, 0.5]}}
    got, sample = delivered(shop, limits)
    diameters(shop, [(code, BAD if code == sample[0] else GOOD + 0.001 * i) for i, code in enumerate(sample)])
    coupon = {"axis": "x", "feature": "outside", "designed_mm": 100, "age_h": 24}
    tests = [
        {**coupon, "spool_code": code, "measured_mm": 99.38 + off}
        for code, off in zip(sample, (0.01, -0.01, 0.02, -0.02, 0.01, -0.01, 0.005, -0.005), strict=True)
    ]
    assert "blocked" == shop.measure("shrinkage", tests)["lots"][0]["standing"]
    assert ("fail", ["general"]) == tuple(shop.finding(got["lot_id"], "shrinkage.x")[n] for n in ("verdict", "uses"))
    shop.load(sample[1], "fit", 409)


def test_diameters_begun_do_not_complete_a_sample_by_plan(shop):
    """One complete bad spool and seven with one of five readings keep the lot open, and complete readings release it."""
    limits = {"sampling": PLAN, "diameter": {"mean_tolerance_mm": 0.03, "readings_per_spool_min": 5}}
    got, (bad, *rest) = delivered(shop, limits)
    offsets = (0.0, 0.001, -0.001, 0.002, -0.002)
    assert "quarantined" == diameters(shop, [(bad, BAD + off) for off in offsets])["standing"]
    assert "quarantined" == diameters(shop, [(code, GOOD) for code in rest])["standing"]
    counted = shop.finding(got["lot_id"], "sampling.nonconforming")
    assert ("missing", 1) == (counted["verdict"], counted["value"])
    assert "measure 7 more spools of the sample in full" in counted["to_measure"]
    shop.load(rest[0], "hidden", 409)
    full = [(code, GOOD + off) for code in rest for off in offsets[1:]]
    assert "quarantined" == diameters(shop, full[:-1])["standing"]
    assert "released" == diameters(shop, full[-1:])["standing"]


def test_colors_begun_do_not_complete_a_sample_by_plan(shop):
    """One complete off-shade spool and seven with one of five readings keep the lot open, and complete readings release it."""
    limits = {"sampling": PLAN, "color": {"spool_max": 1.3, "readings_per_spool_min": 5}}
    got, (bad, *rest) = delivered(shop, limits)
    offsets = (0.0, 0.02, -0.02, 0.04, -0.04)
    near = [[WHITE[0] + off, *WHITE[1:]] for off in offsets]
    assert "quarantined" == colors(shop, [(bad, [DARK[0] + off, *DARK[1:]]) for off in offsets])["standing"]
    assert "quarantined" == colors(shop, [(code, near[0]) for code in rest])["standing"]
    counted = shop.finding(got["lot_id"], "sampling.nonconforming")
    assert ("missing", 1) == (counted["verdict"], counted["value"])
    assert "measure 7 more spools of the sample in full" in counted["to_measure"]
    shop.load(rest[0], "cosmetic", 409)
    full = [(code, lab) for code in rest for lab in near[1:]]
    assert "quarantined" == colors(shop, full[:-1])["standing"]
    assert "released" == colors(shop, full[-1:])["standing"]


def revision(formula, step_max):
    """Limits with their own formula, and their own limit between lots of one job."""
    return {"sampling": {"fixed": 1}, "color": {"lot_max": 5.0, "formula": formula, "step_max": step_max}}


@pytest.fixture
def side_by_side(shop):
    """Makes two lots of two suppliers under two revisions of one grade's limits, 1.00 of lightness apart; returns a spool of each.

    At L* 95 and 94 such a pair is 1.00 apart in CIE76 and 0.60 in CIEDE2000 (colour-science).
    """

    def made(first, second):
        grade, spools = shop.grade(limits=first), []
        for number, light in ((1, 95.0), (2, 94.0)):
            got = shop.receive(shop.supplier(f"S{number}"), grade, f"Q-{number}", 2)
            spools.append(got["sample"]["spool_codes"][0])
            lot = colors(shop, [(spools[-1], [light, -0.8, 1.5])])
            assert "released" == lot["standing"]
            assert number == shop.lot(lot["id"])["limits_revision"]
            if number == 1:
                shop.limit(grade["id"], second)
        return spools

    return made


@pytest.mark.parametrize(
    ("first", "second", "limit"),
    [
        (("CIEDE2000", 0.5), ("CIEDE2000", 2.0), 0.5),
        (("CIEDE2000", 2.0), ("CIEDE2000", 0.5), 0.5),
        (("CIE76", 0.8), ("CIE76", 2.0), 0.8),
        (("CIE76", 0.8), ("CIEDE2000", 2.0), 0.8),
        (("CIEDE2000", 0.8), ("CIE76", 2.0), 0.8),
    ],
    ids=["first-is-strict", "second-is-strict", "one-formula", "formula-of-the-first", "formula-of-the-second"],
)
def test_the_stricter_of_two_revisions_decides_whichever_lot_came_first(shop, side_by_side, first, second, limit):
    """Two lots under two revisions are refused in one job by the stricter one, in either order, and loaded alone."""
    one, other = side_by_side(revision(*first), revision(*second))
    for here, there in ((one, other), (other, one)):
        job = f"J-{here}"
        load = shop.load(here, job=job)
        asked = shop.ask_clearance(there, job=job)
        assert [(limit, False)] == [(pair["limit"], pair["within"]) for pair in asked["shade_match"]]
        assert [f"at most {limit:g} within one job" in reason for reason in asked["reasons"]] == [True]
        assert asked["reasons"] == shop.load(there, job=job, status=409, machine="P2")["reasons"]
        assert shop.ask_clearance(there, job=f"{job}-alone")["clear"] is True
        shop.unload(load["id"], 900)


@pytest.mark.parametrize(("formula", "delta_e", "clear"), [("CIE76", 1.00, False), ("CIEDE2000", 0.60, True)])
def test_a_pair_of_one_job_is_compared_in_the_formula_of_the_limits(shop, side_by_side, formula, delta_e, clear):
    """The same two lots with a limit of 0.8 are refused in CIE76 and accepted in CIEDE2000."""
    one, other = side_by_side(revision(formula, 0.8), revision(formula, 0.9))
    shop.load(one, job="J-1")
    answer = shop.ask_clearance(other, job="J-1")
    assert [(delta_e, 0.8)] == [(round(pair["delta_e"], 2), pair["limit"]) for pair in answer["shade_match"]]
    assert clear is answer["clear"]
    shop.load(other, job="J-1", machine="P2", status=201 if clear else 409)


BY_USE = {
    "sampling": PLAN,
    "color": {"spool_max": 1.3},
    "diameter": {"reading_tolerance_mm": 0.05},
    "uses": {"cosmetic": ["color"], "fit": ["diameter"]},
}


def test_a_spool_that_fails_for_show_is_clear_for_fit_and_the_other_way_round(shop):
    """A dark spool and a thick one, within the accept number, are each refused for the failed use alone."""
    _, (dark, thick, *rest) = delivered(shop, BY_USE)
    every = [dark, thick, *rest]
    colors(shop, [(code, DARK if code == dark else [95 + 0.01 * i, *WHITE[1:]]) for i, code in enumerate(every)])
    lot = diameters(shop, [(code, BAD if code == thick else GOOD + 0.001 * i) for i, code in enumerate(every)])
    assert ("released", {"cosmetic": "pass", "fit": "pass"}) == (lot["standing"], lot["uses"])
    clear = {
        (name, use): shop.ask_clearance(code, use)["clear"]
        for name, code in (("dark", dark), ("thick", thick), ("good", rest[0]))
        for use in ("cosmetic", "fit")
    }
    assert {("dark", "cosmetic"), ("thick", "fit")} == {case for case, is_clear in clear.items() if not is_clear}
    assert all("spool" in reason for reason in shop.load(dark, "cosmetic", 409)["reasons"])
    shop.load(dark, "fit")


@pytest.mark.parametrize("heavier", [0, 1], ids=["more-of-the-restricted", "more-of-the-released"])
def test_a_spool_respooled_of_a_restricted_and_a_released_lot_says_what_it_is_good_for(shop, heavier):
    """An off-shade lot respooled with a good one is loaded for fit and refused for cosmetic use, in one sentence."""
    limits = {**BY_USE, "sampling": {"fixed": 1}, "color": {"lot_max": 1.0}}
    supplier, grade = shop.supplier(), shop.grade(limits=limits)
    parents = []
    for lot, lab, standing in (("Q-1", DARK, "restricted"), ("Q-2", WHITE, "released")):
        code = shop.receive(supplier, grade, lot, 2)["sample"]["spool_codes"][0]
        shop.diameter(code)
        assert standing == shop.color(code, lab)["lot"]["standing"]
        parents.append(code)
    masses = [{"spool_code": code, "mass_g": 300 if place == heavier else 200} for place, code in enumerate(parents)]
    shop.post("production", "/spools", {"code": "WOUND", "parents": masses})
    answer = shop.ask_clearance("WOUND", "fit")
    assert (True, "Load only for fit.") == (answer["clear"], answer["says"])
    refused = shop.load("WOUND", "cosmetic", 409)["reasons"]
    assert any("Lot Q-1 fails for cosmetic use." in reason for reason in refused)
    shop.load("WOUND", "fit")


@pytest.mark.parametrize("percent", [0.000002, 5.5, 500, 60_000])
def test_a_limit_on_moisture_that_no_polymer_reaches_is_refused(shop, percent):
    """A moisture limit in ppm or as a fraction is refused at its field, and nothing is stored."""
    grade = shop.grade()
    (fault,) = shop.post("quality", f"/grades/{grade['id']}/limits", {"moisture": {"max_percent": percent}}, 422)[
        "errors"
    ]
    assert "/moisture/max_percent" == fault["pointer"]
    assert f"{percent:g} %" in fault["detail"]
    assert fault["hint"]
    assert [] == shop.get("quality", f"/grades/{grade['id']}/limits")["items"]
