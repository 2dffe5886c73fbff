"""Promised risk of the guarded rule and meaning of the probability of conformance, over ten thousand lots on the limit and 200,000 draws.

Intervals are exact binomial ones at 99.9 %; seeds are fixed.
"""

import math
import warnings

import numpy as np
import pytest
from scipy.stats import binomtest, ncx2, norm

from lots.domain.characteristics.color.lot_color import ColorLimits, ColorSummary, judge_color
from lots.domain.characteristics.color.uncertainty import ColorUncertainty, delta_e_uncertainty
from lots.domain.characteristics.lot_diameter import DiameterLimits, judge_diameter, summarise
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.judgement import Measured, judge
from lots.domain.conformity.limits import Limit
from lots.domain.receiving.coverage import Coverage
from lots.domain.uncertainty.budget import Contribution, Uncertainty
from lots.domain.uncertainty.length import Length
from tests.domain.builders import GUARDED, SIMPLE, WHITE, gauge

pytestmark = pytest.mark.thorough

with warnings.catch_warnings():
    # colour-science warns when matplotlib is missing; nothing is drawn here.
    warnings.simplefilter("ignore")
    from colour.difference import delta_E_CIE2000

LOTS, DRAWS = 10_000, 200_000
ONE = Coverage.of(1, 1)
# 1.75 mm filament with a tolerance of 0.03 mm, and a true diameter that is on its limit.
TOLERANCE = DiameterLimits(mean_tolerance_mm=0.03)
AT_LIMIT, SIGMA = 1.78, 0.002
# The risk of z = 1.645.
PROMISED = float(norm.sf(GUARDED.z))

# 200,000 draws tell a probability to 0.0011 (one standard deviation); four of them, and 0.0005 for the directions in the sum.
CIE76_TOLERANCE = 0.005
# CIEDE2000 is taken as a quadratic form at one place; across 0.4 of uncertainty it bends. Largest departures measured by Monte Carlo
# near white: 0.0022 for u up to 0.05, 0.012 for 0.2, 0.017 for 0.4.
CIEDE2000_TOLERANCE = {0.05: 0.005, 0.2: 0.02, 0.4: 0.025}


def interval(passed: int) -> tuple[float, float]:
    """Exact 99.9 % interval for the rate behind this number of passes."""
    found = binomtest(passed, LOTS).proportion_ci(0.999)
    return found.low, found.high


def scattering(readings: np.ndarray, instrument: float | None) -> list[Uncertainty]:
    """Per lot, the standard error of its mean with n - 1 degrees of freedom, and the instrument's contribution."""
    n = readings.shape[1]
    own = () if instrument is None else (Contribution(instrument),)
    return [
        Uncertainty((Contribution(float(sd) / math.sqrt(n), n - 1, shrinks=True), *own))
        for sd in readings.std(axis=1, ddof=1)
    ]


def passes(means: np.ndarray, uncertainties: list[Uncertainty]) -> int:
    """The number of lots that the project's own rule passes."""
    limit = Limit(1.72, AT_LIMIT, "mm")
    code = "diameter.spool_mean"
    found = (
        judge(code, Measured(float(m), 1, uncertainty=u), limit, GUARDED)
        for m, u in zip(means, uncertainties, strict=True)
    )
    return sum(finding.verdict == "pass" for finding in found)


def same_as_the_whole_rule(readings: np.ndarray, instrument: float | None, means, uncertainties) -> None:
    """Compares mean, uncertainty and verdict of the first lots with the complete rule, from readings to finding."""
    for row, mean, u in zip(readings[:150], means, uncertainties, strict=False):
        summary = summarise([gauge("A", float(d), float(d), u=instrument) for d in row], 1.75)
        (whole,) = judge_diameter(summary, 1.75, TOLERANCE, ONE, GUARDED)
        assert pytest.approx((mean, u.total), abs=1e-12) == (whole.value, whole.uncertainty)
        assert judge(whole.code, Measured(mean, 1, uncertainty=u), whole.limit, GUARDED).verdict == whole.verdict


@pytest.mark.parametrize("n", [1, 5])
def test_a_gauge_of_known_uncertainty_holds_the_promised_risk(n):
    """With a gauge error common to all readings, 5 % of lots on the limit pass, for any number of readings (normal distribution; seed 1)."""
    rng = np.random.default_rng(1)
    readings = AT_LIMIT + np.repeat(rng.normal(0, SIGMA, (LOTS, 1)), n, axis=1)
    means, u = readings.mean(axis=1), [Uncertainty.known(SIGMA)] * LOTS
    same_as_the_whole_rule(readings, SIGMA, means, u)
    low, high = interval(passes(means, u))
    assert low <= PROMISED <= high


def test_a_gauge_whose_error_is_really_random_makes_the_rule_careful():
    """The gauge's own uncertainty is never averaged away, so with independent errors hardly any lot on the limit passes (seed 2).

    Theory: with n = 5 the mean errs by sigma / sqrt(5), while the rule allows for at least sigma: P(Z > 1.645 sqrt(5)) is 0.0001.
    """
    rng = np.random.default_rng(2)
    readings = rng.normal(AT_LIMIT, SIGMA, (LOTS, 5))
    means, u = readings.mean(axis=1), scattering(readings, SIGMA)
    same_as_the_whole_rule(readings, SIGMA, means, u)
    low, _ = interval(passes(means, u))
    assert low <= norm.sf(GUARDED.z * math.sqrt(5)) < 2e-4


@pytest.mark.parametrize("n", [2, 3, 5, 10, 30])
def test_scatter_estimated_from_few_readings_holds_the_promised_risk(n):
    """With Student's t in the guard band 5 % of lots on the limit pass, for any number of readings (Student 1908; seed 3)."""
    rng = np.random.default_rng(3)
    readings = rng.normal(AT_LIMIT, SIGMA, (LOTS, n))
    means, u = readings.mean(axis=1), scattering(readings, None)
    same_as_the_whole_rule(readings, None, means, u)
    low, high = interval(passes(means, u))
    assert low <= PROMISED <= high


WAYS = {"lighter": (1, 0, 0), "redder": (0, 1, 0), "yellower": (0, 0, 1), "all-three": (1, 1, 1)}


def colour_at(way: tuple[int, ...], limits: ColorLimits, reached) -> Lab:
    """The colour furthest from the white in one direction for which `reached` is false."""
    near, far = 0.0, 20.0
    for _ in range(60):
        middle = (near + far) / 2
        at = Lab(*(c + middle * w for c, w in zip(WHITE.as_list(), way, strict=True)))
        near, far = (near, middle) if reached(limits.delta_e(WHITE, at), at) else (middle, far)
    return Lab(*(c + near * w for c, w in zip(WHITE.as_list(), way, strict=True)))


def accepted_on_the_limit(limits: ColorLimits, way: tuple[int, ...], size: float) -> int:
    """The number of lots that pass with a true difference of exactly 1 and a measurement error of `size` per coordinate."""
    u = (size, size, size)
    true = colour_at(way, limits, lambda difference, _: difference > 1)
    passed = 0
    for i, draw in enumerate(np.random.default_rng(4).normal(true.as_list(), size, (LOTS, 3))):
        lab = Lab(*draw.tolist())
        known = ColorUncertainty.known(u)
        value, spread = limits.delta_e(WHITE, lab), known.of_difference(WHITE, lab, limits)
        found = judge("color.lot_delta_e", Measured(value, 1, uncertainty=spread), Limit(None, 1.0), GUARDED)
        if i < 100:
            summary = ColorSummary(lab, {"A": (lab, 1)}, {"A": known}, known)
            (whole,) = judge_color(summary, WHITE, limits, ONE, GUARDED)
            assert (found.value, found.verdict) == (whole.value, whole.verdict)
        passed += found.verdict == "pass"
    return passed


@pytest.mark.parametrize("size", [0.05, 0.2], ids=["u-0.05", "u-0.2"])
def test_a_colour_on_its_limit_passes_as_often_as_promised(size):
    """Of colours on their limit 5 % pass under CIE76, whose length is noncentral chi-square with three degrees of freedom (seed 4)."""
    low, high = interval(accepted_on_the_limit(ColorLimits("CIE76", lot_max=1.0), WAYS["yellower"], size))
    assert low <= PROMISED <= high


@pytest.mark.parametrize("z", [1.2815515655446004, 1.6448536269514722, 2.3263478740408408])
@pytest.mark.parametrize("true", [3.0, 5.0, 20.0])
def test_the_bound_of_a_length_is_that_of_noncentral_chi_square(true, z):
    """A length short enough to occur in 1 / (1 - confidence) has the true length as its upper bound (scipy.stats.ncx2, 1e-6)."""
    seen = math.sqrt(ncx2.ppf(norm.sf(z), 3, true**2))
    assert pytest.approx(true, rel=1e-6) == Length(seen, Uncertainty.known(1.0), 3.0).most(z)


@pytest.mark.parametrize("way", ["lighter", "redder", "yellower"])
def test_ciede2000_on_its_limit_never_passes_more_often_than_promised(way):
    """In each direction from the white, at u 0.05, at most 5 % of lots on the limit pass (simulated, seed 4: 0.034 to 0.052)."""
    low, _ = interval(accepted_on_the_limit(ColorLimits(lot_max=1.0), WAYS[way], 0.05))
    assert low <= PROMISED


NOISE = np.random.default_rng(5).standard_normal((DRAWS, 3))
FORMULAS = {
    "CIE76": lambda draws: np.linalg.norm(draws - WHITE.as_list(), axis=1),
    "CIEDE2000": lambda draws: delta_E_CIE2000(np.array([WHITE.as_list()]), draws),
}


@pytest.mark.parametrize("u", [(0.05, 0.04, 0.02), (0.2, 0.05, 0.1), (0.4, 0.4, 0.4)], ids=str)
@pytest.mark.parametrize("times", [0, 1, 2, 5], ids=lambda times: f"at-{times}u")
@pytest.mark.parametrize("formula", FORMULAS)
def test_a_finding_states_the_probability_that_a_colour_conforms(formula, times, u):
    """A finding's probability is the share of true colours within the limit, for a lot measured 0, 1, 2 or 5 u from its white.

    The limits have 5 to 95 % of the true differences below them (computed by Monte Carlo, seed 5, colour-science 0.4.7).
    """
    limits = ColorLimits(formula)
    tolerance = CIE76_TOLERANCE if formula == "CIE76" else CIEDE2000_TOLERANCE[max(u)]
    for way in WAYS.values() if times else [(0, 0, 1)]:
        lab = WHITE
        if times:
            lab = colour_at(way, limits, lambda d, at: d > times * delta_e_uncertainty(WHITE, at, u, limits))
        differences = FORMULAS[formula](lab.as_list() + NOISE * u)
        # As rules before version 4 took it.
        known = ColorUncertainty.known(u, lengths=False)
        for share in (0.05, 0.2, 0.5, 0.8, 0.95):
            most = float(np.quantile(differences, share))
            summary = ColorSummary(lab, {"A": (lab, 1)}, {"A": known}, known)
            (found,) = judge_color(summary, WHITE, ColorLimits(formula, lot_max=most), ONE, SIMPLE)
            assert pytest.approx(share, abs=tolerance) == found.conformance
