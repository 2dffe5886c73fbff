import pytest

from tests.api.refusals import refused
from tests.shop import FULL_LIMITS, SIMPLE_LIMITS, WHITE
from tests.store.rows import counts

FAR = [90.0, -0.8, 1.5]  # five steps of lightness from white: a failure under any limit here


@pytest.fixture
def measured(shop):
    """A released lot under SIMPLE_LIMITS: its number and a spool."""
    delivery = shop.good_lot()
    return delivery["lot_id"], delivery["spools"][0]["code"]


def decisions(shop, lot_id):
    """Every decision on a lot, oldest first."""
    return shop.get("quality", f"/lots/{lot_id}/decisions?limit=500")["items"]


def test_a_failing_reading_blocks_in_its_own_answer(shop, measured):
    """The answer to a failing reading states the block, the reason and the loads."""
    lot_id, spool = measured
    load = shop.load(spool)
    after = shop.color(spool, FAR)["lot"]
    assert "blocked" == after["standing"] == shop.lot(lot_id)["standing"]
    assert "darker" in after["says"]
    assert [load["id"]] == [item["load_id"] for item in after["exposure"]["items"]]
    assert not shop.ask_clearance(spool)["clear"]


def test_a_mistyped_reading_is_voided_and_the_lot_is_as_before(shop, measured):
    """Voiding a typing error restores status, findings and figures, and the reading stays with its reason."""
    lot_id, spool = measured
    changing = ("version",)
    before = {name: value for name, value in shop.lot(lot_id).items() if name not in changing}
    findings = shop.assessment(lot_id)["findings"]
    wrong = shop.color(spool, FAR)
    assert "blocked" == wrong["lot"]["standing"]
    right = shop.color(spool, WHITE)
    answer = shop.void(wrong["id"], "typed 90 for 95", replaced_by=right["id"])
    assert "released" == answer["lot"]["standing"]
    shop.void(right["id"], "only for this test")
    assert before == {name: value for name, value in shop.lot(lot_id).items() if name not in changing}
    assert findings == shop.assessment(lot_id)["findings"]
    kept = next(item for item in shop.get("quality", f"/lots/{lot_id}/readings")["items"] if item["id"] == wrong["id"])
    assert (FAR, "typed 90 for 95", right["id"]) == (
        kept["lab"],
        kept["voided"]["reason"],
        kept["voided"]["replaced_by"],
    )


def test_a_reading_is_voided_once_and_replaced_by_its_like(shop, measured):
    """A second void, and a replacement of another kind, by itself or by nothing, is refused without a change."""
    _, spool = measured
    color, diameter = shop.color(spool, WHITE)["id"], shop.diameter(spool)["id"]
    before = counts()
    for replacement in (diameter, color, 999):
        answer = shop.call("quality", "POST", f"/readings/{color}/void", {"reason": "r", "replaced_by": replacement})
        refused(answer, 422, "invalid", ["/replaced_by"])
    assert before == counts()
    shop.void(color)
    before = counts()
    refused(shop.call("quality", "POST", f"/readings/{color}/void", {"reason": "again"}), 409, "conflict", [])
    assert before == counts()


def test_a_screening_reading_judges_nothing(shop, measured):
    """A screening reading neither blocks nor releases."""
    lot_id, spool = measured
    before = shop.assessment(lot_id)["findings"]
    assert "released" == shop.color(spool, FAR, screening=True)["lot"]["standing"]
    assert before == shop.assessment(lot_id)["findings"]


def test_a_refused_load_is_on_record_with_its_reasons(shop, measured):
    """A refused load stores no load, but a record of person, request and all reasons, and a history entry."""
    lot_id, spool = measured
    shop.decide(lot_id, "block", "specks on parts")
    before = counts()
    answer = shop.load(spool, status=409)
    assert before | {name: before[name] + 1 for name in ("load_refusal", "event")} == counts()
    record = shop.get("quality", "/load-refusals")["items"][-1]
    assert answer["reasons"] == record["reasons"]
    assert any("specks on parts" in reason for reason in record["reasons"])
    assert (spool, lot_id, "P1", "J-1", "cosmetic", "production person") == tuple(
        record[name] for name in ("spool_code", "lot_id", "machine", "job", "use", "asked_by")
    )


def test_nobody_releases_by_hand_what_readings_refuse(shop, measured):
    """Lifting a block returns to the result of the readings, and no action releases."""
    lot_id, spool = measured
    shop.color(spool, FAR)
    refused(
        shop.call("quality", "POST", f"/lots/{lot_id}/decisions", {"action": "lift", "reason": "r"}), 409, "not-legal"
    )
    shop.decide(lot_id, "block")
    lifted = shop.decide(lot_id, "lift")
    assert "blocked" == lifted["standing"] == shop.lot(lot_id)["standing"]
    refused(
        shop.call("quality", "POST", f"/lots/{lot_id}/decisions", {"action": "release", "reason": "r"}), 422, "invalid"
    )


@pytest.mark.parametrize("ending", ["return", "scrap"])
def test_what_is_gone_stays_gone_until_it_is_lifted(shop, measured, ending):
    """After a return or scrapping only a lift is possible, and readings do not change the status."""
    lot_id, spool = measured
    standing = shop.decide(lot_id, ending)["standing"]
    for action in ("block", "hold", "return", "scrap"):
        answer = shop.call("quality", "POST", f"/lots/{lot_id}/decisions", {"action": action, "reason": "r"})
        assert ["lift"] == refused(answer, 409, "not-legal")["legal"]
    shop.color(spool, WHITE)
    assert standing == shop.lot(lot_id)["standing"]
    shop.load(spool, status=409)


def test_new_limits_move_no_lot_until_it_is_judged_again(shop, measured):
    """A measured lot keeps its limits, also for later readings, until a reassessment."""
    lot_id, spool = measured
    shop.color(spool, [95.5, -0.8, 1.5])
    before = shop.assessment(lot_id)
    assert ("released", 1) == (before["standing"], before["limits_revision"])
    shop.limit(1, {**SIMPLE_LIMITS, "color": {"lot_max": 0.01}})
    shop.diameter(spool)
    after = shop.assessment(lot_id)
    assert ("released", 1) == (after["standing"], after["limits_revision"])
    would = shop.assessment(lot_id, "?limits_revision=2")
    assert ("blocked", 2, False) == (would["standing"], would["limits_revision"], would["stored"])
    assert "released" == shop.lot(lot_id)["standing"]
    again = shop.post("quality", f"/lots/{lot_id}/reassess")
    assert (1, "released") == (again["before"]["limits_revision"], again["before"]["standing"])
    assert (2, "blocked") == (again["limits_revision"], again["standing"])
    assert 2 == again["decision"]["limits_revision"]
    assert "blocked" == shop.lot(lot_id)["standing"]


def test_a_new_shade_revision_moves_no_lot_until_it_is_judged_again(shop, measured):
    """A measured lot keeps its reference colour until a reassessment."""
    lot_id, spool = measured
    shop.approve(1, FAR)
    shop.diameter(spool)
    assert ("released", 1) == tuple(shop.lot(lot_id)[name] for name in ("standing", "shade_revision"))
    would = shop.assessment(lot_id, "?shade_revision=2")
    assert ("blocked", 2) == (would["standing"], would["shade_revision"])
    again = shop.post("quality", f"/lots/{lot_id}/reassess")
    assert (1, 2) == (again["before"]["shade_revision"], again["shade_revision"])
    assert "blocked" == again["lot"]["standing"] == shop.lot(lot_id)["standing"]


def test_a_lot_nobody_measured_takes_the_newest_revisions(shop):
    """Before its first reading a lot has the newest revisions."""
    delivery = shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS))
    shop.limit(1, FULL_LIMITS)
    shop.approve(1, FAR)
    shop.color(delivery["spools"][0]["code"], FAR)
    assert (2, 2) == tuple(shop.lot(delivery["lot_id"])[name] for name in ("limits_revision", "shade_revision"))


def test_the_history_keeps_what_was_found_then(shop, measured):
    """Each decision keeps its findings, limits and readings, whatever is voided or revised later."""
    lot_id, spool = measured
    before = decisions(shop, lot_id)
    released = before[-1]
    assert "released" == released["standing"]
    assert {"pass"} == {finding["verdict"] for finding in released["findings"]}
    wrong = shop.color(spool, FAR)["id"]
    blocked = decisions(shop, lot_id)[-1]
    assert wrong in blocked["reading_ids"]
    shop.void(wrong)
    shop.limit(1, {**SIMPLE_LIMITS, "color": {"lot_max": 9.0}})
    shop.approve(1, FAR)
    shop.post("quality", f"/lots/{lot_id}/reassess")
    shop.decide(lot_id, "block", "seen")
    history = decisions(shop, lot_id)
    assert before == history[: len(before)]
    assert blocked == history[len(before)]
    assert ["judge", "void", "reassess", "block"] == [decision["action"] for decision in history[len(before) :]]


def test_a_revision_that_is_not_there_is_pointed_at(shop, measured):
    """An unknown revision in a query is an error of the query."""
    lot_id, _ = measured
    path = f"/lots/{lot_id}/assessment?limits_revision=7&shade_revision=8"
    refused(shop.call("quality", "GET", path), 422, "invalid", ["limits_revision", "shade_revision"])
