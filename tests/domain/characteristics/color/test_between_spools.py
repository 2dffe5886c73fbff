"""Colour between the spools of a lot. Sources: Tippett's expected ranges; variance components by hand; figures invented."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.assessment import Criteria, Evidence, assess
from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.color.between_spools import Between, allowance, judge_spool_pair, kept_of
from lots.domain.characteristics.color.lot_color import ColorLimits, summarise
from lots.domain.colorimetry.color_difference import mean_difference_from_mean
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity import rule_versions
from lots.domain.receiving.coverage import Coverage
from tests.domain.builders import GUARDED, SHADE, SIMPLE, WHITE, assessed, by_code, color

HALF = ColorLimits("CIE76", spool_pair_max=0.5)


def greys(*lightness, u=None):
    """One reading on each of several spools, S0, S1, ... of these L*."""
    return summarise([color(f"S{number}", value, 0.0, 0.0, u=u) for number, value in enumerate(lightness)])


def pair(summary, limits=HALF, spools=24, rule=SIMPLE, lacking=""):
    """The one finding on the largest pair."""
    (found,) = judge_spool_pair(summary, limits, Coverage.of(spools, 2), rule, lacking)
    return found


def test_the_largest_pair_that_was_measured_is_judged():
    """A difference of 0.6 between two of three spools exceeds 0.5, whatever the third."""
    found = pair(greys(95.0, 95.3, 94.7))
    assert ("fail", 0.6, "spools S1 and S2") == (found.verdict, round(found.value, 9), found.subject)


@pytest.mark.parametrize(("spools", "verdict"), [(2, "pass"), (3, "pass"), (4, "near"), (24, "near")])
def test_all_spools_are_expected_to_differ_more_than_two(spools, verdict):
    """A difference of 0.3 between two spools corresponds to 0.45 between three (1.693 / 1.128), 0.55 between four (2.059 / 1.128) and 1.03 among 24."""
    found = pair(greys(95.0, 95.3), spools=spools)
    assert verdict == found.verdict
    assert ("expected to differ by up to" in found.detail) is (spools > 2)


def test_near_says_how_many_more_spools():
    """A difference of 0.3 between two of four is expected to be 0.365 among four once three show at most 0.3, so one more spool settles it."""
    found = pair(greys(95.0, 95.3), spools=4)
    assert (1, "measure colour on 1 more spool") == (found.more_spools, found.to_measure)
    assert 0.3 * 2.058751 / 1.128379 - 0.3 == pytest.approx(found.guard, abs=1e-6)


def test_one_spool_of_several_is_missing_and_one_of_one_passes():
    """One measured spool of several is missing, and a lot of one spool passes."""
    assert ("missing", 1) == ((found := pair(greys(95.0))).verdict, found.more_spools)
    assert ("pass", 0.0) == ((found := pair(greys(95.0), spools=1)).verdict, found.value)
    assert "missing" == pair(None, lacking="colour").verdict


def test_what_is_lacking_leaves_it_open_and_a_pair_beyond_the_limit_refuses():
    """An incomplete sample does not pass, and two complete spools beyond the limit reject."""
    assert "missing" == pair(greys(95.0, 95.1), lacking="measure colour on 1 more spool").verdict
    assert "fail" == pair(greys(95.0, 95.9), lacking="measure colour on 1 more spool").verdict


@pytest.mark.parametrize(("u", "verdict"), [(0.01, "pass"), (0.1, "near"), (None, "missing"), (0.0, "missing")])
def test_under_guarded_acceptance_its_uncertainty_counts(u, verdict):
    """For 0.4 against 0.5 with all spools measured, u 0.01 passes (band sqrt(2) * 0.01 * 1.645), u 0.1 is near and an unknown one never passes."""
    assert verdict == pair(greys(95.0, 95.4, u=u), spools=2, rule=GUARDED).verdict


def test_a_claim_rests_on_the_measured_pair():
    """With u 0.01 a pair of 0.9 against 0.5 is claimed, and 0.505 is not."""
    assert pair(greys(95.0, 95.9, u=0.01)).claimable is True
    assert pair(greys(95.0, 95.505, u=0.01)).claimable is False
    assert pair(greys(95.0, 95.9)).claimable is None


@given(st.lists(st.floats(94.0, 96.0), min_size=2, max_size=6), st.integers(0, 20), st.floats(0.05, 3.0))
def test_more_spools_in_the_lot_never_help(lightness, more, most):
    """More unmeasured spools in the lot never improve the verdict, and a failure does not depend on them."""
    limits, order = ColorLimits("CIE76", spool_pair_max=most), ("fail", "near", "pass")
    few, many = (pair(greys(*lightness), limits, len(lightness) + n).verdict for n in (0, more))
    assert order.index(many) <= order.index(few)
    assert ("fail" == few) == ("fail" == many)


def test_how_one_process_passes_at_2_5_and_20_spools():
    """With more measured spools `spread_max` passes less often and `spool_pair_max` more often, because that always refers to all 24.

    Simulated, fixed seed, 400 lots each: spool spread 0.15 per coordinate, limits 0.2 on the mean difference from the mean and 1.0 on any pair.
    """
    random = np.random.default_rng(7)
    shares = []
    for spools in (2, 5, 20):
        passed = [0, 0]
        for _ in range(400):
            labs = random.normal(WHITE.as_list(), 0.15, (spools, 3)).tolist()
            summary = summarise([color(f"S{number}", *lab) for number, lab in enumerate(labs)])
            passed[0] += mean_difference_from_mean([mean for mean, _ in summary.spools.values()], "CIE76") <= 0.2
            passed[1] += "pass" == pair(summary, ColorLimits("CIE76", spool_pair_max=1.0)).verdict
        shares.append([round(n / 400, 1) for n in passed])
    assert [[0.7, 0.4], [0.4, 0.7], [0.1, 1.0]] == shares


# Stored figures of spools


def test_the_means_of_spools_are_kept_with_how_far_they_lie_apart():
    """Two spools 0.4 apart in L* have a standard deviation of 0.4 / sqrt(2) (by hand)."""
    kept = kept_of(greys(95.0, 95.4, u=0.03))
    assert {"S0": 95.0, "S1": 95.4} == {spool: one["lab"][0] for spool, one in kept["spool_color"].items()}
    assert {"lab": [95.0, 0.0, 0.0], "uncertainty": [0.03] * 3, "n": 1} == kept["spool_color"]["S0"]
    assert 0.4 / math.sqrt(2) == pytest.approx(kept["color_between"].sd[0])


def test_the_scatter_of_readings_is_taken_out():
    """Means 95.0 and 95.4 of two readings 0.2 apart each have a variance of 0.08 less 0.01, the variance of a mean (by hand)."""
    readings = [color(spool, at + by, 0.0, 0.0) for spool, at in (("A", 95.0), ("B", 95.4)) for by in (-0.1, 0.1)]
    assert math.sqrt(0.08 - 0.01) == pytest.approx(Between.of(summarise(readings)).sd[0])


def test_one_spool_shows_nothing_of_the_others():
    """One spool gives no spread between spools, which is stored as unknown."""
    between = Between.of(greys(95.0))
    assert (None, 1) == (between.sd, between.n)
    assert between == Between.from_json(between.as_json())
    assert Between.from_json(None) is None


def test_the_allowance_is_the_root_mean_square_difference():
    """The allowance agrees within 2 % with the mean CIEDE2000 of 20,000 simulated spools of that spread (fixed seed)."""
    limits, sd = ColorLimits(), (0.2, 0.1, 0.15)
    random = np.random.default_rng(3)
    seen = [limits.delta_e(WHITE, Lab(*lab)) ** 2 for lab in random.normal(WHITE.as_list(), sd, (20_000, 3)).tolist()]
    assert math.sqrt(sum(seen) / len(seen)) == pytest.approx(allowance(WHITE, sd, limits), rel=0.02)
    assert 0.0 == allowance(WHITE, (0.0, 0.0, 0.0), limits)


def test_older_rules_keep_nothing_of_spools():
    """Under version 2 a lot's row is unchanged; under version 3 it has the finding and the figures."""
    evidence = Evidence(color=[color("A", 95.0, -0.8, 1.5), color("B", 95.1, -0.8, 1.5)])
    limits = Limits(color=ColorLimits(lot_max=1.0, spool_pair_max=0.5))
    old, new = (
        assess(evidence, Coverage.of(2, 2), Criteria(limits, SHADE, 1.75, rules=n)) for n in (rule_versions.SECOND, 3)
    )
    assert ({}, None) == (dict(old.summary.spool_color), old.summary.color_between)
    assert "color.spool_pair" not in by_code(old.findings)
    assert (2, {"A", "B"}) == (new.summary.color_between.n, set(new.summary.spool_color))
    assert "pass" == by_code(new.findings)["color.spool_pair"].verdict


def test_a_pair_without_a_reference_is_missing():
    """Without a shade the pair is missing, because the readings' conditions could differ."""
    evidence = Evidence(color=[color("A", 95.0, -0.8, 1.5), color("B", 95.1, -0.8, 1.5)])
    found = assessed(evidence, Limits(color=ColorLimits(spool_pair_max=0.5)), None, Coverage.of(2, 2))
    assert "missing" == by_code(found.findings)["color.spool_pair"].verdict
