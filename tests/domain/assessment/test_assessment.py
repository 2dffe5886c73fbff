"""From readings to a lot's verdict per use and its status. Source: this project's rules; figures invented, differences computed."""

from dataclasses import replace

import pytest

from lots.domain.assessment.assessment import Assessment, Criteria, Evidence, assess
from lots.domain.assessment.limits_revision import CHARACTERISTICS, GENERAL, Limits
from lots.domain.assessment.verdicts import standing_of
from lots.domain.characteristics.bond.lot_bond import BondLimits
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.declaring.case import Previous
from lots.domain.characteristics.lot_diameter import DiameterLimits
from lots.domain.characteristics.moisture import REMEDY, MoistureLimits
from lots.domain.characteristics.shrinkage.lot_shrinkage import ShrinkageLimits
from lots.domain.colorimetry.color_values import Conditions, Lab
from lots.domain.conformity import rule_versions
from tests.domain.builders import (
    BEFORE,
    BLACK,
    EVERY_LIMIT,
    GOOD,
    SHADE,
    TWO_OF_TEN,
    Coverage,
    assessed,
    bar,
    by_code,
    color,
    control,
    coupon,
    gauge,
    wet,
)

BY_USE = replace(EVERY_LIMIT, uses={"cosmetic": ("color", "surface"), "load_bearing": ("bond", "diameter")})
VERDICTS = ("pass", "fail", "near", "missing")
BAD = {
    "color": (color("A", 93.0, -0.8, 1.5), color("B", 93.0, -0.8, 1.5)),
    "diameter": (gauge("A", 1.85, 1.85), gauge("B", 1.75, 1.75)),
    "shrinkage": (coupon(0.9),),
    "bond": (bar(9.0), control(29.5)),
    "surface": (replace(GOOD.surface[0], specks=60), GOOD.surface[1]),
}


@pytest.mark.parametrize("load_bearing", VERDICTS)
@pytest.mark.parametrize("cosmetic", VERDICTS)
def test_standing_follows_from_the_verdicts_per_use(cosmetic, load_bearing):
    """All uses passing releases, all failing blocks, a mixture restricts, and any open use keeps the lot in quarantine."""
    verdicts = {cosmetic, load_bearing}
    decided = {("pass",): "released", ("fail",): "blocked", ("fail", "pass"): "restricted"}
    expected = decided.get(tuple(sorted(verdicts)), "quarantined")
    assert expected == standing_of({"cosmetic": cosmetic, "load_bearing": load_bearing})


def test_no_verdict_at_all_is_quarantine():
    """A lot without any verdict is in quarantine."""
    assert "quarantined" == standing_of({})


def test_a_good_lot_is_released_with_nothing_left_to_do():
    """A lot whose findings all pass is released with colour, flow and shrinkage for production."""
    found = assessed()
    assert ("released", {GENERAL: "pass"}, ()) == (found.standing, found.uses, found.to_measure)
    assert {"pass"} == {finding.verdict for finding in found.findings}
    # The means of the two spools and of the two coupons, by hand.
    assert Lab(95.0, -0.775, 1.55) == found.summary.lab
    assert {"x": 0.32} == {axis: round(percent, 9) for axis, percent in found.summary.shrinkage.items()}
    assert {"A", "B"} == set(found.summary.spool_flow)
    assert 1.0 == round(found.summary.flow, 3)


@pytest.mark.parametrize("characteristic", BAD)
def test_one_bad_characteristic_blocks_a_lot_judged_in_general(characteristic):
    """Without named uses, any characteristic outside its limits rejects the lot with a message."""
    found = assessed(replace(GOOD, **{characteristic: BAD[characteristic]}))
    assert ("blocked", {GENERAL: "fail"}) == (found.standing, found.uses)
    assert characteristic in {f.characteristic for f in found.findings if f.verdict == "fail"}
    assert any("Outside by" in message for message in found.why(GENERAL))
    assert not found.passed(characteristic)


@pytest.mark.parametrize("characteristic", CHARACTERISTICS)
def test_a_characteristic_never_measured_leaves_the_lot_in_quarantine(characteristic):
    """A required characteristic that was not measured is missing, and the lot states what to measure."""
    found = assessed(replace(GOOD, **{characteristic: ()}))
    assert ("quarantined", {GENERAL: "missing"}) == (found.standing, found.uses)
    assert found.to_measure
    assert not found.passed(characteristic)


@pytest.mark.parametrize(
    ("bad", "uses", "standing"),
    [
        ((), {"cosmetic": "pass", "load_bearing": "pass"}, "released"),
        (("color",), {"cosmetic": "fail", "load_bearing": "pass"}, "restricted"),
        (("bond",), {"cosmetic": "pass", "load_bearing": "fail"}, "restricted"),
        (("color", "diameter"), {"cosmetic": "fail", "load_bearing": "fail"}, "blocked"),
        (("shrinkage",), {"cosmetic": "pass", "load_bearing": "pass"}, "released"),
    ],
    ids=["good", "off-shade", "weak", "off-shade-and-thick", "shrinks-but-nobody-minds"],
)
def test_each_use_is_judged_on_what_it_requires(bad, uses, standing):
    """Each use depends only on its required characteristics: an off-shade lot still carries load, a weak lot is still cosmetic."""
    found = assessed(replace(GOOD, **{name: BAD[name] for name in bad}), BY_USE)
    assert (uses, standing) == (found.uses, found.standing)


def test_matte_black_that_looks_right_is_cosmetic_only():
    """A black 0.27 from its shade with a bond of 0.38 of the control passes cosmetic use, and fails load-bearing and flexing use."""
    shade = replace(SHADE, name="Slate Night", lab=BLACK)
    limits = Limits(
        color=ColorLimits(lot_max=1.0),
        bond=BondLimits(control_ratio_min=0.7),
        uses={"cosmetic": ("color",), "load_bearing": ("bond",), "flexing": ("bond",)},
    )
    bars = tuple(bar(s) for s in (12.1, 10.4, 13.0, 9.2, 11.8))
    evidence = Evidence(color=(color("A", 18.35, 0.12, -0.52),), bond=(*bars, control(29.5)))
    found = assessed(evidence, limits, shade, Coverage.of(1, 1), None)
    assert ("restricted", {"cosmetic": "pass", "load_bearing": "fail", "flexing": "fail"}) == (
        found.standing,
        found.uses,
    )
    ratio = by_code(found.findings)["bond.control_ratio"]
    assert (0.27, 0.38) == (round(found.findings[0].value, 2), round(ratio.value, 2))
    assert ("load_bearing", "flexing") == ratio.uses
    assert [ratio.message] == found.why("flexing")


def test_a_shrink_jump_holds_fits_and_leaves_cosmetic_released():
    """A lot at 0.62 % after nine at 0.30 % fails for fits and passes for cosmetic use."""
    limits = Limits(
        color=ColorLimits(lot_max=1.0),
        shrinkage=ShrinkageLimits({"x": (0.1, 0.5)}, step_max_percent=0.15),
        uses={"cosmetic": ("color",), "fit": ("shrinkage",)},
    )
    found = assessed(replace(GOOD, shrinkage=(coupon(0.62), coupon(0.17, "z"))), limits)
    assert ("restricted", {"cosmetic": "pass", "fit": "fail"}) == (found.standing, found.uses)
    assert 2 == len(found.why("fit"))


def test_without_limits_nothing_can_be_judged():
    """A grade without limits leaves its lots in quarantine, asks quality for limits and still reports the measurements."""
    found = assessed(limits=None)
    assert ("quarantined", {GENERAL: "missing"}, ()) == (found.standing, found.uses, found.findings)
    assert "limits for this grade" in found.to_measure[0]
    assert found.summary.lab is not None


def test_without_a_shade_colour_cannot_pass():
    """Colour limits without an approved shade keep the lot in quarantine, and no mean colour is given."""
    found = assessed(shade=None)
    assert "quarantined" == found.standing
    assert "ask quality to approve a shade revision for this grade" in found.to_measure
    assert found.summary.lab is None


def test_limits_that_ask_for_nothing_release_nothing():
    """Limits without a block never release a lot."""
    assert ("quarantined", {GENERAL: "missing"}) == (assessed(limits=Limits()).standing, assessed(limits=Limits()).uses)


def test_too_wet_is_quarantine_with_a_remedy_and_not_a_block():
    """A lot that is only too wet is held; it is released once each drawn spool was dried and measured again."""
    wet_lot = replace(GOOD, moisture=(wet("A", 0.30), wet("B", 0.03)))
    held = assessed(wet_lot)
    assert ("quarantined", {GENERAL: "missing"}) == (held.standing, held.uses)
    assert (REMEDY,) == held.to_measure
    dried = assessed(replace(wet_lot, moisture=(wet("A", 0.30), wet("B", 0.03), wet("A", 0.02, hours=8))))
    assert "released" == dried.standing


def test_wet_and_off_shade_is_blocked():
    """A remedy for one finding does not soften the failure of another."""
    assert "blocked" == assessed(replace(GOOD, moisture=(wet("A", 0.30),), color=BAD["color"])).standing


def test_a_required_characteristic_without_any_finding_is_missing():
    """A required characteristic without any finding, such as a step without an earlier lot, is open and not passed."""
    limits = Limits(color=ColorLimits(step_max=0.5), moisture=MoistureLimits(0.05))
    found = assessed(limits=limits, previous=Previous())
    assert {"moisture"} == {finding.characteristic for finding in found.findings}
    assert ("quarantined", {GENERAL: "missing"}) == (found.standing, found.uses)
    assert any("no earlier accepted lot" in note for note in found.notes)


def test_a_use_that_requires_an_absent_block_is_missing():
    """A use whose required characteristic has no limits is open."""
    limits = Limits(moisture=MoistureLimits(0.05), uses={"load_bearing": ("moisture", "bond")})
    assert {"load_bearing": "missing"} == assessed(limits=limits).uses


def test_readings_under_other_conditions_do_not_count():
    """Readings with the specular component excluded are left out and counted in a note."""
    sce = Conditions("D65", 10, "d/8", "excluded", uv="excluded")
    found = assessed(replace(GOOD, color=(GOOD.color[0], color("B", 80.0, 0.0, 0.0, under=sce))))
    assert "missing" == by_code(found.findings)["color.lot_delta_e"].verdict
    assert (
        "1 colour reading was made under conditions that differ from revision 1 of Harbour White and does not count.",
    ) == found.notes
    assert GOOD.color[0].lab == found.summary.lab


def test_coupons_outside_the_age_window_do_not_count():
    """A coupon measured outside a window of 24 to 48 h is left out with a note, and the rest can be too few."""
    limits = replace(EVERY_LIMIT, shrinkage=ShrinkageLimits({"x": (0.1, 0.5)}, tests_per_axis_min=2, age_h=(24, 48)))
    found = assessed(replace(GOOD, shrinkage=(coupon(0.3, age_h=1), coupon(0.3, age_h=24))), limits)
    assert "missing" == by_code(found.findings)["shrinkage.x"].verdict
    assert "1 shrinkage specimen was not measured 24 to 48 h after printing and does not count." in found.notes


def test_coupons_of_several_printers_are_noted():
    """A summary over several printers names them, because printers differ in scale (common practice, no source)."""
    found = assessed(replace(GOOD, shrinkage=(coupon(0.3, printer="P-2"), coupon(0.3, printer="P-1"))))
    assert any("several printers (P-1, P-2)" in note for note in found.notes)


def test_measuring_other_spools_than_those_drawn_is_noted():
    """By the first rules another spool replaces a drawn one with a note; from version 2 on it never releases the lot."""
    others = tuple(replace(reading, spool=spool) for reading, spool in zip(GOOD.diameter, "AZ", strict=True))
    lot = replace(GOOD, diameter=others)
    each = [
        Criteria(EVERY_LIMIT, SHADE, 1.75, BEFORE, rules=rules)
        for rules in (rule_versions.FIRST, rule_versions.CURRENT)
    ]
    first, now = (assess(lot, TWO_OF_TEN, criteria) for criteria in each)
    assert "released" == first.standing
    assert ("For diameter, spools were measured that were not drawn. Drawn but not measured: B.",) == first.notes
    assert ("quarantined", ("measure diameter on 1 more spool (B), 1 reading",)) == (now.standing, now.to_measure)
    assert ("Spool Z was not drawn for the sample. Its readings can reject the lot but not release it.",) == now.notes


def test_what_to_measure_is_said_once_and_only_for_what_is_required():
    """Three missing diameter findings give one task, and a characteristic that no use requires gives none."""
    limits = Limits(
        diameter=DiameterLimits(0.03, 0.05, 0.05), moisture=MoistureLimits(0.05), uses={"hidden": ("diameter",)}
    )
    found = assessed(Evidence(), limits)
    assert ("measure diameter on 2 spools (A, B), 1 reading each",) == found.to_measure


def test_steps_are_taken_from_the_previous_lot():
    """Colour and shrinkage steps are differences from the last accepted lot, and are absent without one."""
    codes = {"color.step", "shrinkage.step_x"}
    assert codes <= set(by_code(assessed(previous=BEFORE).findings))
    assert not codes & set(by_code(assessed(previous=None).findings))


def test_nothing_passed_that_was_not_judged():
    """A characteristic without findings has not passed."""
    found: Assessment = assessed(limits=Limits(moisture=MoistureLimits(0.05)))
    assert found.passed("moisture")
    assert not found.passed("bond")


def test_evidence_knows_when_it_is_empty():
    """Evidence is empty only without a reading of any kind."""
    assert Evidence().empty
    assert not any(Evidence(**{name: getattr(GOOD, name)}).empty for name in CHARACTERISTICS)
