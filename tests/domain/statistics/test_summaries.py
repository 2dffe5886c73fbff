"""Standard errors and Poisson bounds. Sources: JCGM 100:2008 (GUM), scipy, normal quantiles and guard band risks in the reference file."""

import statistics

import numpy as np
import pytest
from scipy.stats import chi2

from lots.domain.statistics.summaries import mean_uncertainty, one_sided_confidence, poisson_upper, standard_error
from tests.domain.builders import reference_json
from tests.tolerances import QUANTILE_RELATIVE, ROUNDED_Z, SAME_SUM

DECISIONS = reference_json("uncertainty_decisions.json")
FACTORS = DECISIONS["normal_factors"]
RULES = DECISIONS["guard_band_rules"]


def test_scatter_over_root_n_is_the_uncertainty_of_a_mean():
    """Replicates give the standard deviation over root n, column by column (JCGM 100:2008, 4.2.3; numpy)."""
    rows = np.random.default_rng(5).normal(0, 1, (7, 3))
    expected = rows.std(axis=0, ddof=1) / np.sqrt(7)
    assert pytest.approx(tuple(expected), abs=SAME_SUM) == standard_error(rows.tolist(), None)


def test_repeating_does_not_make_the_instrument_better():
    """Any number of equal readings keeps the instrument's own uncertainty (JCGM 100:2008, 5.1.2)."""
    assert 0.3 == mean_uncertainty([5.0] * 50, 0.3)
    assert 0.3 == mean_uncertainty([5.0], 0.3)


def test_scatter_and_instrument_add_as_squares():
    """A spread of 0.3 in the mean and u 0.4 of the instrument give 0.5 (by hand)."""
    values = [10 - 0.3, 10 + 0.3]
    assert pytest.approx(0.3, abs=SAME_SUM) == statistics.stdev(values) / 2**0.5
    assert pytest.approx(0.5, abs=SAME_SUM) == mean_uncertainty(values, 0.4)


def test_one_reading_by_an_unknown_instrument_has_no_uncertainty():
    """One reading by an unknown instrument has an unknown uncertainty, not zero."""
    assert mean_uncertainty([5.0], None) is None
    assert standard_error([], None) is None


@pytest.mark.parametrize("case", FACTORS, ids=[str(case["confidence"]) for case in FACTORS])
def test_confidence_of_a_one_sided_factor(case):
    """The confidence below so many standard deviations is that of the normal distribution (computed to 12 digits)."""
    assert pytest.approx(case["confidence"], abs=1e-11) == one_sided_confidence(case["one_sided_factor"])


@pytest.mark.parametrize("case", RULES, ids=[case["rule"].replace(" ", "-") for case in RULES])
def test_worst_case_risk_of_each_guard_band_rule(case):
    """A value at the edge of the guarded limit is outside with this probability (ILAC-G8:09/2019, Table 1, U = 2 u)."""
    risk = 1 - one_sided_confidence(2 * case["guard_band_in_U"])
    assert pytest.approx(case["worst_case_risk_normal"], abs=1e-13) == risk


def test_the_customary_guard_band_stands_for_95_percent():
    """1.645 standard uncertainties are 95 % one-sided, to the rounding of the factor."""
    assert pytest.approx(0.95, abs=ROUNDED_Z) == one_sided_confidence(1.645)


@pytest.mark.parametrize("count", [0, 1, 4, 50])
def test_poisson_bound_is_half_a_chi_square_quantile(count):
    """Garwood 1936: the bound after n events is half the chi-square quantile with 2 (n + 1) degrees of freedom (scipy)."""
    assert pytest.approx(chi2.ppf(0.95, 2 * count + 2) / 2, rel=QUANTILE_RELATIVE) == poisson_upper(count, 0.95)
