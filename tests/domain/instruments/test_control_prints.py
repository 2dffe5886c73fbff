"""Charts of control prints. Sources: statsmodels' prediction interval by ordinary least squares; simulation of the false alarm rate."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from lots.domain.characteristics.bond.lot_bond import BondTest
from lots.domain.characteristics.declaring.origin import Origin
from lots.domain.characteristics.registry import DECLARED
from lots.domain.instruments.control_prints import LEAST_BUILDS, ControlBuild, builds_of, outside_chart
from tests.examples import examples
from tests.tolerances import SAME_FORMULA

STRESS = ("bond.stress",)
STEADY = [29.0, 31.0, 30.0, 30.0, 29.0, 31.0, 30.0, 30.0]


def builds(values, what=STRESS):
    """One build for each value."""
    return [ControlBuild(f"B{number}", {what: value}) for number, value in enumerate(values)]


def now(value, what=STRESS):
    """The build to assess."""
    return ControlBuild("NOW", {what: value})


def test_the_limits_are_the_prediction_interval_of_one_more_value():
    """Statsmodels gives the interval for one more observation of a constant, at 99.73 %."""
    import statsmodels.api as sm

    fitted = sm.OLS(np.array(STEADY), np.ones(len(STEADY))).fit()
    low, high = fitted.get_prediction([1.0]).conf_int(obs=True, alpha=0.0027)[0]
    found = outside_chart(now(21.0), builds(STEADY))
    assert pytest.approx((low, high), rel=SAME_FORMULA) == (found.low, found.high)
    assert ("bond.stress", 21.0, 8) == (found.figure, found.value, found.n)


@pytest.mark.parametrize("value", [26.5, 30.0, 33.5])
def test_a_value_within_the_limits_doubts_nothing(value):
    """The limits are 26.37 and 33.63."""
    assert outside_chart(now(value), builds(STEADY)) is None


def test_fewer_than_eight_builds_make_no_chart():
    """Seven builds give no chart, even for a distant value."""
    assert outside_chart(now(1.0), builds(STEADY[: LEAST_BUILDS - 1])) is None


def test_builds_in_which_nothing_scattered_make_no_chart():
    """Equal values have too coarse a resolution for a standard deviation."""
    assert outside_chart(now(30.1), builds([30.0] * 10)) is None


def test_only_what_repeats_is_put_together():
    """A figure of another group has its own chart, with too few builds here."""
    assert outside_chart(now(21.0, ("bond.stress", "another")), builds(STEADY)) is None


def test_the_bars_of_a_build_are_averaged():
    """Two specimens of 28 and 32 MPa are one build at 30."""
    bars = [("B1", BondTest("S", stress, True, origin=Origin(control=True))) for stress in (28.0, 32.0)]
    (build,) = builds_of(DECLARED["bond"], bars)
    assert [30.0] == list(build.means.values())


def test_false_doubts_are_as_rare_as_stated_from_the_eighth_build_on():
    """Of 20,000 steady series 0.27 % are signalled at their ninth build; three estimated standard deviations would signal several times as many."""
    random = np.random.default_rng(20261128)
    series = random.normal(30.0, 1.5, (20_000, 9))
    doubted = sum(outside_chart(now(row[-1]), builds(row[:-1])) is not None for row in series)
    found = binomtest(doubted, len(series)).proportion_ci(0.999)
    assert found.low <= 0.0027 <= found.high


@examples(60)
@given(st.lists(st.floats(20, 40), min_size=8, max_size=30), st.floats(0, 60), st.floats(0, 20))
def test_a_value_further_out_is_doubted_too(values, value, more):
    """A value further out than a signalled one is signalled as well."""
    found = outside_chart(now(value), builds(values))
    if found is not None:
        further = value - more if value < found.low else value + more
        assert outside_chart(now(further), builds(values)) is not None
