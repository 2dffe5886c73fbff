"""Sources of readings over HTTP: other instruments, printers or builds help only where permitted. Source: this project's rules."""

import math

import pytest

from tests.shop import CONDITIONS, MEASURED

DIAMETER = {"sampling": {"fixed": 1}, "diameter": {"mean_tolerance_mm": 0.03}}


def instrument(shop, code, kind="spectrophotometer", **more):
    """The number of a new instrument."""
    body = {"code": code, "kind": kind, "check_interval_days": 3650, **more}
    return shop.post("quality", "/instruments", body)["id"]


def test_a_second_micrometer_does_not_release_what_the_first_refuses(shop):
    """A spool at 1.79 mm by MIC-2 is blocked, and five readings of 1.75 mm by MIC-1, mean 1.757 mm, leave it blocked."""
    mics = [instrument(shop, code, "micrometer") for code in ("MIC-1", "MIC-2")]
    lot = shop.receive(shop.supplier(), shop.grade(limits=DIAMETER))
    code = lot["sample"]["spool_codes"][0]
    assert "blocked" == shop.diameter(code, 1.79, 1.79, instrument_id=mics[1])["lot"]["standing"]
    for _ in range(5):
        after = shop.diameter(code, 1.75, 1.75, instrument_id=mics[0])["lot"]
    assert "blocked" == after["standing"]
    found = shop.finding(lot["lot_id"], "diameter.spool_mean")
    assert ("fail", pytest.approx(1.79)) == (found["verdict"], found["value"])
    assert "This is from the readings of instrument MIC-2 alone." in found["message"]


RATIO = {"sampling": {"fixed": 1}, "bond": {"control_ratio_min": 0.7}, "uses": {"load_bearing": ["bond"]}}


def test_control_bars_of_a_cold_build_do_not_lift_the_ratio(shop):
    """Specimens of 16.2 MPa beside controls of 30 MPa are at 0.54 and blocked; controls of 14 MPa from another build do not raise it to 0.74."""
    lot = shop.receive(shop.supplier(), shop.grade(limits=RATIO))
    code = lot["sample"]["spool_codes"][0]
    own = {"spool_code": code, "printer": "P1", "build": "B1"}
    bars = [{**own, "stress_mpa": 16.2}, {**own, "stress_mpa": 30.0, "control": True}]
    assert "blocked" == shop.measure("bond", bars)["lots"][0]["standing"]
    cold = [{**own, "build": "B2", "stress_mpa": 14.0, "control": True} for _ in range(2)]
    assert "blocked" == shop.measure("bond", cold)["lots"][0]["standing"]
    found = shop.finding(lot["lot_id"], "bond.control_ratio")
    assert ("fail", pytest.approx(0.54)) == (found["verdict"], found["value"])
    assert "The control is 1 control specimen of build B1 on P1." in found["message"]
    assert any("2 control specimens do not count" in note for note in shop.assessment(lot["lot_id"])["notes"])


def test_a_build_without_control_bars_asks_for_them(shop):
    """Specimens of build B7 wait for controls of build B7, which release the lot."""
    lot = shop.receive(shop.supplier(), shop.grade(limits=RATIO))
    own = {"spool_code": lot["sample"]["spool_codes"][0], "printer": "P1", "build": "B7"}
    after = shop.measure("bond", {**own, "stress_mpa": 27.0})["lot"]
    assert ["print and break control specimens in build B7 on P1"] == after["to_measure"]
    assert "released" == shop.measure("bond", {**own, "stress_mpa": 30.0, "control": True})["lot"]["standing"]


COLOR = {"sampling": {"fixed": 1}, "color": {"lot_max": 0.6, "step_max": 0.3}}
# The plaque of the reference, as C-1 and C-2 read it.
ON_1, ON_2 = [95.0, -0.8, 1.6], [95.0, -0.8, 2.35]


@pytest.fixture
def two(shop):
    """Two spectrophotometers of standard uncertainty 0.05, and a grade whose reference was measured with the first."""
    first, second = (instrument(shop, code, standard_uncertainty=0.05) for code in ("C-1", "C-2"))
    shade = shop.post("quality", "/shades", {"code": "HW", "name": "Harbour White"})
    body = {"lab": ON_1, "conditions": CONDITIONS, "approved_by": "Wilhelmina"}
    made = shop.post(
        "quality", f"/shades/{shade['id']}/revisions", {**body, "instrument_id": first, "standard_uncertainty": 0.05}
    )
    assert (first, 0.05) == (made["instrument_id"], made["standard_uncertainty"])
    (listed,) = shop.get("quality", f"/shades/{shade['id']}/revisions")["items"]
    assert (first, 0.05) == (listed["instrument_id"], listed["standard_uncertainty"])
    return first, second, shop.grade(limits=COLOR, shade_id=shade["id"])


def agree(shop, first, second, step):
    """A study of three plaques that the second instrument reads this much yellower, within 0.01."""
    plaques = [
        {"code": f"R{i}", "first": [[95.0, -0.8, 1.5 + i]], "second": [[95.0 + w, -0.8 + w, 1.5 + i + step + w]]}
        for i, w in enumerate((0.0, 0.01, -0.01))
    ]
    body = {"kind": "agreement", "studied_at": MEASURED, "other_instrument_id": second, "plaques": plaques}
    return shop.post("quality", f"/instruments/{first}/studies", body)


def test_a_plaque_on_another_instrument_does_not_block_a_lot(shop, two):
    """The reference's plaque at b* 2.35 on C-2 keeps the lot open; the study of both releases it and its void reverses that."""
    first, second, grade = two
    lot = shop.receive(shop.supplier(), grade)
    after = shop.color(lot["sample"]["spool_codes"][0], ON_2, instrument_id=second)["lot"]
    assert "quarantined" == after["standing"]
    asked = "measure with C-1, which measured the reference, or record an agreement study of C-1 and C-2"
    assert [asked] == after["to_measure"]
    found = shop.finding(lot["lot_id"], "color.lot_delta_e")
    assert ("near", None) == (found["verdict"], found["claimable"])
    made = agree(shop, first, second, 0.75)
    assert [("quarantined", "released")] == [(one["standing_before"], one["standing"]) for one in made["lots"]]
    found = shop.finding(lot["lot_id"], "color.lot_delta_e")
    assert ("pass", pytest.approx(0.0, abs=1e-9)) == (found["verdict"], found["value"])
    assert f"corrected to C-1 by agreement study {made['id']}" in found["message"]
    shop.post("quality", f"/studies/{made['id']}/void", {"reason": "plaques were dusty"})
    assert "quarantined" == shop.lot(lot["lot_id"])["standing"]


def test_a_lot_far_off_is_blocked_and_nothing_is_claimed(shop, two):
    """A db* of 5 on another instrument blocks the lot, and the report claims nothing."""
    lot = shop.receive(shop.supplier(), two[2])
    code = lot["sample"]["spool_codes"][0]
    assert "blocked" == shop.color(code, [95.0, -0.8, 6.6], instrument_id=two[1])["lot"]["standing"]
    report = shop.get("quality", f"/lots/{lot['lot_id']}/nonconformity-report")
    assert [None] == [one["claimable"] for one in report["found"]["failing"]]


def test_no_step_is_judged_across_instruments(shop, two):
    """Between lots measured with C-1 and C-2 no step is assessed, with a note, until a study connects both."""
    first, second, grade = two
    supplier = shop.supplier()
    before, after = (
        shop.receive(supplier, grade, f"Q-{day}", received_at=f"2026-11-{day}T08:00:00Z") for day in (10, 11)
    )
    assert "released" == shop.color(before["sample"]["spool_codes"][0], ON_1, instrument_id=first)["lot"]["standing"]
    shop.color(after["sample"]["spool_codes"][0], ON_2, instrument_id=second)
    judged = shop.assessment(after["lot_id"])
    assert "color.step" not in {one["code"] for one in judged["findings"]}
    assert any("No colour step is assessed, since no agreement study covers C-1" in note for note in judged["notes"])
    agree(shop, first, second, 0.75)
    assert "pass" == shop.finding(after["lot_id"], "color.step")["verdict"]


def test_lots_of_one_job_read_with_different_instruments(shop, two):
    """The same plaque on C-1 and C-2 matches only after a study connects both."""
    first, second, grade = two
    shop.limit(grade["id"], {"sampling": {"fixed": 1}, "color": {"lot_max": 2.0, "job_pair_max": 0.5}})
    supplier = shop.supplier()
    codes = []
    for name, lab, read_with in (("Q-1", ON_1, first), ("Q-2", ON_2, second)):
        codes.append(shop.receive(supplier, grade, name)["sample"]["spool_codes"][0])
        assert "released" == shop.color(codes[-1], lab, instrument_id=read_with)["lot"]["standing"]
    shop.load(codes[0], "cosmetic", job="J-7")
    found = shop.ask_clearance(codes[1], "cosmetic", job="J-7")
    assert (False, [None]) == (found["clear"], [pair["within"] for pair in found["shade_match"]])
    assert any(
        "measured with different instruments (C-2; C-1). Measure both lots with one" in why for why in found["reasons"]
    )
    agree(shop, first, second, 0.75)
    found = shop.ask_clearance(codes[1], "cosmetic", job="J-7")
    assert (True, [True]) == (found["clear"], [pair["within"] for pair in found["shade_match"]])
    assert pytest.approx(0.0, abs=1e-9) == found["shade_match"][0]["delta_e"]


def test_a_reference_of_an_unknown_instrument_is_refused(shop):
    """A revision with an unknown instrument is refused and not stored."""
    shade = shop.post("quality", "/shades", {"code": "HW", "name": "Harbour White"})
    body = {"lab": ON_1, "conditions": CONDITIONS, "approved_by": "Wilhelmina", "instrument_id": 99}
    told = shop.post("quality", f"/shades/{shade['id']}/revisions", body, status=422)
    assert ["/instrument_id"] == [fault["pointer"] for fault in told["errors"]]


def test_no_shrinkage_step_is_judged_across_printers(shop):
    """Coupons of 0.30 % on P1 and of 0.55 % on P2 make no step."""
    limits = {"sampling": {"fixed": 1}, "shrinkage": {"x_percent": [0.1, 0.7], "step_max_percent": 0.15}}
    supplier, grade = shop.supplier(), shop.grade(limits=limits)
    lots = []
    for day, printer, measured in ((10, "P1", 99.70), (11, "P2", 99.45), (12, "P2", 99.45)):
        lot = shop.receive(supplier, grade, f"Q-{day}", received_at=f"2026-11-{day}T08:00:00Z")
        coupon = {"axis": "x", "feature": "outside", "designed_mm": 100, "measured_mm": measured, "age_h": 24}
        code = lot["sample"]["spool_codes"][0]
        lots.append(shop.measure("shrinkage", {"spool_code": code, "printer": printer, **coupon})["lot"])
    assert ["released"] * 3 == [lot["standing"] for lot in lots]
    told = [shop.assessment(lot["id"]) for lot in lots]
    assert [False, False, True] == [any(f["code"] == "shrinkage.step_x" for f in one["findings"]) for one in told]
    assert any("lot was printed on P1, this lot on P2." in note for note in told[1]["notes"])


PRINTED = {
    "sampling": {"fixed": 1},
    "diameter": {"mean_tolerance_mm": 0.03},
    "shrinkage": {"x_percent": [0.1, 0.7]},
    "bond": {"mean_min_mpa": 20},
    "uses": {"fit": ["diameter", "shrinkage"], "load_bearing": ["diameter", "bond"]},
}


@pytest.fixture
def printed(shop):
    """A released lot whose coupons and specimens were printed on P1; returns the code of its spool."""
    caliper, mic = (
        instrument(shop, code, kind, standard_uncertainty=u)
        for code, kind, u in (("CAL-1", "caliper", 0.02), ("MIC-1", "micrometer", 0.00875))
    )
    code = shop.receive(shop.supplier(), shop.grade(limits=PRINTED))["sample"]["spool_codes"][0]
    shop.diameter(code, 1.75, 1.75, instrument_id=mic)
    coupon = {"axis": "x", "feature": "outside", "designed_mm": 100, "measured_mm": 99.6, "age_h": 24}
    shop.measure("shrinkage", {"spool_code": code, "printer": "P1", "instrument_id": caliper, **coupon})
    lot = shop.measure("bond", {"spool_code": code, "printer": "P1", "stress_mpa": 25.0})["lot"]
    assert "released" == lot["standing"]
    return code


ACROSS = "The scale factors were measured on machine P1, not on P9. Machines differ by 0.1 to 0.2 %."
STRENGTH = "Interlayer strength was measured on P1. It may differ on P9."


def test_settings_say_which_printer_they_were_measured_on(shop, printed):
    """On P1 in any spelling, and without a machine, there is no caution; on P9 there is one, with 0.15 % more uncertainty."""
    scale = 1 / (1 - 0.004)
    for asked in ({}, {"machine": "P1"}, {"machine": "p1"}):
        found = shop.ask_clearance(printed, "fit", **asked)
        settings = found["settings"]
        assert ("P1", pytest.approx(scale), pytest.approx(scale**2 * 0.0002)) == (
            settings["measured_on"],
            settings["scale_x"],
            settings["scale_x_uncertainty"],
        )
        assert [] == [one for one in found["cautions"] if "printer" in one or "Interlayer" in one]
    found = shop.ask_clearance(printed, "fit", machine="P9")
    assert found["clear"] is True
    assert ACROSS in found["cautions"]
    assert STRENGTH not in found["cautions"], "a fit does not rest on bond"
    wide = scale**2 * math.hypot(0.02, 0.15) / 100
    assert ("P1", pytest.approx(scale), pytest.approx(wide)) == tuple(
        found["settings"][name] for name in ("measured_on", "scale_x", "scale_x_uncertainty")
    )


def test_interlayer_strength_belongs_to_its_printer(shop, printed):
    """Specimens broken on P1 permit load-bearing on P1 without and on P9 with a caution, also in the load."""
    assert STRENGTH not in shop.ask_clearance(printed, "load_bearing", machine="P1")["cautions"]
    assert STRENGTH in shop.ask_clearance(printed, "load_bearing", machine="P9")["cautions"]
    load = shop.load(printed, "load_bearing", machine="P9")
    assert {ACROSS, STRENGTH} <= set(load["cautions"])
    assert pytest.approx(math.hypot(0.02, 0.15) / 100, rel=0.01) == load["settings"]["scale_x_uncertainty"]


def test_the_flow_factor_has_twice_the_relative_uncertainty_of_the_diameter(shop, printed):
    """A gauge of 0.00875 mm is 0.5 % of 1.75 mm, so the flow factor has 1 % (area goes with the square, JCGM 100, 5.1.6)."""
    settings = shop.ask_clearance(printed, "fit")["settings"]
    assert (pytest.approx(1.0), pytest.approx(0.01), "spool") == tuple(
        settings[name] for name in ("flow_factor", "flow_factor_uncertainty", "flow_from")
    )


def test_coupons_without_a_printer_bring_no_caution(shop):
    """Without named printers nothing is added, and the place of measurement is unknown."""
    limits = {"sampling": {"fixed": 1}, "shrinkage": {"x_percent": [0.1, 0.7]}}
    code = shop.receive(shop.supplier(), shop.grade(limits=limits))["sample"]["spool_codes"][0]
    coupon = {"axis": "x", "feature": "outside", "designed_mm": 100, "measured_mm": 99.6, "age_h": 24}
    shop.measure("shrinkage", {"spool_code": code, **coupon})
    found = shop.ask_clearance(code, "fit", machine="P9")
    assert (None, None) == (found["settings"]["measured_on"], found["settings"]["scale_x_uncertainty"])
    assert [] == [one for one in found["cautions"] if "printer" in one]


def test_control_prints_on_both_printers_correct_the_scales(shop):
    """By control prints P9 shrinks 0.12 % more than P1, so 0.40 % on P1 is 0.52 % on P9, without 0.15 % of uncertainty."""
    caliper, recipe = instrument(shop, "CAL-1", "caliper", standard_uncertainty=0.02), shop.recipe()
    limits = {"sampling": {"fixed": 1}, "shrinkage": {"x_percent": [0.1, 0.7]}}
    supplier, grade = shop.supplier(), shop.grade(limits=limits)
    spools = [shop.receive(supplier, grade, name)["sample"]["spool_codes"][0] for name in ("Q-1", "CONTROL")]
    coupon = {"axis": "x", "feature": "outside", "designed_mm": 100, "age_h": 24, "instrument_id": caliper}
    prints = [("P1", 99.70 + w, True) for w in (0.0, 0.02, -0.02)] + [
        ("P9", 99.58 + w, True) for w in (0.0, 0.02, -0.02)
    ]
    for printer, measured, control in [*prints, ("P1", 99.60, False)]:
        body = {"spool_code": spools[control], "printer": printer, "measured_mm": measured, "test_print": recipe}
        shop.measure("shrinkage", {**coupon, **body, **({"control": True} if control else {})})
    found = shop.ask_clearance(spools[0], "fit", machine="P9")
    settings = found["settings"]
    assert pytest.approx(1 / (1 - 0.0052)) == settings["scale_x"]
    each = math.hypot(0.02 / math.sqrt(3), 0.02)
    u = math.hypot(0.02, each, each)
    assert pytest.approx(settings["scale_x"] ** 2 * u / 100) == settings["scale_x_uncertainty"]
    told = "The scale factors were measured on machine P1 and corrected to P9 by control prints on both (X +0.12 %)."
    assert told in found["cautions"]


def test_picks_and_tables_read_lots_of_two_instruments_alike(shop, two):
    """Lots of b* 1.60 on C-1 and 2.35 on C-2 match by a study of both, in pick, match table and clearance."""
    first, second, grade = two
    agree(shop, first, second, 0.75)
    supplier = shop.supplier()
    lots = [shop.receive(supplier, grade, name, spools=1) for name in ("Q-1", "Q-2")]
    for lot, lab, number in zip(lots, (ON_1, ON_2), (first, second), strict=True):
        after = shop.color(lot["spools"][0]["code"], lab, instrument_id=number)["lot"]
        assert "released" == after["standing"]
    asked = {"grade_id": grade["id"], "use": "cosmetic", "mass_g": 1500, "match_max": 0.3}
    found = shop.post("production", "/picks", asked, 200)
    assert (True, pytest.approx(0.0, abs=1e-6)) == (found["possible"], found["largest_pair"])
    (pair,) = shop.get("production", f"/match-table?grade_id={grade['id']}&max=0.3")["pairs"]
    assert (True, pytest.approx(0.0, abs=1e-6)) == (pair["within"], pair["delta_e"])
    (line,) = shop.get("production", f"/lots/{lots[0]['lot_id']}/matches?max=0.3")["items"]
    assert (True, pytest.approx(0.0, abs=1e-6)) == (line["within"], line["delta_e"])
