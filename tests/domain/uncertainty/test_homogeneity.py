"""Cochran's test against published tables."""

import numpy as np
import pytest

from lots.domain.uncertainty.homogeneity import critical_share, homogeneous
from tests.domain.builders import reference_json

RISK = reference_json("promised_risk.json")


@pytest.mark.parametrize("groups", RISK["cochran_c_5_percent"]["rows"])
def test_critical_values_at_five_percent(groups):
    """Critical values at 5 % for groups of 2 to 5 values are as tabulated (National Measurement System, 95 %; three decimals)."""
    table = RISK["cochran_c_5_percent"]
    for values, printed in zip(table["values_each"], table["rows"][groups], strict=True):
        df = values - 1
        assert pytest.approx(printed, abs=0.001) == critical_share(df, df * int(groups), int(groups))


@pytest.mark.parametrize("groups", RISK["cochran_c_1_percent"]["rows"])
def test_critical_values_at_one_percent(groups):
    """Critical values at 1 % for 1 to 5 degrees of freedom are as tabulated (University of Washington, upper 0.01; four decimals)."""
    table = RISK["cochran_c_1_percent"]
    for df, printed in zip(table["dof_each"], table["rows"][groups], strict=True):
        assert pytest.approx(printed, abs=0.0001) == critical_share(df, df * int(groups), int(groups), 0.01)


def test_equal_variances_are_kept_apart_as_often_as_promised():
    """Of eleven equal variances with two degrees of freedom each, one set in twenty is separated (simulated, seed 1)."""
    rng = np.random.default_rng(1)
    sets = rng.chisquare(2, (4000, 11)) / 2
    kept = sum(not homogeneous(row, [2] * 11) for row in sets.tolist())
    assert 0.03 < kept / 4000 < 0.065
