"""Specks spool by spool. Sources: scipy's Poisson distribution for the bounds; the rule itself is this project's (Bonferroni, 5 %)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import poisson

from lots.domain.characteristics.declaring.spool_rates import SpoolRates
from lots.domain.characteristics.surface import (
    SurfaceCheck,
    SurfaceLimits,
    judge_largest,
    judge_spool_specks,
    summarise,
)
from lots.domain.conformity.findings import LABELS
from lots.domain.statistics.summaries import poisson_lower
from tests.domain.builders import GUARDED, SIMPLE
from tests.tolerances import QUANTILE_RELATIVE

TWO = SurfaceLimits(2.0)


def layers(*specks, area=1.0):
    """One layer of this area on each of several spools, S0, S1, ..."""
    return [SurfaceCheck(f"S{number}", count, area) for number, count in enumerate(specks)]


def verdicts(checks, limits=TWO, rule=SIMPLE):
    """Verdicts on the lot's rate, on its worst spool, and on each spool."""
    (pooled, worst), each = judge_spool_specks(checks, limits, rule)
    return pooled.verdict, worst.verdict, [finding.verdict for finding in each]


@pytest.mark.parametrize("specks", [1, 3, 9, 40])
def test_the_lower_bound_makes_so_many_improbable(specks):
    """At the 95 % lower bound, so many specks or more have a probability of 5 % (scipy)."""
    assert pytest.approx(0.05, rel=QUANTILE_RELATIVE) == float(poisson.sf(specks - 1, poisson_lower(specks, 0.95)))


def test_no_specks_have_a_lower_bound_of_none():
    """Zero specks have a lower bound of 0."""
    assert 0.0 == poisson_lower(0, 0.95)


def test_nine_specks_on_one_spool_of_five_are_that_spool():
    """9, 0, 0, 0, 0 on 1 dm2 each are 1.80 per dm2 against 2, but the spool with nine fails alone: its 99 % bound is 3.5."""
    assert pytest.approx(0.01, rel=QUANTILE_RELATIVE) == float(poisson.sf(8, poisson_lower(9, 0.99)))
    assert 3.5 == round(poisson_lower(9, 0.99), 1)
    assert ("pass", "fail", ["fail", "pass", "pass", "pass", "pass"]) == verdicts(layers(9, 0, 0, 0, 0))


def test_the_worst_spool_is_named_and_the_pooled_rate_says_that_it_does_not_speak_for_it():
    """The finding on the worst spool names it, and the pooled finding gives the dispersion test."""
    (pooled, worst), each = judge_spool_specks(layers(9, 0, 0, 0, 0), TWO, SIMPLE)
    assert ("surface.spool_specks", "S0", "spool S0", True) == (worst.code, worst.spool, worst.subject, worst.claimable)
    assert "differ significantly (dispersion test, n = 5, p < 0.001)" in pooled.detail
    assert {worst.code} == {finding.code for finding in each}
    assert worst.code in LABELS


def test_spools_of_one_rate_are_judged_together():
    """3, 1, 2, 2 are consistent with one rate (p = 0.9), so the 3 against 2 per dm2 is left to the pooled rate, which passes."""
    assert ("pass", "pass", ["pass"] * 4) == verdicts(layers(3, 1, 2, 2))


def test_spools_that_differ_are_judged_by_themselves():
    """5, 0, 0, 0, 0 differ (p = 1 / 625); 5 against 2 is near, because it exceeds the limit and its 99 % bound does not exceed 2."""
    assert poisson_lower(5, 0.99) < 2
    assert ("pass", "near", ["near", "pass", "pass", "pass", "pass"]) == verdicts(layers(5, 0, 0, 0, 0))


def test_under_guarded_acceptance_a_spool_that_differs_needs_its_own_bound():
    """0, 0, 0, 30 on 10 dm2 each: 3 per dm2 meets 5 with a bound of 4.1. With 0, 0, 0, 45 it is near, though the pooled bound of 1.4 passes."""
    assert ("pass", "pass", ["pass"] * 4) == verdicts(layers(0, 0, 0, 30, area=10.0), SurfaceLimits(5.0), GUARDED)
    assert ("pass", "near", ["pass", "pass", "pass", "near"]) == verdicts(
        layers(0, 0, 0, 45, area=10.0), SurfaceLimits(5.0), GUARDED
    )


def test_too_small_an_area_leaves_spools_open_unless_the_limit_is_refuted():
    """Until the required area was examined no spool passes, but a count that exceeds the limit fails."""
    limits = SurfaceLimits(2.0, area_dm2_min=10.0)
    assert ("missing", "missing", ["missing", "missing"]) == verdicts(layers(1, 0), limits)
    assert ["fail", "missing"] == verdicts(layers(12, 0), limits)[2]


def test_nothing_looked_at_is_missing():
    """Without a layer both findings ask for one."""
    (pooled, worst), each = judge_spool_specks([], TWO, SIMPLE)
    assert ("missing", "missing", []) == (pooled.verdict, worst.verdict, each)
    assert pooled.to_measure == worst.to_measure


@given(st.lists(st.integers(0, 15), min_size=1, max_size=8), st.integers(0, 7), st.integers(1, 10))
def test_more_specks_on_a_failing_spool_never_release_the_lot(specks, at, more):
    """More specks on a failing spool never release the lot."""
    at %= len(specks)
    worse = [count + more * (number == at) for number, count in enumerate(specks)]
    before, after = (verdicts(layers(*some)) for some in (specks, worse))
    if "fail" == before[2][at]:
        assert "fail" in after[:2]


@given(st.lists(st.integers(0, 15), min_size=1, max_size=8))
def test_a_spool_within_the_limit_never_fails(specks):
    """Under simple acceptance a spool at or below the limit passes, whatever the others show."""
    each = verdicts(layers(*specks))[2]
    assert all(verdict == "pass" for count, verdict in zip(specks, each, strict=True) if count <= 2)


@given(st.lists(st.integers(0, 15), min_size=2, max_size=8), st.integers(1, 12))
def test_more_clean_spools_never_refuse(specks, more):
    """More clean spools make no other spool fail."""
    before, after = verdicts(layers(*specks)), verdicts(layers(*specks, *[0] * more))
    newly = [now for was, now in zip(before[2], after[2], strict=False) if was != "fail" and now == "fail"]
    assert [] == newly
    assert "fail" in before[:2] or "fail" not in after[:2]


def test_one_spool_has_no_others_to_differ_from():
    """With one spool there is no dispersion between spools."""
    assert SpoolRates.of({"A": summarise(layers(9))}).differ is False


# The largest speck

SIZED = SurfaceLimits(2.0, largest_max_mm=0.8)


def largest(*checks, limits=SIZED, rule=SIMPLE):
    """The finding on the largest speck."""
    (found,) = judge_largest(checks, limits, rule)
    return found


@pytest.mark.parametrize(("size", "verdict"), [(0.8, "pass"), (0.81, "fail")])
def test_the_largest_speck_is_judged_with_its_end_included(size, verdict):
    """A speck of 0.8 mm meets a limit of 0.8 mm, 0.81 mm does not; the finding names the spool."""
    found = largest(SurfaceCheck("A", 1, 1.0, 0.3), SurfaceCheck("B", 2, 1.0, size))
    assert (verdict, "spool B") == (found.verdict, found.subject)


def test_a_check_with_specks_and_no_size_leaves_it_missing():
    """A check with specks and no size is missing, unless another speck exceeds the limit."""
    silent = SurfaceCheck("B", 3, 1.0)
    found = largest(SurfaceCheck("A", 1, 1.0, 0.3), silent)
    assert ("missing", True) == (found.verdict, "B" in found.to_measure)
    assert "fail" == largest(SurfaceCheck("A", 1, 1.0, 2.0), silent).verdict


def test_no_specks_have_no_size():
    """Clean layers pass, also under the guarded rule; without a layer the finding is missing."""
    assert ("pass", 0.0) == ((found := largest(SurfaceCheck("A", 0, 1.0))).verdict, found.value)
    assert "pass" == largest(SurfaceCheck("A", 0, 1.0), rule=GUARDED).verdict
    assert "missing" == largest().verdict


def test_under_guarded_acceptance_a_size_needs_an_uncertainty():
    """0.5 mm against 0.8 mm passes with u 0.05 mm, is near with 0.2 mm and missing without u."""
    found = [largest(SurfaceCheck("A", 1, 1.0, 0.5, u), rule=GUARDED).verdict for u in (0.05, 0.2, None)]
    assert ["pass", "near", "missing"] == found


def test_limits_that_ask_no_size_judge_none():
    """Without `largest_max_mm` there is no finding on the size."""
    assert [] == judge_largest([SurfaceCheck("A", 1, 1.0)], TWO, SIMPLE)
