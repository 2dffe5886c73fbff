"""Shrinkage of printed coupons. Sources: ISO 294-4 for the definition (reference file), numpy for least squares, arithmetic."""

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from lots.domain.characteristics.shrinkage.judged_shrinkage import Start, judge_shrinkage
from lots.domain.characteristics.shrinkage.lot_shrinkage import (
    ShrinkageLimits,
    ShrinkTest,
    scale_factor,
    shrinkage_percent,
    summarise,
    summarise_axis,
)
from tests.domain.builders import GUARDED, SIMPLE, by_code, coupon, reference_json
from tests.domain.strategies import numbers
from tests.tolerances import LEAST_SQUARES, PRINTED_12, SAME_SUM

CASES = [case for case in reference_json("dimensional_cases.json")["cases"] if case["kind"] == "shrinkage"]
X_ONLY = ShrinkageLimits({"x": (0.1, 0.5)})


def judged(tests, limits=X_ONLY, rule=SIMPLE, previous=None):
    """Findings by code."""
    return by_code(judge_shrinkage(summarise(tests), limits, rule, Start(previous or {})))


@pytest.mark.parametrize("case", CASES, ids=[case["name"].replace(" ", "-") for case in CASES])
def test_shrinkage_and_scale_follow_the_definition(case):
    """S is designed less measured over designed (ISO 294-4), the scale factor is 1 / (1 - S), and a scaled model has its designed size."""
    percent = shrinkage_percent(case["cavity_or_model_mm"], case["part_mm"])
    assert pytest.approx(case["S_percent"], abs=PRINTED_12) == percent
    assert pytest.approx(case["scale_factor"], abs=PRINTED_12) == scale_factor(percent)
    scaled_part = case["cavity_or_model_mm"] * scale_factor(percent) * (1 - percent / 100)
    assert pytest.approx(case["check_scaled_part_mm"], abs=PRINTED_12) == scaled_part


def least_squares(tests: list[ShrinkTest]) -> tuple[float, float, float]:
    """Shrinkage %, bead offset mm and standard error of the shrinkage %, by numpy's general least squares."""
    design = np.array([[t.designed_mm, 1.0 if t.feature == "outside" else -1.0] for t in tests])
    measured = np.array([t.measured_mm for t in tests])
    (slope, offset), *_ = np.linalg.lstsq(design, measured)
    left = measured - design @ [slope, offset]
    variance = left @ left / (len(tests) - 2)
    return 100 * (1 - slope), offset, 100 * np.sqrt(variance * np.linalg.inv(design.T @ design)[0, 0])


@pytest.mark.parametrize(
    "features",
    [
        [("outside", 20), ("outside", 100), ("outside", 60)],
        [("outside", 100), ("inside", 100), ("inside", 90)],
        [("outside", 20), ("outside", 100), ("inside", 30), ("inside", 80), ("inside", 15)],
    ],
    ids=["three-lengths-outside", "one-length-outside-and-inside", "two-lengths-outside-and-inside"],
)
def test_scale_and_bead_offset_are_separated_as_by_general_least_squares(features):
    """Shrinkage, bead offset and standard error equal numpy's least squares on lengths with 0.01 mm of noise."""
    noise = np.random.default_rng(3).normal(0, 0.01, len(features))
    tests = [
        ShrinkTest("A", "x", feature, d, d * 0.996 + (0.08 if feature == "outside" else -0.08) + e, 24)
        for (feature, d), e in zip(features, noise, strict=True)
    ]
    percent, offset, error = least_squares(tests)
    found = summarise_axis(tests)
    assert pytest.approx(percent, abs=LEAST_SQUARES) == found.percent
    assert pytest.approx(offset, abs=LEAST_SQUARES) == found.offset_mm
    assert pytest.approx(error, abs=LEAST_SQUARES) == found.uncertainty.total


@pytest.mark.parametrize("offset", [0.1, -0.06], ids=["bead-too-wide", "bead-too-thin"])
def test_two_lengths_recover_what_one_length_confuses(offset):
    """A coupon of 0.30 % with a bead off by some hundredths gives a wrong value on one length and the right one on two (geometry)."""
    long = coupon(0.30, designed_mm=100, offset_mm=offset)
    short = coupon(0.30, designed_mm=20, offset_mm=offset)
    found = summarise_axis([long, short])
    assert pytest.approx(0.30, abs=LEAST_SQUARES) == found.percent
    assert pytest.approx(offset, abs=LEAST_SQUARES) == found.offset_mm
    assert pytest.approx(0.30 - offset, abs=LEAST_SQUARES) == summarise_axis([long]).percent


def test_outside_and_inside_of_one_length_recover_the_offset():
    """The bead lengthens an outside and shortens an inside, so one length measured both ways separates scale from offset."""
    found = summarise_axis([coupon(0.4, offset_mm=0.1), coupon(0.4, feature="inside", offset_mm=0.1)])
    assert pytest.approx((0.4, 0.1), abs=LEAST_SQUARES) == (found.percent, found.offset_mm)


def test_lengths_too_alike_are_averaged_and_tell_no_offset():
    """Lengths of 100 and 105 mm are too alike: their shrinkages are averaged and the offset is unknown."""
    found = summarise_axis([coupon(0.3), coupon(0.5, designed_mm=105)])
    assert found.offset_mm is None
    assert pytest.approx(0.4, abs=LEAST_SQUARES) == found.percent


def test_a_jump_between_lots_is_found_against_limit_and_last_lot():
    """A lot at 0.62 % after nine at 0.30 % is outside its limit with a step of 0.32 %; a Z step from 0.15 to 0.17 is not."""
    limits = ShrinkageLimits({"x": (0.1, 0.5), "z": (0.0, 0.4)}, step_max_percent=0.15)
    tests = [coupon(0.60), coupon(0.64), coupon(0.17, "z")]
    found = judged(tests, limits, previous={"x": 0.30, "z": 0.15})
    assert {"shrinkage.x": "fail", "shrinkage.step_x": "near", "shrinkage.z": "pass", "shrinkage.step_z": "pass"} == {
        code: finding.verdict for code, finding in found.items()
    }
    assert (0.62, 0.32) == (round(found["shrinkage.x"].value, 9), round(found["shrinkage.step_x"].value, 9))
    assert "The step is from 0.300 % to 0.620 %." in found["shrinkage.step_x"].message


@given(st.floats(0, 3), st.floats(0, 3))
@example(0.28449, 0.61861)
def test_a_step_reads_as_the_difference_of_its_ends(before, now):
    """Ends of three decimals differ by the shown step; where rounding would break that they have more (law of this project)."""
    limits = ShrinkageLimits({"x": (-9.0, 9.0)}, step_max_percent=9.0)
    message = judged([coupon(now)], limits, previous={"x": before})["shrinkage.step_x"].message
    step, low, high = map(
        float, re.search(r": ([\d.]+) % from .* from ([-\d.e]+) % to ([-\d.e]+) %\.", message).groups()
    )
    assert pytest.approx(step, abs=0.0005 + SAME_SUM) == abs(high - low)


def test_a_shrinkage_jump_moves_a_ring_by_half_a_millimetre():
    """On 180 mm, 0.30 % is 0.54 mm and 0.62 % is 1.12 mm, a jump of 0.58 mm beyond a tolerance of 0.40 mm (arithmetic)."""
    missing = [round(180 * percent / 100, 2) for percent in (0.30, 0.62)]
    assert [0.54, 1.12] == missing
    assert 0.58 == round(missing[1] - missing[0], 2) > 0.40


@pytest.mark.parametrize("percent", [0.1, 0.5], ids=["low-end", "high-end"])
def test_both_ends_of_a_shrinkage_limit_are_inside(percent):
    """A shrinkage exactly at either end passes."""
    assert "pass" == judged([coupon(percent)])["shrinkage.x"].verdict


def test_axes_are_never_merged():
    """Each axis has its own summary, and an axis without limits makes no finding."""
    found = summarise([coupon(0.3), coupon(0.1, "z"), coupon(0.2, "z")])
    assert {"x": (0.3, 1), "z": (0.15, 2)} == {axis: (round(s.percent, 9), s.n) for axis, s in found.items()}
    assert {"shrinkage.x"} == set(judged([coupon(0.3), coupon(9.0, "z")]))


def test_an_axis_never_measured_is_missing_and_asks_for_its_age():
    """A missing axis states the number of tests and their age."""
    found = judged([], ShrinkageLimits({"y": (0, 1)}, tests_per_axis_min=2, age_h=(24, 48)))["shrinkage.y"]
    assert ("missing", "make 2 shrinkage specimens along Y, measured 24 to 48 h after printing") == (
        found.verdict,
        found.to_measure,
    )


def test_too_few_tests_are_missing_even_when_out():
    """One coupon of two required settles no axis, inside or outside."""
    limits = ShrinkageLimits({"x": (0.1, 0.5)}, tests_per_axis_min=2)
    assert ["missing"] * 2 == [judged([coupon(p)], limits)["shrinkage.x"].verdict for p in (0.3, 2.0)]


@pytest.mark.parametrize(("age", "counts"), [(23.9, False), (24, True), (48, True), (48.1, False)])
def test_the_ages_that_count_include_both_ends(age, counts):
    """In a window of 24 to 48 h (ASTM D955 measures at both), a coupon on either end counts, and one just past it does not."""
    assert counts is ShrinkageLimits({}, age_h=(24, 48)).counts(coupon(0.3, age_h=age))


def test_repeats_and_caliper_combine_into_an_uncertainty():
    """On one length, spread over root n and the caliper's u, in percent of the length, add as squares (JCGM 100, 5.1.2)."""
    found = summarise_axis([coupon(0.28, u=0.02), coupon(0.32, u=0.02)])
    assert pytest.approx(np.hypot(0.02, 0.02), abs=LEAST_SQUARES) == found.uncertainty.total


def spread_over_spools(*tests):
    """The same tests, each on a spool of its own."""
    return [replace(test, spool=f"S{number}") for number, test in enumerate(tests)]


@pytest.mark.parametrize("order", [1, -1], ids=["fine-first", "coarse-first"])
def test_of_several_calipers_the_worst_counts(order):
    """With calipers of 0.001 and 0.02 mm on 100 mm, a mean 0.02 % inside its limit is near: the band is 1.645 x 0.02 %.

    The rule: JCGM 106:2012, 8.3. The better caliper alone would give a band of 0.002 %.
    """
    tests = spread_over_spools(coupon(0.4800, u=0.001), coupon(0.4801, u=0.02))[::order]
    found = judged(tests, rule=GUARDED)["shrinkage.x"]
    scatter = 0.0001 / 2
    assert pytest.approx(np.hypot(scatter, 0.02), abs=LEAST_SQUARES) == found.uncertainty
    assert "near" == found.verdict
    fine = [replace(test, uncertainty=0.001) for test in tests]
    assert "pass" == judged(fine, rule=GUARDED)["shrinkage.x"].verdict


@pytest.mark.parametrize("order", [1, -1], ids=["fine-first", "coarse-first"])
def test_a_line_that_fits_by_luck_keeps_the_instruments_part(order):
    """Three lengths on one line have no residual spread, so the worst caliper gives the slope's uncertainty.

    0.03 mm over the root of the summed squares of -40, 0 and 40 mm is 0.053 % (numpy's least squares, with that noise on each length).
    """
    tests = spread_over_spools(
        coupon(0.45, designed_mm=20, u=0.001),
        coupon(0.45, designed_mm=60, u=0.03),
        coupon(0.45, designed_mm=100, u=0.01),
    )[::order]
    found = judged(tests, rule=GUARDED)["shrinkage.x"]
    design = np.array([[20.0, 1.0], [60.0, 1.0], [100.0, 1.0]])
    expected = 100 * np.sqrt(0.03**2 * np.linalg.inv(design.T @ design)[0, 0])
    assert pytest.approx(expected, abs=LEAST_SQUARES) == found.uncertainty
    assert "near" == found.verdict


def test_a_line_that_fits_worse_than_its_calipers_keeps_its_scatter():
    """Lengths off their line by more than the calipers explain give the slope's uncertainty by numpy's least squares."""
    tests = [
        replace(coupon(0.30, designed_mm=d, u=0.001), measured_mm=d * 0.997 + e)
        for d, e in ((20, 0.05), (60, -0.05), (100, 0.05))
    ]
    *_, error = least_squares(tests)
    # And the calipers' own 0.001 mm.
    own = 100 * 0.001 / np.sqrt(3200)
    assert pytest.approx(np.hypot(error, own), abs=LEAST_SQUARES) == summarise_axis(tests).uncertainty.total
    assert error > 100 * 0.001


def test_a_caliper_of_unknown_uncertainty_alone_proves_nothing_under_guard():
    """One coupon without a stated uncertainty cannot pass guarded acceptance."""
    assert summarise_axis([coupon(0.3)]).uncertainty is None
    assert "missing" == judged([coupon(0.3)], rule=GUARDED)["shrinkage.x"].verdict


def test_no_tests_have_no_summary():
    """An axis without tests is absent, not zero."""
    assert summarise_axis([]) is None
    assert {} == summarise([])


def test_scale_factor_of_no_shrinkage_is_one():
    """A part without shrinkage has a scale factor of 1."""
    assert pytest.approx(1.0, abs=SAME_SUM) == scale_factor(0.0)


# One filament of 0.30 % whose bead is 0.1 mm too wide.
def length(designed_mm, feature="outside", u=0.01, axis="x"):
    """An outside or inside length of that filament."""
    return coupon(0.30, axis, designed_mm, feature, offset_mm=0.1, u=u)


@pytest.mark.parametrize(("designed_mm", "reads"), [(100, 0.20), (50, 0.10), (20, -0.20)])
def test_a_single_length_includes_the_bead(designed_mm, reads):
    """0.30 % with a bead of 0.1 mm reads 0.20 on 100 mm, 0.10 on 50 and -0.20 on 20 (geometry), and the finding states the included bead."""
    found = summarise([length(designed_mm)], X_ONLY.apart)["x"]
    assert (reads, False) == (pytest.approx(found.percent, abs=LEAST_SQUARES), found.separated)
    finding = by_code(judge_shrinkage({"x": found}, X_ONLY, SIMPLE))["shrinkage.x"]
    assert f"includes the width error of the bead (outside length of {designed_mm} mm)" in finding.detail


@pytest.mark.parametrize(
    ("tests", "separated"),
    [
        ([length(20), length(100)], True),
        ([length(100), length(90)], False),
        ([length(21), length(100)], False),
        ([length(50), length(50, "inside")], True),
        ([length(20, u=None), length(100, u=None)], True),
        ([length(20, u=0.1), length(100, u=0.1)], False),
    ],
    ids=["5-to-1", "100-and-90", "just-below-5-to-1", "outside-and-inside", "caliper-assumed", "caliper-too-coarse"],
)
def test_the_bead_is_separated_only_where_the_lengths_allow_it(tests, separated):
    """Separation needs outside and inside or 5 : 1, and a slope known to a third of 0.2 %, half the width of 0.1 to 0.5 % (common practice, no source)."""
    found = summarise(tests, X_ONLY.apart)["x"]
    assert separated is found.separated
    assert pytest.approx(0.30 if separated else np.mean([t.percent for t in tests]), abs=LEAST_SQUARES) == found.percent


def test_90_and_100_mm_leave_more_noise_than_shrinkage():
    """0.02 mm on each of 100 and 90 mm is 0.28 % on the slope (0.02 over the root of 50 mm2, arithmetic)."""
    assert pytest.approx(0.283, abs=0.0005) == 100 * 0.02 / np.sqrt(50)


@pytest.mark.parametrize(
    ("basis", "tests", "verdict", "value"),
    [
        ("material", [length(20), length(100)], "pass", 0.30),
        ("material", [length(100)], "missing", None),
        ("part", [length(100)], "pass", 0.20),
        ("part", [length(20), length(100)], "fail", 0.0),
        (None, [length(100)], "pass", 0.20),
    ],
)
def test_limits_say_what_they_are_on(basis, tests, verdict, value):
    """Limits on the material need separable lengths; limits on the part take lengths as measured (fails closed, no source)."""
    limits = replace(X_ONLY, basis=basis)
    found = by_code(judge_shrinkage(summarise(tests, limits.apart), limits, SIMPLE))["shrinkage.x"]
    assert (verdict, value) == (found.verdict, pytest.approx(value, abs=LEAST_SQUARES))
    assert (verdict == "missing") is ("outside and inside lengths, or lengths of at least 5 : 1" in found.to_measure)


def test_only_the_length_asked_for_counts():
    """Limits on the part at 100 mm do not count a coupon of 50 mm."""
    limits = replace(X_ONLY, basis="part", designed_mm=100.0)
    assert [True, False] == [limits.counts(length(d)) for d in (100, 50)]


@given(
    numbers(-1, 1),
    numbers(0.01, 1),
    numbers(0, 1),
    st.sampled_from([None, "part", "material"]),
    st.sampled_from([SIMPLE, GUARDED]),
    st.lists(
        st.builds(
            coupon,
            numbers(-0.5, 1),
            designed_mm=st.sampled_from([20.0, 50.0, 100.0]),
            feature=st.sampled_from(["outside", "inside"]),
            u=st.sampled_from([None, 0.01, 0.1]),
        ),
        min_size=1,
        max_size=5,
    ),
)
@example(0.0, 0.05, 0.15, None, SIMPLE, [length(20, u=0.02), length(100, u=0.02)])
def test_wider_limits_never_refuse_more(middle, half, more, basis, rule, tests):
    """A value that passes limits passes wider ones, and a failure of wider limits fails these too (law of this project)."""
    narrow, wide = (
        judge_shrinkage(summarise(tests, limits.apart), limits, rule)[0].verdict
        for limits in (ShrinkageLimits({"x": (middle - h, middle + h)}, basis=basis) for h in (half, half + more))
    )
    assert narrow != "pass" or wide == "pass"
    assert wide != "fail" or narrow == "fail"


def test_a_line_that_is_too_uncertain_never_passes_a_lot():
    """A slope of u 0.18 % from 20 and 100 mm with u 0.1 mm each (sqrt(2) * 0.1 / 80) passes no lot; the mean of the singles is assessed too."""
    limits = replace(X_ONLY, basis="material")
    tests = [length(20, u=0.1), length(100, u=0.1)]
    found = by_code(judge_shrinkage(summarise(tests, limits.apart), limits, SIMPLE))["shrinkage.x"]
    assert "missing" == found.verdict
    assert "or use a better caliper (standard uncertainty without the bead 0.18 %" in found.to_measure
