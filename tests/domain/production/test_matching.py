"""Matching of lots for one job. Differences computed with colour-science 0.4.7."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.characteristics.color.between_spools import Between
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_difference import delta_e
from lots.domain.colorimetry.color_values import Lab
from lots.domain.production import matching
from lots.domain.production.matching import PairMatch, SpoolColor, within_one_job, worse
from tests.domain.builders import WHITE

ONE, OTHER = Lab(95.3, -0.9, 0.8), Lab(94.7, -0.7, 2.2)
LIMITS = ColorLimits(step_max=0.5)


def match_pairs(lab, others, limits, of=""):
    """Pairs of lots by their means."""
    beside = [(SpoolColor(name, mean), theirs) for name, mean, theirs in others]
    return matching.match_pairs(SpoolColor(of, lab), beside, limits)


def test_every_pair_is_compared_directly():
    """Lots on opposite sides of the white lie about 0.7 from it and 1.40 from each other."""
    white, other = match_pairs(ONE, [("white", WHITE, None), ("other", OTHER, None)], ColorLimits(step_max=1.0))
    assert (0.71, True) == (round(white.delta_e, 2), white.within)
    assert (1.40, False) == (round(other.delta_e, 2), other.within)
    assert "lighter, greener, bluer" == other.direction


def test_alike_and_alike_need_not_be_alike():
    """A matches B and B matches C, but A and C do not (steps of 0.4 of b* in CIE76, limit 0.5)."""
    a, b, c = (Lab(95.0, 0.0, 1.0 + 0.4 * i) for i in range(3))
    limits = ColorLimits("CIE76", step_max=0.5)
    within = [match_pairs(mine, [("x", theirs, None)], limits)[0].within for mine, theirs in ((a, b), (b, c), (a, c))]
    assert [True, True, False] == within


@pytest.mark.parametrize(("b", "within"), [(0.4999, True), (0.5, True), (0.5001, False)])
def test_the_limit_of_a_match_includes_its_end(b, within):
    """A pair exactly at the limit matches."""
    (pair,) = match_pairs(Lab(95, 0, b), [("x", Lab(95, 0, 0), None)], ColorLimits("CIE76", step_max=0.5))
    assert within is pair.within


@pytest.mark.parametrize(("mine", "theirs"), [(None, WHITE), (WHITE, None), (None, None)])
def test_a_missing_mean_cannot_be_told(mine, theirs):
    """Where either mean is missing the match is unknown."""
    (pair,) = match_pairs(mine, [("x", theirs, None)], LIMITS)
    assert (None, None) == (pair.within, pair.delta_e)


def test_without_a_limit_nothing_is_asked():
    """Limits without a step require no match, so every pair is within, measured or not."""
    assert [True, True] == [
        p.within for p in match_pairs(ONE, [("x", OTHER, None), ("y", None, None)], ColorLimits(lot_max=1.0))
    ]


def test_the_lot_already_in_the_job_is_the_reference():
    """With an asymmetric formula the other lot is the reference, and the order of the lots is kept."""
    limits = ColorLimits("CMC", step_max=1.0)
    pairs = match_pairs(Lab(50, 20, 10), [("b", Lab(50, 30, 5), None), ("a", Lab(50, 10, 10), None)], limits)
    assert ["b", "a"] == [pair.lot for pair in pairs]
    assert delta_e(Lab(50, 30, 5), Lab(50, 20, 10), "CMC") == pairs[0].delta_e


@pytest.mark.parametrize(
    ("mine", "theirs", "limit"), [(0.5, None, 0.5), (None, 0.5, 0.5), (2.0, 0.5, 0.5), (0.5, 2.0, 0.5)]
)
def test_the_stricter_of_two_lots_decides_whichever_came_first(mine, theirs, limit):
    """Two lots 1.40 apart (computed with colour-science) do not share a job when either's limits are stricter."""
    (pair,) = match_pairs(ONE, [("other", OTHER, theirs)], ColorLimits(lot_max=1.0, step_max=mine))
    assert (limit, False) == (pair.limit, pair.within)


@pytest.mark.parametrize(
    ("revisions", "limit"),
    [
        ([{"step_max": 0.5}], 0.5),
        ([{"step_max": 0.5, "job_pair_max": 0.8}], 0.8),
        ([{"step_max": 0.5, "job_pair_max": 0.3}], 0.3),
        ([{"job_pair_max": 0.8}, {"step_max": 0.5}], 0.5),
        ([{"step_max": 0.2, "job_pair_max": 0.8}, {"job_pair_max": 0.9}, {}], 0.8),
        ([{}, {"lot_max": 0.1}], None),
        ([], None),
    ],
    ids=["step", "pair-over-step", "pair-under-step", "two-revisions", "three", "neither", "nothing"],
)
def test_the_limit_within_one_job_is_its_own_or_else_the_step(revisions, limit):
    """The limit is `job_pair_max` where a revision has it, else `step_max`, and the strictest of several (this project's rule)."""
    assert limit == within_one_job(*(ColorLimits(**revision) for revision in revisions))


def test_a_limit_within_one_job_judges_pairs_though_the_step_would_not():
    """Lots 1.40 apart match within a job limit of 1.5 whatever the step limit, and the present lot is named."""
    (pair,) = match_pairs(ONE, [("other", OTHER, None)], ColorLimits(step_max=0.5, job_pair_max=1.5), "one")
    assert (1.5, True, "one", "other") == (pair.limit, pair.within, pair.of, pair.lot)


ALIKE, UNKNOWN, APART = PairMatch("x", 0.4, 0.5, True), PairMatch("x", None, 0.5, None), PairMatch("x", 0.6, 0.5, False)


@pytest.mark.parametrize(
    ("one", "other", "counts"),
    [
        (ALIKE, APART, APART),
        (ALIKE, UNKNOWN, UNKNOWN),
        (UNKNOWN, APART, APART),
        (ALIKE, PairMatch("x", 0.3, 0.5, True), ALIKE),
        (APART, PairMatch("x", 0.7, 0.5, False), PairMatch("x", 0.7, 0.5, False)),
    ],
)
def test_of_two_ways_to_compare_the_worse_counts(one, other, counts):
    """Of two comparisons the worse counts: not within, unknown, within; then the larger difference; in either order."""
    assert counts == worse(one, other) == worse(other, one)


# Spools of a lot

BETWEEN = Between((0.3, 0.0, 0.4), 3)
GREY = Lab(50.0, 0.0, 0.0)
BY_76 = ColorLimits("CIE76", step_max=1.0)


def test_a_measured_spool_stands_for_itself():
    """A measured spool has its own mean without an allowance, whatever its lot's mean."""
    kept = {"lab": [51.0, 0.0, 0.0], "uncertainty": None, "n": 3}
    mine = SpoolColor.of("L", "A", kept, GREY, BETWEEN)
    assert (Lab(51.0, 0.0, 0.0), 0.0, True) == (mine.lab, mine.allowance(BY_76), mine.known)


def test_an_unmeasured_spool_is_its_lots_mean_with_what_spools_differ_by():
    """Spreads of 0.3 and 0.4 give 0.5 in CIE76; with a difference of the means of 1.2 the pair is 1.3 apart (by hand)."""
    mine = SpoolColor.of("L", "A", None, GREY, BETWEEN)
    (pair,) = matching.match_pairs(mine, [(SpoolColor("M", Lab(51.2, 0.0, 0.0), "B"), None)], BY_76)
    assert (0.5, 1.3) == pytest.approx((pair.allowance, pair.delta_e))
    assert (False, "B", "A", ()) == (pair.within, pair.spool, pair.of_spool, pair.unknown)


def test_two_unmeasured_spools_of_one_lot_differ_by_the_scatter_of_both():
    """The difference of two spools has twice the variance of one."""
    mine, other = (SpoolColor.of("L", code, None, GREY, BETWEEN) for code in "AB")
    (pair,) = matching.match_pairs(mine, [(other, None)], BY_76)
    assert 0.5 * 2**0.5 == pytest.approx(pair.delta_e)
    assert pair.same_lot


def test_one_measured_spool_leaves_the_others_unknown():
    """Without a known spread the lot's mean is compared without an allowance and the lot is named; older rows name none."""
    mine = SpoolColor.of("L", "A", None, GREY, Between(None, 1))
    (pair,) = matching.match_pairs(mine, [(SpoolColor.of("M", "B", None, GREY, None), None)], BY_76)
    assert (0.0, ("L",)) == (pair.delta_e, pair.unknown)


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(0.0, 2.0))
def test_more_scatter_between_spools_never_helps(less, more, apart):
    """The expected difference grows with the spread and is never below that of the means."""
    seen = []
    for sd in sorted((less, more)):
        mine = SpoolColor.of("L", "A", None, GREY, Between((sd, sd, sd), 3))
        seen += matching.match_pairs(mine, [(SpoolColor("M", Lab(50.0 + apart, 0.0, 0.0), "B"), None)], BY_76)
    assert apart - 1e-9 <= seen[0].delta_e <= seen[1].delta_e + 1e-9
