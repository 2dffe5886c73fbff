"""Interlayer strength. Figures are an invented matte black and arithmetic; floors are common practice, no source."""

import math
import statistics
from dataclasses import replace

import pytest

from lots.domain.characteristics.bond.lot_bond import BondLimits, judge_bond, stress_mpa, summarise
from lots.domain.characteristics.declaring.origin import Origin
from tests.domain.builders import GUARDED, SIMPLE, bar, by_code, control
from tests.tolerances import SAME_SUM

MATTE_BLACK = [bar(s) for s in (12.1, 10.4, 13.0, 9.2, 11.8)]


def judged(tests, limits, rule=SIMPLE):
    """Findings by code."""
    return by_code(judge_bond(summarise(tests), limits, rule))


def test_stress_is_force_over_section():
    """480 N on 40 mm2 is 12 MPa (ISO 527-1, 10.1, from memory)."""
    assert 12.0 == stress_mpa(480, 40)


def test_a_lot_is_compared_with_control_bars_of_its_own_build():
    """Specimens with a mean of 11.3 MPa beside a control of 29.5 MPa have a ratio of 0.38."""
    found = summarise([*MATTE_BLACK, control(29.5)])
    assert (11.3, 9.2, 0.38) == (round(found.mean_mpa, 2), found.weakest_mpa, round(found.control_ratio, 2))
    assert (5, 1) == (found.n, found.control_n)


def test_matte_black_that_looks_right_fails_to_carry_load():
    """Against a floor of 70 % of the control mean and a weakest specimen of 50 %, a ratio of 0.38 fails all three limits."""
    found = judged([*MATTE_BLACK, control(29.5)], BondLimits(0.7 * 29.5, 0.5 * 29.5, 0.7))
    assert {"fail"} == {finding.verdict for finding in found.values()}
    assert "The control is 1 control specimen." in found["bond.control_ratio"].message


@pytest.mark.parametrize("measure", ["mean", "single", "ratio"])
@pytest.mark.parametrize(("value", "verdict"), [(20.001, "pass"), (20.0, "pass"), (19.999, "fail")])
def test_a_floor_includes_its_end(measure, value, verdict):
    """A bond exactly at its floor passes, and one just below fails."""
    limits = {
        "mean": BondLimits(mean_min_mpa=20.0),
        "single": BondLimits(single_min_mpa=20.0),
        "ratio": BondLimits(control_ratio_min=0.5),
    }[measure]
    (found,) = judged([bar(value), control(40.0)], limits).values()
    assert verdict == found.verdict


def test_one_weak_bar_refuses_although_the_mean_is_good():
    """A weak specimen fails alone in spite of a good mean, even before all specimens are broken."""
    found = judged([bar(30), bar(30), bar(9)], BondLimits(20.0, 15.0, tests_min=5))
    assert ("missing", "fail") == (found["bond.mean"].verdict, found["bond.single"].verdict)
    assert 9 == found["bond.single"].value


def test_scatter_is_the_coefficient_of_variation():
    """The coefficient of variation is the standard deviation over the mean (statistics library)."""
    values = [t.stress_mpa for t in MATTE_BLACK]
    cv = statistics.stdev(values) / statistics.fmean(values)
    assert pytest.approx(cv, abs=SAME_SUM) == summarise(MATTE_BLACK).variation
    assert "The standard deviation is 13 % of the mean." in judged(MATTE_BLACK, BondLimits(10.0))["bond.mean"].message


def test_uncertainty_of_a_ratio_combines_both_sides():
    """The relative uncertainties of lot and control add as squares (JCGM 100, 5.1.6)."""
    found = summarise([bar(20.0, u=0.4), control(40.0, u=1.2)])
    assert pytest.approx(0.5 * math.hypot(0.02, 0.03), abs=SAME_SUM) == found.ratio_uncertainty.total


@pytest.mark.parametrize(
    ("tests", "to_do"),
    [
        ([], "break 2 specimens across the layers; print and break control specimens in the same build"),
        ([bar(20)], "break 1 more specimen across the layers; print and break control specimens in the same build"),
        ([bar(20), bar(21)], "print and break control specimens in the same build"),
        ([control(30)], "break 2 specimens across the layers"),
    ],
    ids=["nothing", "one-of-two", "no-control", "only-control"],
)
def test_what_is_lacking_is_named(tests, to_do):
    """A ratio needs specimens of the lot and of the control; missing ones are requested and nothing passes."""
    found = judged(tests, BondLimits(control_ratio_min=0.7, tests_min=2))["bond.control_ratio"]
    assert "missing" == found.verdict
    assert found.to_measure.startswith(to_do)


def test_control_bars_alone_say_nothing_of_the_lot():
    """Without a specimen of the lot there is no summary."""
    assert summarise([control(30.0)]) is None


def test_the_order_of_equally_weak_bars_does_not_matter():
    """Two equal specimens, one of unknown uncertainty, get the same guarded verdict in either order."""
    limits = BondLimits(single_min_mpa=25.0)
    bars = [bar(25.6, u=0.7), bar(25.6)]
    assert 1 == len({judged(order, limits, GUARDED)["bond.single"].verdict for order in (bars, bars[::-1])})


def test_a_weaker_bar_never_improves_the_verdict():
    """A specimen near the floor stays near when a slightly weaker one was broken on a much finer machine."""
    limits = BondLimits(single_min_mpa=25.0)
    alone = judged([bar(26.2, u=1.0)], limits, GUARDED)["bond.single"]
    both = judged([bar(26.2, u=1.0), bar(26.0, u=0.1)], limits, GUARDED)["bond.single"]
    assert ("near", "near") == (alone.verdict, both.verdict)


def test_the_guard_band_holds_back_a_bond_close_to_its_floor():
    """25.6 MPa with u 0.7 is inside a floor of 25 by less than 1.645 times 0.7 (JCGM 106:2012, 8.3)."""
    found = judged([bar(25.6, u=0.7)], BondLimits(mean_min_mpa=25.0), GUARDED)["bond.mean"]
    assert "near" == found.verdict


def of(build, *tests, printer="P1"):
    """Specimens of one build."""
    return [replace(one, origin=Origin(printer=printer, build=build, control=one.control)) for one in tests]


WEAK = of("B1", bar(16.2), bar(16.2), control(30.0), control(30.0))
RATIO = BondLimits(control_ratio_min=0.7)


def test_control_bars_of_another_build_do_not_count():
    """A ratio of 0.54 in its own build does not change to 0.74 with control specimens of another build (by hand)."""
    cold = of("B2", control(14.0), control(14.0))
    assert pytest.approx(16.2 / 22.0) == summarise([*WEAK, *cold], by_build=False).control_ratio
    found = summarise([*WEAK, *cold])
    assert (pytest.approx(0.54), 2, 2) == (found.control_ratio, found.control_n, found.control_elsewhere)
    (finding,) = judged([*WEAK, *cold], RATIO).values()
    assert "fail" == finding.verdict
    assert "The control is 2 control specimens of build B1 on P1." in finding.message


def test_ratios_are_averaged_over_builds():
    """0.54 in one build and 0.80 in another average to 0.67, whatever the numbers of specimens; the same name on another printer is another build."""
    other = of("B1", bar(24.0), control(30.0), printer="P2")
    found = summarise([*WEAK, *other])
    assert (pytest.approx(0.67), 3) == (found.control_ratio, found.control_n)
    (finding,) = judged([*WEAK, *other], RATIO).values()
    told = (
        "0.54 relative to 2 control specimens of build B1 on P1. 0.80 relative to 1 control specimen of build B1 on P2."
    )
    assert told == finding.detail


def test_bars_of_a_build_without_control_bars_wait_for_them():
    """A build without control specimens leaves the ratio missing, with the specimens to break."""
    (finding,) = judged([*WEAK, *of("B7", bar(29.0))], RATIO).values()
    assert ("missing", "print and break control specimens in build B7 on P1") == (finding.verdict, finding.to_measure)


def test_bars_and_control_bars_of_one_printer_without_a_build_belong_together():
    """Without a named build the specimens of one printer form one group, ratio 16.2 / 30; another printer's control does not count."""
    tests = [bar(16.2), control(30.0), replace(control(28.0), origin=Origin(printer="P2", control=True))]
    found = summarise(tests)
    assert (pytest.approx(16.2 / 30.0), ("",)) == (found.control_ratio, tuple(one.says for one in found.builds))


def test_the_uncertainty_of_a_mean_ratio_is_that_of_its_builds():
    """Two builds of ratio 0.8, each with u 0.8 hypot(0.3 / 24, 0.3 / 30), have that over the root of two together (JCGM 100, 5.1.2)."""
    tests = [*of("B1", bar(24.0, 0.3), control(30.0, 0.3)), *of("B2", bar(24.0, 0.3), control(30.0, 0.3))]
    each = 0.8 * math.hypot(0.3 / 24, 0.3 / 30)
    assert pytest.approx(each / math.sqrt(2)) == summarise(tests).ratio_uncertainty.total
