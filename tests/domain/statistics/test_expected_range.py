"""Expected range of normal values. Source: d2 of control charts as tabulated (ASTM E2587; Tippett 1925)."""

import math

import pytest

from lots.domain.statistics.expected_range import expected_range
from tests.domain.builders import reference_csv


@pytest.mark.parametrize("row", reference_csv("control_chart_constants.csv"), ids=lambda row: row["n"])
def test_it_is_the_d2_of_control_charts(row):
    """Every n of the table, to seven decimals."""
    assert float(row["d2"]) == pytest.approx(expected_range(int(row["n"])), abs=1e-7)


def test_two_and_one():
    """Two values differ by 2 / sqrt(pi) on average, one value has range 0."""
    assert 2 / math.sqrt(math.pi) == pytest.approx(expected_range(2), abs=1e-9)
    assert 0.0 == pytest.approx(expected_range(1), abs=1e-12)


def test_a_thousand():
    """Tippett's table ends with 6.48 for a thousand values."""
    assert 6.48 == round(expected_range(1000), 2)


def test_no_value_has_no_range():
    """A sample size of 0 is rejected."""
    with pytest.raises(ValueError, match="at least one"):
        expected_range(0)
