"""A lot past its shelf life is refused until a re-inspection by quality: characteristics, new date, reason."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from lots.services.assessment import integrity_checks
from tests.shop import CONDITIONS, SIMPLE_LIMITS, WHITE
from tests.store.rows import connected

CAME = datetime(2026, 1, 1, 8, tzinfo=UTC)
LIMITS = {
    **SIMPLE_LIMITS,
    "bond": {"mean_min_mpa": 20, "tests_min": 2},
    "uses": {"cosmetic": ["color", "diameter"], "load_bearing": ["bond"]},
}
WAY_OUT = "Ask quality to inspect the lot again."


def at(moment):
    """A moment as sent."""
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"


@pytest.fixture
def clock():
    """The day of receipt, on a manual clock."""
    with time_machine.travel(CAME, tick=False) as travelling:
        yield travelling


@pytest.fixture
def lot(shop, clock):
    """A released lot of a grade with a shelf life of 365 days, measured on receipt: 25 MPa of bond."""
    grade = shop.grade(limits=LIMITS, shelf_life_days=365)
    delivery = shop.receive(shop.supplier(), grade, received_at=at(CAME))
    spool = delivery["spools"][0]["code"]
    measured(shop, spool, "diameter", "color", "bond")
    assert "released" == shop.lot(delivery["lot_id"])["standing"]
    return delivery


def measured(shop, spool, *kinds, stress=25.0):
    """Readings of these kinds, now."""
    now = {"measured_at": at(datetime.now(UTC)), "spool_code": spool}
    bodies = {
        "diameter": {"d1_mm": 1.75, "d2_mm": 1.75},
        "color": {"lab": WHITE, "conditions": CONDITIONS},
        "bond": {"stress_mpa": stress},
    }
    return [shop.measure(kind, [{**now, **bodies[kind]}] * 2)["items"] for kind in kinds]


def inspect(shop, lot_id, days=180, measure=("bond", "color"), status=201, role="quality"):
    """A re-inspection, with a new date so many days from now."""
    use_by = at(datetime.now(UTC) + timedelta(days=days))
    body = {"measure": list(measure), "use_by": use_by, "reason": "kept dry, still sealed"}
    return shop.post(role, f"/lots/{lot_id}/reinspections", body, status)


def test_a_lot_past_its_shelf_life_comes_back_by_a_re_inspection(shop, clock, lot):
    """After 366 days the lot is refused with the remedy, until all was measured again, and then permitted up to the new date."""
    lot_id, spool = lot["lot_id"], lot["spools"][1]["code"]
    first = lot["spools"][0]["code"]
    clock.shift(timedelta(days=365))
    assert shop.ask_clearance(spool)["clear"]
    clock.shift(timedelta(days=1))
    refused = shop.ask_clearance(spool)
    assert [f"Spool {spool} is past its shelf life of 365 days. {WAY_OUT}"] == refused["reasons"]

    made = inspect(shop, lot_id)
    assert (False, "quality person") == (made["complete"], made["recorded_by"])
    assert "released" == made["lot"]["standing"]
    assert made["to_measure"] == made["lot"]["to_measure"]
    refused = shop.ask_clearance(spool)
    assert not refused["clear"]
    assert "being inspected again. Still to do for the re-inspection: break 2" in refused["reasons"][-1]
    shop.load(spool, status=409)

    clock.shift(timedelta(hours=1))
    measured(shop, first, "bond")
    assert not shop.ask_clearance(spool)["clear"]
    assert shop.lot(lot_id)["reinspected_until"] is None
    measured(shop, first, "color")
    assert [] == shop.lot(lot_id)["to_measure"]
    until = CAME + timedelta(days=366 + 180)
    assert until == datetime.fromisoformat(shop.lot(lot_id)["reinspected_until"])
    clear = shop.ask_clearance(spool)
    assert (True, until) == (clear["clear"], datetime.fromisoformat(clear["spool"]["use_by"]))
    shop.unload(shop.load(spool)["id"], 900)
    (listed,) = shop.get("quality", f"/lots/{lot_id}/reinspections")["items"]
    assert (True, []) == (listed["complete"], listed["to_measure"])

    clock.move_to(until)
    assert shop.ask_clearance(spool)["clear"]
    clock.shift(timedelta(seconds=1))
    assert [f"Spool {spool} is past its shelf life of 365 days, extended to 2027-07-01. {WAY_OUT}"] == (
        shop.ask_clearance(spool)["reasons"]
    )
    events = [event["what"] for event in shop.get("quality", f"/events?lot_id={lot_id}")["items"]]
    assert 1 == events.count("lot inspected again")
    with connected():
        assert [] == [flaw.line for flaw in integrity_checks.found()]


def test_what_is_aged_is_judged_by_its_new_readings_alone(shop, clock, lot):
    """Two specimens at 25 MPa on receipt and two at 16 MPa now average 20.5 over a limit of 20: the lot passes, the re-inspection does not."""
    clock.shift(timedelta(days=366))
    inspect(shop, lot["lot_id"], measure=["bond"])
    clock.shift(timedelta(hours=1))
    measured(shop, lot["spools"][0]["code"], "bond", stress=16.0)
    assert ("released", None) == (shop.lot(lot["lot_id"])["standing"], shop.lot(lot["lot_id"])["reinspected_until"])
    refused = shop.ask_clearance(lot["spools"][1]["code"], "load_bearing")
    assert "for the re-inspection: measure interlayer strength again" in refused["reasons"][-1]


def test_only_readings_after_it_that_count_complete_it(shop, clock, lot):
    """Screening, earlier and voided readings do not complete a re-inspection; a void withdraws the date."""
    first, lot_id = lot["spools"][0]["code"], lot["lot_id"]
    clock.shift(timedelta(days=366))
    inspect(shop, lot_id, measure=["color"])
    clock.shift(timedelta(hours=1))
    shop.color(first, WHITE, measured_at=at(CAME + timedelta(days=200)))
    shop.color(first, WHITE, measured_at=at(datetime.now(UTC)), screening=True)
    assert shop.lot(lot_id)["reinspected_until"] is None
    ((one, other),) = measured(shop, first, "color")
    assert shop.lot(lot_id)["reinspected_until"]
    shop.void(one["id"])
    assert shop.lot(lot_id)["reinspected_until"]
    shop.void(other["id"])
    assert shop.lot(lot_id)["reinspected_until"] is None
    assert not shop.ask_clearance(lot["spools"][1]["code"])["clear"]


def test_a_new_date_releases_nothing_that_readings_refuse(shop, clock, lot):
    """A complete re-inspection with a failing diameter leaves the lot refused for cosmetic use."""
    clock.shift(timedelta(days=366))
    inspect(shop, lot["lot_id"], measure=["bond"])
    clock.shift(timedelta(hours=1))
    first = lot["spools"][0]["code"]
    measured(shop, first, "bond")
    shop.diameter(first, 1.85, 1.85, measured_at=at(datetime.now(UTC)))
    assert not shop.ask_clearance(lot["spools"][1]["code"])["clear"]
    assert shop.ask_clearance(lot["spools"][1]["code"], "load_bearing")["clear"]


def test_an_opened_spool_has_to_be_dried_all_the_same(shop, clock):
    """A new date does not extend the open time of a spool."""
    grade = shop.grade(limits=SIMPLE_LIMITS, shelf_life_days=365, open_life_days=14)
    delivery = shop.receive(shop.supplier(), grade, received_at=at(CAME))
    (second,) = delivery["sample"]["spool_codes"]
    first = next(spool["code"] for spool in delivery["spools"] if spool["code"] != second)
    measured(shop, second, "diameter", "color")
    shop.post("production", f"/spools/{first}/events", {"event": "opened", "at": at(CAME)})
    clock.shift(timedelta(days=366))
    inspect(shop, delivery["lot_id"], measure=["color"])
    clock.shift(timedelta(hours=1))
    measured(shop, second, "color")
    assert shop.ask_clearance(second)["clear"]
    assert ["opened more than 14 days ago" in reason for reason in shop.ask_clearance(first)["reasons"]] == [True]


@pytest.mark.parametrize(
    ("fields", "pointers"),
    [
        ({"measure": []}, ["/measure"]),
        ({"measure": ["gloss", "bond", "moisture"]}, ["/measure/0", "/measure/2"]),
        ({"measure": ["shine"]}, ["/measure/0"]),
        ({"use_by": at(CAME + timedelta(days=366))}, ["/use_by"]),
        ({"use_by": at(CAME + timedelta(days=366 + 365, seconds=1))}, ["/use_by"]),
        ({"reason": " "}, ["/reason"]),
        ({"measure": ["gloss"], "use_by": at(CAME)}, ["/measure/0", "/use_by"]),
    ],
)
def test_what_cannot_be_is_refused_with_the_rule(shop, clock, lot, fields, pointers):
    """At least one required characteristic, a future date at most 365 days ahead and a reason are needed; all errors are reported."""
    clock.shift(timedelta(days=366))
    body = {"measure": ["bond"], "use_by": at(CAME + timedelta(days=366 + 365)), "reason": "kept dry"}
    path = f"/lots/{lot['lot_id']}/reinspections"
    answer = shop.post("quality", path, {**body, **fields}, 422)
    assert pointers == [fault["pointer"] for fault in answer["errors"]]
    shop.post("quality", path, body)


def test_a_re_inspection_is_for_quality_and_for_lots_that_age(shop, clock, lot):
    """Other roles get 403; a grade without a shelf life and a scrapped lot get 409."""
    inspect(shop, lot["lot_id"], status=403, role="receiving")
    ageless = shop.receive({"id": lot["supplier_id"]}, shop.grade("PLA-WB-175", LIMITS), received_at=at(CAME))
    assert "sets no shelf life" in inspect(shop, ageless["lot_id"], status=409)["detail"]
    shop.decide(lot["lot_id"], "scrap")
    assert "is scrapped" in inspect(shop, lot["lot_id"], status=409)["detail"]
