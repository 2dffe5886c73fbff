"""Manual decisions: permitted decisions, their order, and roles."""

import pytest

from tests.shop import SIMPLE_LIMITS, WHITE


def refused_by_readings(shop):
    """A lot blocked by an oval diameter; returns its delivery."""
    got = shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS), spools=2)
    assert "blocked" == shop.diameter(got["spools"][0]["code"], 1.84, 1.66)["lot"]["standing"]
    return got


def test_a_good_lot_is_blocked_by_hand_and_lifted_again(shop):
    """A manual block overrides good readings, with its reason in the clearance, and can be lifted."""
    got = shop.good_lot()
    lot_id, spool = got["lot"]["id"], got["spools"][0]["code"]
    blocked = shop.decide(lot_id, "block", "brittle tabs on job 41")
    assert ("block", "blocked", "quality person") == (blocked["action"], blocked["standing"], blocked["decided_by"])
    lot = shop.lot(lot_id)
    assert ("blocked", "released") == (lot["standing"], lot["assessed"])
    assert {"action": "block", "reason": "brittle tabs on job 41"} == lot["by_hand"]
    answer = shop.ask_clearance(spool)
    assert answer["clear"] is False
    assert any("brittle tabs on job 41" in reason for reason in answer["reasons"])
    assert "blocked" == shop.diameter(spool)["lot"]["standing"]

    lifted = shop.decide(lot_id, "lift", "the tabs were another lot's")
    assert "released" == lifted["standing"]
    assert shop.lot(lot_id)["by_hand"] is None
    assert shop.ask_clearance(spool)["clear"] is True


def test_a_hold_keeps_a_good_lot_in_quarantine_and_never_softens_a_block(shop):
    """A hold is a manual quarantine, and failing readings still block the lot."""
    got = shop.good_lot()
    assert "quarantined" == shop.decide(got["lot"]["id"], "hold", "client asks")["standing"]
    assert shop.ask_clearance(got["spools"][0]["code"])["clear"] is False
    assert "blocked" == shop.diameter(got["spools"][1]["code"], 1.84, 1.66)["lot"]["standing"]
    assert "blocked" == shop.decide(got["lot"]["id"], "lift", "client agrees")["standing"]


def test_a_lot_on_hold_that_its_readings_block_is_said_to_be_blocked_by_them(shop):
    """After a failing reading the sentence names the reading and not the earlier hold."""
    got = shop.good_lot()
    shop.decide(got["lot"]["id"], "hold", "client asks")
    says = shop.diameter(got["spools"][1]["code"], 1.84, 1.66)["lot"]["says"]
    assert "Ovality" in says
    assert "blocked by hand" not in says


def test_nobody_lifts_a_lot_that_its_readings_refuse(shop):
    """A lot blocked by readings alone cannot be lifted, and lifting a manual block leaves the block by readings."""
    got = refused_by_readings(shop)
    lot_id = got["lot"]["id"]
    refused = shop.decide(lot_id, "lift", "we need it", status=409)
    assert "blocked by its readings" in refused["detail"]
    assert ["block", "hold", "return", "scrap"] == refused["legal"]
    shop.decide(lot_id, "block")
    assert "blocked" == shop.decide(lot_id, "lift", "we need it")["standing"]
    shop.post("quality", f"/lots/{lot_id}/decisions", {"action": "release", "reason": "we need it"}, 422)
    assert "blocked" == shop.lot(lot_id)["standing"]


@pytest.mark.parametrize(
    ("first", "then", "legal"),
    [
        (None, "lift", ["block", "hold", "return", "scrap"]),
        ("block", "block", ["hold", "return", "scrap", "lift"]),
        ("hold", "hold", ["block", "return", "scrap", "lift"]),
    ],
)
def test_a_decision_that_cannot_follow_is_refused_naming_those_that_can(shop, first, then, legal):
    """An impossible decision is refused with 409 and the possible ones, without a record."""
    lot_id = shop.good_lot()["lot"]["id"]
    if first:
        shop.decide(lot_id, first)
    before = shop.get("quality", f"/lots/{lot_id}/decisions")["items"]
    refused = shop.decide(lot_id, then, status=409)
    assert set(legal) == set(refused["legal"])
    assert all(action in refused["detail"] for action in legal)
    assert before == shop.get("quality", f"/lots/{lot_id}/decisions")["items"]


@pytest.mark.parametrize(("ending", "standing"), [("return", "returned"), ("scrap", "scrapped")])
def test_a_lot_that_left_the_shop_comes_back_by_a_lift_alone(shop, ending, standing):
    """After a return or scrapping only a lift is possible."""
    got = shop.good_lot()
    lot_id, spool = got["lot"]["id"], got["spools"][0]["code"]
    assert standing == shop.decide(lot_id, ending, "off shade on parts")["standing"]
    for action in ("block", "hold", "return", "scrap"):
        refused = shop.decide(lot_id, action, status=409)
        assert ["lift"] == refused["legal"]
        assert "Allowed decisions: lift." in refused["detail"]
    assert standing == shop.post("quality", f"/lots/{lot_id}/reassess")["standing"]
    assert standing == shop.lot(lot_id)["standing"]
    refused = shop.load(spool, status=409)
    assert any("off shade on parts" in reason for reason in refused["reasons"])


def test_a_decision_needs_a_reason(shop):
    """A manual decision without a reason, or with a blank one, is refused."""
    lot_id = shop.good_lot()["lot"]["id"]
    for body in ({"action": "block"}, {"action": "block", "reason": "  "}):
        refused = shop.post("quality", f"/lots/{lot_id}/decisions", body, 422)
        assert ["/reason"] == [fault["pointer"] for fault in refused["errors"]]
    assert "released" == shop.lot(lot_id)["standing"]


def test_a_lot_and_its_assessment_agree_after_the_lot_before_it_was_blocked(shop):
    """A lot assessed by its step from a lot blocked later has one status everywhere."""
    grade = shop.grade(limits={"sampling": {"fixed": 1}, "color": {"lot_max": 1.5, "step_max": 0.8}})
    supplier = shop.supplier()
    first = shop.receive(supplier, grade, "Q-1", spools=1)
    second = shop.receive(supplier, grade, "Q-2", spools=1, received_at="2026-11-21T08:00:00Z")
    shop.color(first["spools"][0]["code"], WHITE)
    # A step of 0.92: computed with colour-science.
    assert "quarantined" == shop.color(second["spools"][0]["code"], [95.0, -0.8, 2.5])["lot"]["standing"]
    shop.decide(first["lot"]["id"], "block", "specks on parts")
    lot, said = shop.lot(second["lot"]["id"]), shop.assessment(second["lot"]["id"])
    assert said["stored"] is True
    assert (lot["standing"], lot["uses"]) == (said["standing"], said["uses"])
