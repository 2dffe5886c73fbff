"""Protection of an accepted sample. Sources: scipy's hypergeometric distribution, counting, and figures of the trade."""

from fractions import Fraction
from math import comb

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import hypergeom

from lots.domain.receiving.protection import says, upper_bound_bad

# A figure printed in whole percent is right to half of one; 12.5 is printed as 12.
WHOLE_PERCENT = 0.005 + 1e-12
# One spool of a lot of ten million, and what drawing without putting back changes: sample over lot, times a few.
LARGE_LOT = 10**7
NEARLY_INFINITE = 1e-5


@st.composite
def samples(draw, most=60):
    """A lot size, a sample size and a number found in it."""
    lot_size = draw(st.integers(1, most))
    size = draw(st.integers(1, lot_size))
    return lot_size, size, draw(st.integers(0, size))


CONFIDENCES = st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99])


@pytest.mark.parametrize(
    ("size", "published"), [(1, 0.95), (2, 0.78), (3, 0.63), (5, 0.45), (8, 0.31), (13, 0.21), (20, 0.14)]
)
def test_none_found_in_a_very_large_lot(size, published):
    """With none found the 95 % bound approaches 1 - 0.05^(1/n) of a large lot (published trade figures; arithmetic)."""
    share = upper_bound_bad(LARGE_LOT, size, 0) / LARGE_LOT
    assert pytest.approx(published, abs=WHOLE_PERCENT) == share
    assert pytest.approx(1 - 0.05 ** (1 / size), abs=NEARLY_INFINITE) == share


@pytest.mark.parametrize(
    ("lot_size", "size", "found", "bound"),
    [(24, 5, 0, 9), (24, 8, 0, 6), (24, 5, 1, 14), (24, 23, 0, 0), (9, 8, 0, 1), (24, 24, 2, 2), (24, 0, 0, 24)],
)
def test_the_bound_is_the_last_number_not_yet_refuted(lot_size, size, found, bound):
    """At the bound so few found has a probability above 5 %, and one beyond it at most 5 % (scipy)."""
    assert bound == upper_bound_bad(lot_size, size, found)
    assert hypergeom.cdf(found, lot_size, bound, size) > 0.05
    if bound < lot_size - (size - found):
        assert hypergeom.cdf(found, lot_size, bound + 1, size) <= 0.05


def test_a_probability_of_just_five_percent_is_refuted():
    """One spool of 20 measured is good with probability 1/20 if 19 are bad, so at 95 % the bound is 18 (arithmetic).

    In binary 1 - 0.95 is slightly more than 1/20, so the comparison uses the decimal number.
    """
    assert 18 == upper_bound_bad(20, 1, 0, 0.95)
    assert 17 == upper_bound_bad(20, 1, 0, 0.90)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (
            (24, 5, 0),
            (
                "If the lot passes with 0 of 5 measured spools nonconforming, at most 9 of its 24 spools are nonconforming (95 % confidence). "
                "With 3 nonconforming spools this sample rejects the lot 52 times in 100."
            ),
        ),
        (
            (24, 5, 0, 0.9),
            (
                "If the lot passes with 0 of 5 measured spools nonconforming, at most 8 of its 24 spools are nonconforming (90 % confidence). "
                "With 3 nonconforming spools this sample rejects the lot 52 times in 100."
            ),
        ),
        (
            (24, 20, 1),
            (
                "If the lot passes with at most 1 of 20 measured spools nonconforming, at most 3 of its 24 spools are nonconforming (95 % confidence). "
                "With 3 nonconforming spools this sample rejects the lot 94 times in 100."
            ),
        ),
        (
            (9, 8, 0),
            (
                "If the lot passes with 0 of 8 measured spools nonconforming, at most 1 of its 9 spools is nonconforming (95 % confidence). "
                "With 2 nonconforming spools this sample rejects the lot every time."
            ),
        ),
        ((24, 24, 0), "All 24 spools are measured. If the lot passes, none was found nonconforming."),
        ((8, 8, 1), "All 8 spools are measured. If the lot passes, at most 1 was found nonconforming."),
        ((8, 8, 2), "All 8 spools are measured. If the lot passes, at most 2 were found nonconforming."),
        ((1, 1, 0), "The only spool is measured. If the lot passes, it was not found nonconforming."),
        ((24, 1, 1), "Passing proves nothing, because up to 1 nonconforming pass and only 1 spool is measured."),
        ((24, 2, 3), "Passing proves nothing, because up to 3 nonconforming pass and only 2 spools are measured."),
    ],
)
def test_what_passing_proves_in_words(arguments, words):
    """The sentence states confidence, bound and an example; full inspection is certain (numbers: scipy; own wording)."""
    assert words == says(*arguments)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((1000, 200, 0), "rejects the lot more than 99 times in 100."),
        ((1000, 13, 6), "rejects the lot less than once in 100."),
        ((1000, 12, 4), "rejects the lot once in 100."),
    ],
)
def test_only_certainty_reads_as_certain(arguments, words):
    """A chance that rounds to 0 or 100 of 100 is not worded as certain (scipy: 1 - 9.1e-14, 0.0004 and 0.0108)."""
    assert says(*arguments).endswith(words)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: says(0, 0, 0), r"lot_size must be at least 1 spool, got 0"),
        (lambda: says(24, 25, 0), r"size must be 0 to 24, got 25"),
        (lambda: says(24, 5, -1), r"accept must be 0 or more, got -1"),
        (lambda: upper_bound_bad(24, 5, 6), r"found must be 0 to 5, got 6"),
        (lambda: upper_bound_bad(24, 5, -1), r"found must be 0 to 5, got -1"),
        (lambda: upper_bound_bad(24, 5, 0, 0.0), r"confidence must lie between 0 and 1, got 0.0"),
        (lambda: upper_bound_bad(24, 5, 0, 1.0), r"confidence must lie between 0 and 1, got 1.0"),
        (lambda: upper_bound_bad(24, 5, 0, float("nan")), r"confidence must lie between 0 and 1, got nan"),
        (lambda: says(24, 0, 0), r"size must be at least 1 spool, got 0"),
    ],
    ids=["no-lot", "size", "accept", "found", "found-negative", "never", "always", "nan", "no-sample"],
)
def test_a_number_outside_its_range_is_refused(call, message):
    """A number out of range is refused with field, range and value."""
    with pytest.raises(ValueError, match=message):
        call()


@given(samples(), CONFIDENCES)
def test_a_bigger_sample_never_proves_less(sample, confidence):
    """With as many found, one spool more in the sample never raises the bound."""
    lot_size, size, found = sample
    assume(size < lot_size)
    assert upper_bound_bad(lot_size, size + 1, found, confidence) <= upper_bound_bad(lot_size, size, found, confidence)


@given(samples(), CONFIDENCES)
def test_finding_more_never_lowers_the_bound(sample, confidence):
    """One more bad spool in the sample never lowers the bound."""
    lot_size, size, found = sample
    assume(found < size)
    assert upper_bound_bad(lot_size, size, found, confidence) <= upper_bound_bad(lot_size, size, found + 1, confidence)


@given(samples())
def test_more_confidence_costs_a_wider_bound(sample):
    """The bound at 99 % is at least the one at 95 %, which is at least the one at 50 %."""
    bounds = [upper_bound_bad(*sample, confidence) for confidence in (0.5, 0.95, 0.99)]
    assert sorted(bounds) == bounds


@given(samples(), CONFIDENCES)
def test_the_bound_stays_within_what_was_seen(sample, confidence):
    """The bound lies between the number found and the lot less the good ones found; full inspection makes them equal."""
    lot_size, size, found = sample
    assert found <= upper_bound_bad(lot_size, size, found, confidence) <= lot_size - (size - found)
    assert found == upper_bound_bad(size, size, found, confidence)


@given(samples(most=30), CONFIDENCES)
def test_the_bound_is_right_as_often_as_it_says(sample, confidence):
    """Over all samples of a lot with any number bad, the bound has at least the stated coverage (counting)."""
    lot_size, size, _ = sample
    bounds = [upper_bound_bad(lot_size, size, found, confidence) for found in range(size + 1)]
    for bad in range(lot_size + 1):
        right = sum(comb(bad, k) * comb(lot_size - bad, size - k) for k in range(size + 1) if bad <= bounds[k])
        assert Fraction(right, comb(lot_size, size)) >= Fraction(str(confidence))


@given(samples())
def test_none_found_proves_more_in_a_finite_lot(sample):
    """Without replacement, none found bounds the share below 1 - 0.05^(1/n)."""
    lot_size, size, _ = sample
    assert upper_bound_bad(lot_size, size, 0) / lot_size <= 1 - 0.05 ** (1 / size)


@given(samples(), st.integers(0, 3))
def test_every_sample_has_a_sentence(sample, accept):
    """Every sample has one or two whole sentences."""
    lot_size, size, _ = sample
    words = says(lot_size, size, accept)
    assert words.endswith(".")
    assert words.startswith(("If the lot passes ", "Passing ", "All ", "The only "))
