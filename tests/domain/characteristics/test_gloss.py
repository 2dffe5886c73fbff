"""Gloss. Sources: ISO 2813 (a table row and the choice of geometry, from memory); Fresnel's equations coded a second way, from Snell's law."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.characteristics.gloss import (
    ANGLES,
    GLASS_INDEX,
    GlossLimits,
    GlossReading,
    doubt_gloss,
    geometry_for,
    judge_gloss,
    smooth_gloss,
    summarise,
)
from lots.domain.receiving.coverage import Coverage
from tests.domain.builders import GUARDED, SIMPLE
from tests.domain.strategies import numbers, steps
from tests.tolerances import PRINTED_1, SAME_FORMULA

ONE = Coverage.of(1, 1)
MATTE = GlossLimits({60: (2.0, 6.0), 85: (None, 12.0)})


def read(spool: str, angle: int, *values: float, u: float | None = None) -> list[GlossReading]:
    """Gloss readings of one spool at one angle."""
    return [GlossReading(spool, angle, value, u) for value in values]


def judged(readings, limits=MATTE, coverage=ONE, rule=SIMPLE):
    """The findings by angle."""
    found = judge_gloss(summarise(readings), limits, coverage, rule)
    return {int(finding.measure.removeprefix("gu_")): finding for finding in found}


def by_snell(angle_deg: int, index: float) -> float:
    """Reflectance of unpolarised light from the angles on both sides of the surface."""
    outside = math.radians(angle_deg)
    inside = math.asin(math.sin(outside) / index)
    across = (math.sin(outside - inside) / math.sin(outside + inside)) ** 2
    along = (math.tan(outside - inside) / math.tan(outside + inside)) ** 2
    return (across + along) / 2


def test_glass_of_lower_index_reads_what_the_standard_prints():
    """Index 1.400 gives 57.0, 71.9 and 96.6 GU at 20, 60 and 85 degrees (ISO 2813, table of gloss values, from memory)."""
    assert pytest.approx((57.0, 71.9, 96.6), abs=PRINTED_1) == tuple(smooth_gloss(angle, 1.4) for angle in ANGLES)


@pytest.mark.parametrize("angle", ANGLES)
def test_the_standard_glass_reads_100(angle):
    """The standard glass reads 100 at every angle, by definition."""
    assert 100.0 == smooth_gloss(angle, GLASS_INDEX)


@given(st.sampled_from(ANGLES), numbers(1.2, 3))
def test_reflectance_is_fresnels(angle, index):
    """Two codings of Fresnel's equations agree."""
    expected = 100 * by_snell(angle, index) / by_snell(angle, GLASS_INDEX)
    assert pytest.approx(expected, rel=SAME_FORMULA) == smooth_gloss(angle, index)


@pytest.mark.parametrize(("angle", "customary"), [(20, 2000), (60, 1000), (85, 160)])
def test_a_mirror_reads_the_end_of_the_scale(angle, customary):
    """A perfect mirror reads the usual end of a glossmeter's scale within 2 % (common practice, no source), and a higher reading is refused."""
    mirror = smooth_gloss(angle, math.inf)
    assert pytest.approx(customary, rel=0.02) == mirror
    assert mirror == GlossReading("A", angle, mirror).gu
    with pytest.raises(ValueError, match=f"at {angle} degrees it must be a number from 0 to"):
        GlossReading("A", angle, mirror * (1 + 1e-9))


@pytest.mark.parametrize(
    ("values", "says"),
    [
        (("A", 45, 3.0), "angle_deg is 45"),
        (("A", 60, -0.1), "gu is -0.1"),
        (("A", 60, math.nan), "gu is nan"),
        (("A", 60, 3.0, -1.0), "uncertainty is -1.0"),
        (("A", 60, 3.0, math.nan), "uncertainty is nan"),
    ],
)
def test_nonsense_is_refused_when_a_reading_is_made(values, says):
    """An invalid reading is refused with field and value."""
    with pytest.raises(ValueError, match=says):
        GlossReading(*values)


@pytest.mark.parametrize(
    ("gu", "angle"), [(0.0, 85), (9.99, 85), (10.0, 60), (35.0, 60), (70.0, 60), (70.01, 20), (120.0, 20)]
)
def test_which_angle_tells_differences_best(gu, angle):
    """ISO 2813 (from memory): 85 degrees below 10 GU at 60 degrees, 20 above 70, 60 in between, both ends included."""
    assert angle == geometry_for(gu)


@pytest.mark.parametrize("gu", [-1.0, math.nan, math.inf])
def test_no_angle_for_no_gloss(gu):
    """An invalid gloss has no angle."""
    with pytest.raises(ValueError, match="gu_60 is"):
        geometry_for(gu)


@pytest.mark.parametrize("angle", ANGLES)
def test_a_plastic_is_believed_up_to_half_as_much_again_as_the_smoothest(angle):
    """Readings from 0 to 1.5 times that of a smooth surface of index 1.7 are accepted, and others doubted (common practice, no source)."""
    most = 150 * by_snell(angle, 1.7) / by_snell(angle, GLASS_INDEX)
    assert [None] * 3 == [doubt_gloss(angle, gu) for gu in (0.0, 100.0, most * (1 - 1e-9))]
    assert all(doubt_gloss(angle, gu).field == "gloss_gu" for gu in (-0.1, most * (1 + 1e-9), math.inf, math.nan))


@pytest.mark.parametrize(
    ("gu", "hint"),
    [(925.0, "did you mean 92.5?"), (5000.0, "Check the glossmeter"), (-3.0, "Check the glossmeter")],
)
def test_a_doubt_has_a_hint(gu, hint):
    """A slipped decimal point is recognised, and any other doubt asks for the black glass."""
    assert hint in doubt_gloss(60, gu).hint


def test_angles_and_spools_are_kept_apart():
    """Means are per angle and spool: 3 GU at 60 degrees and 9 at 85 are never combined."""
    found = summarise([*read("B", 85, 9.0), *read("A", 60, 2.0, 4.0), *read("B", 60, 5.0)])
    assert {60: {"A": (3.0, 2), "B": (5.0, 1)}, 85: {"B": (9.0, 1)}} == {
        angle: {spool: (mean.value, mean.n) for spool, mean in spools.items()} for angle, spools in found.items()
    }


def test_a_mean_carries_scatter_and_instrument():
    """Readings 2 and 4 have spread 1 (half their distance); with u 0.5 the total is sqrt(1.25), and with unknown u the spread alone (by hand)."""
    known = summarise(read("A", 60, 2.0, 4.0, u=0.5))[60]["A"]
    assert (pytest.approx(math.sqrt(1.25)), pytest.approx(1.0)) == (known.uncertainty.total, known.uncertainty.scatter)
    mixed = summarise([*read("A", 60, 2.0, u=0.5), *read("A", 60, 4.0)])[60]["A"]
    assert pytest.approx(1.0) == mixed.uncertainty.total
    assert None is summarise(read("A", 60, 2.0))[60]["A"].uncertainty


@pytest.mark.parametrize(
    ("gu", "verdict"), [(1.99, "fail"), (2.0, "pass"), (4.0, "pass"), (6.0, "pass"), (6.01, "fail")]
)
def test_a_limit_has_two_ends_and_includes_them(gu, verdict):
    """A limit of 2 to 6 GU is tested at, just below and just above each end."""
    found = judged([*read("A", 60, gu), *read("A", 85, 8.0)])
    assert verdict == found[60].verdict
    assert found[60].message.startswith("Gloss at 60 degrees (spool A): ")


def test_the_worst_spool_decides():
    """Spools of 1.5 and 6 GU have a mean in the middle of 2 to 6, but the lot fails for the first."""
    found = judged([*read("A", 60, 6.0), *read("B", 60, 1.5), *read("A", 85, 8.0)], coverage=Coverage.of(2, 2))
    assert ("fail", "B", 1.5) == (found[60].verdict, found[60].spool, found[60].value)
    assert "missing" == found[85].verdict


def test_nothing_read_is_missing():
    """Without a reading each required angle is missing, and one angle does not replace another."""
    assert ["missing", "missing"] == [f.verdict for f in judged([]).values()]
    found = judged(read("A", 60, 4.0))
    assert ("pass", "missing") == (found[60].verdict, found[85].verdict)
    assert "measure 85-degree gloss on 1 spool, 1 reading" == found[85].to_measure


def test_a_spool_begun_must_be_finished_unless_it_fails():
    """One of three readings is missing two more, inside or outside; three readings outside are conclusive."""
    limits = GlossLimits({60: (2.0, 6.0)}, readings_per_spool_min=3)
    assert "take 2 more 60-degree gloss readings on spool A" == judged(read("A", 60, 4.0), limits)[60].to_measure
    assert "missing" == judged(read("A", 60, 9.0), limits)[60].verdict
    two_wanted = Coverage.of(4, 2)
    assert "fail" == judged(read("A", 60, 9.0, 9.1, 9.0), limits, two_wanted)[60].verdict


@pytest.mark.parametrize(("u", "verdict"), [(0.1, "pass"), (0.7, "near"), (None, "missing")])
def test_the_guarded_rule_asks_for_a_glossmeter_good_enough(u, verdict):
    """5 GU under a limit of 6 is inside by 1, more than 1.645 times 0.1 and less than 1.645 times 0.7."""
    assert verdict == judged(read("A", 60, 5.0, u=u), GlossLimits({60: (2.0, 6.0)}), rule=GUARDED)[60].verdict


def test_a_finding_says_when_another_angle_tells_more():
    """4 GU at 60 degrees is better measured at 85 (ISO 2813, from memory), and the finding says so unless the limits use 85."""
    alone = judged(read("A", 60, 4.0), GlossLimits({60: (2.0, 6.0)}))[60]
    assert "85 degrees separates samples better (ISO 2813)." in alone.message
    assert "better" not in judged(read("A", 60, 4.0))[60].message
    assert "better" not in judged(read("A", 60, 40.0), GlossLimits({60: (30.0, 50.0)}))[60].message


@pytest.mark.parametrize(
    ("gu", "least", "says"),
    [
        ({}, 1, "need an angle"),
        ({45: (1.0, 2.0)}, 1, "angle_deg is 45"),
        ({60: (3.0, 2.0)}, 1, "above the upper limit"),
        ({60: (None, None)}, 1, "a finite end"),
        ({60: (-1.0, 2.0)}, 1, "0 GU or more"),
        ({60: (math.nan, 2.0)}, 1, "a finite end"),
        ({60: (1.0, 2.0)}, 0, "readings_per_spool_min is 0"),
    ],
)
def test_limits_that_are_none_are_refused(gu, least, says):
    """Limits without an angle, with an unknown one, or with crossed or missing ends are refused."""
    with pytest.raises(ValueError, match=says):
        GlossLimits(gu, least)


READINGS = st.lists(
    st.builds(GlossReading, st.sampled_from("AB"), st.sampled_from((60, 85)), steps(0, 15, 0.5), st.just(0.1)),
    max_size=8,
)
ORDER = {"fail": 0, "missing": 1, "near": 2, "pass": 3}


@given(READINGS, st.sampled_from((SIMPLE, GUARDED)), numbers(0, 5))
def test_a_wider_limit_never_refuses_more(readings, rule, by):
    """Widening both ends never worsens a verdict."""
    wide = GlossLimits({60: (max(0.0, 2.0 - by), 6.0 + by), 85: (None, 12.0 + by)})
    narrow, wider = judged(readings, rule=rule), judged(readings, wide, rule=rule)
    assert all(ORDER[narrow[angle].verdict] <= ORDER[wider[angle].verdict] for angle in (60, 85))


@given(READINGS.flatmap(lambda readings: st.tuples(st.just(readings), st.permutations(readings))))
def test_the_order_of_readings_does_not_matter(sets):
    """Shuffled readings give the same verdicts and values."""
    given_so, shuffled = (judged(readings) for readings in sets)
    for angle in (60, 85):
        assert given_so[angle].verdict == shuffled[angle].verdict
        assert given_so[angle].margin == pytest.approx(shuffled[angle].margin)


@given(READINGS)
def test_a_lot_that_passes_has_its_mean_inside(readings):
    """Where every spool is inside, the mean of all readings is inside too."""
    found = judged(readings)
    for angle, (low, high) in ((60, (2.0, 6.0)), (85, (0.0, 12.0))):
        values = [r.gu for r in readings if r.angle_deg == angle]
        if found[angle].verdict == "pass":
            assert low - SAME_FORMULA <= sum(values) / len(values) <= high + SAME_FORMULA
