"""Agreement of instruments and bridging. Sources: scipy's and statsmodels' paired tests, colour-science, by hand; simulation."""

import math
import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, ttest_1samp
from statsmodels.stats.weightstats import ttost_paired

from lots.domain.colorimetry.color_values import Lab
from lots.domain.instruments.agreement import Bridge, Pair, ReadOnBoth, agreement, bridge, noise_of
from tests.domain.strategies import NEAR_WHITE, numbers, steps
from tests.examples import examples
from tests.tolerances import SAME_FORMULA

with warnings.catch_warnings():
    # colour-science warns when matplotlib is missing; nothing is drawn here.
    warnings.simplefilter("ignore")
    from colour.difference import delta_E_CIE2000

SETTINGS = examples(80)
# Invented: a white tile and two plaques, the second instrument a little yellower.
TILE = ReadOnBoth(
    "tile", (Lab(97, -0.1, 0.4), Lab(97.02, -0.1, 0.4)), (Lab(97.05, -0.12, 0.55), Lab(97.05, -0.1, 0.55))
)
WHITE = ReadOnBoth("P1", (Lab(95, -0.8, 1.5),), (Lab(95.1, -0.8, 1.75),))
RED = ReadOnBoth("P2", (Lab(48, 52, 30), Lab(48.1, 52.2, 30.3), Lab(47.9, 52, 30)), (Lab(48, 52.5, 30.4),))
ALL = [TILE, WHITE, RED]


def mean(colors) -> np.ndarray:
    """The mean colour."""
    return np.mean([color.as_list() for color in colors], axis=0)


def test_differences_are_those_of_the_mean_colours():
    """Per artefact CIEDE2000 of the means (colour-science); their mean, and the largest by name."""
    found = agreement(ALL)
    expected = {a.code: float(delta_E_CIE2000(mean(a.first), mean(a.second))) for a in ALL}
    assert pytest.approx(expected, rel=SAME_FORMULA) == found.differences
    assert pytest.approx(np.mean(list(expected.values()))) == found.mean
    assert max(expected, key=expected.get) == found.worst[0]
    assert pytest.approx(max(expected.values())) == found.worst[1]


def test_offsets_are_means_over_artefacts():
    """Second minus first, with equal weights of artefacts, and scipy's t interval."""
    apart = np.array([mean(a.second) - mean(a.first) for a in ALL])
    for i, offset in enumerate(agreement(ALL, confidence=0.9).offsets):
        ends = ttest_1samp(apart[:, i], 0).confidence_interval(0.9)
        assert ("Lab"[i], 3) == (offset.component, offset.n)
        assert pytest.approx((apart[:, i].mean(), apart[:, i].std(ddof=1))) == (offset.mean, offset.sd)
        assert pytest.approx((ends.low, ends.high)) == (offset.interval.low, offset.interval.high)


def test_repeatability_is_the_mean_difference_from_the_mean():
    """Two readings 0.02 apart are 0.01 from their mean on either instrument (by hand, CIE76); single readings give none."""
    found = agreement([TILE, WHITE], "CIE76")
    assert pytest.approx((0.01, 0.01)) == (found.repeatability_first, found.repeatability_second)
    alone = agreement([WHITE])
    assert (None, None) == (alone.repeatability_first, alone.repeatability_second)
    assert (None, None) == (alone.offsets[0].sd, alone.offsets[0].interval)


def test_repeatability_counts_readings():
    """Distances of all readings from their own artefact's mean, over their number (numpy, CIE76)."""
    sets = [np.array([c.as_list() for c in a.first]) for a in (TILE, RED)]
    distances = np.concatenate([np.linalg.norm(rows - rows.mean(axis=0), axis=1) for rows in sets])
    assert pytest.approx(distances.mean()) == agreement(ALL, "CIE76").repeatability_first


def test_nonsense_is_refused():
    """No artefact, duplicates, no reading, different components, and invalid numbers and limits are rejected."""
    with pytest.raises(ValueError, match="at least one artefact"):
        agreement([])
    with pytest.raises(ValueError, match="'tile' is given more than once"):
        agreement([TILE, WHITE, TILE])
    with pytest.raises(ValueError, match="at least once on each"):
        ReadOnBoth("P", (Lab(95, 0, 0),), ())
    with pytest.raises(ValueError, match="same components"):
        Pair("P", {"b": 1.0}, {"a": 1.0})
    with pytest.raises(ValueError, match="must be numbers"):
        Pair("P", {"b": 1.0}, {"b": math.nan})
    for limits in ({}, {"b": 0.0}, {"b": math.nan}):
        with pytest.raises(ValueError, match="limits of a step"):
            bridge(plaques(0.0, 0.01, 0.02), limits)
    with pytest.raises(ValueError, match="noise"):
        bridge(plaques(0.0, 0.01, 0.02), {"b": 0.1}, {"b": -0.1})
    with pytest.raises(ValueError, match="'P0' is given more than once"):
        bridge([*plaques(0.1), *plaques(0.1)], {"b": 0.1})
    with pytest.raises(ValueError, match="no reasons against"):
        Bridge(True, 3, (), ("no",))


@SETTINGS
@given(colors=st.lists(st.tuples(NEAR_WHITE, NEAR_WHITE), min_size=1, max_size=6), data=st.data())
def test_laws_of_agreement(colors, data):
    """An instrument agrees with itself; exchanged instruments change the sign of offsets only; order does not matter."""
    both = [ReadOnBoth(str(i), (one,), (two,)) for i, (one, two) in enumerate(colors)]
    found = agreement(both)
    swapped = agreement([ReadOnBoth(a.code, a.second, a.first) for a in both])
    shuffled = agreement(data.draw(st.permutations(both)))
    itself = agreement([ReadOnBoth(a.code, a.first, a.first) for a in both])
    assert (0, [0, 0, 0]) == (itself.mean, [offset.mean for offset in itself.offsets])
    assert pytest.approx([-o.mean for o in found.offsets]) == [o.mean for o in swapped.offsets]
    # CIEDE2000 is symmetric but for colours of opposite hue, which these are not.
    assert pytest.approx(found.mean, abs=1e-6) == swapped.mean
    assert pytest.approx(found.mean) == shuffled.mean
    assert found.mean <= found.worst[1] + SAME_FORMULA


def plaques(*apart: float) -> list[Pair]:
    """Plaques with these steps in b* on the new instrument."""
    return [Pair(f"P{i}", {"b": 1.5 + i}, {"b": 1.5 + i + step}) for i, step in enumerate(apart)]


def test_a_small_step_is_shown_small():
    """0.04, 0.05 and 0.06 give 0.05 plus and minus 4.303 * 0.01 / sqrt(3) = 0.0248 (by hand, t table): within 0.08, not within 0.07."""
    for limit, bridged in ((0.08, True), (0.07, False)):
        found = bridge(plaques(0.04, 0.05, 0.06), {"b": limit})
        step = found.steps[0]
        assert (bridged, bridged, 3) == (found.bridged, step.small, found.plaques)
        assert pytest.approx((0.05, 0.01 / math.sqrt(3)), rel=1e-6) == (step.mean, step.u)
        assert pytest.approx((0.0252, 0.0748), abs=1e-4) == (step.interval.low, step.interval.high)


@pytest.mark.parametrize(
    ("apart", "says"),
    [
        ((), "0 of 3 required plaques were measured on both instruments. 3 more are needed."),
        ((0.0,), "1 of 3 required plaques was measured on both instruments. 2 more are needed."),
        ((0.0, 0.0), "2 of 3 required plaques were measured on both instruments. 1 more is needed."),
    ],
    ids=["none", "one", "two"],
)
def test_too_few_plaques_bridge_nothing(apart, says):
    """Fewer than three plaques never bridge, and the reason gives the number needed."""
    found = bridge(plaques(*apart), {"b": 10.0})
    assert (False, (says,)) == (found.bridged, found.reasons)
    assert not any(step.small for step in found.steps)


def test_a_step_that_is_too_large_is_said_to_be():
    """A mean beyond the limit needs no more plaques; one inside it with too wide an interval does, and gives the number."""
    large = bridge(plaques(0.3, 0.31, 0.32), {"b": 0.2})
    assert large.reasons[0].startswith("The step in b is too large: +0.31 (interval 0.285 to 0.335, limit 0.2)")
    assert large.steps[0].plaques_needed is None
    wide = bridge(plaques(-0.1, 0.0, 0.1), {"b": 0.1})
    # t(0.975, n - 1) * 0.1 / sqrt(n) first falls below 0.1 at n = 7: 2.447 / 2.646 (table); at n = 6 it is 2.571 / 2.449.
    assert (False, 7) == (wide.bridged, wide.steps[0].plaques_needed)
    assert "About 4 more plaques are needed." in wide.reasons[0]
    on_it = bridge(plaques(0.1, 0.2, 0.3), {"b": 0.2})
    assert "More plaques would not prove it." in on_it.reasons[0]


def test_a_component_nobody_read_is_not_small():
    """A limit on a component without readings does not bridge the series."""
    found = bridge(plaques(0.0, 0.01, 0.02), {"b": 0.1, "L": 0.5})
    assert (False, ("L was not measured on both instruments for every plaque.",)) == (found.bridged, found.reasons)


def test_one_component_is_enough_to_refuse():
    """All components must be small; the reason names the one that is not."""
    read = [
        Pair(str(i), {"L": 95.0, "b": 1.5}, {"L": 95.0 + step, "b": 1.5 + step / 10})
        for i, step in enumerate((0.3, 0.4, 0.5))
    ]
    found = bridge(read, {"L": 0.2, "b": 0.2})
    assert ([False, True], 1) == ([step.small for step in found.steps], len(found.reasons))
    assert found.reasons[0].startswith("The step in L is too large: +0.4 ")


def test_noise_is_a_floor():
    """The standard deviation of plaques is at least that of repeatability."""
    alike = plaques(0.05, 0.05, 0.05)
    assert bridge(alike, {"b": 0.1}).bridged
    floored = bridge(alike, {"b": 0.1}, {"b": 0.04})
    assert not floored.bridged
    assert pytest.approx(0.04 / math.sqrt(3)) == floored.steps[0].u


def test_a_colour_is_bridged_by_its_mean_readings():
    """Readings on both instruments give their means by component."""
    pair = TILE.pair
    assert pytest.approx(dict(zip("Lab", mean(TILE.first), strict=True))) == pair.old
    assert pytest.approx(dict(zip("Lab", mean(TILE.second), strict=True))) == pair.new


@SETTINGS
@given(
    apart=st.lists(steps(-0.3, 0.3, 0.01), min_size=3, max_size=8, unique=True), limit=st.sampled_from((0.11, 0.237))
)
def test_small_is_two_one_sided_tests(apart, limit):
    """The interval is within the limit exactly when statsmodels' paired equivalence test rejects at half the error rate."""
    p, *_ = ttost_paired(np.array(apart), np.zeros(len(apart)), -limit, limit)
    assert bool(p <= 0.025) is bridge(plaques(*apart), {"b": limit}).bridged


@SETTINGS
@given(apart=st.lists(steps(-0.3, 0.3, 0.01), min_size=3, max_size=8), more=numbers(0, 1))
def test_a_wider_limit_never_refuses_more(apart, more):
    """What is bridged under a limit is bridged under a wider one, and noise never helps."""
    read = plaques(*apart)
    if bridge(read, {"b": 0.2}, {"b": 0.05}).bridged:
        assert bridge(read, {"b": 0.2 + more}, {"b": 0.05}).bridged
        assert bridge(read, {"b": 0.2}).bridged


@pytest.mark.parametrize("n", [3, 6])
def test_a_step_as_large_as_its_limit_is_rarely_called_small(n):
    """In 4,000 simulated changes with a true step on the limit, 2.5 % at most are bridged (binomial interval at 99.9 %)."""
    rng = np.random.default_rng(7)
    called = sum(bridge(plaques(*rng.normal(0.2, 0.03, n)), {"b": 0.2}).bridged for _ in range(4000))
    assert binomtest(called, 4000).proportion_ci(0.999).low <= 0.025


def test_noise_is_the_pooled_scatter_of_repeats():
    """Two plaques measured twice and three times: squares over degrees of freedom, over the fewest replicates, of both (numpy)."""
    rng = np.random.default_rng(7)
    first, second = ([rng.normal((95, 0, 2), 0.05, (n, 3)) for n in (2, 3)] for _ in range(2))
    read = [
        ReadOnBoth(f"P{i}", tuple(Lab(*row) for row in one), tuple(Lab(*row) for row in other))
        for i, (one, other) in enumerate(zip(first, second, strict=True))
    ]
    expected = sum(
        sum(((rows - rows.mean(axis=0)) ** 2).sum(axis=0) for rows in side) / 3 / 2 for side in (first, second)
    )
    assert pytest.approx(np.sqrt(expected), rel=SAME_FORMULA) == list(noise_of(read).values())
    assert ["L", "a", "b"] == list(noise_of(read))


def test_noise_is_unknown_where_an_instrument_read_nothing_twice():
    """Without replicates on one instrument its repeatability is unknown."""
    assert {} == noise_of([WHITE])
    assert {} == noise_of([ReadOnBoth("P", (Lab(95, 0, 1), Lab(95, 0, 2)), (Lab(95, 0, 1),))])
    assert {} == noise_of([])
