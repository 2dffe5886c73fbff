"""More spools on a machine than slots, a good spool in place of a suspect one, and a clock set back."""

from datetime import UTC, datetime, timedelta

import pytest

from lots.services import clock
from tests.pages.reading import Browser
from tests.services.assessment.test_integrity_checks import found
from tests.shop import SIMPLE_LIMITS

NOON = datetime(2026, 11, 22, 12, tzinfo=UTC)


def at(hour, minute=0):
    """A moment of 21 November."""
    return f"2026-11-21T{hour:02}:{minute:02}:00Z"


@pytest.fixture
def crowd(shop):
    """Spool and load of two lots: L1 on P1 for J-1 from 8 to 12, and L2 for J-2 since 10, before the first came off."""
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    first, second = (shop.good_lot(supplier, grade, lot, spools=2)["spools"][0]["code"] for lot in ("Q-1", "Q-2"))
    loads = [
        shop.load(first, machine="P1", job="J-1", loaded_at=at(8)),
        shop.load(second, machine="p1", job="J-2", loaded_at=at(10)),
    ]
    shop.unload(loads[0]["id"], 500, unloaded_at=at(12))
    return (first, loads[0]["id"]), (second, loads[1]["id"])


def reached(shop, lot):
    """Job, certainty and suspect spool of each exposure of a lot."""
    items = shop.get("quality", f"/lots/{lot}/exposure")["items"]
    return [(item["job"], item["certainty"], item["suspect_spool_code"]) for item in items]


def slots(shop, count):
    """Sets the slots of P1."""
    tag = shop.call("production", "GET", "/machines/1").headers["ETag"]
    assert 200 == shop.call("production", "PATCH", "/machines/1", {"slots": count}, If_Match=tag).status_code


def test_every_job_that_ran_in_the_overlap_is_possibly_exposed(shop, crowd):
    """The overlap makes both jobs possible, forward and backward, with the moment; with two slots there is no doubt."""
    (first, _), (second, _) = crowd
    assert [("J-1", "certain", first), ("J-2", "possibly", first)] == reached(shop, 1)
    assert [("J-2", "certain", second), ("J-1", "possibly", second)] == reached(shop, 2)
    exposure = shop.get("quality", "/lots/1/exposure")
    why = "machine P1 has 1 slot, but 2 spools were recorded on it from 2026-11-21 10:00 UTC"
    assert why == exposure["items"][1]["gap"]
    assert "possibly 1 more" in exposure["says"]
    for job, certainties in (("J-1", ["certain", "possibly"]), ("J-2", ["possibly", "certain"])):
        traced = shop.get("quality", f"/jobs/{job}")["lots"]
        assert certainties == [lot["certainty"] for lot in traced]
        assert [why] == [lot["gap"] for lot in traced if lot["gap"]]
    slots(shop, 2)
    assert [("J-1", "certain", first)] == reached(shop, 1)
    assert ["J-2"] == [job for job, *_ in reached(shop, 2)]


def test_take_off_first_names_the_suspect_spool_and_never_a_good_one(shop, crowd):
    """L1 is blocked: its own spool on P2 must come off; on P1 there is a good spool of L2, so only machine, job and time are named."""
    (first, _), (good, _) = crowd
    suspect = first.replace("S001", "S002")
    shop.load(suspect, machine="P2", job="J-3")
    shop.decide(1, "block", "specks")
    open_now = shop.get("production", "/containments?open=true")["items"]
    says = {item["job"]: item["says"] for item in open_now}
    assert f"Take spool {suspect} off P2, job J-3." == says["J-3"]
    assert (
        "Set aside the parts of job J-1 printed on P1 from 2026-11-21 08:00 UTC to 2026-11-21 12:00 UTC." == says["J-1"]
    )
    assert says["J-2"].startswith("Check whether P1 ran with filament of lot Q-1, since 2026-11-21 10:00 UTC.")
    assert good not in says["J-2"]
    why = next(item["why"] for item in open_now if item["job"] == "J-2")
    assert f"The suspect spool is {first}." in why
    page = Browser(shop, "production").go("/loaded").text
    take_off, _, rest = page.partition("Spools to take off first")[2].partition("Containments")
    assert suspect in take_off
    assert good not in take_off
    listed = rest.partition("Machine Spool Job")[0]
    assert "P1, job J-2" in listed
    assert good not in listed
    assert "unload the spools first" in shop.get("quality", "/lots/1/exposure")["says"]
    assert [] == found()


def test_loads_and_unloads_work_after_the_clock_was_set_back(shop):
    """With a clock set back by two hours or six years, times continue from the recorded ones, stated times are checked, and the trace is complete."""
    codes = [spool["code"] for spool in shop.good_lot(spools=2)["spools"]]
    with clock.clock_set_to(NOON):
        first = shop.load(codes[0])
        shop.unload(first["id"], 900)
        running = shop.load(codes[1], machine="P2", job="J-2")
    for back in (timedelta(hours=2), timedelta(days=6 * 365)):
        with clock.clock_set_to(NOON - back):
            again = shop.load(codes[0], job="J-1")
            assert ("2026-11-22T12:00:00Z", None) == (again["loaded_at"], again["unloaded_at"])
            before = (NOON - back - timedelta(minutes=5)).isoformat()
            refused = shop.unload(again["id"], 800, 422, unloaded_at=before)
            assert ["/unloaded_at"] == [fault["pointer"] for fault in refused["errors"]]
            exposure = shop.get("quality", "/lots/1/exposure")
            assert {("J-1", True), ("J-2", True)} <= {(item["job"], item["still_loaded"]) for item in exposure["items"]}
            assert again["id"] in {load["id"] for load in shop.get("production", "/jobs/J-1")["loads"]}
            off = shop.unload(again["id"], 800)
            assert "2026-11-22T12:00:00Z" == off["unloaded_at"]
            refused = shop.load(codes[0], status=422, loaded_at=before)
            assert ["/loaded_at"] == [fault["pointer"] for fault in refused["errors"]]
            shop.post("production", f"/spools/{codes[0]}/events", {"event": "dried"})
            blocked = shop.decide(1, "hold")
            assert 2 == len({item["job"] for item in blocked["exposure"]["items"]})
            shop.decide(1, "lift")
    with clock.clock_set_to(NOON + timedelta(hours=1)):
        assert "2026-11-22T13:00:00Z" == shop.unload(running["id"], 700)["unloaded_at"]
    assert [] == found()
