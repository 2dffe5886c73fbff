"""Outliers. Sources: Rosner 1983 and Grubbs' test in the NIST/SEMATECH e-Handbook, in the reference file; scipy and statsmodels as second implementations."""

import math

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from scipy.stats import binomtest
from scipy.stats import t as student
from statsmodels.api import OLS

from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.replicates.outliers import (
    LEAST_FOR_ONE,
    LEAST_VALUES,
    MeanOf,
    extreme_deviates,
    free_values,
    least_values,
    most_to_look_for,
    with_and_without,
)
from tests.domain.builders import reference_json
from tests.domain.strategies import numbers, steps
from tests.examples import examples
from tests.tolerances import CUT_OFF_3, CUT_OFF_4, PRINTED_3, SAME_FORMULA, SAME_SUM

ROSNER = reference_json("rosner_outliers.json")
SETS = st.lists(steps(10, 12, 0.1), min_size=LEAST_VALUES, max_size=40)


def cut_off(expected):
    """Compares numbers printed with three truncated decimals: they are below the value by less than one last digit."""
    return [pytest.approx(printed + CUT_OFF_3 / 2, abs=CUT_OFF_3 / 2) for printed in expected]


def flagged_values(values, **how):
    """The outliers themselves."""
    return [values[index] for index in extreme_deviates(values, **how).flagged]


def test_rosners_54_values():
    """Ten statistics and critical values are as printed, with three outliers, although the first two steps alone find none."""
    found = extreme_deviates(ROSNER["values"], ROSNER["most"], ROSNER["alpha"])
    assert cut_off(ROSNER["statistics_cut_off"]) == [step.statistic for step in found.steps]
    assert cut_off(ROSNER["critical_cut_off"]) == [step.critical for step in found.steps]
    assert [False, False, True] == [step.statistic > step.critical for step in found.steps[:3]]
    assert ROSNER["outliers"] == [ROSNER["values"][index] for index in found.flagged]
    assert "3 outliers found (generalised ESD test, n = 54, at most 10 outliers, alpha = 0.05)." == found.says


def test_looked_for_one_it_is_grubbs_test():
    """For one outlier G and its critical value for eight values are as printed; one-sided at 5 % is two-sided at 10 %."""
    case = ROSNER["grubbs"]
    found = extreme_deviates(case["values"], 1, 0.10)
    (step,) = found.steps
    assert pytest.approx(case["statistic"], abs=CUT_OFF_4) == step.statistic
    assert pytest.approx(case["critical_one_sided_5_percent"], abs=PRINTED_3) == step.critical
    assert (7,) == found.flagged


@examples(50)
@given(st.integers(8, 200), numbers(0.001, 0.5))
def test_the_critical_value_solves_its_equation(n, alpha):
    """Converted to t, the critical value has alpha / (2 n) above it (scipy's Student's t)."""
    critical = extreme_deviates(list(range(n)), 1, alpha).steps[0].critical
    assume(critical < (n - 1) / math.sqrt(n) * (1 - 1e-9))
    t = critical * math.sqrt(n * (n - 2)) / math.sqrt((n - 1) ** 2 - n * critical**2)
    assert pytest.approx(alpha / (2 * n), rel=1e-5) == student.sf(t, n - 2)


@pytest.mark.parametrize(("n", "most", "slack"), [(8, 1, 0.003), (15, 3, 0.02), (25, 3, 0.01), (54, 10, 0.005)])
def test_the_risk_of_a_false_flag(n, most, slack):
    """Of 3000 sets of normal values about 5 % have an outlier.

    The exact 99.9 % binomial interval excludes less, and more only by the approximation error at this size
    (20,000 sets gave 5.05, 6.5, 5.5 and 5.2 %; seed 1).
    """
    rows = np.random.default_rng(1).normal(size=(3000, n)).tolist()
    hits = sum(bool(extreme_deviates(row, most).flagged) for row in rows)
    interval = binomtest(hits, len(rows)).proportion_ci(0.999)
    assert interval.low <= 0.05 + slack
    assert interval.high >= 0.05


@pytest.mark.parametrize(("most", "least"), [(1, LEAST_FOR_ONE), (3, LEAST_VALUES)])
def test_too_few_values_flag_nothing_and_say_so(most, least):
    """One value short of the required number a gross outlier is not flagged, with the reason; with that number it is."""
    values = [float(i % 3) for i in range(least - 1)] + [1000.0]
    assert (least, (least - 1,)) == (least_values(most), extreme_deviates(values, most).flagged)
    short = extreme_deviates(values[1:], most)
    assert ((), False) == (short.flagged, short.trusted)
    assert short.steps[0].index == least - 2
    assert f"Too few values for an outlier test ({least - 1} of at least {least})." == short.says


@pytest.mark.parametrize("few", [[], [1.0], [1.0, 2.0]])
def test_hardly_any_values_are_no_fault(few):
    """No value, one or two give no steps and no outlier."""
    assert ((), ()) == (extreme_deviates(few).steps, extreme_deviates(few).flagged)


def test_arithmetic_is_not_scatter():
    """Twenty equal lengths, one off by rounding, have no outlier; neither has the rest after a real one is removed."""
    same = [1.75] * 19 + [1.75 + 2e-16 * 2]
    assert same[0] != same[-1]
    assert () == extreme_deviates(same).steps
    with_one = [*same, 1.95]
    assert (20,) == extreme_deviates(with_one).flagged
    assert 1 == len(extreme_deviates(with_one).steps)


def test_a_known_repeatability_keeps_a_display_step_from_being_an_outlier():
    """Nineteen micrometer readings of 1.75 and one of 1.76: an outlier by their own spread, none for a gauge that repeats to 0.005 mm."""
    values = [1.75] * 19 + [1.76]
    assert [1.76] == flagged_values(values)
    assert [] == flagged_values(values, repeatability=0.005)
    assert "No outlier found (generalised ESD test, n = 20" in extreme_deviates(values, repeatability=0.005).says


@pytest.mark.parametrize(
    ("values", "how", "says"),
    [
        ([1.0, math.nan], {}, "finite"),
        ([1.0, math.inf], {}, "finite"),
        ([1.0] * 20, {"most": 0}, "most is 0"),
        ([1.0] * 20, {"most": 11}, "at most 10"),
        ([1.0] * 20, {"alpha": 0.0}, "alpha is 0.0"),
        ([1.0] * 20, {"alpha": 1.0}, "alpha is 1.0"),
        ([1.0] * 20, {"repeatability": -0.1}, "repeatability is -0.1"),
        ([1.0] * 20, {"repeatability": math.nan}, "repeatability is nan"),
    ],
)
def test_nonsense_is_refused(values, how, says):
    """Invalid input raises a ValueError that names the argument."""
    with pytest.raises(ValueError, match=says):
        extreme_deviates(values, **how)


@given(SETS.flatmap(lambda values: st.tuples(st.just(values), st.permutations(values))))
def test_the_order_of_values_does_not_matter(sets):
    """Shuffled values have the same outliers."""
    given_so, shuffled = sets
    assert flagged_values(given_so) == flagged_values(shuffled)


@given(SETS, st.sampled_from((0.25, 4.0)), st.integers(-8, 8))
def test_the_unit_does_not_matter(values, factor, shift):
    """Values scaled by powers of two and shifted by integers have the same steps and statistics."""
    found, moved = extreme_deviates(values), extreme_deviates([factor * value + shift for value in values])
    assert [pytest.approx(step.statistic, rel=SAME_FORMULA) for step in found.steps] == [
        s.statistic for s in moved.steps
    ]


@given(SETS, numbers(0.001, 0.5), numbers(0.001, 0.5))
def test_a_larger_risk_flags_no_less(values, one, other):
    """An outlier at a smaller alpha is one at a larger alpha."""
    small, large = sorted((one, other))
    assert set(extreme_deviates(values, alpha=small).flagged) <= set(extreme_deviates(values, alpha=large).flagged)


@given(SETS, numbers(0, 1), numbers(0, 1))
def test_a_coarser_instrument_flags_no_more(values, one, other):
    """A larger repeatability never flags more values."""
    fine, coarse = sorted((one, other))
    fewer = set(extreme_deviates(values, repeatability=coarse).flagged)
    assert fewer <= set(extreme_deviates(values, repeatability=fine).flagged)


@examples(50)
@given(SETS, st.sampled_from((-1000.0, 1000.0)))
def test_a_gross_error_is_found(values, error):
    """A value a thousand units away is flagged first, with its index, whatever the others are."""
    assert 0 == extreme_deviates([error, *values]).flagged[0]


def test_outliers_of_every_size_are_found_furthest_first():
    """Values a hundred, ten and four units away each exceed their critical value, and all three are flagged."""
    values = [4.0, *(10 + number / 20 for number in range(20)), 20.0, 100.0]
    found = extreme_deviates(values)
    assert [True] * 3 == [step.statistic > step.critical for step in found.steps]
    assert (22, 21, 0) == found.flagged


@given(numbers(-100, 100), st.integers(3, 30))
@example(1.75, 20)
def test_equal_values_have_no_outlier(value, n):
    """Equal values have no outlier."""
    assert () == extreme_deviates([value] * n).flagged


def test_the_mean_with_and_without():
    """Mean 4 of 1, 3, 8, and 2 without the last; uncertainties by hand: sqrt(13 / 3) and 1."""
    found = with_and_without([1.0, 3.0, 8.0], [2])
    assert pytest.approx((4.0, math.sqrt(13 / 3), 3), abs=SAME_SUM) == (
        found.with_them.mean,
        found.with_them.uncertainty,
        found.with_them.n,
    )
    assert MeanOf(2.0, 1.0, 2) == found.without_them
    assert -2.0 == found.shift


def test_one_value_left_has_the_instruments_uncertainty_or_none():
    """With two of three excluded, only the instrument gives an uncertainty."""
    assert None is with_and_without([1.0, 3.0, 8.0], [0, 2]).without_them.uncertainty
    assert 0.5 == with_and_without([1.0, 3.0, 8.0], [0, 2], instrument=0.5).without_them.uncertainty


@pytest.mark.parametrize(
    ("values", "excluded", "says"),
    [
        ([1.0, 2.0], [2], "value number 2"),
        ([1.0, 2.0], [-1], "value number -1"),
        ([1.0, 2.0], [0, 1], "leaves no mean"),
        ([], [], "leaves no mean"),
        ([1.0, math.nan], [1], "finite"),
    ],
)
def test_what_cannot_be_left_out(values, excluded, says):
    """An invalid index, every value, or a non-finite value cannot be excluded."""
    with pytest.raises(ValueError, match=says):
        with_and_without(values, excluded)


@given(st.lists(steps(-5, 5, 0.1), min_size=1, max_size=20))
def test_leaving_nothing_out_changes_nothing(values):
    """Without an exclusion both means are equal, and the shift is 0."""
    found = with_and_without(values, [])
    assert found.with_them == found.without_them
    assert 0 == found.shift


@given(st.lists(steps(-5, 5, 0.1), min_size=2, max_size=20), st.data())
def test_the_two_means_add_up(values, data):
    """The mean of all is the weighted mean of kept and excluded values."""
    out = data.draw(st.sets(st.integers(0, len(values) - 1), min_size=1, max_size=len(values) - 1))
    found = with_and_without(values, sorted(out))
    kept = found.without_them.mean * found.without_them.n
    assert math.isclose(kept + sum(values[i] for i in out), found.with_them.mean * len(values), abs_tol=BINARY_NOISE)


SPOOLS = st.lists(st.lists(steps(10, 12, 0.1), min_size=3, max_size=8), min_size=2, max_size=5)


def spread_out(spools):
    """Values of all spools in one list, with the spool of each."""
    return [v for values in spools for v in values], [number for number, values in enumerate(spools) for _ in values]


@given(SPOOLS)
def test_in_groups_the_first_step_is_the_greatest_studentised_residual(spools):
    """The first step is the largest internally Studentised residual of an analysis of variance (statsmodels), times the root of 1 - 1/n of the spool."""
    values, groups = spread_out(spools)
    columns = np.array([[float(group == number) for number in range(len(spools))] for group in groups])
    fit = OLS(np.array(values), columns).fit()
    assume(fit.scale > 1e-9)
    studentised = np.abs(fit.get_influence().resid_studentized_internal)
    step = extreme_deviates(values, 1, groups=groups).steps[0]
    share = math.sqrt(1 - 1 / len(spools[groups[step.index]]))
    assert pytest.approx(studentised.max(), rel=SAME_FORMULA) == step.statistic / share
    # Bonferroni's bound by Student's t with one degree of freedom fewer (Lund 1975), solved for t and looked up in scipy.
    df, r = len(values) - len(spools), step.critical / share
    assume(r * r < df * (1 - 1e-9))
    t = r * math.sqrt((df - 1) / (df - r * r))
    assert pytest.approx(0.05 / (2 * len(values)), rel=1e-5) == student.sf(t, df - 1)


@given(SETS)
def test_all_in_one_group_is_the_same_as_none(values):
    """With a single group the test is Rosner's."""
    assert extreme_deviates(values) == extreme_deviates(values, groups=["S"] * len(values))


def test_a_strange_value_does_not_make_its_group_strange():
    """A value 5 away in a group of four shifts their mean; after its removal the others are compared with their own mean and stay."""
    spools = [[10.0, 10.1, 9.9, 15.0], *([10.0, 10.1, 9.9, 10.05] for _ in range(5))]
    values, groups = spread_out(spools)
    found = extreme_deviates(values, groups=groups)
    assert [15.0] == [values[index] for index in found.flagged]
    assert (24, 6) == (found.n, found.groups)
    assert "1 outlier found (generalised ESD test, n = 24 in 6 spools" in found.says


def test_groups_that_differ_flag_nothing_and_pairs_are_left_out():
    """Two spools a unit apart flag nothing, and two readings alone cannot show which one is the outlier."""
    steady = [0.0, 0.01, -0.01, 0.02, -0.02, 0.01, -0.01]
    values, groups = spread_out([[10 + d for d in steady], [11 + d for d in steady], [10.0, 90.0]])
    found = extreme_deviates(values, 1, groups=groups)
    assert ((), 14, 2) == (found.flagged, found.n, found.groups)
    assert all(step.index < 14 for step in found.steps)


@pytest.mark.parametrize(("spools", "each"), [(3, 5), (5, 5), (10, 5)])
def test_the_risk_of_a_false_flag_in_groups(spools, each):
    """Of 2000 lots of normal readings about 5 % have an outlier, with the number searched by the rule.

    By the exact 99.9 % binomial interval at least 4 % and at most 6.5 (4,000 lots gave 5.3, 6.3 and 5.2 %; seed 1).
    """
    groups = [number for number in range(spools) for _ in range(each)]
    most = most_to_look_for(free_values(len(groups), spools))
    rows = np.random.default_rng(1).normal(size=(2000, len(groups))).tolist()
    hits = sum(bool(extreme_deviates(row, most, groups=groups).flagged) for row in rows)
    interval = binomtest(hits, len(rows)).proportion_ci(0.999)
    assert interval.low <= 0.065
    assert interval.high >= 0.04


def test_too_few_free_values_in_groups_say_what_the_means_cost():
    """Nine values in three groups count as seven: enough for one outlier, not for two."""
    values, groups = spread_out([[1.0, 2.0, 3.0]] * 3)
    assert extreme_deviates(values, 1, groups=groups).trusted
    says = extreme_deviates(values, 2, groups=groups).says
    assert "Too few values for an outlier test (7 of at least 15, less one for the mean of each further spool)." in says


def test_values_that_are_too_few_are_counted_as_they_are():
    """Too few readings are counted as they are; of several spools only those with repeats count."""
    assert "(2 of at least 7)." in extreme_deviates([1.0, 2.0], 1, groups=["S", "S"]).says
    says = extreme_deviates([1.0, 2.0, 1.5, 7.0, 9.0], 1, groups=["S", "S", "S", "T", "T"]).says
    assert "(3 of at least 7). 2 values are not tested, because their spools have fewer than 3 readings." in says
    alone = extreme_deviates([1.0, 2.0, 1.5, 7.0], 1, groups=["S", "S", "S", "T"]).says
    assert "1 value is not tested, because its spool has fewer than 3 readings." in alone


def test_each_value_needs_a_group():
    """A missing group raises."""
    with pytest.raises(ValueError, match="groups names 1 groups for 2 values"):
        extreme_deviates([1.0, 2.0], groups=["S"])


@pytest.mark.parametrize(("n", "most"), [(3, 1), (14, 1), (15, 3), (24, 4), (54, 10), (500, 10)])
def test_how_many_are_looked_for(n, most):
    """The number searched is one in five, Rosner's ten of 54, and one where more is impossible, never beyond the test's validity."""
    assert most == most_to_look_for(n)
    assert n < LEAST_FOR_ONE or n >= least_values(most)
