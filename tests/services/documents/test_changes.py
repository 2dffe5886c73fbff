"""Each kind of change is announced by its cause with the necessary data."""

import re
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import time_machine

from lots.services.instruments import due_notes
from tests.api.bodies import Furnished
from tests.api.test_queries import statements
from tests.feed import followed, kinds_since, latest, stands_as_told
from tests.files import take
from tests.shop import SIMPLE_LIMITS, WHITE
from tests.store.rows import connected

PACKAGE = Path(due_notes.__file__).parents[2]


def test_only_judging_and_the_making_of_a_lot_write_its_standing():
    """Only assessment and the creation of a lot write its status, both with announcements; other writers are named here."""
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        writes = re.findall(
            r"\bLot\.(?:update|create|insert\w*)\(|\.standing = |save_judgement\(.*", path.read_text("utf-8")
        )
        if writes and "migrations" not in path.parts:
            found[path.relative_to(PACKAGE).as_posix()] = writes
    assert {
        "services/assessment/concessions.py": ['save_judgement(lot, {"concessions": left_of(lot.id)})'],
        "services/assessment/judging.py": ["save_judgement(lot, {**kept, **_figures(judged), **once})"],
        "store/assessment/lots.py": [
            "Lot.create(",
            "save_judgement(lot: Lot, values: Mapping[str, object]) -> None:",
        ],
        "store/receiving/deliveries.py": ["Lot.update("],
    } == found
    corrected = (
        (PACKAGE / "store/receiving/deliveries.py").read_text("utf-8").partition("Lot.update(")[2].partition("\n")[0]
    )
    assert "standing" not in corrected


def test_a_delivery_tells_that_a_lot_has_come(shop):
    """The first delivery of a lot announces it in quarantine without a previous state, and a second announces nothing."""
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    delivery = shop.receive(supplier, grade)
    (change,) = followed(shop)
    assert ("lot.quarantined", "receiving person", delivery["lot_id"], "Q-71", None, "quarantined") == (
        *(change[name] for name in ("kind", "by", "lot_id", "supplier_lot", "before")),
        change["after"]["standing"],
    )
    shop.receive(supplier, grade, received_at="2026-11-21T08:00:00Z")
    assert [change] == followed(shop)


def test_decisions_tell_each_standing(shop):
    """Hold, block, lift, return and scrapping are announced."""
    for action, kind in (("return", "lot.returned"), ("scrap", "lot.scrapped")):
        delivery = shop.good_lot(shop.supplier(action), shop.grade(action, limits=SIMPLE_LIMITS), action)
        position = latest(shop)
        for step in ("hold", "lift", "block", action):
            shop.decide(delivery["lot_id"], step)
        assert ["lot.quarantined", "lot.released", "lot.blocked", kind] == kinds_since(shop, position)


def test_a_lot_that_may_be_loaded_tells_a_verdict_that_changes(shop):
    """A change from some uses to others is announced, restricted before and after."""
    limits = {**SIMPLE_LIMITS, "uses": {"cosmetic": ["color"], "hidden": ["diameter"], "fit": ["diameter", "color"]}}
    delivery = shop.receive(shop.supplier(), shop.grade(limits=limits))
    spool = delivery["spools"][0]["code"]
    shop.color(spool, [80.0, *WHITE[1:]])
    shop.diameter(spool)
    changes = followed(shop)
    assert ["lot.quarantined", "lot.restricted"] == [change["kind"] for change in changes]
    assert {"cosmetic": "fail", "hidden": "pass", "fit": "fail"} == changes[-1]["after"]["uses"]
    stands_as_told(shop)


def test_an_import_that_blocks_a_loaded_lot_tells_both(shop):
    """An import that blocks a loaded lot announces the block and the containment with machine, job, spool, load and reason."""
    delivery = shop.good_lot()
    spool = delivery["spools"][0]["code"]
    load = shop.load(spool)
    position = latest(shop)
    take(shop, "diameter", f"spool_code,d1_mm,d2_mm,measured_at\n{spool},1.9,1.9,2026-11-20T12:00:00Z\n", 201)
    blocked, opened = followed(shop, after=position)
    assert ("lot.blocked", "released") == (blocked["kind"], blocked["before"]["standing"])
    assert ("containment.opened", load["id"], spool, "P1", "J-1", delivery["lot_id"]) == tuple(
        opened[name] for name in ("kind", "load_id", "spool_code", "machine", "job", "lot_id")
    )
    assert ("certain", True) == (opened["after"]["certainty"], opened["after"]["still_loaded"])
    assert "1.9" in opened["after"]["reason"]
    contained = shop.get("production", f"/containments?lot_id={delivery['lot_id']}")["items"]
    assert [opened["containment_id"]] == [row["id"] for row in contained]


def test_a_failed_instrument_check_tells_what_it_moves(shop):
    """A failed instrument check announces each changed lot."""
    at = Furnished(shop)
    shop.measure(
        "diameter",
        {"spool_code": at.spool, "d1_mm": 1.75, "d2_mm": 1.75, "instrument_id": at.instrument["id"]},
    )
    lot = shop.receive(at.supplier, at.grade, "Q-8", spools=1)
    spool = lot["spools"][0]["code"]
    shop.color(spool, WHITE)
    shop.diameter(spool, instrument_id=at.instrument["id"])
    assert "released" == shop.lot(lot["lot_id"])["standing"]
    position = latest(shop)
    checked_at = (datetime.now(UTC) + timedelta(minutes=1)).isoformat()
    shop.post("quality", f"/instruments/{at.instrument['id']}/checks", {"checked_at": checked_at, "result": "fail"})
    assert [("lot.quarantined", lot["lot_id"])] == [
        (change["kind"], change["lot_id"]) for change in followed(shop, after=position)
    ]


def test_new_limits_tell_what_they_move_when_the_lot_is_judged_again(shop):
    """New limits announce nothing until the reassessment."""
    delivery = shop.good_lot()
    position = latest(shop)
    shop.limit(delivery["lot"]["grade_id"], {**SIMPLE_LIMITS, "bond": {"single_min_mpa": 14}})
    assert [] == kinds_since(shop, position)
    shop.post("quality", f"/lots/{delivery['lot_id']}/reassess")
    assert ["lot.quarantined"] == kinds_since(shop, position)


def test_a_load_tells_place_and_spool_and_its_end_what_is_left(shop):
    """A load announces place and spool, its end the remaining mass, and a refused load nothing."""
    delivery = shop.good_lot()
    spool = delivery["spools"][0]["code"]
    position = latest(shop)
    load = shop.load(spool)
    shop.load(spool, status=409)
    shop.unload(load["id"], 640)
    loaded, off = followed(shop, after=position)
    state = {"machine": "P1", "job": "J-1", "use": "cosmetic", "spool_code": spool}
    assert ("spool.loaded", load["id"], None, state) == tuple(
        loaded[name] for name in ("kind", "load_id", "before", "after")
    )
    assert ("spool.unloaded", load["id"], state, {"spool_code": spool, "remaining_mass_g": 640}) == tuple(
        off[name] for name in ("kind", "load_id", "before", "after")
    )


def test_what_is_rolled_back_is_not_told(shop):
    """A refused list of readings and a refused file announce nothing."""
    delivery = shop.good_lot()
    position, spool = latest(shop), delivery["spools"][0]["code"]
    shop.measure("diameter", [{"spool_code": spool, "d1_mm": 1.9, "d2_mm": 1.9}, {"spool_code": "?"}], 422)
    take(shop, "diameter", f"spool_code,d1_mm,d2_mm\n{spool},1.9,1.9\n", 200, dry_run="true")
    assert [] == kinds_since(shop, position)


# Instruments that become due


def noted(shop):
    """Announced due instruments."""
    return [
        (change["instrument_code"], change["after"]["due_at"], change["by"])
        for change in followed(shop, "&kinds=instrument.due")
    ]


def noting():
    """The task of one process."""
    with connected():
        due_notes.note_due()


def in_threads(tasks):
    """Runs tasks at the same time."""
    barrier, threads = threading.Barrier(len(tasks)), []

    def run(task):
        barrier.wait()
        task()

    for task in tasks:
        threads.append(threading.Thread(target=run, args=(task,)))
        threads[-1].start()
    for thread in threads:
        thread.join(60)


def test_an_instrument_is_told_once_for_each_day_on_which_it_was_due(shop):
    """The server announces a due instrument once per due day, and a passed check restarts that."""
    with time_machine.travel(datetime(2026, 3, 2, 8, tzinfo=UTC), tick=False) as clock:
        instruments = [
            shop.post("quality", "/instruments", {"code": code, "kind": "k", "check_interval_days": days})
            for code, days in (("MIC-1", 30), ("MIC-2", 10))
        ]
        noting()
        assert [] == noted(shop)
        clock.shift(timedelta(days=11))
        for _ in range(3):
            noting()
        first = ("MIC-2", "2026-03-12T08:00:00Z", "lots serve")
        assert [first] == noted(shop)
        clock.shift(timedelta(days=20))
        noting()
        second = ("MIC-1", "2026-04-01T08:00:00Z", "lots serve")
        assert [first, second] == noted(shop)
        check = {"checked_at": "2026-04-02T08:00:00Z", "result": "pass"}
        shop.post("quality", f"/instruments/{instruments[1]['id']}/checks", check)
        noting()
        clock.shift(timedelta(days=11))
        noting()
        assert [first, second, ("MIC-2", "2026-04-12T08:00:00Z", "lots serve")] == noted(shop)
    event = shop.get("quality", "/events?what=instrument%20due")["items"][-1]
    assert ("shop", {"instrument": [instruments[1]["id"]]}) == (event["chain"], event["rows"])


def test_several_processes_tell_it_once(shop):
    """Several processes announce it once, under the lock of the chain."""
    with time_machine.travel(datetime(2026, 3, 2, 8, tzinfo=UTC), tick=False) as clock:
        for number in range(3):
            body = {"code": f"MIC-{number}", "kind": "k", "check_interval_days": 5}
            shop.post("quality", "/instruments", body)
        clock.shift(timedelta(days=6))
        in_threads([noting] * 6)
        assert ["MIC-0", "MIC-1", "MIC-2"] == sorted(code for code, *_ in noted(shop))


@pytest.mark.parametrize("engine", ["sqlite"])
def test_looking_for_what_is_due_writes_nothing(shop):
    """Without due instruments the task needs at most three statements and no transaction."""
    with time_machine.travel(datetime(2026, 3, 2, 8, tzinfo=UTC), tick=False) as clock:
        shop.post("quality", "/instruments", {"code": "MIC-1", "kind": "k", "check_interval_days": 5})
        clock.shift(timedelta(days=6))
        noting()
        with statements() as seen:
            noting()
        assert 2 == len(seen)
        assert all(sql.startswith("SELECT") for sql, _ in seen)
