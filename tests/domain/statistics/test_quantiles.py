"""Quantiles. Sources: scipy.stats, an independent implementation; the tables of the NIST/SEMATECH e-Handbook, 1.3.6.7."""

import math

import pytest
from hypothesis import given
from scipy.stats import chi2, f, norm, t

from lots.domain.statistics.quantiles import f_p, student, student_p, variance_limits
from tests.domain.strategies import numbers
from tests.examples import examples
from tests.tolerances import PRINTED_3, QUANTILE_RELATIVE, SAME_FORMULA

SETTINGS = examples(80)


@pytest.mark.parametrize(("df", "expected"), [(1, 12.706), (2, 4.303), (10, 2.228), (60, 2.000), (math.inf, 1.960)])
def test_students_t_as_tabulated(df, expected):
    """Two-sided 95 % points are those of the handbook's table 1.3.6.7.2."""
    assert pytest.approx(expected, abs=PRINTED_3) == student(df, 0.95)


@SETTINGS
@given(df=numbers(1, 200), confidence=numbers(0.5, 0.999))
def test_quantiles_are_scipys(df, confidence):
    """Student's t and both variance limits agree with scipy's quantiles, and t's probability inverts its quantile."""
    tail = (1 - confidence) / 2
    found = student(df, confidence)
    assert pytest.approx(t.isf(tail, df), rel=SAME_FORMULA) == found
    assert pytest.approx(1 - confidence, rel=SAME_FORMULA) == student_p(-found, df)
    expected = (df / chi2.isf(tail, df), df / chi2.ppf(tail, df))
    assert pytest.approx(expected, rel=QUANTILE_RELATIVE) == variance_limits(df, confidence)


@pytest.mark.parametrize(("ratio", "df1", "df2"), [(0.4337, 18, 60), (1.0, 3, 7), (12.0, 2, 9)])
def test_a_ratio_of_variances_is_scipys(ratio, df1, df2):
    """The probability beyond an F agrees with scipy's; a known standard deviation gives the normal quantile."""
    assert pytest.approx(f.sf(ratio, df1, df2), rel=SAME_FORMULA) == f_p(ratio, df1, df2)
    assert pytest.approx(norm.ppf(0.95), rel=SAME_FORMULA) == student(math.inf, 0.9)


@pytest.mark.parametrize(("df", "confidence"), [(0, 0.95), (-1, 0.95), (math.nan, 0.95), (5, 0.0), (5, 1.0)])
@pytest.mark.parametrize("quantile", [student, variance_limits])
def test_nonsense_is_refused(quantile, df, confidence):
    """Degrees of freedom not above 0, or an invalid confidence, raise."""
    with pytest.raises(ValueError, match=r"degrees of freedom|confidence"):
        quantile(df, confidence)
