"""A step from the last accepted lot over HTTP: no rejection, and quality accepts it or blocks the lot."""

import pytest

from tests.shop import FULL_LIMITS, WHITE

COLOR = {"sampling": {"fixed": 1}, "color": {"lot_max": 1.0, "step_max": 0.5}}
PLAN = {**COLOR, "sampling": {"plan": "MIL-STD-105E", "level": "II", "aql": 1.0}}
# dE00 0.69 from the reference, and 0.42: computed with colour-science.
YELLOW, HALF = [95.0, -0.8, 2.25], [95.0, -0.8, 1.95]
BLUE = [95.0, -0.8, 0.75]


class Supply:
    """Lots of one supplier and grade, one a day, each spool measured once."""

    def __init__(self, shop, limits=None):
        self.shop, self.day = shop, 0
        self.supplier, self.grade = shop.supplier(), shop.grade(limits=limits or COLOR)

    def lot(self, lab, spools=1):
        """The next lot, all of this colour; returns its status."""
        self.day += 1
        got = self.shop.receive(
            self.supplier, self.grade, f"Q-{self.day:02}", spools, received_at=f"2026-11-{self.day:02}T08:00:00Z"
        )
        for code in got["sample"]["spool_codes"]:
            after = self.shop.color(code, lab)["lot"]
        return {**after, "spool": code}

    def step(self, lot):
        """The finding on a lot's colour step."""
        return self.shop.finding(lot["id"], "color.step")


@pytest.fixture
def supply(shop):
    """A supplier of white."""
    return Supply(shop)


def test_nine_lots_on_the_reference_follow_one_that_was_yellower(shop):
    """After a released lot at db* +0.75 nine lots on the reference are released, and inspection stays normal."""
    supply = Supply(shop, PLAN)
    assert "released" == supply.lot(YELLOW, 2)["standing"]
    following = [supply.lot(WHITE, 2) for _ in range(9)]
    assert ["released"] * 9 == [lot["standing"] for lot in following]
    first, second = (supply.step(lot) for lot in following[:2])
    assert ("pass", 0.69, None) == (first["verdict"], round(first["value"], 2), first["claimable"])
    assert "no further from the reference (0.00) than the last accepted lot (0.69)" in first["message"]
    assert 0.0 == second["value"], "the first of them is the new start"
    path = f"/inspection-severity?supplier_id={supply.supplier['id']}&grade_id={supply.grade['id']}"
    record = shop.get("quality", path)
    assert ("normal", [True] * 10) == (record["severity"], [lot["accepted"] for lot in record["record"]])


def test_quality_accepts_a_step(shop, supply):
    """A step of 0.69 away from the reference holds the lot; accepted with a reason, the lot is released and starts the next step."""
    supply.lot(WHITE)
    held = supply.lot(YELLOW)
    assert ("quarantined", {"general": "near"}) == (held["standing"], held["uses"])
    assert ["ask quality to accept the step or block the lot"] == held["to_measure"]
    assert "accept the step or block the lot" in held["says"]
    refused = shop.ask_clearance(held["spool"])
    assert not refused["clear"]
    assert "Lot Q-02 is not accepted yet for cosmetic use." in refused["reasons"]
    assert not any("not complete" in reason for reason in refused["reasons"])
    done = shop.decide(held["id"], "accept_step", "the client saw both lots side by side")
    assert ("accept_step", "released", "released") == (done["action"], done["standing"], done["lot"]["standing"])
    assert "the client saw both lots side by side" == done["reason"]
    assert shop.lot(held["id"])["by_hand"] is None
    assert shop.ask_clearance(held["spool"])["clear"]
    step = supply.step(held)
    assert ("pass", False) == (step["verdict"], step["hold"])
    assert "Quality accepted a step of 0.69." in step["message"]
    following = supply.lot(YELLOW)
    assert ("released", 0.0) == (following["standing"], supply.step(following)["value"])
    # A step is accepted once, and only where there is one.
    for lot in (held, following):
        again = shop.decide(lot["id"], "accept_step", status=409)
        assert (["block", "hold", "return", "scrap"], True) == (
            again["legal"],
            "is not waiting for a decision about a step" in again["detail"],
        )


def test_quality_blocks_a_step(shop, supply):
    """A lot blocked for its step starts no later step, and its supplier has no rejection."""
    supply.lot(WHITE)
    held = supply.lot(YELLOW)
    assert "blocked" == shop.decide(held["id"], "block", "too yellow beside what the client has")["standing"]
    refused = shop.decide(held["id"], "accept_step", status=409)
    assert ["hold", "return", "scrap", "lift"] == refused["legal"]
    assert ("released", "near") == (supply.lot(HALF)["standing"], supply.step(held)["verdict"])
    path = f"supplier_id={supply.supplier['id']}&grade_id={supply.grade['id']}"
    record = shop.get("quality", f"/inspection-severity?{path}")["record"]
    assert [True, None, True] == [lot["accepted"] for lot in record]
    (compared,) = shop.get("purchasing", f"/supplier-comparison?grade_id={supply.grade['id']}")["suppliers"]
    assert (2, 2) == (compared["inspected"], compared["acceptance"]["accepted"])
    report = shop.get("quality", f"/lots/{held['id']}/nonconformity-report")
    assert [] == report["found"]["failing"] == report["found"]["to_measure"]
    assert "color.step" not in {row["code"] for row in report["found"]["others"]}


def test_nothing_is_asked_of_a_supplier_about_a_step(shop, supply):
    """A held lot gives no ground for a report or a corrective action."""
    supply.lot(WHITE)
    held = supply.lot(YELLOW)
    shop.get("quality", f"/lots/{held['id']}/nonconformity-report", 409)
    asked = {"requested_action": "keep the colour", "conforming_lots": 3}
    shop.post("quality", f"/lots/{held['id']}/corrective-actions", asked, 409)


def test_readings_that_move_the_step_further_hold_the_lot_again(shop, supply):
    """A step accepted at 0.42 and grown to 0.69 holds the lot again, until the reading is voided."""
    shop.limit(supply.grade["id"], {**COLOR, "color": {"lot_max": 1.5, "step_max": 0.3}})
    supply.lot(WHITE)
    lot = supply.lot(HALF, spools=2)
    assert "released" == shop.decide(lot["id"], "accept_step")["standing"]
    other = next(s["code"] for s in shop.lot(lot["id"])["spools"] if s["code"] != lot["spool"])
    further = shop.color(other, [95.0, -0.8, 2.55])
    assert ("quarantined", "near") == (further["lot"]["standing"], supply.step(lot)["verdict"])
    assert not any(r["retest"] for r in shop.get("quality", f"/lots/{lot['id']}/record")["readings"])
    assert "released" == shop.void(further["id"])["lot"]["standing"]
    shop.color(other, [95.0, -0.8, 2.55])
    assert "released" == shop.decide(lot["id"], "accept_step", "seen again")["standing"]


def test_more_readings_of_a_held_lot_are_no_retest(shop):
    """More readings of a lot held by a step are no retest."""
    supply = Supply(shop, {**COLOR, "sampling": {"fixed": 1, "retest_rounds_max": 0}})
    supply.lot(WHITE)
    held = supply.lot(YELLOW)
    for _ in range(3):
        assert "quarantined" == shop.color(held["spool"], YELLOW)["lot"]["standing"]
    assert "sampling.retests" not in {f["code"] for f in shop.assessment(held["id"])["findings"]}
    assert "released" == shop.decide(held["id"], "accept_step")["standing"]


def test_an_accepted_step_stays_as_long_as_it_is_the_same(shop, supply):
    """A reassessed lot stays released; with another starting lot or formula quality is asked again."""
    supply.lot(WHITE)
    lot = supply.lot(YELLOW)
    shop.decide(lot["id"], "accept_step")
    before = shop.assessment(lot["id"])["as_of"]
    shop.limit(supply.grade["id"], {**COLOR, "color": {"lot_max": 1.0, "step_max": 0.4}})
    assert "released" == shop.post("quality", f"/lots/{lot['id']}/reassess")["standing"]
    made = shop.limit(supply.grade["id"], {**COLOR, "color": {"formula": "CIE76", "lot_max": 1.0, "step_max": 0.5}})
    assert [lot["id"]] == [loss["lot_id"] for loss in made["would_fail"]]
    assert "quarantined" == shop.post("quality", f"/lots/{lot['id']}/reassess")["standing"]
    assert "released" == shop.assessment(lot["id"], f"?as_of={before}")["standing"]


def test_a_step_in_shrinkage_is_accepted_with_that_in_colour(shop):
    """One decision accepts every held step, and other failures still block."""
    limits = {"color": FULL_LIMITS["color"] | {"step_max": 0.5, "readings_per_spool_min": 1}}
    limits |= {"shrinkage": {"x_percent": [0.1, 0.7], "step_max_percent": 0.15}, "sampling": {"fixed": 1}}
    supply = Supply(shop, limits)

    def shrunk(lot, percent):
        size = {"designed_mm": 100, "measured_mm": 100 - percent, "age_h": 24}
        return shop.measure("shrinkage", {"spool_code": lot["spool"], "axis": "x", "feature": "outside", **size})["lot"]

    assert "released" == shrunk(supply.lot(WHITE), 0.35)["standing"]
    held = supply.lot(YELLOW)
    after = shrunk(held, 0.62)
    assert ("quarantined", {"general": "near"}) == (after["standing"], after["uses"])
    done = shop.decide(held["id"], "accept_step", "parts fit")
    assert "released" == done["standing"]
    assert {"color.step": "pass", "shrinkage.step_x": "pass"}.items() <= {
        f["code"]: f["verdict"] for f in done["findings"]
    }.items()
    assert "blocked" == shop.color(held["spool"], [95.0, -0.8, 6.0])["lot"]["standing"]


def test_a_lot_across_the_reference(supply):
    """Of two lots bluer than the reference after a yellower one, that at 0.71 is held and that at 0.66 released (CIEDE2000 from white)."""
    supply.lot(YELLOW)
    assert "near" == supply.step(supply.lot(BLUE))["verdict"]
    nearer = supply.lot([95.0, -0.8, 0.80])
    assert ("released", "pass") == (nearer["standing"], supply.step(nearer)["verdict"])
