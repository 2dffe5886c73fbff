"""Logistic regression of counts. Sources: statsmodels as an independent implementation; Albert and Anderson 1984 on separation."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import chi2
from statsmodels.api import GLM
from statsmodels.genmod.families import Binomial

from lots.domain.statistics.logistic_regression import lack_of_fit, most_likely, parted
from tests.examples import examples
from tests.tolerances import GLM_RELATIVE, SAME_FORMULA

LINE = np.array([[1.0, x / 4] for x in range(-4, 5)])
COUNTS = st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6)).filter(any), min_size=9, max_size=9)


def second_coding(columns, accepted, judged):
    """The same regression by statsmodels."""
    return GLM(np.stack([accepted, judged - accepted], axis=1), columns, family=Binomial()).fit(tol=1e-12, maxiter=200)


def counts(pairs):
    """Accepted and judged from accepted and rejected."""
    table = np.array(pairs, dtype=float)
    return table[:, 0], table.sum(axis=1)


@examples(60)
@given(COUNTS)
def test_parameters_and_covariance_are_those_of_another_program(pairs):
    """For all counts with a fit, both programs agree, also in the chi-square of the dispersion."""
    accepted, judged = counts(pairs)
    assume(not parted(LINE, accepted, judged))
    parameters, covariance = most_likely(LINE, accepted, judged)
    other = second_coding(LINE, accepted, judged)
    assert pytest.approx(other.params, rel=GLM_RELATIVE, abs=GLM_RELATIVE) == parameters
    assert pytest.approx(other.cov_params().ravel(), rel=GLM_RELATIVE, abs=GLM_RELATIVE) == covariance.ravel()
    _, p = lack_of_fit(LINE @ parameters, accepted, judged, 2)
    assert pytest.approx(chi2.sf(other.pearson_chi2, 7), rel=GLM_RELATIVE, abs=GLM_RELATIVE) == p


@examples(100)
@given(COUNTS)
def test_counts_along_a_line_are_parted_when_all_of_one_kind_lie_on_one_side(pairs):
    """On a line separation is visible: no accepted stimulus strictly on the rejected side, contact included."""
    accepted, judged = counts(pairs)
    yes, no = LINE[accepted > 0, 1], LINE[accepted < judged, 1]
    one_side = not len(yes) or not len(no) or max(yes) <= min(no) or max(no) <= min(yes)
    # All judgements at one and the same place leave the slope open without parting anything.
    assume(len({*yes, *no}) > 1)
    assert one_side == parted(LINE, accepted, judged)


def test_a_likelihood_without_a_top_does_not_settle():
    """For separated counts the search ends without a result or far out, because the slope increases without bound."""
    accepted, judged = counts([(0, 3)] * 4 + [(3, 0)] * 5)
    assert parted(LINE, accepted, judged)
    found = most_likely(LINE, accepted, judged)
    assert found is None or abs(found[0]).max() > 50


def test_a_column_too_many_has_no_fit():
    """Two equal columns give no estimate."""
    accepted, judged = counts([(1, 1)] * 9)
    assert None is most_likely(np.concatenate([LINE, LINE[:, :1]], axis=1), accepted, judged)


def test_dispersion_counts_only_when_chance_does_not_explain_it():
    """Expected counts give 1 though their chi-square is 0; overdispersed counts give chi-square over degrees of freedom."""
    level = np.zeros(4)
    assert (1.0, 1.0) == lack_of_fit(level, np.full(4, 5.0), np.full(4, 10.0), 1)
    dispersion, p = lack_of_fit(level, np.array([0.0, 10.0, 0.0, 10.0]), np.full(4, 10.0), 1)
    # Each of four places is off by 5 where its variance is 2.5: chi-square 40 with 3 degrees of freedom.
    assert pytest.approx((40 / 3, chi2.sf(40, 3)), rel=SAME_FORMULA) == (dispersion, p)
    assert (1.0, None) == lack_of_fit(level, np.zeros(4), np.full(4, 10.0), 4)
