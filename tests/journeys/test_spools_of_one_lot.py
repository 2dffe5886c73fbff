"""Spools of one lot are compared in a job like those of two lots, by their own colours where measured."""

import math

import pytest

from tests.services.assessment.test_integrity_checks import found
from tests.shop import WHITE

LIMITS = {"sampling": {"fixed": 5}, "color": {"formula": "CIE76", "lot_max": 3.0}}


def colored(shop, lightness, spools, limits=None, lot="Q-71", **known):
    """A released lot with drawn spools at these L*: its number, its drawn spools and the others."""
    supplier, grade = (
        known.get("supplier") or shop.supplier(),
        known.get("grade") or shop.grade(limits=limits or LIMITS),
    )
    got = shop.receive(supplier, grade, lot, spools)
    drawn = got["sample"]["spool_codes"]
    for spool, value in zip(drawn, lightness, strict=True):
        shop.color(spool, [value, *WHITE[1:]])
    assert "released" == shop.lot(got["lot_id"])["standing"]
    return got["lot_id"], drawn, [one["code"] for one in got["spools"] if one["code"] not in drawn]


def test_a_spool_that_differs_from_its_siblings_is_refused_in_their_job(shop):
    """A spool 0.96 from its four siblings, in a job with `match_max` 0.5, is refused with the pair of spools."""
    _, (odd, *alike), _ = colored(shop, [95.96, 95.0, 95.0, 95.0, 95.0], 5)
    shop.load(alike[0], match_max=0.5)
    clear = shop.ask_clearance(alike[1], job="J-1", match_max="0.5")
    assert clear["clear"] is True
    (pair,) = clear["shade_match"]
    assert ("Q-71", alike[0], alike[1], 0.0, True) == tuple(
        pair[name] for name in ("supplier_lot", "spool_code", "of_spool", "delta_e", "within")
    )
    refused = shop.load(odd, job="J-1", machine="P2", match_max=0.5, status=409)
    said = (
        f"Spool {odd} does not match spool {alike[0]} of the same lot in this job: colour difference 0.96, at most 0.5"
    )
    assert any(reason.startswith(said) for reason in refused["reasons"])
    others = {one["spool_code"] for one in shop.ask_clearance(odd, job="J-1", match_max="0.5")["others"]}
    assert others
    assert others <= set(alike)
    shop.load(odd, use="hidden", job="J-1", machine="P2", match_max=0.5)


def test_without_a_limit_nothing_is_compared(shop):
    """Without `match_max` or a job limit the deviating spool is clear, and no pair of its lot is listed."""
    _, (odd, *alike), _ = colored(shop, [95.96, 95.0, 95.0, 95.0, 95.0], 5)
    shop.load(alike[0])
    answer = shop.ask_clearance(odd, job="J-1")
    assert (True, []) == (answer["clear"], answer["shade_match"])


def test_picks_leave_the_spool_out_that_differs(shop):
    """Within 0.5 there are 4 kg and not 5; within 1.0 all five spools are picked."""
    _, (odd, *alike), _ = colored(shop, [95.96, 95.0, 95.0, 95.0, 95.0], 5)
    ask = {"grade_id": shop.get("quality", "/grades")["items"][0]["id"], "use": "cosmetic"}
    picked = shop.post("production", "/picks", {**ask, "mass_g": 4000, "match_max": 0.5}, 200)
    assert (True, sorted(alike), [odd]) == (picked["possible"], sorted(picked["spool_codes"]), picked["left_out"])
    assert shop.post("production", "/picks", {**ask, "mass_g": 5000, "match_max": 0.5}, 200)["possible"] is False
    wider = shop.post("production", "/picks", {**ask, "mass_g": 5000, "match_max": 1.0}, 200)
    assert (True, []) == (wider["possible"], wider["left_out"])


@pytest.mark.parametrize(("match_max", "clear"), [("0.26", True), ("0.25", False)])
def test_a_spool_that_was_not_measured_is_compared_with_an_allowance(shop, match_max, clear):
    """Spools 0.3 apart have a spread of 0.3 / sqrt(2) = 0.212 and 0.15 from their mean, so an unmeasured one is 0.260 from either (by hand)."""
    limits = {**LIMITS, "sampling": {"fixed": 2}}
    _, (first, _), (unmeasured, other, *_) = colored(shop, [95.0, 95.3], 8, limits)
    scatter = 0.3 / math.sqrt(2)
    shop.load(first, match_max=2)
    answer = shop.ask_clearance(unmeasured, job="J-1", match_max=match_max)
    (pair,) = answer["shade_match"]
    assert (scatter, math.hypot(0.15, scatter)) == pytest.approx((pair["allowance"], pair["delta_e"]), abs=1e-6)
    assert (True, clear) == (pair["spools_known"], answer["clear"])
    # Two unmeasured spools differ by the spread of both.
    shop.load(other, machine="P2", match_max=2)
    pairs = {
        pair["spool_code"]: pair
        for pair in shop.ask_clearance(unmeasured, job="J-1", match_max=match_max)["shade_match"]
    }
    assert math.sqrt(2) * scatter == pytest.approx(pairs[other]["delta_e"], abs=1e-6)


def test_one_measured_spool_does_not_show_how_spools_differ(shop):
    """With one measured spool another is compared by the lot's mean with a caution, and the measured one without."""
    limits = {**LIMITS, "sampling": {"fixed": 1}}
    _, (measured,), (unmeasured, other, *_) = colored(shop, [95.0], 8, limits)
    caution = "Differences between spools of lot Q-71 are unknown, because only one spool was measured."
    shop.load(unmeasured, match_max=0.5)
    answer = shop.ask_clearance(other, job="J-1", match_max="0.5")
    assert answer["clear"] is True
    assert caution in answer["cautions"]
    assert answer["shade_match"][0]["spools_known"] is False
    assert caution not in shop.ask_clearance(measured)["cautions"]


def test_spools_of_other_lots_are_compared_by_their_own_colour(shop):
    """Lots with means 0.35 apart are compared by the worst pair with the job: equal for the nearest spools, 0.75 for the furthest."""
    supplier, grade = shop.supplier(), shop.grade(limits={**LIMITS, "sampling": {"fixed": 2}})
    _, (near, far), _ = colored(shop, [95.0, 95.4], 2, lot="Q-1", supplier=supplier, grade=grade)
    _, (same, apart), _ = colored(shop, [95.35, 95.75], 2, lot="Q-2", supplier=supplier, grade=grade)
    shop.load(near, match_max=2)
    (pair,) = shop.ask_clearance(same, job="J-1", match_max="0.5")["shade_match"]
    assert ("Q-1", near, True) == tuple(pair[name] for name in ("supplier_lot", "spool_code", "within"))
    assert 0.35 == pytest.approx(pair["delta_e"], abs=1e-9)
    answer = shop.ask_clearance(apart, job="J-1", match_max="0.5")
    assert (False, 0.75) == (answer["clear"], round(answer["shade_match"][0]["delta_e"], 9))
    # A second spool of the other lot in the job: the worse of the two speaks for it.
    shop.load(far, machine="P2", match_max=2)
    (pair,) = shop.ask_clearance(same, job="J-1", match_max="0.5")["shade_match"]
    assert (near, 0.35) == (pair["spool_code"], round(pair["delta_e"], 9))


def test_the_kept_colours_follow_from_the_readings(shop):
    """`lots check` finds no fault, and a spool whose only colour is voided has none."""
    lot_id, (_first, *_), _ = colored(shop, [95.1, 95.0, 95.0, 95.0, 95.0], 5)
    assert [] == found()
    reading = shop.get("quality", f"/lots/{lot_id}/readings?kind=color")["items"][0]
    shop.void(reading["id"])
    assert [] == found()


def test_the_largest_pair_means_all_spools_of_the_lot(shop):
    """0.3 between two of four spools gives an expected 0.55 among all against 0.5, so one more spool is drawn and settles it."""
    color = {"formula": "CIE76", "lot_max": 3.0, "spool_pair_max": 0.5}
    limits = {"sampling": {"fixed": 2}, "color": color}
    got = shop.receive(shop.supplier(), shop.grade(limits=limits), "Q-71", 4)
    for spool, lightness in zip(got["sample"]["spool_codes"], (95.0, 95.3), strict=True):
        shop.color(spool, [lightness, *WHITE[1:]])
    found = shop.finding(got["lot_id"], "color.spool_pair")
    assert ("near", 2) == (found["verdict"], found["spools"])
    assert 0.3 == pytest.approx(found["value"], abs=1e-9)
    (draw,) = shop.get("receiving", f"/deliveries?lot_id={got['lot_id']}")["items"][0]["further_draws"]
    (further,) = draw["spool_codes"]
    assert further in found["to_measure"]
    shop.color(further, [95.1, *WHITE[1:]])
    assert "released" == shop.lot(got["lot_id"])["standing"]
