"""Test prints, builds and the control spool over HTTP: prints that count, and suspect builds."""

import pytest

from tests.shop import CONDITIONS, MEASURED, RECIPE

BOND = {"sampling": {"fixed": 1}, "bond": {"mean_min_mpa": 20, "test_print": "BAR"}}
# Invented means of control specimens in eight earlier builds, MPa.
STEADY = (29, 31, 30, 30, 29, 31, 30, 30)


@pytest.fixture
def bar(shop):
    """A recipe for specimens, revision 1."""
    made = shop.post("quality", "/test-prints", {"code": "BAR", "name": "Upright bar"})
    return shop.post("quality", f"/test-prints/{made['id']}/revisions", RECIPE)


@pytest.fixture
def white(shop, bar):
    """A grade whose specimens must be printed by the recipe."""
    return shop.grade(limits=BOND)


@pytest.fixture
def quillwort(shop):
    """A supplier."""
    return shop.supplier()


def drawn(delivery):
    """The code of the first drawn spool."""
    return delivery["sample"]["spool_codes"][0]


def bars(code, *stresses, build="B1", printer="P1", recipe="BAR/1", control=False):
    """Specimens of one build."""
    made = {"printer": printer, "build": build, "test_print": recipe, "control": control}
    return [{"spool_code": code, "stress_mpa": stress, "measured_at": MEASURED, **made} for stress in stresses]


def finding(shop, lot_id, code):
    """One finding of a lot."""
    found = shop.get("quality", f"/lots/{lot_id}/assessment")["findings"]
    return next(one for one in found if one["code"] == code)


def eight_steady_builds(shop, supplier, grade):
    """Control specimens of eight builds on P1, each beside a specimen of an earlier lot."""
    code = drawn(shop.receive(supplier, grade, "Q-EARLIER"))
    for number, stress in enumerate(STEADY, 1):
        shop.measure("bond", bars(code, stress, build=f"C{number}", control=True))


def test_a_recipe_is_a_numbered_revision(shop, bar):
    """Revisions count from 1, never change, and are cited as code and revision."""
    assert ("BAR/1", 1, 215) == (bar["test_print"], bar["revision"], bar["nozzle_c"])
    second = shop.post("quality", f"/test-prints/{bar['test_print_id']}/revisions", {**RECIPE, "nozzle_c": 225})
    assert "BAR/2" == second["test_print"]
    listed = shop.get("production", f"/test-prints/{bar['test_print_id']}/revisions")["items"]
    assert [215, 225] == [one["nozzle_c"] for one in listed]
    assert [2] == [one["newest_revision"] for one in shop.get("receiving", "/test-prints")["items"]]
    assert 404 == shop.call("quality", "PATCH", f"/test-prints/{bar['test_print_id']}/revisions/1", {}).status_code


def test_a_code_is_taken_once(shop, bar):
    """A second test print of the same code is refused."""
    assert "already" in shop.post("quality", "/test-prints", {"code": "BAR", "name": "Bar"}, 409)["type"]
    told = shop.post("quality", "/test-prints", {"code": "BAR/2", "name": "Bar"}, 422)
    assert ["/code"] == [fault["pointer"] for fault in told["errors"]]


def test_limits_keep_the_revision_they_were_set_with(shop, white):
    """A code without a revision means the newest one when the limits were set."""
    (limits,) = shop.get("quality", f"/grades/{white['id']}/limits")["items"]
    assert "BAR/1" == limits["bond"]["test_print"]
    told = shop.post(
        "quality", f"/grades/{white['id']}/limits", {"bond": {"mean_min_mpa": 20, "test_print": "BAR/7"}}, 422
    )
    (fault,) = told["errors"]
    assert ("/bond/test_print", "Test print BAR/7 does not exist.", "Use one of the revisions of BAR: 1.") == (
        fault["pointer"],
        fault["detail"],
        fault["hint"],
    )


def test_bars_by_another_recipe_do_not_count(shop, white, quillwort, bar):
    """30 MPa printed 10 °C hotter does not count; 30 MPa by the recipe releases."""
    shop.post("quality", f"/test-prints/{bar['test_print_id']}/revisions", {**RECIPE, "nozzle_c": 225})
    lot = shop.receive(quillwort, white)
    hot = shop.measure("bond", bars(drawn(lot), 30, 31, recipe="BAR"))
    assert "BAR/2" == hot["items"][0]["test_print"]
    assert "quarantined" == hot["lots"][0]["standing"]
    notes = shop.get("quality", f"/lots/{lot['lot_id']}/assessment")["notes"]
    assert "2 readings of interlayer strength do not count, since the recipe was not BAR/1." in notes
    assert "released" == shop.measure("bond", bars(drawn(lot), 30, 31))["lots"][0]["standing"]


@pytest.mark.parametrize(
    ("more", "pointer"),
    [
        ({"test_print": "BAR/9"}, "/0/test_print"),
        ({"test_print": "COUPON"}, "/0/test_print"),
        ({"printer": None}, "/0/build"),
    ],
)
def test_a_recipe_that_does_not_exist_and_a_build_without_its_printer_are_refused(
    shop, white, quillwort, more, pointer
):
    """An unknown recipe, and a build without its printer, are refused at their fields."""
    (one,) = bars(drawn(shop.receive(quillwort, white)), 30)
    told = shop.measure("bond", [{**one, **more}], status=422)
    assert [pointer] == [fault["pointer"] for fault in told["errors"]]


def test_control_bars_are_not_bars_of_the_lot(shop, white, quillwort):
    """Control specimens do not count as specimens of the lot."""
    lot = shop.receive(quillwort, white)
    told = shop.measure("bond", bars(drawn(lot), 40, 41, control=True))
    assert "quarantined" == told["lots"][0]["standing"]
    assert finding(shop, lot["lot_id"], "bond.mean")["value"] is None


def test_a_control_outside_its_chart_puts_its_build_in_doubt(shop, white, quillwort):
    """After eight builds around 30 MPa a control of 21 makes its build suspect, and its specimens count only after quality lifts the doubt."""
    eight_steady_builds(shop, quillwort, white)
    lot = shop.receive(quillwort, white)
    assert "released" == shop.measure("bond", bars(drawn(lot), 24, 25, build="COLD"))["lots"][0]["standing"]
    told = shop.measure("bond", bars(drawn(lot), 21, build="COLD", control=True))
    assert "quarantined" == told["lots"][0]["standing"]
    (doubt,) = shop.get("production", "/build-doubts?in_force=true")["items"]
    # 30 +- t(0.99865, 7) * 0.7559 * sqrt(1 + 1/8), by scipy.
    assert doubt["says"].startswith(
        "Build COLD on printer P1 is in doubt: the breaking stress of the control is 21.00 MPa, outside its limits 26.37 to 33.63 MPa (from 8 earlier builds"
    )
    notes = shop.get("quality", f"/lots/{lot['lot_id']}/assessment")["notes"]
    assert any(note.startswith("3 readings of interlayer strength do not count: Build COLD") for note in notes)
    assert "released" == shop.measure("bond", bars(drawn(lot), 24, 25, build="WARM"))["lots"][0]["standing"]
    lifted = shop.post("quality", f"/build-doubts/{doubt['id']}/lift", {"reason": "The control bar had a void."})
    assert ["released"] == [one["standing"] for one in lifted["lots"]]
    assert [] == shop.get("quality", "/build-doubts?in_force=true")["items"]
    shop.post("quality", f"/build-doubts/{doubt['id']}/lift", {"reason": "Again."}, 409)
    shop.post("production", f"/build-doubts/{doubt['id']}/lift", {"reason": "Again."}, 403)


def test_every_lot_of_a_build_in_doubt_is_judged_again(shop, white, quillwort):
    """Every lot of a suspect build is reassessed without those specimens and named in the answer."""
    eight_steady_builds(shop, quillwort, white)
    one, other = (shop.receive(quillwort, white, lot) for lot in ("Q-1", "Q-2"))
    for lot in (one, other):
        shop.measure("bond", bars(drawn(lot), 24, 25, build="COLD"))
    told = shop.measure("bond", bars(drawn(one), 21, build="COLD", control=True))
    assert {one["lot_id"]: "quarantined", other["lot_id"]: "quarantined"} == {
        lot["id"]: lot["standing"] for lot in told["lots"]
    }


def test_a_steady_control_and_a_young_chart_doubt_nothing(shop, white, quillwort):
    """A control within its chart, or before eight builds, makes nothing suspect."""
    eight_steady_builds(shop, quillwort, white)
    lot = shop.receive(quillwort, white)
    shop.measure("bond", bars(drawn(lot), 28, build="B9", control=True))
    shop.measure("bond", bars(drawn(lot), 9, build="B1", printer="P2", control=True))
    assert [] == shop.get("quality", "/build-doubts")["items"]


COUPONS = {
    "sampling": {"fixed": 1},
    "shrinkage": {"x_percent": [0.0, 1.0], "control_difference_max_percent": 0.15},
}


def coupon(code, measured_mm, build="B1", **more):
    """A coupon of 100 mm along X."""
    made = {"printer": "P1", "build": build, "measured_at": MEASURED, **more}
    length = {"axis": "x", "feature": "outside", "designed_mm": 100, "measured_mm": measured_mm, "age_h": 24}
    return {"spool_code": code, **length, **made}


def test_a_difference_to_the_control_leaves_the_printer_out(shop, quillwort):
    """A printer 0.2 % short makes 0.50 % of lot and control, so the difference of 0.02 % is within 0.15 (by hand)."""
    lot = shop.receive(quillwort, shop.grade(limits=COUPONS))
    first = shop.measure("shrinkage", coupon(drawn(lot), 99.48))
    assert ["print a coupon along X of the control spool in build B1"] == first["lot"]["to_measure"]
    shop.measure("shrinkage", coupon(drawn(lot), 99.90, build="B2", control=True))
    assert finding(shop, lot["lot_id"], "shrinkage.control_x")["value"] is None
    told = shop.measure("shrinkage", coupon(drawn(lot), 99.50, control=True))
    found = finding(shop, lot["lot_id"], "shrinkage.control_x")
    assert ("released", 0.02, "pass") == (told["lot"]["standing"], round(found["value"], 6), found["verdict"])
    assert "The control is 1 print of the control spool in build B1." in found["message"]


def test_a_lot_that_shrinks_more_than_its_control_is_refused(shop, quillwort):
    """0.62 % beside a control of 0.30 % is a failure of the lot, not the printer."""
    lot = shop.receive(quillwort, shop.grade(limits=COUPONS))
    told = shop.measure("shrinkage", [coupon(drawn(lot), 99.38), coupon(drawn(lot), 99.70, control=True)])
    assert "blocked" == told["lots"][0]["standing"]
    assert "fail" == finding(shop, lot["lot_id"], "shrinkage.control_x")["verdict"]


def test_a_colour_difference_to_the_control_leaves_the_plate_out(shop, quillwort):
    """On a plate that makes both 0.8 darker, lot and control are 0.3 apart in b*, 0.28 by CIEDE2000 (colour-science 0.4.7), within 0.5."""
    limits = {"sampling": {"fixed": 1}, "color": {"lot_max": 2.0, "control_max": 0.5}}
    lot = shop.receive(quillwort, shop.grade(limits=limits))
    made = {"conditions": CONDITIONS, "printer": "P1", "build": "B1", "measured_at": MEASURED}
    first = shop.measure("color", {"spool_code": drawn(lot), "lab": [94.2, -0.8, 1.8], **made})
    assert ["print a plaque of the control spool in build B1"] == first["lot"]["to_measure"]
    told = shop.measure("color", {"spool_code": drawn(lot), "lab": [94.2, -0.8, 1.5], "control": True, **made})
    found = finding(shop, lot["lot_id"], "color.control_delta_e")
    assert ("released", "pass", 0.28) == (told["lot"]["standing"], found["verdict"], round(found["value"], 2))
    assert "Against the control spool in build B1: yellower (dL* +0.00, da* +0.00, db* +0.30)." in found["message"]


def test_a_control_print_never_lifts_a_block(shop, white, quillwort):
    """A lot blocked by a build that becomes suspect stays in quarantine until quality decides, though another build is good."""
    eight_steady_builds(shop, quillwort, white)
    lot = shop.receive(quillwort, white)
    blocked = shop.measure("bond", bars(drawn(lot), 12, 13, build="COLD"))
    assert "blocked" == blocked["lots"][0]["standing"]
    assert "blocked" == shop.measure("bond", bars(drawn(lot), 30, 31, build="WARM"))["lots"][0]["standing"]
    told = shop.measure("bond", bars(drawn(lot), 15, build="COLD", control=True))["lots"][0]
    assert "quarantined" == told["standing"]
    assert told["to_measure"][0].startswith("ask quality to clear build COLD or void its prints")
    for reading in blocked["items"]:
        shop.void(reading["id"], "cold build")
    assert "released" == shop.lot(lot["lot_id"])["standing"]


@pytest.mark.parametrize("more", [{"recipe": "BAR/2"}, {"printer": "P2"}, {"build": "B2"}])
def test_a_control_by_another_recipe_printer_or_build_is_not_compared(shop, bar, quillwort, more):
    """The ratio waits for control specimens printed as the lot's were."""
    shop.post("quality", f"/test-prints/{bar['test_print_id']}/revisions", RECIPE)
    limits = {"sampling": {"fixed": 1}, "bond": {"mean_min_mpa": 10, "control_ratio_min": 0.7}}
    lot = shop.receive(quillwort, shop.grade(limits=limits))
    told = shop.measure("bond", [*bars(drawn(lot), 20, 21), *bars(drawn(lot), 22, control=True, **more)])
    assert "quarantined" == told["lots"][0]["standing"]
    assert "missing" == finding(shop, lot["lot_id"], "bond.control_ratio")["verdict"]
