"""Uncertainty budgets: effective degrees of freedom, guard bands that keep their promise, and laws."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2, ncx2, norm
from scipy.stats import t as student

from lots.domain.uncertainty.budget import Contribution, Uncertainty
from lots.domain.uncertainty.length import Length
from tests.domain.builders import reference_json
from tests.examples import examples

RISK = reference_json("promised_risk.json")
Z = norm.ppf(0.95)
CONTRIBUTIONS = st.lists(
    st.builds(
        Contribution,
        st.floats(0.001, 2.0),
        st.one_of(st.just(math.inf), st.integers(1, 40).map(float)),
        shrinks=st.booleans(),
    ),
    min_size=1,
    max_size=4,
)
BUDGETS = CONTRIBUTIONS.map(lambda parts: Uncertainty(tuple(parts)))


def test_the_end_gauge_has_sixteen_effective_degrees_of_freedom():
    """The end gauge of JCGM 100:2008, H.1 has combined 32 nm, 16 degrees of freedom and 93 nm at 99 % (results from memory of table H.1)."""
    gauge = RISK["effective_degrees_of_freedom"]
    budget = Uncertainty(tuple(Contribution(one["u"], one["dof"]) for one in gauge["components_nm"]))
    assert gauge["combined_u_nm"] == round(budget.total)
    assert gauge["effective_dof"] == math.floor(budget.df)
    assert gauge["t_99_percent"] == round(student.ppf(0.995, math.floor(budget.df)), 2)


def test_the_comparator_of_the_end_gauge():
    """Parts of 5.8, 3.9 and 6.7 nm combine to 9.7 nm with 25.6 degrees of freedom (JCGM 100:2008, H.1.3.2, with the rounded 9.7)."""
    gauge = RISK["effective_degrees_of_freedom"]
    budget = Uncertainty(tuple(Contribution(one["u"], one["dof"]) for one in gauge["comparator_parts"]))
    assert gauge["comparator_u"] == round(budget.total, 1)
    assert gauge["comparator_dof"] == round(budget.df * (gauge["comparator_u"] / budget.total) ** 4, 1)


@pytest.mark.parametrize("df", [1, 2, 5, 30, math.inf])
def test_one_contribution_is_students_t(df):
    """The band of one contribution is Student's t, or the normal quantile where it is known (scipy.stats)."""
    expected = Z if math.isinf(df) else student.ppf(0.95, df)
    assert pytest.approx(0.3 * expected) == Uncertainty((Contribution(0.3, df),)).band(Z)


@pytest.mark.parametrize("df", [1, 2, 4, 9])
@pytest.mark.parametrize("share", [0.1, 0.3, 0.5, 0.7, 0.9])
def test_the_band_never_misses_its_promise(df, share):
    """At most 5 % of true values lie beyond the band, whatever part of the variance is known (exact integral over chi-square)."""
    scatter, known = math.sqrt(share), math.sqrt(1 - share)
    seen = scatter * np.sqrt(chi2.ppf((np.arange(20_000) + 0.5) / 20_000, df) / df)
    bands = [Uncertainty((Contribution(float(s), df), Contribution(known))).band(Z) for s in seen[::20]]
    assert float(np.mean(norm.sf(bands))) <= 0.0502


@examples(200)
@given(BUDGETS, st.floats(0.5, 3.0), st.floats(0.0, 0.99))
def test_a_smaller_uncertainty_never_widens_the_band(budget, z, part):
    """A smaller uncertainty never widens the band."""
    first, *others = budget.contributions
    finer = Uncertainty((Contribution(first.u * part, first.df, first.source, first.shrinks), *others))
    assert finer.band(z) <= budget.band(z) * (1 + 1e-12)


@examples(200)
@given(BUDGETS, st.floats(0.5, 3.0), st.integers(2, 20), st.integers(0, 20))
def test_more_readings_never_widen_the_band(budget, z, n, more):
    """For the same spread more readings never widen the band."""
    assert budget.with_more(n, more).band(z) <= budget.band(z) * (1 + 1e-12)


@examples(200)
@given(BUDGETS, st.floats(0.05, 3.0))
def test_the_confidence_of_a_band_is_that_of_its_z(budget, z):
    """The confidence of a distance is the z whose band it is."""
    assert pytest.approx(z, abs=1e-6) == budget.z_of(budget.band(z))


@examples(200)
@given(BUDGETS, st.floats(0, 5), st.floats(1, 3), st.floats(0.5, 3), st.floats(0.1, 0.99))
def test_a_finer_instrument_never_holds_back_a_length(budget, value, directions, z, part):
    """The upper bound of a length never grows as its uncertainty shrinks."""
    bounds = [Length(value, budget.scaled(by), directions).most(z) for by in (1.0, part)]
    assert bounds[1] <= bounds[0] * (1 + 1e-3)
    assert value <= bounds[1]


@pytest.mark.parametrize("value", [0.0, 0.02, 0.1, 0.3, 2.0])
def test_the_ends_of_an_interval_are_those_of_noncentral_chi_square(value):
    """A length as long as one in forty has the lower end as its true one, 0 where even none is so long (scipy.stats.ncx2)."""
    low = Length(value, Uncertainty.known(0.1), 3.0).least(norm.ppf(0.975))
    if low == 0:
        assert chi2.sf((value / 0.1) ** 2, 3) >= 0.025
    else:
        assert pytest.approx(0.025, abs=1e-6) == ncx2.sf((value / 0.1) ** 2, 3, (low / 0.1) ** 2)
