"""Proportions and their differences. Sources: NIST 7.2.4.1, Newcombe 1998 and Charig 1986 in the reference file; statsmodels and scipy."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from lots.domain.statistics.proportions import (
    Interval,
    Stratum,
    difference,
    wilson,
)
from tests.domain.builders import reference_json
from tests.examples import examples
from tests.tolerances import PRINTED_4, PRINTED_10, SAME_FORMULA, SAME_SUM

FIGURES = reference_json("proportion_intervals.json")
SINGLE = FIGURES["single"]
COUNTS = [(case["x"], case["n"]) for case in SINGLE] + [(0, 1), (1, 1), (1, 3), (3, 3), (17, 400)]
DIFFERENCES = FIGURES["difference_newcombe_1998"]["cases"]
REVERSAL = FIGURES["reversal_charig_1986"]
SETTINGS = examples(80)

counts = st.integers(1, 30).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
strata = st.builds(lambda one, two: Stratum(*one, *two), counts, counts)


def ends(found) -> tuple[float, float]:
    """Both ends of an interval."""
    return found.low, found.high


@pytest.mark.parametrize("case", SINGLE, ids=lambda case: f"{case['x']}-of-{case['n']}")
def test_score_intervals(case):
    """Wilson's interval is that of the reference file (computed by formula)."""
    x, n, confidence = case["x"], case["n"], case["confidence"]
    assert pytest.approx(tuple(case["wilson"]), abs=PRINTED_10) == ends(wilson(x, n, confidence))


@pytest.mark.parametrize(
    "case", FIGURES["wilson_newcombe_1998"]["cases"], ids=lambda case: f"{case['x']}-of-{case['n']}"
)
def test_published_score_intervals(case):
    """Wilson's interval is the one printed (Newcombe 1998, Stat. Med. 17, 857-872, Table I, method 3; from memory)."""
    assert pytest.approx((case["low"], case["high"]), abs=PRINTED_4) == ends(wilson(case["x"], case["n"]))


@pytest.mark.parametrize(("x", "n"), COUNTS)
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_intervals_are_those_of_a_second_coding(x, n, confidence):
    """Wilson's interval agrees with statsmodels."""
    expected = proportion_confint(x, n, 1 - confidence, "wilson")
    assert pytest.approx(expected, abs=SAME_FORMULA) == ends(wilson(x, n, confidence))


@SETTINGS
@given(pair=counts, confidence=st.floats(0.5, 0.999))
def test_an_interval_holds_its_proportion_and_mirrors(pair, confidence):
    """An interval is within 0..1 and includes the observed proportion; the complement has the mirrored interval."""
    x, n = pair
    found, other = wilson(x, n, confidence), wilson(n - x, n, confidence)
    assert 0 <= found.low <= x / n <= found.high <= 1
    assert pytest.approx((1 - other.high, 1 - other.low), abs=SAME_FORMULA) == ends(found)


@pytest.mark.parametrize(("x", "n"), [(-1, 3), (4, 3), (0, 0)])
def test_counts_that_are_no_proportion_are_refused(x, n):
    """Negative counts, counts above n, and n = 0 raise."""
    with pytest.raises(ValueError, match="is not a proportion"):
        wilson(x, n)


@pytest.mark.parametrize("confidence", [0.0, 1.0, -0.5, math.nan])
def test_a_confidence_outside_0_to_1_is_refused(confidence):
    """A confidence of 0, of 1, or of no number raises."""
    with pytest.raises(ValueError, match="confidence"):
        wilson(1, 3, confidence)


@pytest.mark.parametrize(("low", "high"), [(1.0, 0.0), (math.nan, 1.0), (0.0, math.inf)])
def test_an_interval_has_its_ends_the_right_way_round(low, high):
    """Exchanged or invalid limits are rejected."""
    with pytest.raises(ValueError, match="the interval goes from"):
        Interval(low, high, 0.95)


@pytest.mark.parametrize("case", DIFFERENCES, ids=lambda case: "{x1}of{n1}-{x2}of{n2}".format(**case))
def test_published_intervals_for_a_difference(case):
    """One stratum has Newcombe's interval as printed (1998, Stat. Med. 17, 873-890, Table II, method 10; from memory)."""
    found = difference([Stratum(case["x1"], case["n1"], case["x2"], case["n2"])])
    assert pytest.approx((case["low"], case["high"]), abs=PRINTED_4) == ends(found)


@SETTINGS
@given(stratum=strata, confidence=st.floats(0.5, 0.999))
def test_one_stratum_is_newcombes_interval(stratum, confidence):
    """A single stratum gives the difference and the interval of statsmodels' method "newcomb", and effective numbers that are the real ones."""
    found = difference([stratum], confidence)
    expected = confint_proportions_2indep(
        stratum.x1, stratum.n1, stratum.x2, stratum.n2, method="newcomb", alpha=1 - confidence
    )
    assert pytest.approx(expected, abs=SAME_FORMULA) == ends(found)
    assert pytest.approx(stratum.x1 / stratum.n1 - stratum.x2 / stratum.n2, abs=SAME_SUM) == found.estimate
    assert pytest.approx((stratum.n1, stratum.n2)) == (found.effective_n1, found.effective_n2)
    assert (1, stratum.n1, stratum.n2) == (found.strata_used, found.n1, found.n2)


def test_a_comparison_that_reverses_when_unlike_is_mixed():
    """The procedure that fails more often over all is the better one for small stones and for large ones (Charig et al. 1986; from memory)."""
    found = difference([Stratum(**case) for case in REVERSAL["strata"]])
    mixed = difference([Stratum(**REVERSAL["crude"])])
    assert mixed.estimate < 0 < found.estimate
    # By hand: weights 87 * 270 / 357 and 263 * 80 / 343; differences 0.931034 - 0.866667 and 0.730038 - 0.6875.
    assert 0.0538 == round((65.7983 * 0.064368 + 61.3411 * 0.042538) / 127.1394, 4) == round(found.estimate, 4)
    assert (2, 350, 350) == (found.strata_used, found.n1, found.n2)


def test_suppliers_that_never_meet_cannot_be_compared():
    """Strata without lots of either are left out; without any stratum there is no difference."""
    alone = [Stratum(1, 4, 0, 0), Stratum(0, 0, 9, 9)]
    assert difference(alone) is None
    assert difference([]) is None
    assert difference([Stratum(2, 3, 1, 4)]) == difference([*alone, Stratum(2, 3, 1, 4)])


def test_effective_numbers_are_smaller_where_lots_lie_in_different_strata():
    """20 and 3 lots against 3 and 20 are equivalent to 10.4 against 10.4: with weights of a half each, 1 / (0.25 / 20 + 0.25 / 3)."""
    found = difference([Stratum(10, 20, 1, 3), Stratum(1, 3, 10, 20)])
    assert pytest.approx(1 / (0.25 / 20 + 0.25 / 3)) == found.effective_n1 == found.effective_n2
    assert (23, 23) == (found.n1, found.n2)


@SETTINGS
@given(some=st.lists(strata, min_size=1, max_size=5), data=st.data())
def test_laws_of_a_difference(some, data):
    """It includes its estimate, is within -1..1, does not depend on the order of strata, and mirrors with suppliers or property."""
    found = difference(some)
    assert -1 - SAME_SUM <= found.low <= found.estimate <= found.high <= 1 + SAME_SUM
    assert 1 - SAME_SUM <= found.effective_n1 <= found.n1 + SAME_FORMULA
    shuffled = difference(data.draw(st.permutations(some)))
    assert pytest.approx(ends(found), abs=SAME_FORMULA) == ends(shuffled)
    swapped = difference([Stratum(s.x2, s.n2, s.x1, s.n1) for s in some])
    without = difference([Stratum(s.n1 - s.x1, s.n1, s.n2 - s.x2, s.n2) for s in some])
    for turned in (swapped, without):
        assert pytest.approx((-found.high, -found.low), abs=SAME_FORMULA) == ends(turned)


@pytest.mark.parametrize("bad", [(4, 3, 0, 1), (0, 1, 2, 1), (-1, 3, 0, 1), (0, -1, 0, 1)])
def test_a_stratum_refuses_what_is_no_proportion(bad):
    """Counts above n, or negative counts, raise."""
    with pytest.raises(ValueError, match="is not a proportion"):
        Stratum(*bad)
