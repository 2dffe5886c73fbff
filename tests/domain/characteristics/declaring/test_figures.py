"""The figures of a lot in a series, computed by hand from a few readings, and the limit of each figure."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.assessment import Criteria, Evidence, assess
from lots.domain.assessment.limits_revision import Limits, limit_on
from lots.domain.characteristics.bond.lot_bond import BondLimits, BondTest
from lots.domain.characteristics.color.declared_color import LEAST_CHROMA
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.declaring.case import ShadeRevision
from lots.domain.characteristics.declaring.figures import Figure
from lots.domain.characteristics.gloss import GlossLimits
from lots.domain.characteristics.lot_diameter import DiameterLimits
from lots.domain.characteristics.registry import MEASURES
from lots.domain.characteristics.shrinkage.lot_shrinkage import ShrinkageLimits
from lots.domain.characteristics.surface import SurfaceCheck
from lots.domain.colorimetry.color_difference import ciede2000
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.limits import Limit
from lots.domain.receiving.coverage import Coverage
from tests.domain.builders import (
    APPROVED_UNDER,
    EVERY_LIMIT,
    GOOD,
    WHITE,
    assessed,
    bar,
    by_code,
    color,
    control,
    coupon,
    gauge,
    wet,
)
from tests.domain.strategies import LOTS, shuffled
from tests.examples import examples
from tests.tolerances import LEAST_SQUARES, SAME_FORMULA, SAME_SUM

THOROUGH = examples(200)
COLOR = ("color.component_l", "color.component_a", "color.component_b", "color.lot_delta_e")


def figures(evidence: Evidence, reference: Lab | None = WHITE, rule: ColorLimits | None = None) -> dict[str, Figure]:
    """The figures of a lot of 1.75 mm filament."""
    shade = reference and ShadeRevision("White", 1, reference, APPROVED_UNDER)
    limits = Limits(color=rule) if rule else None
    return dict(assess(evidence, Coverage.of(10**13, 1), Criteria(limits, shade, 1.75)).summary.figures)


def of_spool(spool: str, test):
    """The same coupon or specimen, of another spool."""
    return replace(test, spool=spool)


def same(expected: Figure, found: Figure, within: float = SAME_SUM) -> None:
    """Compares every part of a figure with the expected one."""
    assert expected.n == found.n
    assert pytest.approx((expected.value, expected.ss), abs=within) == (found.value, found.ss)
    assert (expected.uncertainty is None) == (found.uncertainty is None)
    if expected.uncertainty is not None:
        assert pytest.approx(expected.uncertainty, abs=within) == found.uncertainty


def at_hue(degrees: float, chroma: float = 10.0) -> list[float]:
    """L*, a*, b* of a colour at a hue angle."""
    return [50.0, chroma * math.cos(math.radians(degrees)), chroma * math.sin(math.radians(degrees))]


# Spool A was read twice and B once: means (95.3, -0.8, 1.7) and (94.9, -0.6, 1.5), against a reference of (95.0, -0.8, 1.5).
TWO_SPOOLS = Evidence(color=(color("A", 95.2, -0.8, 1.7), color("A", 95.4, -0.8, 1.7), color("B", 94.9, -0.6, 1.5)))


@pytest.mark.parametrize(
    ("measure", "expected"),
    [
        # Spools at +0.3 and -0.1: mean 0.1, squares 2 * 0.2^2, and the root of that over n (n - 1).
        ("color.component_l", Figure(0.1, 2, 0.08, 0.2)),
        ("color.component_a", Figure(0.1, 2, 0.02, 0.1)),
        ("color.component_b", Figure(0.1, 2, 0.02, 0.1)),
        # The lot at (0.1, 0.1, 0.1); spools at (0.3, 0, 0.2) and (-0.1, 0.2, 0).
        ("color.lot_delta_e", Figure(math.sqrt(0.03), 2, (math.sqrt(0.13) - math.sqrt(0.05)) ** 2 / 2)),
    ],
)
def test_a_lots_colour_is_the_mean_of_its_spools(measure, expected):
    """A spool measured twice weighs the same as one measured once (by hand, CIE76)."""
    same(expected, figures(TWO_SPOOLS, rule=ColorLimits("CIE76"))[measure])


def test_without_limits_a_colour_difference_is_ciede2000():
    """The formula is that of the limits, and CIEDE2000 without limits."""
    found = figures(TWO_SPOOLS)["color.lot_delta_e"]
    assert pytest.approx(ciede2000(WHITE, Lab(95.1, -0.7, 1.6)), abs=SAME_SUM) == found.value


def test_without_a_reference_there_is_no_colour_figure():
    """Without an approved reference there is no colour figure."""
    assert {} == figures(TWO_SPOOLS, reference=None)


@pytest.mark.parametrize(
    ("reference", "sample", "turn"),
    [(1, 359, -2), (359, 1, 2), (10, 30, 20), (30, 10, -20), (181, 179, -2), (90, 269, 179), (90, 271, -179)],
)
def test_a_hue_turns_the_short_way_round(reference, sample, turn):
    """From 1 to 359 degrees the hue difference is -2, not 358."""
    read = Evidence(color=(color("A", *at_hue(sample)),))
    same(Figure(turn, 1, 0.0), figures(read, Lab(*at_hue(reference)))["color.hue"], SAME_FORMULA)


def test_spools_on_both_sides_of_zero_degrees_lie_close_together():
    """Hues of 358 and 2 degrees against 0 are -2 and 2: mean 0, sum of squares 8 (by hand)."""
    read = Evidence(color=(color("A", *at_hue(358)), color("B", *at_hue(2))))
    same(Figure(0.0, 2, 8.0), figures(read, Lab(*at_hue(0)))["color.hue"], SAME_FORMULA)


@pytest.mark.parametrize(
    ("reference", "sample", "told"),
    [(2.0, 2.0, True), (2.0, 1.99, False), (1.99, 2.0, False), (1.99, 1.99, False), (60.0, 2.0, True)],
)
def test_near_grey_there_is_no_hue(reference, sample, told):
    """Hue is followed where both chromas are at least 2."""
    read = Evidence(color=(color("A", 50.0, sample, 0.0),))
    assert 2.0 == LEAST_CHROMA
    assert told == ("color.hue" in figures(read, Lab(50.0, 0.0, reference)))


def test_diameters_are_averaged_per_spool_first():
    """Spool A at 1.76 and 1.77 has mean 1.765 and ovality 0.02; spool B is round at 1.74 (by hand)."""
    found = figures(Evidence(diameter=(gauge("A", 1.75, 1.77), gauge("A", 1.76, 1.78), gauge("B", 1.74, 1.74))))
    same(Figure(1.7525, 2, 0.025**2 / 2, 0.0125), found["diameter.mean"])
    same(Figure(0.01, 2, 0.0002, 0.01), found["diameter.mean_ovality"])


def test_one_spool_has_no_uncertainty():
    """One spool gives no spread between spools, so its figure has no uncertainty."""
    same(Figure(1.75, 1, 0.0), figures(Evidence(diameter=(gauge("A", 1.74, 1.76),)))["diameter.mean"])


def test_two_lengths_tell_shrinkage_from_a_wide_bead():
    """Lengths of 20 and 100 mm with a bead 0.1 mm too wide give 0.3 %, where the short one alone gives -0.2 % (by hand)."""
    read = Evidence(shrinkage=(coupon(0.3, "x", 20, offset_mm=0.1), coupon(0.3, "x", 100, offset_mm=0.1)))
    same(Figure(0.3, 1, 0.0), figures(read)["shrinkage.x"], LEAST_SQUARES)


def test_spools_with_coupons_of_different_lengths_differ_by_shrinkage_alone():
    """The bead offset from the two spools' lengths together is removed before the spools are compared."""
    apart = (coupon(0.3, "x", 20, offset_mm=0.1), of_spool("B", coupon(0.3, "x", 100, "inside", offset_mm=0.1)))
    same(Figure(0.3, 2, 0.0), figures(Evidence(shrinkage=apart))["shrinkage.x"], LEAST_SQUARES)


def test_axes_are_kept_apart():
    """Each axis has its own figure, and several coupons of a spool are one spool (by hand: 0.30 and 0.40 are 0.05 from their mean)."""
    x = (coupon(0.28), coupon(0.32), of_spool("B", coupon(0.40)))
    found = figures(Evidence(shrinkage=(*x, coupon(0.5, "y"), coupon(0.9, "z"))))
    assert {"shrinkage.x", "shrinkage.y", "shrinkage.z"} == set(found)
    assert pytest.approx(1.0 / 3, abs=SAME_FORMULA) == found["shrinkage.x"].value
    assert pytest.approx(0.005, abs=SAME_FORMULA) == found["shrinkage.x"].ss
    assert (2, 1, 1) == tuple(found[f"shrinkage.{axis}"].n for axis in "xyz")
    assert pytest.approx((0.5, 0.9), abs=SAME_FORMULA) == (found["shrinkage.y"].value, found["shrinkage.z"].value)


BARS = (bar(24.0), bar(26.0), BondTest("B", 22.0))


def test_bars_of_one_spool_are_one_spool():
    """Specimens 24 and 26 of spool A and 22 of B have mean 24, spool means 25 and 22, and sum of squares 4.5 (by hand)."""
    found = figures(Evidence(bond=BARS))
    assert {"bond.mean"} == set(found)
    assert (24.0, 2, 4.5) == (found["bond.mean"].value, found["bond.mean"].n, found["bond.mean"].ss)


def test_control_bars_divide_value_and_scatter():
    """With control specimens at 30 the ratio is 0.8 and the squares are divided by 900 (by hand)."""
    found = figures(Evidence(bond=(*BARS, control(29.0), control(31.0))))
    ratio = found["bond.control_ratio"]
    assert pytest.approx((0.8, 4.5 / 900), abs=SAME_SUM) == (ratio.value, ratio.ss)
    assert (24.0, 2) == (found["bond.mean"].value, ratio.n)


def test_specks_are_counted_over_the_whole_area():
    """4 specks on 8 dm2 are 0.5 per dm2, with uncertainty sqrt(4) / 8 (Poisson)."""
    found = figures(Evidence(surface=(SurfaceCheck("A", 3, 5.0), SurfaceCheck("B", 1, 3.0))))
    same(Figure(0.5, 1, 0.0, 0.25), found["surface.specks"])


def test_no_specks_are_not_certain():
    """Zero specks have an unknown uncertainty, not 0."""
    same(Figure(0.0, 1, 0.0), figures(Evidence(surface=(SurfaceCheck("A", 0, 5.0),)))["surface.specks"])


def test_moisture_is_what_was_read_last_on_each_spool():
    """Spool A was dried from 0.08 to 0.02 % and B is at 0.04: mean 0.03, sum of squares 0.0002 (by hand)."""
    read = Evidence(moisture=(wet("A", 0.02, hours=5), wet("A", 0.08), wet("B", 0.04)))
    same(Figure(0.03, 2, 0.0002, 0.01), figures(read)["moisture.percent"])


def test_nothing_measured_is_no_figure():
    """A measure without readings has no figure instead of 0."""
    assert {} == figures(Evidence())
    assert {} == figures(Evidence(bond=(control(30.0),)))


def test_a_figure_is_kept_as_four_numbers():
    """A figure is stored as value, n, sum of squares and uncertainty."""
    assert [0.1, 2, 0.02, None] == Figure(0.1, 2, 0.02).as_list()


@pytest.mark.parametrize("code", [*COLOR, "shrinkage.x", "bond.mean", "bond.control_ratio", "surface.specks"])
def test_a_figure_is_what_the_lot_was_judged_by(code):
    """Where a finding assesses the lot as a whole, its value and uncertainty equal the figure's."""
    whole = assessed()
    finding, figure = by_code(whole.findings)[code], whole.summary.figures[code]
    assert finding.value == figure.value
    if code not in ("color.lot_delta_e", "surface.specks"):
        assert finding.uncertainty == figure.uncertainty


AXES = {"x": (0.1, 0.5), "y": (0.2, 0.6), "z": (0.3, 0.9)}
ANGLES = {20: (5.0, 20.0), 60: (30.0, 50.0), 85: (60.0, 80.0)}
ALL_AXES = replace(EVERY_LIMIT, shrinkage=ShrinkageLimits(AXES), gloss=GlossLimits(ANGLES))
LIMIT = {
    "color.component_l": Limit(-0.8, 0.8),
    "color.component_a": Limit(-0.4, 0.4),
    "color.component_b": Limit(-0.6, 0.6),
    "color.hue": None,
    "color.lot_delta_e": Limit(None, 1.0),
    "diameter.mean": Limit(1.75 - 0.03, 1.75 + 0.03, "mm"),
    "diameter.mean_ovality": Limit(None, 0.05, "mm"),
    "shrinkage.x": Limit(0.1, 0.5, "%"),
    "shrinkage.y": Limit(0.2, 0.6, "%"),
    "shrinkage.z": Limit(0.3, 0.9, "%"),
    "bond.mean": Limit(20.0, None, "MPa"),
    "bond.control_ratio": Limit(0.7, None),
    "surface.specks": Limit(None, 1.0, "per dm²"),
    "moisture.percent": Limit(None, 0.05, "%"),
    "gloss.gu_20": Limit(5.0, 20.0, "GU"),
    "gloss.gu_60": Limit(30.0, 50.0, "GU"),
    "gloss.gu_85": Limit(60.0, 80.0, "GU"),
    "opacity.contrast_ratio": Limit(0.98, None, target=1.0),
    "stringing.hairs": Limit(None, 0.5, "per gap"),
}
# Blocks that ask for something, and nothing of a lot as a whole.
NOTHING_OF_LOTS = Limits(
    color=ColorLimits(spool_max=1.2),
    diameter=DiameterLimits(reading_tolerance_mm=0.05),
    shrinkage=ShrinkageLimits({}),
    bond=BondLimits(single_min_mpa=15.0),
)


@pytest.mark.parametrize("measure", MEASURES)
def test_every_measure_is_held_against_its_limit(measure):
    """Each measure except hue has the limit on its figure."""
    assert LIMIT[measure] == limit_on(measure, ALL_AXES, 1.75)


@pytest.mark.parametrize("measure", MEASURES)
def test_limits_that_ask_nothing_of_a_figure_set_none(measure):
    """Without limits, without blocks, or with limits on spools and readings alone, a figure has no limit."""
    assert (None, None, None) == tuple(limit_on(measure, limits, 1.75) for limits in (None, Limits(), NOTHING_OF_LOTS))


def test_every_measure_can_be_read():
    """Readings of every kind give a figure for each measure and nothing else."""
    read = {"color": (color("A", *at_hue(90)),), "shrinkage": tuple(coupon(0.3, axis) for axis in AXES)}
    assert set(MEASURES) == set(figures(replace(GOOD, **read), Lab(*at_hue(80))))


@THOROUGH
@given(lot=LOTS, data=st.data())
def test_the_order_of_readings_changes_nothing(lot, data):
    """The same readings in another order give the same figures."""
    before, after = figures(lot), figures(shuffled(lot, data.draw))
    assert set(before) == set(after)
    for measure, figure in before.items():
        same(figure, after[measure], SAME_FORMULA)


@THOROUGH
@given(lot=LOTS, by=st.sampled_from((-0.7, 0.25, 3.0)))
def test_a_yellower_lot_differs_in_yellow_alone(lot, by):
    """Adding a constant to every b* shifts db* by it, leaves its spread, and changes only figures that contain b*."""
    yellower = tuple(replace(r, lab=Lab(r.lab.L, r.lab.a, r.lab.b + by)) for r in lot.color)
    before, after = figures(lot), figures(replace(lot, color=yellower))
    of_b = {"color.component_b", "color.lot_delta_e", "color.hue"}
    assert {k: v for k, v in before.items() if k not in of_b} == {k: v for k, v in after.items() if k not in of_b}
    if lot.color:
        b = before["color.component_b"]
        same(replace(b, value=b.value + by), after["color.component_b"], SAME_FORMULA)
