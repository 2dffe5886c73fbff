"""Hairs between towers: counted rates, and the exact Poisson bound.

Bounds: Garwood (1936), tabulated for counts of 0 to 3 at 95 % one-sided as 2.996, 4.744, 6.296, 7.754 (from memory, checked here against chi-square
quantiles of scipy). The Poisson assumption and the limits are common practice, no source.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from lots.domain.characteristics.stringing import STRINGING, StringingCheck, StringingLimits, judge_stringing, together
from lots.domain.conformity.limits import DecisionRule
from tests.domain.builders import GUARDED, SIMPLE

LIMITS = StringingLimits(0.5, 10)


def verdict(hairs: int, gaps: int, rule: DecisionRule = SIMPLE, limits: StringingLimits = LIMITS) -> str:
    """The verdict on one test print."""
    (finding,) = judge_stringing(together([StringingCheck("S", hairs, gaps)]), limits, rule)
    return finding.verdict


@pytest.mark.parametrize(("hairs", "bound"), [(0, 2.996), (1, 4.744), (2, 6.296), (3, 7.754)])
def test_the_bound_is_the_one_that_is_tabulated(hairs, bound):
    """The upper end of an exact one-sided 95 % interval, per gap, is the tabulated one."""
    found = together([StringingCheck("S", hairs, 10)])
    assert found.upper(0.95) == pytest.approx(bound / 10, abs=5e-5)
    assert found.upper(0.95) == pytest.approx(chi2.ppf(0.95, 2 * (hairs + 1)) / 2 / 10, rel=1e-9)


@pytest.mark.parametrize(
    ("hairs", "gaps", "simple", "guarded"),
    [
        (0, 10, "pass", "pass"),
        (1, 10, "pass", "pass"),
        (5, 10, "pass", "near"),
        (6, 10, "fail", "fail"),
        (0, 9, "missing", "missing"),
        (6, 9, "fail", "fail"),
    ],
)
def test_a_limit_of_half_a_hair_per_gap_on_ten_gaps(hairs, gaps, simple, guarded):
    """The end of the limit is included; a clean print that is too small lacks gaps; more hairs than ten gaps allow fail at once."""
    assert simple == verdict(hairs, gaps)
    assert guarded == verdict(hairs, gaps, GUARDED)


def test_prints_are_added_up_and_what_is_lacking_is_named():
    """Two prints of four gaps each lack two, and no print lacks all ten."""
    some = together([StringingCheck("S", 0, 4), StringingCheck("T", 1, 4)])
    (finding,) = judge_stringing(some, LIMITS, SIMPLE)
    assert ("missing", "count hairs in 2 more gaps of a test print") == (finding.verdict, finding.to_measure)
    (nothing,) = judge_stringing(None, LIMITS, SIMPLE)
    assert ("missing", "count hairs in 10 gaps of a test print") == (nothing.verdict, nothing.to_measure)
    (any_print,) = judge_stringing(None, StringingLimits(0.5), SIMPLE)
    assert "count the hairs between the towers of a test print" == any_print.to_measure


def test_its_words():
    """A count of one is one hair."""
    assert "1 hair in 10 gaps" == STRINGING.says({"hairs": 1, "gaps": 10})
    assert "0 hairs in 1 gap" == STRINGING.says({"hairs": 0, "gaps": 1})


ORDER = ["fail", "missing", "near", "pass"]


@given(
    st.integers(0, 40), st.integers(1, 60), st.integers(1, 10), st.floats(0.01, 2.0), st.sampled_from([SIMPLE, GUARDED])
)
def test_more_hairs_never_help_and_a_wider_limit_never_refuses_more(hairs, gaps, more, most, rule):
    """One more hair never improves, and a wider limit never worsens, the verdict."""
    limits = StringingLimits(most, 10)
    one, worse = verdict(hairs, gaps, rule, limits), verdict(hairs + more, gaps, rule, limits)
    assert ORDER.index(worse) <= ORDER.index(one)
    assert not (verdict(hairs, gaps, rule, StringingLimits(most * 1.5, 10)) == "fail" and one != "fail")
