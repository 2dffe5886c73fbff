"""Index of dispersion. Sources: scipy's chi-square test and multinomial distribution; Bortkiewicz's horse kicks."""

from itertools import product
from math import fsum

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chisquare, multinomial

from lots.domain.statistics.dispersion import index_of_dispersion, one_rate_p
from tests.tolerances import SAME_SUM

# Deaths by horse kick per corps in 20 years, 14 corps of the Prussian army 1875-1894 (Bortkiewicz 1898; from memory, all editions of the table agree
# on the sum of 196).
KICKS = [16, 16, 12, 12, 8, 11, 17, 12, 7, 13, 15, 25, 24, 8]


def test_horse_kicks_by_corps():
    """The index of the 14 corps is scipy's chi-square statistic, with its p at 13 degrees of freedom."""
    assert 196 == sum(KICKS)
    statistic, p = chisquare(KICKS)
    assert pytest.approx(statistic, abs=SAME_SUM) == index_of_dispersion(KICKS, [1.0] * 14)
    assert pytest.approx(p, abs=SAME_SUM) == one_rate_p(KICKS, [1.0] * 14)


def test_unequal_amounts_expect_unequal_counts():
    """Counts proportional to the examined amount have an index of 0; others are scipy's with these expected counts."""
    amounts = [1.0, 2.0, 4.0]
    assert pytest.approx(0.0, abs=SAME_SUM) == index_of_dispersion([10, 20, 40], amounts)
    statistic, p = chisquare([20, 15, 35], [10, 20, 40])
    assert pytest.approx((statistic, p)) == (
        index_of_dispersion([20, 15, 35], amounts),
        one_rate_p([20, 15, 35], amounts),
    )


def test_nine_specks_on_one_layer_of_five():
    """All nine specks on one of five equal layers have a probability of 5 / 5^9 under one rate."""
    assert 36.0 == index_of_dispersion([9, 0, 0, 0, 0], [1.0] * 5)
    assert pytest.approx(5 / 5**9, abs=SAME_SUM) == one_rate_p([9, 0, 0, 0, 0], [1.0] * 5)


def every_way(total, units):
    """All counts of so many units with a given total."""
    return [one for one in product(range(total + 1), repeat=units) if sum(one) == total]


@pytest.mark.parametrize(
    ("counts", "amounts"),
    [
        ([3, 1], [1, 1]),
        ([2, 0, 0, 0], [1, 1, 1, 1]),
        ([4, 1, 0], [1, 2, 4]),
        ([5, 0, 1, 0], [2, 1, 1, 0.5]),
        ([1, 1, 1], [1, 1, 3]),
    ],
)
def test_few_counts_are_summed_exactly(counts, amounts):
    """For few counts p is the sum over all possible counts, by scipy's multinomial, up to a thousandth of rounding."""
    whole, total = fsum(amounts), sum(counts)
    seen, law = index_of_dispersion(counts, amounts), multinomial(total, [amount / whole for amount in amounts])
    ways = every_way(total, len(counts))

    def tail(share):
        return fsum(law.pmf(way) for way in ways if index_of_dispersion(way, amounts) >= seen * share - 1e-9)

    assert tail(1.0) - 1e-9 <= one_rate_p(counts, amounts) <= tail(1 - len(counts) / 1000) + 1e-9


@pytest.mark.parametrize(
    ("counts", "amounts"), [([0, 0], [1, 1]), ([1, 0, 0], [1, 1, 1]), ([50], [2.0]), ([1, 1], [1, 1])]
)
def test_what_cannot_differ_has_p_1(counts, amounts):
    """No event, one event, one unit and equal counts have p = 1."""
    assert 1.0 == one_rate_p(counts, amounts)


@given(st.lists(st.tuples(st.integers(0, 12), st.floats(0.2, 5.0)), min_size=2, max_size=8))
def test_p_is_a_probability_and_does_not_depend_on_the_order(units):
    """The p-value lies between 0 and 1, in any order of the units."""
    counts, amounts = [count for count, _ in units], [amount for _, amount in units]
    p = one_rate_p(counts, amounts)
    assert 0.0 <= p <= 1.0
    assert pytest.approx(p, abs=1e-6) == one_rate_p(counts[::-1], amounts[::-1])
