"""Readings far from their neighbours, and repeated entries. Source: common practice, no source; the declarations hold the distances."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.characteristics.declaring.neighbours import copies, far_off
from lots.domain.characteristics.declaring.origin import Origin
from lots.domain.characteristics.registry import DECLARED
from tests.domain.builders import bar, color, coupon, gauge, plaque, shiny, wet

DIAMETER = DECLARED["diameter"].far


def flags(far, new, stored=()):
    """Whether each new reading is far from its neighbours."""
    return [found is not None for found in far_off(far, new, stored)]


def sizes(*values, spool="S"):
    """Round filament of these diameters, mm."""
    return [gauge(spool, value, value) for value in values]


@pytest.mark.parametrize(
    ("name", "good", "near", "slip"),
    [
        ("diameter", [gauge("S", 1.748, 1.75)] * 2, gauge("S", 1.89, 1.75), gauge("S", 1.478, 1.75)),
        ("color", [color("S", 95, -0.8, 1.5)] * 2, color("S", 95, -0.8, 6.4), color("S", 95, -0.8, 6.6)),
        ("shrinkage", [coupon(0.3)] * 2, coupon(1.2), coupon(1.4)),
        ("bond", [bar(20.0)] * 2, bar(58.0), bar(61.0)),
        ("gloss", [shiny("S", 40)] * 2, shiny("S", 59), shiny("S", 61)),
        ("moisture", [wet("S", 0.02)] * 2, wet("S", 0.19), wet("S", 0.21)),
        ("moisture", [wet("S", 0.002)] * 2, wet("S", 0.05), wet("S", 0.06)),
        ("opacity", [plaque("S", 94.9)] * 2, plaque("S", 91.5), plaque("S", 90.0)),
    ],
)
def test_each_characteristic_says_what_is_far(name, good, near, slip):
    """A value just inside the declared distance from two agreeing neighbours is near, and one just beyond is far."""
    far = DECLARED[name].far
    assert [False] == flags(far, [near], good)
    assert [True] == flags(far, [slip], good)


def test_a_transposed_digit_among_its_own_list():
    """1.478 typed for 1.748 is found by the two readings sent with it, which are not flagged."""
    found = far_off(DIAMETER, sizes(1.748, 1.75, 1.478), [])
    assert [True, True, False] == [one is None for one in found]
    assert "d1 is 1.478 mm, far from the median of the 2 other readings of spool S (1.749 mm)" == str(found[2])


@pytest.mark.parametrize(
    ("new", "stored", "expected"),
    [
        ([1.478], [], [False]),
        ([1.478], [1.75], [False]),
        ([1.478], [1.75, 1.55], [False]),
        ([1.478], [1.75, 1.30, 1.748, 1.752], [True]),
        ([1.75, 1.75, 1.478, 1.478], [], [False] * 4),
        ([1.75, 1.75, 1.75, 1.478, 1.478], [], [False, False, False, True, True]),
        ([1.478, 1.478, 1.478], [1.75, 1.75], [False] * 3),
    ],
)
def test_neighbours_must_be_two_that_agree_and_more_than_the_others(new, stored, expected):
    """One neighbour, two differing ones, or two against two flag nothing."""
    assert expected == flags(DIAMETER, sizes(*new), sizes(*stored))


def test_the_spool_is_asked_before_the_lot():
    """Readings of other spools are neighbours only where the spool's own are too few; two equal readings of a spool count."""
    lot = [*sizes(1.75, 1.75, spool="A"), *sizes(1.75, 1.75, spool="B")]
    assert [True] == flags(DIAMETER, sizes(1.55), lot)
    assert [False] == flags(DIAMETER, sizes(1.55), [*lot, *sizes(1.55, 1.56)])
    (found,) = far_off(DIAMETER, sizes(1.55), lot)
    assert "the 4 other readings of the lot" in str(found)


def test_a_reading_that_waits_is_a_neighbour():
    """A third reading that agrees with two waiting ones counts, because the spool really differs."""
    lot = [*sizes(1.75, 1.75, spool="A"), *sizes(1.75, 1.75, spool="B")]
    assert [True] == flags(DIAMETER, sizes(1.55), [*lot, *sizes(1.55)])
    assert [False] == flags(DIAMETER, sizes(1.55), [*lot, *sizes(1.55, 1.55)])


def test_other_figures_groups_and_recipes_are_no_neighbours():
    """Another angle, length or recipe is no neighbour."""
    assert [False] == flags(DECLARED["gloss"].far, [shiny("S", 80, 20)], [shiny("S", 40, 60)] * 3)
    assert [False] == flags(DECLARED["shrinkage"].far, [coupon(2.0, designed_mm=20)], [coupon(0.3)] * 3)
    other = [replace(one, origin=Origin(test_print="BAR/1")) for one in [bar(70.0)] * 3]
    assert [False] == flags(DECLARED["bond"].far, [bar(20.0)], other)
    assert "" == DECLARED["surface"].far.says


VALUES = st.lists(st.floats(1.4, 2.1).map(lambda x: round(x, 3)), min_size=1, max_size=9)


@given(VALUES, VALUES, st.randoms())
def test_the_order_of_readings_says_nothing(new, stored, chance):
    """The result does not depend on the order of the readings."""
    found = dict(zip(new, flags(DIAMETER, sizes(*new), sizes(*stored)), strict=True))
    turned, before = chance.sample(new, len(new)), chance.sample(stored, len(stored))
    assert found == dict(zip(turned, flags(DIAMETER, sizes(*turned), sizes(*before)), strict=True))


@given(VALUES, VALUES)
def test_never_most_of_the_readings_are_far(new, stored):
    """At most half of a spool's readings are flagged as far."""
    assert 2 * sum(flags(DIAMETER, sizes(*new), sizes(*stored))) <= len(new) + len(stored)


def test_three_equal_readings_of_a_spool_look_like_one():
    """Equal readings of a spool are counted together with stored ones, over all values; an empty field makes no difference."""
    one, other = {"d1_mm": 1.75, "d2_mm": 1.76}, {"d1_mm": 1.75, "d2_mm": 1.76, "position_m": 2.0}
    assert [0, 0, 3, 4] == copies([("S", one)] * 4, [])
    assert [3] == copies([("S", {**one, "position_m": None})], [("S", one)] * 2)
    assert [0, 0, 0] == copies([("S", one), ("T", one), ("S", other)], [("S", one)])
