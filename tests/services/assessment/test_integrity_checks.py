"""A lot's row against its readings, masses against each other, and rebuilding of derived values."""

from unittest.mock import patch

import pytest

from lots.domain.code_identity import likeness
from lots.services.assessment import integrity_checks
from lots.store import audit
from lots.store.setup import search_keys
from lots.store.tables import decisions, loads, models
from lots.store.tables.setup import SearchKey
from lots.store.upkeep.integrity import snapshot
from tests.shop import CONDITIONS, RECEIVED, SIMPLE_LIMITS, WHITE
from tests.store.rows import connected
from tests.store.test_tampering import by_hand, edit, put, row_of, sql


def found():
    """The findings of a check, line by line."""
    with connected(), snapshot():
        return [flaw.line for flaw in integrity_checks.found()]


def rebuilt():
    """Lines of rebuilt values, and of remaining findings."""
    with connected():
        with snapshot():
            flaws = list(integrity_checks.found())
        right, left = integrity_checks.rebuild(flaws, "command line")
        return [flaw.line for flaw in right], [flaw.line for flaw in left]


@pytest.fixture
def lot(shop):
    """A released lot with shrink tests, a concession and a loaded spool: a row with a value in every column."""
    limits = {**SIMPLE_LIMITS, "shrinkage": {"x_percent": [0.1, 0.5], "tests_per_axis_min": 1}}
    # This seed draws L1-S001, then L1-S002, then L1-S003.
    with patch("lots.services.receiving.receiving.secrets.randbits", return_value=0):
        delivery = shop.good_lot(grade=shop.grade(limits=SIMPLE_LIMITS))
    code = delivery["spools"][0]["code"]
    shop.limit(delivery["grade_id"], limits)
    test = {"spool_code": code, "axis": "x", "feature": "outside", "designed_mm": 100, "measured_mm": 99.7, "age_h": 24}
    shop.measure("shrinkage", [test, test])
    shop.post("quality", f"/lots/{delivery['lot_id']}/reassess")
    shop.load(code)
    assert [] == found()
    return delivery["lot_id"]


# Column -> an edited value.
EDITED = {
    "standing": "blocked",
    "assessed": "blocked",
    "uses": '{"general":"fail"}',
    "why": '{"general":["x"]}',
    "to_measure": '["x"]',
    "accepted": "[]",
    "lab": "[95.0,-0.8,1.6]",
    "lab_uncertainty": "[0.1,0.1,0.1]",
    "color_between": '{"sd":[0.1,0.1,0.1],"n":2}',
    "shrinkage": '{"x":0.4}',
    "shrinkage_uncertainty": '{"x":0.4}',
    "flow_factor": 1.01,
    "figures": "{}",
    "retestable": '["color"]',
    "concessions": '[{"id":1}]',
    "wet": '[{"spool":"x"}]',
    "printed": '{"bond":{"P1|":{}}}',
    "flow_uncertainty": 0.01,
    "reinspected_until": "2027-01-01T00:00:00.000000Z",
    "moisture_at": "2026-01-01T00:00:00.000000Z",
}


def test_every_column_that_follows_from_the_readings_is_worked_out_again(lot):
    """An edited derived column is found with its lot, and the rebuild restores it."""
    assert {*EDITED, "identity", "likeness"} == set(audit.LOT_DERIVED)
    with by_hand():
        before = row_of(models.Lot, lot)
        for column, value in EDITED.items():
            edit(models.Lot, lot, **{column: value})
            verb = "does" if column in EDITED else ""
            says = f"lot Q-71 ({lot}): {column.replace('_', ' ')} {verb} not follow from its readings."
            assert [says] == [flaw.line for flaw in integrity_checks.found()]
            edit(models.Lot, lot, **{column: before[column]})


def test_working_out_again_restores_the_row_and_says_so_in_the_history(shop, lot):
    """After a rebuild the row is restored, nothing is found, and the history has the person with the new decision."""
    before = shop.lot(lot)
    with by_hand():
        for column, value in EDITED.items():
            edit(models.Lot, lot, **{column: value})
    (line,), left = rebuilt()
    assert [] == left
    assert "standing, assessed, uses" in line
    after = shop.lot(lot)
    assert {**before, "version": None} == {**after, "version": None}
    assert [] == found()
    last = shop.get("quality", f"/events?lot_id={lot}&what=summaries%20recomputed")["items"][-1]
    assert ("command line", {"lot", "decision"}) == (last["by"], set(last["rows"]))


@pytest.mark.parametrize("value", ["x", None])
@pytest.mark.parametrize("column", ["identity", "likeness"])
@pytest.mark.parametrize(("model", "text"), [(models.Lot, "Q-71"), (models.Spool, "L1-S001")])
def test_what_a_lot_or_spool_is_found_by_follows_from_its_code(lot, model, text, column, value):
    """An edited or missing identity of a code is found with its lot, and the rebuild restores it without a decision."""
    with by_hand():
        before, made = row_of(model, 1), decisions.Decision.select().count()
        edit(model, 1, **{column: value})
    says = f"lot Q-71 ({lot}): identity and likeness of {model._meta.table_name} 1 do not follow from {text}."
    assert ([says], []) == rebuilt()
    with by_hand():
        assert (before, made) == (row_of(model, 1), decisions.Decision.select().count())
    assert [] == found()


@pytest.mark.parametrize(("kind", "text"), [("lot", "Q-71"), ("order", "PO 7")])
@pytest.mark.parametrize("edit_key", ["lost", "edited", "added"])
def test_search_keys_of_a_lot_and_an_order_follow_from_its_name(shop, kind, text, edit_key):
    """A missing, different or extra search key is found with its lot, and the rebuild restores it."""
    lot = shop.good_lot(order_ref="PO 7")["lot_id"]
    with by_hand():
        (first, *_) = search_keys.every(kind)[1]
        mine = (SearchKey.kind == kind) & (SearchKey.key == first)
        {
            "lost": SearchKey.delete().where(mine),
            "edited": SearchKey.update(key="7878").where(mine),
            "added": SearchKey.insert(kind=kind, key="7878", refers_to=1),
        }[edit_key].execute()
    assert ([f"lot Q-71 ({lot}): search keys of {kind} 1 do not follow from {text}."], []) == rebuilt()
    with by_hand():
        assert [1] == search_keys.numbers(kind, text, 5)
    assert [] == found()


def test_the_search_keys_of_a_corrected_order_follow_from_the_correction(shop, lot):
    """After a correction the search keys are those of the new order, without a finding."""
    body = {"order_ref": "PO 8", "reason": "as the packing slip says"}
    assert 200 == shop.call("quality", "PATCH", "/deliveries/1", body, If_Match='"delivery-1-v1"').status_code
    assert [] == found()


@pytest.mark.parametrize(("number", "says"), [(1, "job 1 do not follow from J-1"), (9, "job 9 belong to no name")])
def test_search_keys_of_a_job_are_told_and_left(lot, number, says):
    """Wrong search keys of a job, and keys without a job, are found and not rebuilt."""
    with by_hand():
        SearchKey.insert(kind="job", key="7878", refers_to=number).execute()
    assert ([], [f"shop: search keys of {says}."]) == rebuilt()


@pytest.mark.parametrize("column", ["of_job_id", "on_machine_id"])
def test_a_loads_job_and_machine_follow_from_its_text(shop, lot, column):
    """A load's job and machine must agree with its text, because a moved load would be missing in its trace."""
    shop.load("L1-S003", job="J-7", machine="P7")
    with by_hand():
        edit(loads.Load, 1, **{column: 2})
    assert ([f"lot Q-71 ({lot}): of job and on machine of load 1 do not follow from J-1 on P1."], []) == rebuilt()
    assert [] == found()


@pytest.mark.parametrize(("model", "text"), [(loads.Job, "J-1"), (loads.Machine, "P1")])
def test_what_a_job_or_machine_is_found_by_follows_from_its_name(lot, model, text):
    """The identity of a job or machine follows from its name; an edited one is found and not rebuilt."""
    with by_hand():
        edit(model, 1, likeness="x")
    says = f"shop: identity and likeness of {model._meta.table_name} 1 do not follow from {text}."
    assert ([], [says]) == rebuilt()


def test_of_codes_that_fold_alike_one_has_the_identity(shop):
    """Of codes with one identity one has it; two without are a finding, and codes of an older shop are none."""
    codes = [{"code": code, "net_mass_g": 1000} for code in ("A-1", "B-1")]
    body = {"supplier_lot": "Q-71", "received_at": RECEIVED, "spools": codes}
    ids = {"supplier_id": shop.supplier()["id"], "grade_id": shop.grade()["id"]}
    shop.post("receiving", "/deliveries", {**body, **ids})
    with by_hand():
        edit(models.Spool, 2, code="a-1", identity=None, likeness=likeness("a-1"))
        told = [flaw.line for flaw in integrity_checks.found()]
        assert [line for line in told if "do not follow" in line] == []
        edit(models.Spool, 1, identity=None)
        told = [flaw.line for flaw in integrity_checks.found()]
        assert 2 == len([line for line in told if "do not follow" in line])


def test_what_is_kept_of_a_spool_is_worked_out_again(shop, lot):
    """A spool's flow factor and own failures are compared with the readings."""
    with by_hand():
        number = models.Spool.get(models.Spool.code == "L1-S001").id
        edit(models.Spool, number, flow_factor=1.02, nonconforming='[{"uses":["general"],"message":"x"}]')
    right, left = rebuilt()
    assert ([f"lot Q-71 ({lot}): the row of spool L1-S001 does not follow from its readings."], []) == (
        right,
        left,
    )
    assert [] == found()


def test_what_is_kept_of_a_delivery_is_worked_out_again(shop, lot):
    """A delivery's date of receipt and corrected fields are compared with its log and corrections."""
    (delivery,) = shop.get("receiving", f"/deliveries?lot_id={lot}")["items"]
    etag, body = f'"delivery-{delivery["id"]}-v1"', {"order_ref": "PO 8", "reason": "as the packing slip says"}
    assert 200 == shop.call("quality", "PATCH", f"/deliveries/{delivery['id']}", body, If_Match=etag).status_code
    with by_hand():
        edit(models.Delivery, delivery["id"], came_at="2026-01-01T00:00:00.000000Z", corrected='{"version":9}')
    says = f"lot Q-71 ({lot}): the row of delivery {delivery['id']} does not follow from its readings."
    assert ([says], []) == rebuilt()
    assert [] == found()
    assert "PO 8" == shop.get("receiving", f"/deliveries/{delivery['id']}")["order_ref"]


@pytest.mark.parametrize(("off", "clean"), [(1e-14, True), (1e-9, False)])
def test_a_figure_agrees_when_binary_noise_is_all_that_differs(lot, off, clean):
    """A difference of 1e-14 in a mean colour is rounding, and 1e-9 is an edit."""
    with by_hand():
        row = models.Lot.get_by_id(lot)
        edit(models.Lot, lot, lab=f"[{row.lab[0] * (1 + off)!r},{row.lab[1]!r},{row.lab[2]!r}]")
    assert clean == (not found())


def test_a_lot_with_edited_rows_is_left_as_it_is(lot):
    """A lot with an edited reading is not rebuilt, because that would hide the edit."""
    with by_hand():
        reading = models.Reading.get(models.Reading.kind == "diameter").id
        edit(models.Reading, reading, values='{"d1_mm":1.6,"d2_mm":1.6}')
    right, left = rebuilt()
    assert [] == right
    assert any("reading 1 was edited" in line for line in left)
    assert any("standing" in line for line in left)


def test_no_lot_is_worked_out_again_under_limits_that_were_edited(shop, lot):
    """With edited limits or other shop rows no lot is rebuilt."""
    with by_hand():
        edit(models.LimitsRevision, 1, note="edited")
        edit(models.Lot, lot, standing="blocked")
    right, left = rebuilt()
    assert ([], 2) == (right, len(left))
    assert "blocked" == shop.lot(lot)["standing"]


@pytest.mark.parametrize("values", ["{", "{}", "[]", '{"d1_mm":"wide","d2_mm":1.7}'])
def test_a_reading_that_cannot_be_judged_stops_nothing(lot, values):
    """A reading that cannot be assessed is found with its lot, and the check continues."""
    with by_hand():
        edit(models.Reading, 1, values=values)
    lines = found()
    assert any(line.startswith(f"lot Q-71 ({lot}): it cannot be assessed from its readings: ") for line in lines)
    assert any("reading 1 was edited" in line for line in lines)


def test_masses_that_do_not_add_up_are_found(lot):
    """A lighter spool, a wrong machine and a load that ended heavier are found with their lots."""
    with by_hand():
        spool = models.Spool.get(models.Spool.code == "L1-S002").id
        edit(models.Spool, spool, remaining_mass_g=900.0, machine="P7")
        edit(loads.Load, 1, unloaded_at="2026-01-01T00:00:00.000000Z", remaining_mass_g=2000.0)
    lines = found()
    for says in (
        "spool L1-S002: 900 g are left, but 1000 g less 0 g used and 0 g respooled are 1000 g.",
        "spool L1-S002: it is recorded on P7, but it has no open load there.",
        "load 1 ended with more filament than it began with, or before it began.",
    ):
        assert f"lot Q-71 ({lot}): {says}" in lines


def test_a_row_that_refers_to_nothing_is_found(lot):
    """A row with a missing reference is found."""
    with by_hand():
        put(models.SpoolLot, {"id": 50, "spool_id": 1, "lot_id": 999})
    assert f"lot Q-71 ({lot}): spool lot 50 refers to lot 999, which does not exist." in found()


@pytest.mark.parametrize("engine", ["sqlite"])
def test_a_file_that_breaks_its_own_rules_is_found(lot):
    """SQLite's own check of pages, indexes and constraints finds a spool below zero."""
    with connected():
        sql("PRAGMA ignore_check_constraints = 1")
        sql("UPDATE spool SET remaining_mass_g = -5 WHERE code = 'L1-S003'")
        sql("PRAGMA ignore_check_constraints = 0")
    lines = found()
    assert any(line.startswith("shop: the file is damaged: ") and "spool" in line for line in lines)
    assert f"lot Q-71 ({lot}): spool L1-S003: -5 g are left, which is below zero." in lines


def test_a_wound_spool_counts_for_no_delivery(shop):
    """A respooled spool does not enlarge a delivery, so its sample is unchanged.

    MIL-STD-105E (1989), Tables I and II-A: of 15 spools 2 are inspected at level II and AQL 6.5, of 16 it is 8.
    """
    sampling = {"plan": "MIL-STD-105E", "level": "II", "aql": 6.5}
    limits = {"sampling": sampling, "diameter": {"reading_tolerance_mm": 0.05}}
    delivery = shop.receive(shop.supplier(), shop.grade(limits=limits), spools=15)
    codes = delivery["sample"]["spool_codes"]
    shop.measure("diameter", [{"spool_code": code, "d1_mm": 1.75, "d2_mm": 1.75} for code in codes])
    shop.post("production", "/spools", {"parents": [{"spool_code": codes[0], "mass_g": 100.0}]})
    assert [] == found()
    assert "released" == shop.lot(delivery["lot_id"])["standing"]


def test_a_clean_shop_stays_clean_whatever_is_measured(shop):
    """After readings, voids, holds and lifts the check finds nothing."""
    delivery = shop.good_lot()
    code = delivery["spools"][0]["code"]
    bad = shop.color(code, [90.0, *WHITE[1:]], conditions=CONDITIONS)["id"]
    shop.decide(delivery["lot_id"], "hold")
    shop.void(bad)
    shop.decide(delivery["lot_id"], "lift")
    assert [] == found()
