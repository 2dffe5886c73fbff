"""A reading far from its neighbours waits for confirmation. Source: common practice, no source."""

from datetime import UTC, datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lots.services.assessment import integrity_checks
from tests.api.refusals import refused
from tests.examples import examples
from tests.journeys.test_required_instruments import received
from tests.store.rows import connected

LIMITS = {"diameter": {"mean_tolerance_mm": 0.05, "reading_tolerance_mm": 0.06, "readings_per_spool_min": 3}}


def read(shop, spool, *values, role="receiving", **more):
    """Round filament of these diameters, mm, in one list."""
    rows = [{"spool_code": spool, "d1_mm": value, "d2_mm": value, **more} for value in values]
    return shop.measure("diameter", rows, role=role)


def flaws():
    """The findings of `lots check`."""
    with connected():
        return [flaw.line for flaw in integrity_checks.found()]


def standing(shop, lot_id):
    """Where a lot is."""
    return shop.lot(lot_id)["standing"]


def test_a_transposed_digit_waits_for_a_word(shop):
    """1.478 for 1.748 is stored, neither blocks nor releases, is questioned by number, and the lot is released after its void."""
    lot_id, spool, _ = received(shop, LIMITS)
    stored = read(shop, spool, 1.748, 1.75, 1.751, 1.478)
    slip = stored["items"][-1]
    assert [False, False, False, True] == [one["to_confirm"] for one in stored["items"]]
    assert [True, True, True, False] == [one["counts"] for one in stored["items"]]
    (warning,) = slip["warnings"]
    assert ("d1_mm", False) == (warning["field"], warning["helps"])
    says = f"d1 is 1.478 mm, far from the median of the 3 other readings of spool {spool} (1.75 mm)"
    assert f"Reading {slip['id']} does not count until it is confirmed: {says}." == warning["detail"]
    assert "If it is right, confirm it" in warning["hint"]
    asked = f"confirm or void reading {slip['id']}: 1.478 and 1.478 mm on spool {spool}"
    assert "quarantined" == standing(shop, lot_id)
    assert [asked] == shop.lot(lot_id)["to_measure"]
    for code in ("diameter.spool_mean", "diameter.reading"):
        found = shop.finding(lot_id, code)
        assert ("missing", asked) == (found["verdict"], found["to_measure"])
    why = "it is far from the other readings and was not confirmed"
    listed = shop.get("receiving", f"/lots/{lot_id}/readings")["items"][-1]
    assert (False, True, why) == (listed["counts"], listed["to_confirm"], listed["why_not"])
    kept = shop.get("quality", f"/lots/{lot_id}/record")["readings"]
    assert [None, None, None, why] == [one["why_not"] for one in kept]
    assert [] == flaws()
    shop.void(slip["id"], "typed 1.478 for 1.748")
    assert "released" == standing(shop, lot_id)
    refused(shop.call("quality", "POST", f"/readings/{slip['id']}/confirm", {}), 409)
    assert [] == flaws()


def test_confirmed_it_counts_from_its_own_time(shop):
    """Confirmed by its author, the reading blocks the lot at once; in the past it is missing, and a second confirmation is refused."""
    lot_id, spool, _ = received(shop, LIMITS)
    slip = read(shop, spool, 1.748, 1.75, 1.751, 1.478)["items"][-1]
    before = datetime.now(UTC).isoformat().replace("+", "%2B")
    answer = shop.post("receiving", f"/readings/{slip['id']}/confirm", {"reason": "read it again, a dent"})
    assert ("blocked", True, False) == (answer["lot"]["standing"], answer["counts"], answer["to_confirm"])
    assert "fail" == shop.finding(lot_id, "diameter.reading")["verdict"]
    then = shop.assessment(lot_id, f"?as_of={before}")
    assert {"missing"} == {one["verdict"] for one in then["findings"]}
    refused(shop.call("quality", "POST", f"/readings/{slip['id']}/confirm", {}), 409)
    good = shop.get("receiving", f"/lots/{lot_id}/readings")["items"][0]["id"]
    refused(shop.call("quality", "POST", f"/readings/{good}/confirm", {}), 409)
    refused(shop.call("quality", "POST", "/readings/9999/confirm", {}), 404)
    assert "reading confirmed" in [event["what"] for event in shop.get("quality", "/events")["items"]]
    assert [] == flaws()


def test_only_quality_and_the_author_confirm(shop):
    """Only the author and quality confirm a reading."""
    lot_id, spool, _ = received(shop, LIMITS)
    slip = read(shop, spool, 1.748, 1.75, 1.751, 1.478, role="quality")["items"][-1]
    refused(shop.call("receiving", "POST", f"/readings/{slip['id']}/confirm", {}), 403)
    refused(shop.call("production", "POST", f"/readings/{slip['id']}/confirm", {}), 403)
    shop.post("quality", f"/readings/{slip['id']}/confirm", {})
    assert "blocked" == standing(shop, lot_id)


def test_a_finding_that_fails_by_the_other_readings_stays_failed(shop):
    """A waiting reading neither blocks a lot nor prevents its block."""
    lot_id, spool, _ = received(shop, LIMITS)
    read(shop, spool, 1.83, 1.831, 1.829, 1.478)
    assert "blocked" == standing(shop, lot_id)
    assert "fail" == shop.finding(lot_id, "diameter.spool_mean")["verdict"]


def test_a_released_lot_waits_again(shop):
    """A later far reading returns a released lot to quarantine, with the reason in the clearance."""
    lot_id, spool, _ = received(shop, LIMITS)
    read(shop, spool, 1.748, 1.75, 1.751)
    assert "released" == standing(shop, lot_id)
    slip = shop.diameter(spool, 1.478, 1.748)
    assert (True, "quarantined") == (slip["to_confirm"], slip["lot"]["standing"])
    assert f"confirm or void reading {slip['id']}" in " ".join(shop.ask_clearance(spool, "hidden")["reasons"])


def test_five_readings_at_one_position_are_one(shop):
    """Readings at one position count once, and the finding states the missing positions."""
    lot_id, spool, _ = received(shop, LIMITS)
    read(shop, spool, 1.748, 1.75, 1.751, 1.749, 1.752, position_m=2.0)
    assert "quarantined" == standing(shop, lot_id)
    assert (
        f"take 2 more diameter readings on spool {spool}" == shop.finding(lot_id, "diameter.spool_mean")["to_measure"]
    )
    read(shop, spool, 1.75, position_m=5.0)
    assert "quarantined" == standing(shop, lot_id)
    read(shop, spool, 1.751)
    assert "released" == standing(shop, lot_id)


def test_three_equal_readings_are_warned_of(shop):
    """The third equal reading has a warning without effect; readings at other positions are no copies."""
    lot_id, spool, _ = received(shop, LIMITS)
    stored = read(shop, spool, 1.75, 1.75, 1.75)
    assert [0, 0, 1] == [len(one["warnings"]) for one in stored["items"]]
    says = f"Three equal readings of spool {spool} look like one reading typed three times."
    assert says == stored["items"][2]["warnings"][0]["detail"]
    assert "helps" not in stored["items"][2]["warnings"][0]
    assert "released" == standing(shop, lot_id)
    rows = [{"spool_code": spool, "d1_mm": 1.76, "d2_mm": 1.76, "position_m": at} for at in (1, 2, 3)]
    assert [[], [], []] == [one["warnings"] for one in shop.measure("diameter", rows)["items"]]


@pytest.mark.parametrize("then", ["void", "confirm"])
@settings(examples(8), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(far=st.sampled_from([1.478, 1.57, 1.93, 2.05]), good=st.lists(st.integers(1730, 1770), min_size=3, max_size=4))
def test_a_word_restores_what_would_have_been(shop, then, far, good):
    """After a void the lot is as without the reading, after a confirmation as with it; before, its status is never better than either."""
    sizes = [value / 1000 for value in good]
    number = len(shop.get("purchasing", "/suppliers")["items"])
    grade = shop.grade(f"G-{number}", {"sampling": {"fixed": 1}, **LIMITS})
    supplier = shop.supplier(f"S-{number}")
    lots = [shop.receive(supplier, grade, f"L-{number}-{n}", spools=1) for n in range(2)]
    with_it, without = (one["spools"][0]["code"] for one in lots)
    slip = read(shop, with_it, *sizes, far)["items"][-1]
    plain = read(shop, without, *sizes)["lots"][0]
    assert slip["to_confirm"]
    waiting = standing(shop, lots[0]["lot_id"])
    assert waiting in ("quarantined", "blocked")
    assert waiting == "blocked" or plain["standing"] != "blocked"
    if then == "void":
        shop.void(slip["id"])
        assert plain["standing"] == standing(shop, lots[0]["lot_id"])
    else:
        shop.post("quality", f"/readings/{slip['id']}/confirm", {})
        assert "blocked" == standing(shop, lots[0]["lot_id"])


def test_a_bar_far_from_the_others_waits_too(shop):
    """A specimen of 2 MPa beside others near 20 is questioned at the stress, and neither blocks nor releases."""
    lot_id, spool, _ = received(shop, {"bond": {"single_min_mpa": 14}})
    shop.measure("bond", [{"spool_code": spool, "stress_mpa": mpa} for mpa in (20, 21, 19.5, 20.5)])
    told = shop.measure("bond", {"spool_code": spool, "stress_mpa": 2})
    assert (True, "stress_mpa") == (told["to_confirm"], told["warnings"][0]["field"])
    assert "quarantined" == standing(shop, lot_id)
