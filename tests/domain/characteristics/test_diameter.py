"""Filament diameter. Sources: geometry (reference file); tolerances are common practice, no source."""

import math

import pytest
from hypothesis import given

from lots.domain.characteristics.cross_section import DiameterReading, area_mm2, flow_factor, length_m
from lots.domain.characteristics.diameter_checks import doubt_turned
from lots.domain.characteristics.lot_diameter import DiameterLimits, around, judge_diameter, summarise
from tests.domain.builders import GUARDED, SIMPLE, Coverage, by_code, gauge, reference_json
from tests.domain.strategies import numbers
from tests.tolerances import PRINTED_12, SAME_FORMULA, SAME_SUM

CASES = reference_json("dimensional_cases.json")["cases"]
TWO_AXIS = [case for case in CASES if case["kind"] == "two_axis"]
FLOW = [case for case in CASES if case["kind"] == "flow_compensation"]
LENGTH = [case for case in CASES if case["kind"] == "mass_to_length"]
ONE = Coverage.of(1, 1)
EVERY = DiameterLimits(mean_tolerance_mm=0.05, reading_tolerance_mm=0.05, ovality_max_mm=0.05)


def judged(readings, limits=EVERY, nominal=1.75, coverage=ONE, rule=SIMPLE):
    """Findings by code."""
    return by_code(judge_diameter(summarise(readings, nominal), nominal, limits, coverage, rule))


@pytest.mark.parametrize("case", TWO_AXIS, ids=[f"{c['d1_mm']}x{c['d2_mm']}" for c in TWO_AXIS])
def test_two_axes_give_mean_ovality_section_and_flow(case):
    """Two perpendicular diameters give the mean, the ovality, the area of the ellipse and the flow factor (geometry)."""
    reading = gauge("A", case["d1_mm"], case["d2_mm"])
    assert pytest.approx(case["mean_mm"], abs=PRINTED_12) == reading.mean_mm
    assert pytest.approx(case["ovality_difference_mm"], abs=PRINTED_12) == reading.ovality_mm
    assert pytest.approx(case["ellipse_area_mm2"], abs=PRINTED_12) == area_mm2(reading.d1_mm, reading.d2_mm)
    assert pytest.approx(case["flow_factor_from_ellipse"], abs=PRINTED_12) == flow_factor([reading], case["nominal_mm"])


@pytest.mark.parametrize("case", FLOW, ids=[f"{c['measured_mm']}-for-{c['nominal_mm']}" for c in FLOW])
def test_flow_factor_is_nominal_over_measured_section(case):
    """A round filament of another diameter needs (nominal / measured) squared of the flow (equal volume)."""
    readings = [gauge("A", case["measured_mm"], case["measured_mm"])]
    assert pytest.approx(case["factor"], abs=PRINTED_12) == flow_factor(readings, case["nominal_mm"])


@pytest.mark.parametrize("case", LENGTH, ids=[f"{c['material']}-{c['mass_kg']}kg-{c['diameter_mm']}" for c in LENGTH])
def test_length_left_follows_from_mass_density_and_section(case):
    """Length is mass over density times section (geometry); the densities are typical handbook figures, used as inputs."""
    found = length_m(1000 * case["mass_kg"], case["density_g_cm3"], case["diameter_mm"])
    assert pytest.approx(case["length_m"], abs=SAME_FORMULA) == found
    assert pytest.approx(case["area_mm2"], abs=PRINTED_12) == area_mm2(case["diameter_mm"], case["diameter_mm"])


def test_length_of_an_oval_filament_uses_both_axes():
    """A second axis changes the section: 1.8 x 1.65 gives 1.75^2 / (1.8 * 1.65) = 1.0311447811 times the length of a round 1.75 (by hand)."""
    assert pytest.approx(length_m(1000, 1.24, 1.75) * 1.031144781145, rel=1e-10) == length_m(1000, 1.24, 1.8, 1.65)


# Change of the extruded volume in percent when the diameter is off by this much; computed from the square of the diameter.
VOLUME = [
    (1.75, 0.02, 2.30),
    (1.75, -0.02, -2.27),
    (1.75, 0.03, 3.46),
    (1.75, -0.03, -3.40),
    (1.75, 0.05, 5.80),
    (1.75, -0.05, -5.63),
    (2.85, 0.05, 3.54),
    (2.85, -0.05, -3.48),
    (2.85, 0.10, 7.14),
]


@pytest.mark.parametrize(("nominal", "off", "percent"), VOLUME, ids=[f"{n}{off:+}" for n, off, _ in VOLUME])
def test_a_diameter_error_is_twice_as_large_in_volume(nominal, off, percent):
    """Uncorrected, a small diameter error feeds about twice that fraction more or less plastic."""
    measured = gauge("A", nominal + off, nominal + off)
    assert percent == round(100 * (1 / flow_factor([measured], nominal) - 1), 2)


def test_a_tenth_of_a_millimetre_on_the_thin_size_is_nearly_twelve_percent():
    """1.85 mm where 1.75 was meant feeds 11.8 % too much (computed)."""
    assert 11.8 == round(100 * (1 / flow_factor([gauge("A", 1.85, 1.85)], 1.75) - 1), 1)


def test_flow_of_a_lot_is_the_mean_of_its_spools():
    """Each spool counts once in the lot's flow factor, however many positions were measured."""
    readings = [gauge("A", 1.70, 1.70)] * 5 + [gauge("B", 1.80, 1.80)]
    found = summarise(readings, 1.75)
    assert pytest.approx((1.059688581315 + 0.945216049383) / 2, abs=PRINTED_12) == found.flow


def test_an_oval_lot_with_a_perfect_mean_fails_on_ovality():
    """Axes of 1.84 and 1.66 average to 1.750, lose 0.26 % of area, and have an ovality of 0.18 mm, which jams."""
    oval = gauge("A", 1.84, 1.66, at=2.0)
    assert "1.750" == f"{oval.mean_mm:.3f}"
    assert -0.26 == round(100 * (area_mm2(1.84, 1.66) / area_mm2(1.75, 1.75) - 1), 2)
    found = judged([oval])
    assert ("pass", "fail", "fail") == tuple(f.verdict for f in found.values())
    assert 0.18 == round(found["diameter.ovality"].value, 9)
    assert "worst, spool A at 2 m" == found["diameter.ovality"].subject


@pytest.mark.parametrize(
    ("d1", "d2", "nominal"),
    [(1.80, 1.75, 1.75), (1.75, 1.70, 1.75), (2.85, 2.80, 2.85), (2.90, 2.85, 2.85), (1.80, 1.80, 1.75)],
    ids=["1.80-1.75", "1.75-1.70", "2.85-2.80", "2.90-2.85", "round-at-the-end"],
)
def test_values_on_the_limit_pass_whatever_their_last_bit(d1, d2, nominal):
    """A diameter at a tolerance of 0.05 and an ovality at 0.05 are inside, though 1.80 - 1.75 is not 0.05 in binary."""
    assert {"pass"} == {finding.verdict for finding in judged([gauge("A", d1, d2)], nominal=nominal).values()}


@pytest.mark.parametrize(
    ("d1", "d2", "failing"),
    [
        (1.801, 1.80, {"diameter.reading", "diameter.spool_mean"}),
        (1.699, 1.75, {"diameter.reading", "diameter.ovality"}),
    ],
    ids=["a-micrometre-above", "a-micrometre-below"],
)
def test_a_micrometre_outside_fails(d1, d2, failing):
    """One micrometre beyond a limit, the resolution of a micrometer, is outside."""
    assert failing == {code for code, finding in judged([gauge("A", d1, d2)]).items() if finding.verdict == "fail"}


def test_a_tolerance_about_a_nominal_has_the_ends_a_person_would_write():
    """2.85 less 0.05 is a limit of exactly 2.8, not 2.8000000000000003."""
    limit = around(2.85, 0.05)
    assert (2.8, 2.9) == (limit.low, limit.high)


def test_a_walk_along_the_spool_is_seen_in_single_readings():
    """A spool from 1.69 to 1.81 has a perfect mean and fails on single diameters."""
    walk = [gauge("A", d, d, at=i) for i, d in enumerate((1.69, 1.72, 1.75, 1.78, 1.81))]
    found = judged(walk)
    assert ("pass", "fail") == (found["diameter.spool_mean"].verdict, found["diameter.reading"].verdict)


def test_the_worst_spool_is_judged_not_the_mean_of_spools():
    """One spool at 1.81 fails a lot whose other spool at 1.69 would balance it."""
    found = judged([gauge("A", 1.81, 1.81), gauge("B", 1.74, 1.74)], coverage=Coverage.of(2, 2))["diameter.spool_mean"]
    assert ("fail", "spool A") == (found.verdict, found.subject)


def test_one_bad_reading_settles_the_matter_before_the_rest_is_measured():
    """With five more spools to open, one diameter outside its tolerance fails, and good ones stay missing."""
    bad = judged([gauge("A", 1.85, 1.84)], coverage=Coverage.of(10, 6))
    good = judged([gauge("A", 1.75, 1.75)], coverage=Coverage.of(10, 6))
    assert {"fail": 2, "missing": 1} == {v: [f.verdict for f in bad.values()].count(v) for v in ("fail", "missing")}
    assert {"missing"} == {finding.verdict for finding in good.values()}


def test_a_half_measured_spool_does_not_fail_on_its_mean():
    """With three positions required, one reading outside the limit on the mean is not conclusive for the spool."""
    found = judged([gauge("A", 1.81, 1.81)], DiameterLimits(mean_tolerance_mm=0.05, readings_per_spool_min=3))
    assert "missing" == found["diameter.spool_mean"].verdict
    assert "take 2 more diameter readings on spool A" == found["diameter.spool_mean"].to_measure


def test_nothing_measured_is_missing_throughout():
    """Without readings there is no summary and every finding is missing."""
    assert summarise([], 1.75) is None
    assert ["missing"] * 3 == [finding.verdict for finding in judged([]).values()]


def test_an_ovality_is_more_uncertain_than_a_single_diameter():
    """An ovality is a difference of two readings, so its uncertainty is root two times the gauge's (JCGM 100, 5.1.2)."""
    found = judged([gauge("A", 1.76, 1.74, u=0.004)], rule=GUARDED)
    assert pytest.approx(0.004 * math.sqrt(2), abs=SAME_SUM) == found["diameter.ovality"].uncertainty
    assert pytest.approx(0.004, abs=SAME_SUM) == found["diameter.reading"].uncertainty


def test_a_gauge_without_uncertainty_cannot_pass_the_guarded_rule():
    """Under guarded acceptance a reading by a gauge of unknown uncertainty asks for a better gauge."""
    assert ["missing"] * 3 == [f.verdict for f in judged([gauge("A", 1.75, 1.75)], rule=GUARDED).values()]


def test_a_caliper_is_too_coarse_for_a_tight_tolerance():
    """With u 0.02 mm, a diameter 0.01 mm inside a 0.02 mm tolerance is near (common practice, no source)."""
    limits = DiameterLimits(reading_tolerance_mm=0.02)
    verdicts = [
        judged([gauge("A", 1.76, 1.76, u=u)], limits, rule=GUARDED)["diameter.reading"].verdict for u in (0.02, 0.003)
    ]
    assert ["near", "pass"] == verdicts


def turned(largest, smallest, d1=1.75, d2=1.75, position=None):
    """A position measured on two axes, and turned for the largest and the smallest diameter."""
    return DiameterReading("A", d1, d2, position, d_max_mm=largest, d_min_mm=smallest)


def test_an_oval_at_45_degrees_shows_only_when_the_gauge_is_turned():
    """1.84 and 1.66 mm on the diagonals read 1.75 on both fixed axes: ovality 0 without turning, 0.18 with it (geometry)."""
    assert (0.0, 0.18) == (gauge("A", 1.75, 1.75).ovality_mm, round(turned(1.84, 1.66).ovality_mm, 9))
    found = judged([turned(1.84, 1.66)])
    assert {"diameter.spool_mean": "pass", "diameter.reading": "fail", "diameter.ovality": "fail"} == {
        code: finding.verdict for code, finding in found.items()
    }
    assert (1.75, 1.84) == (found["diameter.spool_mean"].value, found["diameter.reading"].value)


@given(numbers(1.6, 1.9), numbers(1.6, 1.9), numbers(0, 0.2), numbers(0, 0.2))
def test_turning_never_makes_an_oval_rounder(d1, d2, over, under):
    """The largest and the smallest diameter never lower the ovality (law of this project)."""
    plain, full = gauge("A", d1, d2), turned(max(d1, d2) + over, min(d1, d2) - under, d1, d2)
    assert full.ovality_mm >= plain.ovality_mm
    verdicts = [judged([one])["diameter.ovality"].verdict for one in (plain, full)]
    assert verdicts[0] != "fail" or verdicts[1] == "fail"


@given(numbers(1.6, 1.9), numbers(1.6, 1.9), numbers(0.001, 0.3), numbers(0, 0.3))
def test_wider_limits_on_diameter_never_refuse_more(d1, d2, limit, more):
    """A value that passes narrow limits passes wider ones (law of this project)."""
    narrow, wide = (
        judged([gauge("A", d1, d2)], DiameterLimits(width, width, width)) for width in (limit, limit + more)
    )
    assert all(narrow[code].verdict != "pass" or wide[code].verdict == "pass" for code in narrow)


@pytest.mark.parametrize(
    ("positions", "lacking"),
    [
        ((0.0, 5.0), ""),
        ((0.0, 4.9), "measure further along spool A (its positions span 4.9 m of at least 5 m)"),
        ((3.0, 3.0), "take 1 more diameter reading on spool A; measure further along spool A"),
        ((None, None), "take 2 more diameter readings on spool A; measure diameters with positions on spool A"),
    ],
    ids=["far-enough", "too-near", "same-position", "no-positions"],
)
def test_positions_differ_and_are_spread_along_the_spool(positions, lacking):
    """Two positions over 5 m are required (common practice, no source): a repeated position counts once, one without a place not at all."""
    limits = DiameterLimits(0.05, readings_per_spool_min=2, span_min_m=5.0)
    finding = judged([turned(None, None, position=at) for at in positions], limits)["diameter.spool_mean"]
    assert ("missing" if lacking else "pass") == finding.verdict
    assert finding.to_measure.startswith(lacking)


def test_an_oval_reading_refuses_whatever_the_span():
    """One single diameter outside its tolerance rejects, whatever is still to be measured."""
    limits = DiameterLimits(ovality_max_mm=0.05, span_min_m=5.0)
    assert "fail" == judged([turned(1.84, 1.66, position=1.0)], limits)["diameter.ovality"].verdict


@pytest.mark.parametrize(
    ("given_", "field"),
    [((1.75, 1.80, 1.79, 1.74), "d_max_mm"), ((1.75, 1.80, 1.81, 1.76), "d_min_mm"), ((1.75, 1.80, 1.80, 1.75), None)],
)
def test_what_the_two_axes_contradict_is_refused(given_, field):
    """The largest diameter is at least both axes and the smallest at most both (geometry), otherwise the reading is refused."""
    assert ([field] if field else []) == [doubt.field for doubt in doubt_turned(*given_)]
