"""The draw of spools. Sources: counting; scipy's chi-square quantile."""

import itertools
from collections import Counter

import pytest
from scipy.stats import chi2

from lots.domain.receiving.coverage import DEFAULT_FIXED, Coverage, Sampling, draw

CODES = tuple(f"SP-{i:02d}" for i in range(1, 25))


def test_a_draw_can_be_repeated():
    """The same codes, size and seed give the same spools."""
    assert draw(CODES, 3, 42, "fixed") == draw(CODES, 3, 42, "fixed")


def test_the_order_of_the_codes_does_not_matter():
    """Codes in another order draw the same spools, shown in order."""
    one, other = draw(CODES, 5, 42, "fixed"), draw(CODES[::-1], 5, 42, "fixed")
    assert one.spool_codes == other.spool_codes == tuple(sorted(one.spool_codes))


def test_another_seed_draws_other_spools():
    """Fifty seeds do not all draw the same spools."""
    assert len({draw(CODES, 3, seed, "fixed").spool_codes for seed in range(50)}) > 40


@pytest.mark.parametrize("size", [1, 3, 23, 24, 30])
def test_a_draw_is_a_subset_of_the_size_asked(size):
    """Drawn spools are distinct spools of the delivery, as many as requested or all."""
    found = draw(CODES, size, 7, "fixed")
    assert min(size, 24) == found.size == len(set(found.spool_codes))
    assert set(found.spool_codes) <= set(CODES)


def test_a_larger_draw_contains_the_smaller():
    """A larger draw keeps the spools of a smaller one."""
    assert set(draw(CODES, 3, 7, "fixed").spool_codes) < set(draw(CODES, 4, 7, "fixed").spool_codes)


def test_every_subset_is_as_likely_as_another():
    """Over 5,000 seeds each of the 10 pairs of 5 spools is drawn about 500 times: chi-square under its 99.9 % quantile (scipy)."""
    pairs = list(itertools.combinations(CODES[:5], 2))
    drawn = Counter(draw(CODES[:5], 2, seed, "fixed").spool_codes for seed in range(5_000))
    expected = 5_000 / len(pairs)
    assert set(pairs) == set(drawn)
    assert sum((drawn[pair] - expected) ** 2 / expected for pair in pairs) < chi2.ppf(0.999, len(pairs) - 1)


def test_every_spool_is_as_likely_as_another():
    """Over 4,000 seeds each of 24 spools is among the 3 drawn about 500 times: chi-square under its 99.9 % quantile (scipy).

    Three of 24 without replacement vary less than independent draws, by (24 - 3) / (24 - 1).
    """
    drawn = Counter(code for seed in range(4_000) for code in draw(CODES, 3, seed, "fixed").spool_codes)
    expected = 4_000 * 3 / 24
    statistic = sum((drawn[code] - expected) ** 2 / expected for code in CODES) / ((24 - 3) / (24 - 1))
    assert chi2.ppf(0.001, 23) < statistic < chi2.ppf(0.999, 23)


def test_the_draw_says_what_to_measure():
    """The draw states some, all or the only spool in plain words, with a warning against swapping them."""
    some = draw(CODES, 2, 1, "fixed")
    assert f"Measure 2 of the 24 spools, drawn at random: {', '.join(some.spool_codes)}." in some.says
    assert "Do not replace them" in some.says
    assert "Measure both spools." == draw(("A", "B"), 3, 1, "fixed").says
    assert "Measure the spool." == draw(("A",), 3, 1, "fixed").says


@pytest.mark.parametrize(("codes", "size"), [((), 1), (("A",), 0)], ids=["no-spools", "none-wanted"])
def test_a_draw_of_nothing_is_refused(codes, size):
    """A draw from no spools, or of none, raises."""
    with pytest.raises(ValueError, match="at least one"):
        draw(codes, size, 1, "fixed")


@pytest.mark.parametrize(
    ("fixed", "spools", "size", "rule"),
    [
        (5, 24, 5, "fixed: 5 per delivery"),
        (5, 2, 2, "fixed: 5 per delivery"),
        (None, 24, DEFAULT_FIXED, "suggested: 3"),
        (None, 1, 1, "suggested: 3"),
    ],
    ids=["fixed", "fixed-more-than-there-are", "default", "default-of-one"],
)
def test_how_many_follows_the_limits_or_the_default(fixed, spools, size, rule):
    """The size is the limits' fixed number, or three by common practice (no source), never more than the delivery; the rule is named."""
    found, says = Sampling(fixed=fixed).size(spools, "normal")
    assert size == found
    assert says.startswith(rule)


@pytest.mark.parametrize(
    ("required", "drawn", "counts", "each", "words"),
    [
        (2, ("A", "B"), {"A": 1, "B": 1}, 1, ""),
        (2, ("A", "B"), {"A": 1, "C": 1}, 1, ""),
        (1, (), {}, 1, "measure colour on 1 spool, 1 reading"),
        (1, ("A",), {}, 3, "measure colour on 1 spool (A), 3 readings"),
        (3, ("A", "B", "C"), {}, 1, "measure colour on 3 spools (A, B, C), 1 reading each"),
        (2, ("A", "B"), {"A": 3}, 3, "measure colour on 1 more spool (B), 3 readings"),
        (3, ("A", "B", "C"), {"A": 3}, 3, "measure colour on 2 more spools (B, C), 3 readings each"),
        (
            2,
            ("A", "B"),
            {"A": 1, "B": 2},
            3,
            "take 2 more colour readings on spool A; take 1 more colour reading on spool B",
        ),
        (
            2,
            ("A", "B"),
            {"A": 2},
            3,
            "take 1 more colour reading on spool A; measure colour on 1 more spool (B), 3 readings",
        ),
        (1, ("A",), {"A": 3, "B": 1}, 3, "take 2 more colour readings on spool B"),
    ],
    ids=[
        "complete",
        "another-spool-counts",
        "nothing",
        "three-each",
        "three-spools",
        "one-more",
        "two-more",
        "both-begun",
        "begun-and-more",
        "a-begun-spool-must-be-finished",
    ],
)
def test_what_is_lacking_in_words(required, drawn, counts, each, words):
    """The sentence names spools to open and readings to take; complete evidence gives none."""
    assert words == Coverage.of(10, required, drawn).lacking(counts, each, "colour")


def test_a_long_list_of_spools_is_cut_short():
    """Of more than ten unmeasured drawn spools ten are named and the others counted."""
    named = Coverage.of(24, 13, CODES[:13]).not_yet(["SP-01"])
    assert named.endswith("SP-11 and 2 others)")
    assert "SP-01" not in named
