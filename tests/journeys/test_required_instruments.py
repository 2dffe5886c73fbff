"""Guarded limits require instruments, and an unchecked instrument counts for its first interval. Source: common practice, no source."""

from datetime import UTC, datetime, timedelta

DIAMETER = {"diameter": {"mean_tolerance_mm": 0.05}}
SPECKS = {"surface": {"specks_per_dm2_max": 5.0}}
NOT_NAMED = "no instrument was named, and the limits require one"


def received(shop, limits):
    """A lot of one spool under these limits: its number, its spool, and the stored limits."""
    grade = shop.grade()
    kept = shop.limit(grade["id"], {"sampling": {"fixed": 1}, **limits})
    delivery = shop.receive(shop.supplier(), grade, spools=1)
    return delivery["lot_id"], delivery["spools"][0]["code"], kept


def micrometer(shop, **more):
    """A micrometer with a stated uncertainty."""
    body = {"code": "MIC-1", "kind": "micrometer", "standard_uncertainty": 0.001, "check_interval_days": 30, **more}
    return shop.post("quality", "/instruments", body)["id"]


def test_guarded_limits_say_that_they_require_instruments(shop):
    """Guarded limits require instruments by default and simple ones do not; a stated value is kept."""
    grade = shop.grade()["id"]
    assert "required" == shop.limit(grade, {"decision_rule": "guarded", **DIAMETER})["instruments"]
    assert (
        "optional"
        == shop.limit(grade, {"decision_rule": "guarded", "instruments": "optional", **DIAMETER})["instruments"]
    )
    assert "instruments" not in shop.limit(grade, DIAMETER)
    assert "required" == shop.limit(grade, {"instruments": "required", **DIAMETER})["instruments"]
    shop.post("quality", f"/grades/{grade}/limits", {"instruments": "always", **DIAMETER}, 422)


def test_a_reading_without_an_instrument_does_not_count_where_one_is_required(shop):
    """A reading without a required instrument is stored, reported as not counted, listed and noted; one with it releases the lot."""
    lot_id, spool, _ = received(shop, {"decision_rule": "guarded", **DIAMETER})
    stored = shop.diameter(spool)
    assert (False, False, NOT_NAMED) == (stored["counts"], stored["helps"], stored["why_not"])
    (warning,) = stored["warnings"]
    assert {
        "field": "instrument_id",
        "detail": f"This reading does not count: {NOT_NAMED}.",
        "hint": "Measure again, and name the instrument.",
        "helps": False,
    } == warning
    assert "quarantined" == stored["lot"]["standing"]
    found = shop.assessment(lot_id)
    assert f"1 reading of diameter does not count: {NOT_NAMED}." in found["notes"]
    assert "missing" == shop.finding(lot_id, "diameter.spool_mean")["verdict"]
    (listed,) = shop.get("receiving", f"/lots/{lot_id}/readings")["items"]
    assert (False, NOT_NAMED) == (listed["counts"], listed["why_not"])
    kept = shop.get("quality", f"/lots/{lot_id}/record")["readings"]
    assert [NOT_NAMED] == [reading["why_not"] for reading in kept]
    now = datetime.now(UTC).isoformat()
    after = shop.diameter(spool, instrument_id=micrometer(shop), measured_at=now)
    assert ([], True, "released") == (after["warnings"], after["counts"], after["lot"]["standing"])


def test_what_is_counted_by_eye_needs_no_instrument(shop):
    """Visual counts need no instrument under any limits."""
    _, spool, _ = received(shop, {"instruments": "required", **SPECKS})
    stored = shop.measure("surface", {"spool_code": spool, "specks": 0, "area_dm2": 1.0})
    assert ("released", []) == (stored["lot"]["standing"], stored["warnings"])


def test_an_instrument_that_was_never_checked_says_until_when_it_counts(shop):
    """An unchecked instrument counts for an interval from its registration, forward and backward, and both ends are stated."""
    lot_id, spool, _ = received(shop, DIAMETER)
    now = datetime.now(UTC)
    mic = micrometer(shop)
    shop.diameter(spool, instrument_id=mic, measured_at=now.isoformat())
    until = f"{now + timedelta(days=30):%Y-%m-%d}"
    says = f"Instrument MIC-1 has not been checked since it was registered. Its readings count until {until}."
    assert says in shop.assessment(lot_id)["notes"]
    old = shop.diameter(spool, instrument_id=mic, measured_at=(now - timedelta(days=40)).isoformat())
    assert (False, False) == (old["decision_valid"], old["counts"])
    assert old["doubt"].startswith("no check of instrument MIC-1 covers the reading")
    for days in (41, 1):
        check = {"checked_at": (now - timedelta(days=days)).isoformat(), "result": "pass"}
        shop.post("quality", f"/instruments/{mic}/checks", check)
    assert [True, True] == [one["counts"] for one in shop.get("quality", f"/lots/{lot_id}/readings")["items"]]
    assert says not in shop.assessment(lot_id)["notes"]
