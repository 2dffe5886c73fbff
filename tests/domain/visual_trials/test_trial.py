"""Tolerances from visual trials. Sources: statsmodels as a second implementation of the fit; simulated trials with a known ellipsoid; laws."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import binomtest
from statsmodels.api import GLM
from statsmodels.genmod.families import Binomial

from lots.domain.statistics.tolerance_ellipsoid import PARTS, Tolerance
from lots.domain.visual_trials.trial import LEAST_OBSERVERS, Plaque, Unfitted, across_observers, fit_trial
from tests.domain.strategies import numbers
from tests.domain.visual_trials.trials import (
    FRAME,
    HALVES,
    TRUE,
    accepted_share,
    colors,
    log_odds,
    panels,
    trial,
    true_half,
)
from tests.examples import examples
from tests.tolerances import GLM_RELATIVE, SAME_FORMULA, STANDARD_ERRORS

TRIALS, MISS = 400, 0.05
A_TRIAL = trial(np.random.default_rng(3), plaques=60)
WAYS = st.tuples(*[numbers(-1, 1)] * 3).filter(lambda way: math.hypot(*way) > 0.1)


def fitted(plaques, share=0.5, confidence=0.95) -> Tolerance:
    """The tolerance of a trial."""
    found = fit_trial(plaques, share, confidence)
    assert isinstance(found, Tolerance), found
    return found


def why(plaques, share=0.5) -> str:
    """The reason for no tolerance."""
    found = fit_trial(plaques, share)
    assert isinstance(found, Unfitted)
    return found.why


def exactly(apart, odds=log_odds, judged=100_000) -> list[Plaque]:
    """Plaques accepted by almost exactly the share of the true tolerance."""
    accepted = np.round(judged * accepted_share(odds(apart))).astype(int)
    return [Plaque(*place, int(yes), judged) for place, yes in zip(apart.tolist(), accepted, strict=True)]


def moved(plaques, by) -> list[Plaque]:
    """The same judgements of plaques with differences multiplied by a matrix."""
    return [Plaque(*(np.asarray(by) @ p.apart).tolist(), p.accepted, p.judged) for p in plaques]


def test_the_fit_is_that_of_another_program():
    """Parameters and covariance are those of a logistic regression on squares and products (statsmodels), intercept first."""
    apart = np.array([p.apart for p in A_TRIAL])
    L, a, b = apart.T
    columns = np.stack([np.ones(len(L)), -L * L, -a * a, -b * b, -2 * L * a, -2 * L * b, -2 * a * b], axis=1)
    votes = np.array([(p.accepted, p.judged - p.accepted) for p in A_TRIAL])
    other = GLM(votes, columns, family=Binomial()).fit(tol=1e-12)
    found = fitted(A_TRIAL)
    assert pytest.approx(other.params, rel=GLM_RELATIVE) == np.array(found.parameters)
    assert 1.0 == found.dispersion
    assert pytest.approx(other.cov_params(), rel=GLM_RELATIVE) == np.array(found.covariance)
    assert pytest.approx(other.predict(columns), rel=GLM_RELATIVE) == [found.accepted_at(p.apart) for p in A_TRIAL]


def test_judgements_without_chance_give_the_true_ellipsoid_back():
    """100,000 judgements per plaque in exactly the true shares give axes 0.9, 0.6, 0.45 along the true frame, and the true form."""
    found = fitted(exactly(colors(np.random.default_rng(1), 40)))
    assert pytest.approx(HALVES, rel=1e-4) == [axis.half for axis in found.axes]
    for number, axis in enumerate(found.axes):
        assert pytest.approx(1.0, abs=1e-6) == abs(float(FRAME[:, number] @ axis.direction))
        assert max(axis.direction, key=abs) > 0
    assert pytest.approx(TRUE, abs=2e-3) == np.array(found.form)


def test_a_stricter_share_has_a_smaller_ellipsoid_of_the_same_shape():
    """With a steepness of 3 the 75 % surface lies at sqrt(1 - log(3) / 3) of the 50 % one, in every direction."""
    plaques = exactly(colors(np.random.default_rng(1), 40))
    border, strict = fitted(plaques), fitted(plaques, 0.75)
    ratios = [one.half / other.half for one, other in zip(strict.axes, border.axes, strict=True)]
    assert pytest.approx([math.sqrt(1 - math.log(3) / 3)] * 3, rel=1e-3) == ratios


def test_intervals_hold_the_truth_as_often_as_they_say():
    """In 400 simulated trials of 40 plaques by 12 judgements, the 95 % interval contains the true reach along the true axes and L*.

    Exact binomial intervals at 99.9 %; seed 7.
    """
    rng, ways = np.random.default_rng(7), [*FRAME.T, np.array([1.0, 0.0, 0.0])]
    held = np.zeros(len(ways), dtype=int)
    for _ in range(TRIALS):
        found = fitted(trial(rng))
        for number, way in enumerate(ways):
            radius = found.radius(way.tolist())
            held[number] += radius.low <= true_half(way) and (radius.high is None or true_half(way) <= radius.high)
    for times in held.tolist():
        interval = binomtest(times, TRIALS).proportion_ci(0.999)
        assert interval.low <= 1 - MISS <= interval.high


def test_what_is_estimated_is_right_on_average():
    """Over 200 trials of 60 plaques by 20 judgements each axis is unbiased within 1 % and four standard errors, with the stated spread.

    Logarithms of the true axes; spread within 25 %, because a standard deviation from 200 is known to 5 %; seed 5.
    """
    rng, logs, claimed = np.random.default_rng(5), [], []
    for _ in range(200):
        found = fitted(trial(rng, 60, 20))
        radii = [found.radius(way.tolist()) for way in FRAME.T]
        logs.append([math.log(radius.half) for radius in radii])
        claimed.append([radius.log_u for radius in radii])
    off = np.mean(logs, axis=0) - np.log(HALVES)
    errors = np.std(logs, axis=0, ddof=1)
    assert (abs(off) < 0.01 + STANDARD_ERRORS * errors / math.sqrt(200)).all()
    assert pytest.approx(errors, rel=0.25) == np.mean(claimed, axis=0)


def test_as_many_more_judgements_as_it_says_are_enough():
    """Twenty trials of 400 judgements, repeated with as many as requested for ±5 %, give the widest axis 5 % on average, within a fifth."""
    rng, widths = np.random.default_rng(11), []
    apart = colors(rng, 40)
    share = accepted_share(log_odds(apart))

    def judged_by(times):
        votes = zip(apart.tolist(), rng.binomial(times, share).tolist(), strict=True)
        return fitted([Plaque(*place, yes, times) for place, yes in votes])

    for _ in range(20):
        more = judged_by(10).more_judgements(0.05)
        again = judged_by(round((400 + more) / 40))
        widths.append(1.959964 * max(axis.log_u for axis in again.axes) / math.log(1.05))
    assert pytest.approx(1.0, rel=0.2) == np.mean(widths)


def test_what_is_known_well_enough_needs_no_more():
    """Four million judgements are enough for 10 % on any axis, and an invalid width is refused."""
    found = fitted(exactly(colors(np.random.default_rng(1), 40)))
    assert 0 == found.more_judgements(0.1)
    for within in (0.0, -1.0, math.nan):
        with pytest.raises(ValueError, match="within is"):
            found.more_judgements(within)


@pytest.mark.parametrize(
    ("plaques", "says"),
    [
        ([], "0 plaques are not enough to compute a tolerance. Show at least 7 plaques"),
        ([Plaque(0, 0, 0, 1, 2)] * 20, "1 different colour is not enough to compute a tolerance. Show"),
        (
            [Plaque(1, 0, 0, 1, 2)],
            "1 plaque is not enough to compute a tolerance. All plaques differ from the reference only in lightness. Show",
        ),
        (
            [Plaque(x / 9, 0, 0, 1, 2) for x in range(20)],
            "20 plaques are not enough to compute a tolerance. All plaques",
        ),
        (
            [replace(p, accepted=p.judged) for p in A_TRIAL],
            "Every plaque was accepted each time. Show some further from",
        ),
        ([replace(p, accepted=0) for p in A_TRIAL], "Every plaque was rejected each time. Show some nearer to"),
    ],
    ids=["none", "one-colour", "one", "along-one-line", "all-accepted", "all-rejected"],
)
def test_a_trial_that_shows_nothing_says_what_to_show(plaques, says):
    """Too few or too similar plaques, or one answer throughout, give no tolerance, with the missing part."""
    assert why(plaques).startswith(says)


def test_six_squares_and_products_must_be_told_apart():
    """Plaques along the three coordinates alone leave the mixed parts open, however many."""
    along = [Plaque(*(s * x for x in way), 3, 6) for way in np.eye(3).tolist() for s in (0.2, 0.5, 0.8, 1.1)]
    assert "each two of them together" in why(along)


def test_accepted_and_rejected_that_do_not_overlap_have_no_steepness():
    """A panel that agrees on every plaque, inside and outside the true surface, is separated and has no fit."""
    agreed = [replace(p, accepted=p.judged if log_odds(np.array([p.apart]))[0] > 0 else 0) for p in A_TRIAL]
    assert why(agreed).startswith("Accepted and rejected plaques do not overlap")


def test_acceptance_that_does_not_fall_has_no_end():
    """Where a* does not matter to the panel, the tolerance has no end along a*, and the direction is named."""

    def blind(apart):
        L, a, b = apart.T
        return 2 - 4 * L * L + 0.2 * a * a - 4 * b * b

    says = why(exactly(colors(np.random.default_rng(1), 40), blind))
    assert "does not decrease along (dL* 0.00, da* 1.00, db* 0.00)" in says


def test_a_reference_that_few_accept_has_no_tolerance():
    """A true log odds of -1 at the reference is 27 %: one half of the judgements is not reached, but one fifth is."""

    def harsh(apart):
        return log_odds(apart) - 4.0

    plaques = exactly(colors(np.random.default_rng(1), 40), harsh)
    assert why(plaques).startswith("The reference itself would be accepted by only 27 % of judgements, fewer than 50 %")
    assert isinstance(fit_trial(plaques, 0.2), Tolerance)


@examples(60)
@given(WAYS, st.sampled_from((0.1, 1.0, 30.0, 400.0)))
def test_an_interval_ends_where_the_judgements_just_rule_a_distance_out(way, factor):
    """At an end of the interval, intercept less distance^2 times form is 1.96 of its standard deviations from 0 (Fieller 1954).

    Where the form does not differ from 0 there is no upper end.
    """
    found = fitted(A_TRIAL)
    found = replace(found, covariance=tuple(tuple(factor * v for v in row) for row in found.covariance))
    radius, covariance = found.radius(way), np.array(found.covariance)
    L, a, b = radius.direction
    form = np.array([0, L * L, a * a, b * b, 2 * L * a, 2 * L * b, 2 * a * b])
    known = float(form @ found.parameters) > 1.959964 * math.sqrt(form @ covariance @ form)
    assert known == (radius.high is not None)
    for end in {radius.low, radius.high} - {0.0, None}:
        apart = np.eye(7)[0] - end**2 * form
        assert pytest.approx(1.959964, rel=GLM_RELATIVE) == abs(apart @ found.parameters) / math.sqrt(
            apart @ covariance @ apart
        )


def test_plaques_that_scatter_more_than_chance_widen_the_intervals():
    """Plaques with their own texture, log odds off by 2, have a large dispersion with p below 0.01, and intervals widen by its root."""
    rng = np.random.default_rng(4)
    apart = colors(rng, 80)
    yes = rng.binomial(30, accepted_share(log_odds(apart) + rng.normal(0, 2, 80)))
    found = fitted([Plaque(*place, int(y), 30) for place, y in zip(apart.tolist(), yes, strict=True)])
    assert found.dispersion > 2
    assert found.fit_p < 0.01
    narrow = tuple(tuple(v / found.dispersion for v in row) for row in found.covariance)
    plain = replace(found, covariance=narrow).axes[0].log_u
    assert pytest.approx(math.sqrt(found.dispersion) * plain, rel=SAME_FORMULA) == found.axes[0].log_u


@pytest.mark.thorough
def test_observers_who_differ_widen_the_intervals():
    """With strictness differing by 1 in log odds the interval over observers is wider on average, with the stated coverage.

    Forty panels of 10 observers and 80 plaques; exact binomial interval at 99.9 %; seed 3.
    """
    rng, held, wider = np.random.default_rng(3), 0, []
    for _ in range(40):
        panel = panels(rng, 10, 1.0, plaques=80)
        within = fitted([plaque for one in panel for plaque in one]).axes
        across = across_observers(panel)
        assert not isinstance(across, Unfitted)
        held += across[0].low <= true_half(np.array(across[0].direction)) <= across[0].high
        wider.append(across[1].log_u / within[1].log_u)
    interval = binomtest(held, 40).proportion_ci(0.999)
    assert interval.low <= 1 - MISS <= interval.high
    assert np.mean(wider) > 1.1


def test_too_few_observers_or_one_who_carries_it_all():
    """Four observers are too few to show their differences; a single rejecting observer is named; a trial without fit gives a reason."""
    rng = np.random.default_rng(3)
    few = across_observers(panels(rng, LEAST_OBSERVERS - 1, 0.0, plaques=80))
    assert isinstance(few, Unfitted)
    assert few.why.startswith("The variation between observers requires at least 5 observers")
    kind = [[replace(p, accepted=1) for p in panel] for panel in panels(rng, 5, 0.0)]
    harsh = trial(rng, 60, 12)
    carried = across_observers([*kind, harsh])
    assert isinstance(carried, Unfitted)
    assert carried.why.startswith(
        "The tolerance depends on observer 6 alone. Without this observer: Every plaque was accepted"
    )
    assert isinstance(across_observers([[]] * 6), Unfitted)


@examples(20)
@given(st.permutations(A_TRIAL), st.integers(1, 11))
def test_neither_order_nor_bookkeeping_matters(shuffled, part):
    """Plaques in another order, or split into two records, give the identical tolerance."""
    halves = [
        half
        for p in shuffled
        for half in (
            replace(p, accepted=min(p.accepted, part), judged=part),
            replace(p, accepted=p.accepted - min(p.accepted, part), judged=p.judged - part),
        )
        if half.judged
    ]
    assume(all(0 <= half.accepted <= half.judged for half in halves))
    assert fitted(A_TRIAL) == fitted(shuffled) == fitted(halves)


@examples(30)
@given(st.sampled_from((0.1, 0.5, 3.0)), WAYS)
def test_a_scale_stretches_the_tolerance_alone(scale, way):
    """Differences k times as large give k times every reach, with equal relative uncertainty and accepted shares."""
    plain, large = fitted(A_TRIAL), fitted(moved(A_TRIAL, scale * np.eye(3)))
    one, other = plain.radius(way), large.radius(way)
    assert pytest.approx(scale * one.half, rel=GLM_RELATIVE) == other.half
    assert pytest.approx(one.log_u, rel=GLM_RELATIVE) == other.log_u
    assert pytest.approx(plain.accepted_at(way), rel=GLM_RELATIVE) == large.accepted_at([scale * x for x in way])


@examples(30)
@given(WAYS, WAYS)
def test_turning_the_plaques_turns_the_tolerance(axis, way):
    """Plaques mirrored at any plane give the mirrored tolerance with its intervals."""
    normal = np.array(axis) / math.hypot(*axis)
    mirror = np.eye(3) - 2 * np.outer(normal, normal)
    one, other = fitted(A_TRIAL).radius(way), fitted(moved(A_TRIAL, mirror)).radius((mirror @ way).tolist())
    assert pytest.approx((one.half, one.low, one.high, one.log_u), rel=GLM_RELATIVE) == (
        other.half,
        other.low,
        other.high,
        other.log_u,
    )


def test_twice_the_judgements_are_known_root_two_better():
    """Doubled counts give the same parameters, and uncertainties smaller by the root of 2, apart from dispersion."""
    one = fitted(A_TRIAL)
    twice = fitted([replace(p, accepted=2 * p.accepted, judged=2 * p.judged) for p in A_TRIAL])
    assert pytest.approx(one.parameters, rel=GLM_RELATIVE) == twice.parameters
    for few, many in zip(one.axes, twice.axes, strict=True):
        assert pytest.approx(few.log_u / math.sqrt(2), rel=GLM_RELATIVE) == many.log_u / math.sqrt(twice.dispersion)


@examples(50)
@given(WAYS, numbers(0.05, 0.95))
def test_the_surface_is_where_the_share_is_reached(way, share):
    """At the radius in any direction the fitted share is the requested one; just inside is contained and just outside is not."""
    assume(share < fitted(A_TRIAL).accepted_at((0, 0, 0)) - 0.01)
    found = fitted(A_TRIAL, share)
    radius = found.radius(way)
    at = np.array(radius.direction) * radius.half
    assert pytest.approx(share, rel=SAME_FORMULA) == found.accepted_at(at)
    assert found.contains(at * (1 - 1e-9))
    assert found.contains((at * -(1 - 1e-9)).tolist())
    assert not found.contains(at * (1 + 1e-9))
    assert pytest.approx(1.0, rel=SAME_FORMULA) == float(at @ np.array(found.form) @ at)
    assert radius.low <= radius.half <= (radius.high or math.inf)


@examples(30)
@given(WAYS, numbers(0.5, 0.99), numbers(0.5, 0.99))
def test_more_confidence_is_a_wider_interval(way, one, other):
    """The interval at a higher confidence contains the one at a lower."""
    less, more = (fitted(A_TRIAL, confidence=c).radius(way) for c in sorted((one, other)))
    assert more.low <= less.low
    assert (less.high or math.inf) <= (more.high or math.inf)


@pytest.mark.parametrize(
    "values", [(math.nan, 0, 0, 1, 2), (0, math.inf, 0, 1, 2), (0, 0, 0, 3, 2), (0, 0, 0, -1, 2), (0, 0, 0, 0, 0)]
)
def test_a_plaque_that_is_none_is_refused(values):
    """Non-finite differences, or more accepted than total, are refused."""
    with pytest.raises(ValueError, match=r"finite|accepted is"):
        Plaque(*values)


@pytest.mark.parametrize("how", [{"share": 0.0}, {"share": 1.0}, {"confidence": 1.0}, {"share": math.nan}])
def test_a_share_or_confidence_that_is_none_is_refused(how):
    """A share or confidence outside 0 to 1 is refused."""
    with pytest.raises(ValueError, match="each must be between 0 and 1"):
        fit_trial(A_TRIAL, **how)


@pytest.mark.parametrize("way", [(0, 0, 0), (1, 0), (math.nan, 0, 0), (math.inf, 0, 0)])
def test_a_direction_that_is_none_is_refused(way):
    """A direction must have three finite numbers, not all 0."""
    with pytest.raises(ValueError, match="direction is"):
        fitted(A_TRIAL).radius(way)


def test_the_parts_are_named_in_order():
    """The parts are the intercept and LL, aa, bb, La, Lb, ab, in this order."""
    assert 1 + len(PARTS) == len(fitted(A_TRIAL).parameters)
    assert ("LL", "aa", "bb", "La", "Lb", "ab") == PARTS
