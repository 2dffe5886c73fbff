"""Risks of a measuring plan: operating characteristics compared with known distributions (scipy), and their laws."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import nct, norm
from scipy.stats import t as student

from lots.domain.assessment.decision_risk import Plan
from lots.domain.conformity.limits import Limit
from tests.domain.builders import GUARDED, SIMPLE
from tests.examples import examples

FLOOR = Limit(20.0, None, "MPa", target=30.0)
THOROUGH = examples(60)
PLANS = st.builds(
    Plan,
    st.sampled_from([FLOOR, Limit(1.72, 1.78, "mm"), Limit(None, 1.0)]),
    st.sampled_from([SIMPLE, GUARDED]),
    st.integers(1, 5),
    st.integers(1, 6),
    st.floats(0.001, 2.0),
    st.floats(0.0, 1.0),
    st.one_of(st.just(0.0), st.floats(0.001, 0.5)),
    st.one_of(st.none(), st.integers(5, 40)),
    st.sampled_from([0.0, 20.0]),
    st.sampled_from([0.0, 8.0]),
    st.booleans(),
)


@pytest.mark.parametrize("n", [3, 5, 10])
@pytest.mark.parametrize("apart", [0.0, 1.0, 3.0])
def test_a_mean_under_a_guarded_floor_has_the_power_of_a_t_test(n, apart):
    """With one spool as the whole lot, the power over n readings is that of Student's one-sided test (noncentral t, scipy; 0.004 for the sum)."""
    plan = Plan(FLOOR, GUARDED, 1, n, 1.0, spools_in_lot=1)
    expected = nct.sf(student.ppf(norm.cdf(GUARDED.z), n - 1), n - 1, apart * math.sqrt(n))
    assert pytest.approx(expected, abs=0.004) == plan.at(20.0 + apart).passes


@pytest.mark.parametrize("true", [0.8, 1.0, 1.2])
def test_simple_acceptance_has_the_power_of_a_normal_distribution(true):
    """Under simple acceptance, a mean of four passes as often as a normal value lies inside the limit (scipy)."""
    plan = Plan(Limit(None, 1.0), SIMPLE, 1, 4, 0.2, spools_in_lot=1)
    found = plan.at(true)
    assert pytest.approx(norm.cdf((1.0 - true) / 0.1)) == found.passes
    assert pytest.approx(1 - found.passes) == found.fails


@pytest.mark.parametrize("readings", [2, 3, 10])
def test_a_colour_on_its_limit_passes_at_most_as_often_as_promised(readings):
    """A colour on its limit passes at most as often as promised, with the spread estimated from the readings of three spools."""
    plan = Plan(Limit(None, 1.0), GUARDED, 3, readings, 0.1, 0.1, spools_in_lot=20, directions=3.0)
    assert 0.01 < plan.false_accept <= 0.051


def test_one_spool_of_several_passes_only_where_earlier_lots_tell_how_spools_differ():
    """Without the spread between spools from earlier lots, the guarded rule passes no lot on one spool of several."""
    plan = Plan(FLOOR, GUARDED, 1, 5, 1.0, 0.5, spools_in_lot=10)
    assert 0.0 == plan.at(30.0).passes
    assert replace(plan, between_df=8.0).at(30.0).passes > 0.9


@THOROUGH
@given(PLANS, st.floats(0, 2))
def test_chances_are_chances(plan, part):
    """The probabilities lie between 0 and 1 and sum to 1 for every true value."""
    found = plan.at(plan.target + part * (plan.edge - plan.target))
    assert pytest.approx(1.0) == found.passes + found.near + found.fails
    assert min(found.passes, found.near, found.fails) >= 0


@THOROUGH
@given(PLANS)
def test_the_promise_holds_whatever_the_plan(plan):
    """Under the guarded rule a lot on its limit passes in at most 5 % of cases, plus 0.5 % for the sum over quantiles."""
    if plan.rule.guarded:
        assert plan.false_accept <= 0.055


@THOROUGH
@given(PLANS, st.floats(0.1, 1.0))
def test_a_finer_instrument_never_holds_back_more(plan, part):
    """A good lot is held at most as often with a finer instrument."""
    if plan.rule.guarded:
        assert replace(plan, instrument=plan.instrument * part).held_back() <= plan.held_back() + 0.01


@pytest.mark.parametrize(
    "wrong", [{"spools": 0}, {"readings": 501}, {"sd": -1.0}, {"sd": math.nan}, {"spools_in_lot": 2}]
)
def test_nonsense_is_refused(wrong):
    """A plan with a number out of range is refused."""
    with pytest.raises(ValueError, match=r"spools|numbers"):
        replace(Plan(FLOOR, GUARDED, 3, 3, 1.0), **wrong)
