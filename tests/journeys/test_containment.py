"""A lot rejected after loading: certain and possible exposure, and containment of each place."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from lots.services import exposure
from tests.shop import SIMPLE_LIMITS
from tests.store.rows import connected

LONG_AGO = datetime(2026, 11, 21, 6, 0, tzinfo=UTC)


def at(minutes: int) -> str:
    """A moment so many minutes into a past working day."""
    return (LONG_AGO + timedelta(minutes=minutes)).isoformat().replace("+00:00", "Z")


@pytest.fixture
def two_lots(shop):
    """Two released lots of one grade, three spools each."""
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    return shop.good_lot(supplier, grade, "Q-1"), shop.good_lot(supplier, grade, "Q-2")


def run(shop, spool: str, machine: str, job: str, start: int, end: int | None, left: float = 600) -> None:
    """A load of a spool on a machine for a job, entered late."""
    loaded = shop.load(spool, "general", machine=machine, job=job, loaded_at=at(start))
    if end is not None:
        shop.unload(loaded["id"], left, unloaded_at=at(end))


def test_a_late_hold_lists_every_job_and_those_across_an_unrecorded_swap(shop, two_lots):
    """An unrecorded swap of 2 h 10 min makes the jobs on both sides possible, and opens containments for all."""
    first, second = two_lots
    one, two = (spool["code"] for spool in first["spools"][:2])
    run(shop, one, "P1", "J-1", 0, 60)
    run(shop, second["spools"][0]["code"], "P1", "J-2", 190, 300)
    run(shop, two, "P2", "J-3", 30, None)
    held = shop.decide(first["lot_id"], "hold", "tile check failed")
    found = [(item["job"], item["certainty"], item["still_loaded"]) for item in held["exposure"]["items"]]
    assert [("J-3", "certain", True), ("J-1", "certain", False), ("J-2", "possibly", False)] == found
    assert "possibly 1 more" in held["exposure"]["says"]
    opened = shop.get("production", "/containments?open=true")["items"]
    assert {("J-1", "certain"), ("J-2", "possibly"), ("J-3", "certain")} == {(c["job"], c["certainty"]) for c in opened}
    assert "2 h 10 min" in next(c["why"] for c in opened if c["job"] == "J-2")


def test_a_containment_is_closed_once_by_a_named_person_with_a_note(shop, two_lots):
    """A containment is closed once by a named person with a note; lifting the hold closes none."""
    first, _ = two_lots
    run(shop, first["spools"][0]["code"], "P1", "J-1", 0, 60)
    shop.decide(first["lot_id"], "block")
    (entry,) = shop.get("quality", "/containments?open=true")["items"]
    shop.decide(first["lot_id"], "lift")
    assert [entry] == shop.get("quality", "/containments?open=true")["items"]
    closed = shop.post("production", f"/containments/{entry['id']}/close", {"note": "12 parts scrapped"})
    assert ("production person", "12 parts scrapped") == (closed["closed_by"], closed["note"])
    assert [] == shop.get("production", "/containments?open=true")["items"]
    shop.post("production", f"/containments/{entry['id']}/close", {"note": "again"}, 409)
    shop.post("production", "/containments/999/close", {"note": "which?"}, 404)


def test_a_lot_that_loses_one_use_contains_that_use_alone(shop):
    """A later reading that blocks a lot for one use opens containments for that use alone."""
    limits = {
        "color": {"lot_max": 1.0},
        "diameter": {"reading_tolerance_mm": 0.05},
        "uses": {"cosmetic": ["color"], "hidden": ["diameter"]},
    }
    got = shop.receive(shop.supplier(), shop.grade(limits=limits))
    codes = [spool["code"] for spool in got["spools"]]
    shop.diameter(codes[0])
    shop.color(codes[0], [95.0, -0.8, 1.5])
    shop.load(codes[1], "cosmetic", machine="P1", job="J-C")
    shop.load(codes[2], "hidden", machine="P2", job="J-H")
    for _ in range(5):
        after = shop.color(codes[0], [95.0, -0.8, 4.5])
    assert "restricted" == after["lot"]["standing"]
    assert ["J-C"] == [c["job"] for c in shop.get("quality", "/containments?open=true")["items"]]


def test_a_job_traces_back_to_deliveries_orders_readings_and_revisions(shop):
    """A job leads to its lots, each with deliveries, orders and the decision in force at its loading."""
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    got = shop.good_lot(supplier, grade, "Q-1", order_ref="PO-7")
    shop.load(got["spools"][0]["code"], "general", job="J-1")
    behind = shop.get("quality", "/jobs/J-1")
    (lot,) = behind["lots"]
    assert ("Q-1", "certain", ["PO-7"]) == (lot["lot"]["supplier_lot"], lot["certainty"], lot["order_refs"])
    decision = lot["decision_at_loading"]
    assert ("released", 1, 1) == (decision["standing"], decision["limits_revision"], decision["shade_revision"])
    assert 2 == len(decision["reading_ids"])
    shop.get("quality", "/jobs/J-404", 404)


def test_what_must_come_off_now_is_what_is_loaded_and_certain(shop):
    """The list has machine, job, spool and lot of certain open loads, oldest containment first, until unloaded or closed."""
    delivery = shop.good_lot()
    loads = [shop.load(delivery["spools"][n]["code"], machine=f"P{n}", job=f"J-{n}") for n in range(3)]
    shop.unload(loads[0]["id"], 500)
    shop.decide(delivery["lot_id"], "block")

    def told():
        with connected():
            return [tuple(one.values()) for one in exposure.must_come_off()]

    second, third = ((delivery["spools"][n]["code"], f"P{n}", f"J-{n}", "Q-71") for n in (1, 2))
    assert [second, third] == told()
    shop.unload(loads[1]["id"], 500)
    assert [third] == told()
    for place in shop.get("production", "/containments?open=true")["items"]:
        shop.post("production", f"/containments/{place['id']}/close", {"note": "parts set aside"})
    assert [] == told()
