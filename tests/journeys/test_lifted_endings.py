"""A lot scrapped or returned by mistake: lifted within a day by anyone of quality, later by a second person."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from lots.services.assessment import integrity_checks
from lots.services.setup import access
from lots.store.tables import loads
from tests.shop import WHITE
from tests.store.rows import connected

NOON = datetime(2026, 11, 26, 12, tzinfo=UTC)
ENDINGS = [("return", "returned"), ("scrap", "scrapped")]


@pytest.fixture
def clock():
    """A day on a manual clock."""
    with time_machine.travel(NOON, tick=False) as travelling:
        yield travelling


@pytest.fixture
def lot(shop, clock):
    """A released lot of a shop with a second person of quality."""
    with connected():
        shop.tokens["second"] = access.add_token("second person", "quality")
    return shop.good_lot()


def lift(shop, lot_id, status=201, role="quality"):
    """A lift by a person of quality."""
    return shop.post(role, f"/lots/{lot_id}/decisions", {"action": "lift", "reason": "wrong pallet"}, status)


@pytest.mark.parametrize(("ending", "standing"), ENDINGS)
def test_a_mistake_is_lifted_within_a_day(shop, clock, lot, ending, standing):
    """Up to 24 hours after the decision the same person can lift it, and the status follows the readings again."""
    spool = lot["spools"][0]["code"]
    assert standing == shop.decide(lot["lot_id"], ending)["standing"]
    shop.load(spool, status=409)
    clock.shift(timedelta(days=1))
    lifted = lift(shop, lot["lot_id"])
    assert ("lift", "released") == (lifted["action"], lifted["standing"])
    assert shop.ask_clearance(spool)["clear"]
    shop.post("production", "/spools", {"parents": [{"spool_code": spool, "mass_g": 100.0}]})
    shop.load(spool)
    with connected():
        assert [] == [flaw.line for flaw in integrity_checks.found()]


@pytest.mark.parametrize(("ending", "standing"), ENDINGS)
def test_later_it_takes_a_second_person(shop, clock, lot, ending, standing):
    """A second later the decider is refused with the advice, and a second person can lift it."""
    shop.decide(lot["lot_id"], ending)
    clock.shift(timedelta(days=1, seconds=1))
    refused = lift(shop, lot["lot_id"], 409)
    assert ([], standing) == (refused["legal"], refused["standing"])
    assert "Ask another person of quality." in refused["detail"]
    assert "released" == lift(shop, lot["lot_id"], role="second")["standing"]


def test_a_second_person_may_at_once(shop, lot):
    """Within the day another person can lift it too."""
    shop.decide(lot["lot_id"], "scrap")
    assert "released" == lift(shop, lot["lot_id"], role="second")["standing"]


@pytest.mark.parametrize("wound", [False, True], ids=["its own spool", "a wound one"])
def test_what_was_loaded_since_asks_for_a_second_person(shop, lot, wound):
    """With a load since the ending, here inserted in the database, even the first hour needs a second person."""
    code = lot["spools"][0]["code"]
    if wound:
        other = shop.good_lot({"id": lot["supplier_id"]}, {"id": lot["grade_id"]}, "Q-72")
        parents = [{"spool_code": other["spools"][0]["code"], "mass_g": 200}, {"spool_code": code, "mass_g": 50}]
        code = shop.post("production", "/spools", {"parents": parents})["code"]
    load = shop.load(code)
    shop.decide(lot["lot_id"], "scrap")
    with connected():
        later = NOON + timedelta(minutes=1)
        loads.Load.update(loaded_at=later, recorded_at=later).where(loads.Load.id == load["id"]).execute()
    assert [] == lift(shop, lot["lot_id"], 409)["legal"]
    assert "lift" == lift(shop, lot["lot_id"], role="second")["action"]


def test_a_clock_that_was_set_back_gives_no_more_time(shop, clock, lot):
    """With a clock set back before the decision the decider is refused."""
    shop.decide(lot["lot_id"], "scrap")
    clock.shift(timedelta(hours=-1))
    assert [] == lift(shop, lot["lot_id"], 409)["legal"]
    assert "lift" == lift(shop, lot["lot_id"], role="second")["action"]


def test_nothing_but_lift_follows_an_ending(shop, lot):
    """Within the day the answer names the lift as the only next decision, for quality alone."""
    shop.decide(lot["lot_id"], "scrap")
    for action in ("block", "hold", "return", "scrap"):
        assert ["lift"] == shop.decide(lot["lot_id"], action, status=409)["legal"]
    lift(shop, lot["lot_id"], 403, role="receiving")
    lift(shop, lot["lot_id"], 403, role="production")


def test_lifting_releases_nothing_that_readings_refuse(shop, lot):
    """Readings of a scrapped lot count, so after the lift a failing colour blocks it."""
    shop.decide(lot["lot_id"], "scrap")
    shop.color(lot["spools"][0]["code"], [90.0, *WHITE[1:]])
    assert "blocked" == lift(shop, lot["lot_id"])["standing"]


def test_a_lot_may_be_ended_lifted_and_ended_again(shop, clock, lot):
    """The day counts from the newest ending of this kind."""
    shop.decide(lot["lot_id"], "scrap")
    lift(shop, lot["lot_id"])
    clock.shift(timedelta(days=3))
    shop.decide(lot["lot_id"], "scrap")
    assert "released" == lift(shop, lot["lot_id"])["standing"]
