"""Specks on first layers. Sources: scipy's chi-square and Poisson distributions; the rule of three."""

import math

import pytest
from scipy.stats import chi2, poisson

from lots.domain.characteristics.declaring.poisson_rate import Count
from lots.domain.characteristics.surface import SurfaceCheck, SurfaceLimits, judge_surface, summarise
from tests.domain.builders import GUARDED, SIMPLE
from tests.tolerances import QUANTILE_RELATIVE, SAME_SUM


def judged(checks, limits, rule=SIMPLE):
    """The one finding on specks."""
    (found,) = judge_surface(summarise(checks), limits, rule)
    return found


def seen(specks: int, area_dm2: float) -> list[SurfaceCheck]:
    """One examined layer."""
    return [SurfaceCheck("A", specks, area_dm2)]


@pytest.mark.parametrize("confidence", [0.90, 0.95, 0.99])
@pytest.mark.parametrize("specks", [0, 1, 2, 5, 20, 100])
def test_upper_bound_is_half_a_chi_square_quantile(specks, confidence):
    """The bound is Garwood's: half the chi-square quantile with 2 (n + 1) degrees of freedom, per area (scipy)."""
    quantile = chi2.ppf(confidence, 2 * (specks + 1)) / 2
    found = Count(specks, 4.0, 1).upper(confidence)
    assert pytest.approx(quantile / 4.0, rel=QUANTILE_RELATIVE) == found


@pytest.mark.parametrize("specks", [0, 3, 17])
def test_so_few_specks_are_improbable_at_the_bound(specks):
    """At the 95 % bound, so few specks have a probability of 5 % (scipy's Poisson distribution)."""
    bound = Count(specks, 1.0, 1).upper(0.95)
    assert pytest.approx(0.05, rel=QUANTILE_RELATIVE) == float(poisson.cdf(specks, bound))


@pytest.mark.parametrize("area", [0.5, 1.0, 6.0])
def test_no_specks_seen_still_allows_three_over_the_area(area):
    """Zero specks allow a rate of 3 / area (rule of three), exactly -ln 0.05 / area."""
    bound = Count(0, area, 1).upper(0.95)
    assert pytest.approx(-math.log(0.05) / area, rel=QUANTILE_RELATIVE) == bound
    assert "3.0" == f"{bound * area:.1f}"


def test_layers_are_added_up_not_averaged():
    """Two specks on 1 dm2 and none on 3 dm2 are 0.5 per dm2, by area and not by layer."""
    found = summarise([SurfaceCheck("A", 2, 1.0), SurfaceCheck("B", 0, 3.0)])
    assert (2, 4.0, 2) == (found.flaws, found.amount, found.n)
    assert pytest.approx(0.5, abs=SAME_SUM) == found.rate


@pytest.mark.parametrize(("specks", "verdict"), [(9, "pass"), (10, "pass"), (11, "fail")])
def test_the_counted_rate_is_judged_with_its_end_included(specks, verdict):
    """Under simple acceptance 10 specks on 10 dm2 meet a limit of 1 per dm2 and 11 do not."""
    assert verdict == judged(seen(specks, 10.0), SurfaceLimits(1.0)).verdict


@pytest.mark.parametrize(("area", "verdict"), [(2.9, "near"), (3.1, "pass")])
def test_a_clean_layer_proves_a_limit_only_on_enough_area(area, verdict):
    """Under guarded acceptance zero specks prove 1 per dm2 only on more than 3 dm2 of clean layer (rule of three)."""
    assert verdict == judged(seen(0, area), SurfaceLimits(1.0), GUARDED).verdict


def test_the_finding_says_what_the_count_supports():
    """The message gives the exact bound beside the counted rate."""
    assert (
        "0 specks on 1 dm². The true rate may be up to 3.00 per dm² (95 % bound)."
        in judged(seen(0, 1.0), SurfaceLimits(1.0)).message
    )


@pytest.mark.parametrize(
    ("checks", "to_do"),
    [
        ([], "count specks on 10 dm² of the first layer"),
        (seen(0, 4.0), "count specks on 6 dm² more of the first layer"),
    ],
    ids=["nothing", "four-of-ten"],
)
def test_too_small_an_area_is_missing(checks, to_do):
    """Until the required area was examined nothing passes, and the finding states the remaining area."""
    found = judged(checks, SurfaceLimits(1.0, area_dm2_min=10.0))
    assert ("missing", to_do) == (found.verdict, found.to_measure)


def test_nothing_looked_at_without_an_area_asked_is_missing():
    """Without a required area the finding asks for a first layer."""
    assert "count specks on a first layer" == judged([], SurfaceLimits(1.0)).to_measure


@pytest.mark.parametrize(("specks", "verdict"), [(10, "missing"), (11, "fail")])
def test_more_specks_than_the_whole_area_may_carry_refuse_early(specks, verdict):
    """On half the required area 11 specks exceed the 10 allowed on 10 dm2 at 1 per dm2 and fail; 10 do not."""
    assert verdict == judged(seen(specks, 5.0), SurfaceLimits(1.0, area_dm2_min=10.0)).verdict
