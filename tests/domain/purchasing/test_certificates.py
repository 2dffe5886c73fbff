"""Two laboratories compared, against a published example and scipy, and typing errors on a certificate."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from lots.domain.characteristics.registry import MEASURES
from lots.domain.conformity.limits import Limit
from lots.domain.purchasing.certificates import Compared, bias, codes_of, doubt_stated, judgements

# Bland and Altman 1986, Lancet i, 307-310, table 1 (from memory): peak expiratory flow of 17 subjects by two meters, first readings, l/min.
LARGE = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
MINI = (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451)
PUBLISHED = [float(one - other) for one, other in zip(LARGE, MINI, strict=True)]
differences = st.lists(st.floats(-5, 5, allow_nan=False), min_size=3, max_size=30)


def test_bias_and_spread_are_those_of_the_published_example():
    """Mean -2.1 and standard deviation 38.8 l/min, interval of the bias -22.0 to 17.8, as printed there."""
    found = bias(PUBLISHED)
    assert (17, -2.1, 38.8) == (found.n, round(found.mean, 1), round(found.sd, 1))
    assert (-22.0, 17.8) == (round(found.interval.low, 1), round(found.interval.high, 1))
    # Printed there as -79.7 to 75.5, with 2 in place of 1.96 and from rounded numbers.
    low, high = ((end - found.mean) / 1.96 for end in found.agreement)
    assert (-79.7, 75.5) == (round(-2.1 + 2 * round(low, 1), 1), round(-2.1 + 2 * round(high, 1), 1))
    assert not found.significant


@given(differences)
def test_the_interval_is_that_of_the_paired_t_test(values):
    """The interval is scipy's, and contains zero exactly where the test is not significant at 5 %."""
    found = bias(values)
    if found.interval is None:
        assert found.sd == pytest.approx(0, abs=1e-9)
        return
    oracle = stats.ttest_1samp(values, 0).confidence_interval(0.95)
    assert (oracle.low, oracle.high) == pytest.approx((found.interval.low, found.interval.high), rel=1e-9, abs=1e-12)
    assert found.significant == (not oracle.low <= 0 <= oracle.high)


@given(differences)
def test_the_other_laboratory_sees_the_same_with_the_sign_changed(values):
    """Exchanging laboratories mirrors bias and intervals, and keeps spread and standard error."""
    one, other = bias(values), bias([-value for value in values])
    assert (one.mean, one.sd) == pytest.approx((-other.mean, other.sd))
    if one.interval is not None and other.interval is not None:
        assert (one.interval.low, one.agreement[0]) == pytest.approx((-other.interval.high, -other.agreement[1]))


@pytest.mark.parametrize("values", [[0.1], [0.1, 0.3], [0.2, 0.2, 0.2, 0.2]])
def test_too_few_lots_or_equal_differences_have_no_interval(values):
    """Fewer than three lots, or equal differences, have no interval."""
    found = bias(values)
    assert (None, None, False) == (found.interval, found.agreement, found.significant)
    assert found.mean == pytest.approx(sum(values) / len(values))


def test_what_certificates_would_have_let_pass_is_counted_both_ways():
    """Both kinds of wrong acceptance are counted: ends of a limit are acceptable, a lot without a limit counts in neither, intervals are scipy's Wilson."""
    limit = Limit(1.72, 1.78, "mm")
    lots = [
        Compared(1, 1.78, 1.80, limit, failed=True),
        Compared(2, 1.75, 1.79, limit, failed=True),
        Compared(3, 1.81, 1.80, limit, failed=True),
        Compared(4, 1.75, 1.75, limit),
        Compared(5, 1.7801, 1.75, limit),
        Compared(6, 1.90, 1.75, None),
    ]
    found = judgements("diameter.mean", lots)
    assert (2, 3, 1, 2) == (found.let_pass.count, found.let_pass.of, found.held_back.count, found.held_back.of)
    oracle = stats.binomtest(2, 3).proportion_ci(method="wilson")
    assert (oracle.low, oracle.high) == pytest.approx((found.let_pass.interval.low, found.let_pass.interval.high))
    assert judgements("diameter.mean", []).let_pass.interval is None


def test_every_measure_with_a_limit_is_judged_by_a_finding():
    """Every measure with a limit has a finding, so that its certificates count in a share."""
    assert ["color.hue"] == [name for name in MEASURES if not codes_of(name)]


LIMITS = {"shrinkage.x": Limit(0.1, 0.5, "%"), "moisture.percent": Limit(None, 0.05, "%")}
SLIPS = {
    ("diameter.mean", 0.0689): "This looks like inches: 0.0689 in is 1.750 mm. Enter millimetres.",
    ("diameter.mean_ovality", 15.0): "This looks like micrometres: it is 0.015 mm. Enter millimetres.",
    ("shrinkage.x", 0.003): "This looks like a fraction: 0.003 is 0.3 %. Enter percent.",
    ("shrinkage.y", 30.0): "Enter %.",
    ("color.component_l", 95.0): "State the difference, sample minus reference, and not the coordinate itself.",
    ("opacity.contrast_ratio", 98.5): "This looks like percent: it is 0.985. Enter a ratio.",
    ("bond.mean", 4000.0): "This looks like pounds per square inch: it is 27.579 MPa. Enter megapascals.",
    ("gloss.gu60", 40.0): "Did you mean gloss.gu_60 or gloss.gu_20?",
}


@pytest.mark.parametrize(("stated", "hint"), SLIPS.items())
def test_a_slip_is_named(stated, hint):
    """A typing error is named with its remedy."""
    assert hint == doubt_stated(*stated, 1.75, LIMITS, []).hint


@pytest.mark.parametrize(
    ("measure", "value"),
    [
        ("diameter.mean", 1.76),
        ("shrinkage.x", 0.3),
        ("shrinkage.x", 0.0),
        ("shrinkage.z", 0.003),
        ("color.hue", -3.0),
        ("shrinkage.x", 0.9),
        ("moisture.percent", 0.0002),
        ("color.component_b", -0.4),
    ],
)
def test_a_value_that_makes_sense_is_taken(measure, value):
    """A value outside its limit, or a small percentage without a lower limit, is accepted."""
    assert doubt_stated(measure, value, 1.75, LIMITS, []) is None


def test_a_measure_is_stated_once():
    """A measure stated twice is refused at its name."""
    found = doubt_stated("diameter.mean", 1.75, 1.75, {}, ["diameter.mean"])
    assert ("measure", "Mean diameter is stated twice.") == (found.member, found.detail)
