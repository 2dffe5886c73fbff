"""Capability indices. Sources: NIST 6.1.6 and Montgomery in the reference file; scipy's noncentral t as an independent implementation."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import nct, norm

from lots.domain.statistics.capability import Capability, capability
from lots.domain.statistics.proportions import Interval
from tests.domain.builders import reference_json
from tests.domain.strategies import numbers
from tests.examples import examples
from tests.tolerances import (
    NONCENTRAL_T_FAR,
    NONCENTRAL_T_RELATIVE,
    PRINTED_4,
    PRINTED_10,
    SAME_FORMULA,
    SMALL_PROBABILITY,
)

CASES = reference_json("capability_examples.json")
NAMES = [f"mean-{case['mean']}" for case in CASES]
SETTINGS = examples(100)


def made(case, confidence=0.95) -> Capability:
    """The capability of a case; of 30 spools where the book gives no n."""
    n = case["n"] or 30
    return capability(case["mean"], case["s"], n - 1, n, case["lsl"], case["usl"], confidence)


def bissell(cpk: float, n: int, z: float = 1.959963984540054) -> tuple[float, float]:
    """The usual large-sample interval for Cpk (Bissell 1990, Appl. Stat. 39, 331-340), to compare with."""
    half = z * math.sqrt(1 / (9 * n) + cpk**2 / (2 * (n - 1)))
    return cpk - half, cpk + half


@pytest.mark.parametrize("case", CASES, ids=NAMES)
def test_indices(case):
    """Cp, CPL, CPU and Cpk are those of the reference file."""
    found = made(case)
    expected = (case.get("Cp"), case.get("Cpl"), case.get("Cpu"), case["Cpk"])
    assert pytest.approx(expected, abs=PRINTED_10) == (found.cp, found.lower, found.upper, found.cpk)
    assert pytest.approx(case["expected_fraction_outside_normal"], rel=SMALL_PROBABILITY) == found.expected_outside


def test_published_indices():
    """Cp 1.0, CPU 0.6667, CPL 1.3333 and Cpk 0.6667 as NIST 6.1.6 prints them; 2.29 for Montgomery's example."""
    found, published = made(CASES[0]), CASES[0]["published"]
    expected = (published["Cp"], published["Cpl"], published["Cpu"], published["Cpk"])
    assert pytest.approx(expected, abs=PRINTED_4) == (found.cp, found.lower, found.upper, found.cpk)
    assert CASES[1]["published"]["Cp"] == round(made(CASES[1]).cp, 2)


def test_the_interval_of_a_one_sided_index():
    """With one limit the interval is the exact one of the reference file, 0.57334 to 1.35970 (noncentral t)."""
    found = made(CASES[3]).interval
    expected = CASES[3]["one_sided_index_ci_exact_noncentral_t"]
    assert pytest.approx(tuple(expected), rel=NONCENTRAL_T_RELATIVE) == (found.low, found.high)


@pytest.mark.parametrize("index", [-0.4, 0.3, 1.0, 1.67, 4.0])
@pytest.mark.parametrize(("df", "n"), [(2, 3), (2.6, 3.4), (7, 8), (31, 40), (99, 12.5)])
@pytest.mark.parametrize("limits", [1, 2])
def test_each_end_is_a_noncentral_t_quantile(index, df, n, limits):
    """The estimate has the tail probability of each limit: 2.5 % each; with two limits 1.25 % at the upper one (scipy)."""
    high = None if limits == 1 else 100.0
    found = capability(3 * index, 1.0, df, n, 0.0, high)
    seen, scale = 3 * math.sqrt(n) * index, 3 * math.sqrt(n)
    at_low, at_high = (nct.cdf(seen, df, scale * end) for end in (found.interval.low, found.interval.high))
    assert pytest.approx((0.975, 0.025 / limits), abs=NONCENTRAL_T_FAR) == (at_low, at_high)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("df", "n"), [(2, 3), (19, 20), (60, 100)])
def test_an_index_far_from_its_limit(df, n, sign):
    """Where t passes 1000 the interval changes to the chi-square one of sigma without a step."""
    at = sign * 1000 / (3 * math.sqrt(n))
    before, beyond = (capability(3 * at * by, 1.0, df, n, 0.0, None).interval for by in (1 - 1e-9, 1 + 1e-9))
    # A change of probability by NONCENTRAL_T_FAR in a tail of 2.5 % moves a limit by less than 1 in 200 even for two degrees of freedom.
    assert pytest.approx((before.low, before.high), rel=1 / 200) == (beyond.low, beyond.high)


@pytest.mark.parametrize("case", [case for case in CASES if case["n"]], ids=["two", "thin", "one"])
def test_it_is_close_to_the_usual_approximation(case):
    """Bissell's interval, the reference file's third column, is close for 15 to 32 spools: its lower limit within 0.04."""
    approximate = bissell(case["Cpk"], case["n"])
    assert pytest.approx(tuple(case["Cpk_ci_normal_approx"]), abs=PRINTED_10) == approximate
    assert abs(made(case).interval.low - approximate[0]) < 0.04


def test_two_limits_cost_at_the_high_end_only():
    """The lower limit is that of the nearer limit alone; the upper one is larger than with one limit."""
    one, two = capability(4.0, 1.0, 9, 10, 0.0, None), capability(4.0, 1.0, 9, 10, 0.0, 9.0)
    assert one.interval.low == two.interval.low
    assert one.interval.high < two.interval.high
    assert (None, None) == (one.cp, one.upper)


@SETTINGS
@given(
    mean=numbers(-1, 11),
    sigma=numbers(0.2, 4),
    df=numbers(1, 80),
    n=numbers(1, 80),
    add=numbers(-9, 9),
    by=st.sampled_from((0.001, 25.4)),
)
def test_laws_of_capability(mean, sigma, df, n, add, by):
    """Common shifts, scaling and mirroring change nothing; more confidence is a wider interval; Cpk is at most Cp."""
    found = capability(mean, sigma, df, n, 0.0, 10.0)
    others = [
        capability(mean + add, sigma, df, n, add, 10.0 + add),
        capability(mean * by, sigma * by, df, n, 0.0, 10.0 * by),
        capability(-mean, sigma, df, n, -10.0, 0.0),
    ]
    for other in others:
        assert pytest.approx((found.cp, found.cpk), abs=SAME_FORMULA) == (other.cp, other.cpk)
        assert pytest.approx(found.expected_outside, abs=SAME_FORMULA) == other.expected_outside
        expected = pytest.approx((found.interval.low, found.interval.high), abs=1e-5)
        assert expected == (other.interval.low, other.interval.high)
    assert found.cpk <= found.cp + SAME_FORMULA
    wider = capability(mean, sigma, df, n, 0.0, 10.0, 0.99).interval
    assert wider.low < found.interval.low <= found.cpk <= found.interval.high < wider.high


@SETTINGS
@given(mean=numbers(0, 10), sigma=numbers(0.5, 4))
def test_the_fraction_outside_is_the_normal_distributions(mean, sigma):
    """Expected outside is the area below the low limit and above the high one (scipy)."""
    expected = norm.cdf(0, mean, sigma) + norm.sf(10, mean, sigma)
    assert pytest.approx(expected, rel=SAME_FORMULA) == capability(mean, sigma, 9, 10, 0.0, 10.0).expected_outside


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"sigma": 0.0}, "sigma"),
        ({"sigma": math.nan}, "sigma"),
        ({"df": 0}, "df"),
        ({"n_effective": math.inf}, "n_effective"),
        ({"low": None, "high": None}, "needs a limit"),
        ({"low": 2.0, "high": 1.0}, "low must be below high"),
        ({"mean": math.nan}, "mean"),
        ({"confidence": 1.0}, "confidence"),
    ],
)
def test_nonsense_is_refused(change, message):
    """No spread, no degrees of freedom, no limit, exchanged limits, and an invalid mean raise."""
    right = {"mean": 1.0, "sigma": 1.0, "df": 4, "n_effective": 5, "low": 0.0, "high": 3.0, "confidence": 0.95}
    assert capability(**right).cpk == pytest.approx(1 / 3)
    with pytest.raises(ValueError, match=message):
        capability(**{**right, **change})


def test_cpk_is_the_smaller_index():
    """A cpk that is not the smaller of the two indices is rejected."""
    with pytest.raises(ValueError, match="smaller"):
        Capability(1.0, 0.8, 1.2, 1.2, Interval(0.5, 1.5, 0.95), 0.01)
