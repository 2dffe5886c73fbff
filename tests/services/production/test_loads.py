"""Loading and unloading: times, masses and the words of a refusal, over HTTP. Source: this project's rules."""

from datetime import UTC, datetime, timedelta

import pytest

from lots.services import clock

THEN = "2026-11-21T06:00:00Z"


@pytest.fixture
def spool(shop):
    """Returns the code of a spool of a released lot."""
    return shop.good_lot()["spools"][0]["code"]


def said(refused):
    """Pointer, detail and hint of each error."""
    return [(fault["pointer"], fault["detail"], fault["hint"]) for fault in refused["errors"]]


def test_a_spool_may_come_off_at_the_moment_it_was_loaded(shop, spool):
    """A spool can be unloaded at the moment of its load and not before, without an effect of the refusal."""
    load = shop.load(spool, loaded_at=THEN)
    early = shop.unload(load["id"], 900, 422, unloaded_at="2026-11-21T05:59:59Z")
    assert [
        (
            "/unloaded_at",
            f"Spool {spool} was loaded later, at 2026-11-21 06:00 UTC.",
            "Give a time of unloading after that.",
        )
    ] == said(early)
    off = shop.unload(load["id"], 900, unloaded_at=THEN)
    assert (THEN, 100) == (off["unloaded_at"], off["mass_used_g"])


def test_a_spool_is_loaded_from_the_moment_it_came_off(shop, spool):
    """A spool can be loaded from the moment of its unload and not before."""
    shop.unload(shop.load(spool, loaded_at="2026-11-21T05:00:00Z")["id"], 900, unloaded_at=THEN)
    overlap = shop.load(spool, status=422, loaded_at="2026-11-21T05:59:59Z")
    came_off = f"Spool {spool} was unloaded from another machine later, at 2026-11-21 06:00 UTC."
    assert [("/loaded_at", came_off, "Give a time of loading after that.")] == said(overlap)
    assert THEN == shop.load(spool, loaded_at=THEN)["loaded_at"]


def test_a_clock_that_was_set_back_undoes_no_order(shop, spool, monkeypatch):
    """With a clock set back a load begins no earlier than the last end, and ends no earlier than its start."""
    tomorrow = datetime.now(UTC).replace(microsecond=0) + timedelta(days=1)
    with monkeypatch.context() as ahead:
        ahead.setattr(clock, "now", lambda: tomorrow)
        shop.unload(shop.load(spool)["id"], 900)
    load = shop.load(spool)
    assert clock.moment_text(tomorrow) == load["loaded_at"] == shop.unload(load["id"], 800)["unloaded_at"]


def test_no_more_comes_off_than_was_on_it(shop, spool):
    """More than the loaded mass is refused with both masses, and all of it is accepted."""
    load = shop.load(spool)
    more = "1000.5 g left is more than the 1000 g on the spool when it was loaded."
    hint = "Weigh the spool again, and subtract the mass of the empty reel."
    assert [("/remaining_mass_g", more, hint)] == said(shop.unload(load["id"], 1000.5, 422))
    assert 0 == shop.unload(load["id"], 1000)["mass_used_g"]


def test_a_load_ends_once(shop, spool):
    """A second unload is refused with machine and time, and an unknown load is not found."""
    load = shop.load(spool, loaded_at="2026-11-21T05:00:00Z")
    shop.unload(load["id"], 900, unloaded_at=THEN)
    again = shop.unload(load["id"], 800, 409)
    assert f"Spool {spool} was already unloaded from P1 at 2026-11-21 06:00 UTC." == again["detail"]
    assert 900 == shop.get("production", f"/spools/{spool}")["remaining_mass_g"]
    shop.unload(99, 800, 404)


def test_a_spool_is_opened_by_its_first_load(shop, spool):
    """A spool is opened by its first load alone."""
    opened = []
    for began, ended in (("04", "05"), ("06", "07")):
        load = shop.load(spool, loaded_at=f"2026-11-21T{began}:00:00Z")
        opened.append(shop.ask_clearance(spool)["spool"]["opened_at"])
        shop.unload(load["id"], 900, unloaded_at=f"2026-11-21T{ended}:00:00Z")
    assert ["2026-11-21T04:00:00Z"] * 2 == opened


def test_a_name_that_may_be_misread_is_asked_about(shop, spool):
    """A similar name leads to a question with the known ones; confirmed, it is a new name."""
    shop.unload(shop.load(spool, job="J-1040")["id"], 900)
    asked = shop.load(spool, job="J1040", status=409)
    alike = "J1040 differs from J-1040 only by separators or by characters that are easily confused."
    assert [("/job", alike, "Give the known job, or confirm that this is another job.")] == said(asked)
    assert "J1040" == shop.load(spool, job="J1040", confirm_new_job=True)["job"]


def test_a_load_without_a_concession_names_none(shop, spool):
    """A load of a released lot names no concession."""
    load = shop.load(spool)
    assert (None, None) == (load["concession"], load["reserved_g"])
    assert load["id"] == shop.get("production", "/loads")["items"][-1]["id"]


def test_a_refused_load_is_listed_and_in_the_history(shop, spool):
    """A refused load is in list and history with its lot."""
    lot_id = shop.ask_clearance(spool)["lot_id"]
    shop.decide(lot_id, "block", "specks")
    shop.load(spool, status=409)
    (refusal,) = shop.get("quality", "/load-refusals")["items"]
    last = shop.get("quality", f"/events?limit=500&lot_id={lot_id}")["items"][-1]
    assert ("load refused", {"load_refusal": [refusal["id"]]}) == (last["what"], last["rows"])


def test_a_load_still_to_come_is_refused(shop, spool):
    """A load a quarter of an hour ahead is accepted, and one a day ahead refused."""
    soon = datetime.now(UTC) + timedelta(minutes=10)
    tomorrow = soon + timedelta(days=1)
    refused = shop.load(spool, status=422, loaded_at=tomorrow.isoformat())
    assert ["/loaded_at"] == [pointer for pointer, *_ in said(refused)]
    shop.load(spool, loaded_at=soon.isoformat())


def test_a_spool_is_in_part_once_something_was_taken(shop, spool):
    """A used spool is a part spool and keeps its original mass of the lot."""
    seen = []
    for left in (1000, 900):
        shop.unload(shop.load(spool)["id"], left)
        answer = shop.ask_clearance(spool)
        seen.append((answer["spool"]["part"], answer["remaining_mass_g"], [one["mass_g"] for one in answer["lots"]]))
    assert [(False, 1000, [1000]), (True, 900, [1000])] == seen
