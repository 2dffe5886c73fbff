"""Colour differences of many colours at once: the same rule as of one pair, held against it.

Sources. Published: Sharma, Wu and Dalal 2005, Color Res. Appl. 30(1), 21-30, Table 1. Other columns of the pairs file: computed with
colour-science 0.4.7. Else: the difference of one pair, which the published pairs hold.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.colorimetry import color_difference
from lots.domain.colorimetry.color_difference import DEFAULT_WEIGHTS, delta_e, delta_e_among, delta_e_to_each
from lots.domain.colorimetry.color_values import Lab
from tests.domain.builders import BLACK, WHITE, reference_csv
from tests.domain.colorimetry.test_color_difference import COLUMNS, pair
from tests.domain.strategies import ANY_LAB, NEAR_WHITE, numbers, steps
from tests.examples import examples
from tests.tolerances import PRINTED_10, SAME_RULE

PAIRS = reference_csv("ciede2000_sharma_pairs.csv")
REFERENCES, SAMPLES = zip(*(pair(row) for row in PAIRS), strict=True)
THOROUGH = examples(200)

GREYS = st.builds(Lab, numbers(0, 100), st.sampled_from((0.0, -0.0)), st.sampled_from((0.0, -0.0)))
# In steps, so that equal, opposite and mirrored hues are drawn often.
COARSE = st.builds(Lab, st.sampled_from((20, 50, 97)), steps(-3, 3, 0.5), steps(-3, 3, 0.5))
# Too little chroma to square.
ALL_BUT_GREY = st.builds(Lab, st.just(50.0), *[st.sampled_from((0.0, 5e-324, -1e-200, 1e-162, -1e-17, 2.0))] * 2)
COLORS = st.one_of(ANY_LAB, NEAR_WHITE, GREYS, COARSE, ALL_BUT_GREY)


@st.composite
def opposites(draw: st.DrawFn) -> list[Lab]:
    """A colour and others of opposite hue, exact or off by a few last bits."""
    angle, nudge = draw(numbers(0, 2 * math.pi)), draw(st.sampled_from((0.0, 1e-16, -1e-12, 1e-11, -1e-9, 1e-6)))
    spokes = ((angle, 40.0), (angle + math.pi + nudge, 40.0), (angle + math.pi - nudge, 3.0))
    return [Lab(50.0, length * math.cos(at), length * math.sin(at)) for at, length in spokes]


SETS = st.one_of(opposites(), st.lists(COLORS, min_size=1, max_size=8))


def rows(colors):
    """Colours as rows of an array."""
    return np.array([one.as_list() for one in colors])


def test_the_published_pairs_come_out_of_an_array():
    """Every published pair prints its four decimals in the square of all 68 colours, both ways."""
    square = delta_e_among([*REFERENCES, *SAMPLES])
    published = [row["dE00_published"] for row in PAIRS]
    assert published == [f"{square[i, i + len(PAIRS)]:.4f}" for i in range(len(PAIRS))]
    assert published == [f"{square[i + len(PAIRS), i]:.4f}" for i in range(len(PAIRS))]


@pytest.mark.parametrize("column", COLUMNS)
def test_every_formula_gives_its_reference_column_from_an_array(column):
    """Each formula and weighting, for one reference and all samples, agrees with colour-science on its own published pair."""
    formula, weights = COLUMNS[column]
    found = [delta_e_to_each(one, rows(SAMPLES), formula, weights)[i] for i, one in enumerate(REFERENCES)]
    assert pytest.approx([float(row[column]) for row in PAIRS], abs=PRINTED_10) == found


@pytest.mark.parametrize("formula", DEFAULT_WEIGHTS)
@THOROUGH
@given(colors=SETS)
def test_an_array_gives_what_single_pairs_give(formula, colors):
    """Any colours, including greys, opposite and equal ones, have the same differences in an array as one by one."""
    singly = [[delta_e(one, other, formula) for other in colors] for one in colors]
    assert pytest.approx(np.array(singly), abs=SAME_RULE) == delta_e_among(colors, formula)
    assert pytest.approx(singly[0], abs=SAME_RULE) == delta_e_to_each(colors[0], rows(colors), formula)


@pytest.mark.parametrize(
    ("formula", "weights"), [("CIE94", (2, 0.048, 0.014)), ("CMC", (1, 1)), ("CIEDE2000", (2, 1.5, 0.7))]
)
@THOROUGH
@given(one=COLORS, other=COLORS)
def test_weights_count_in_an_array_as_singly(formula, weights, one, other):
    """Weights other than the defaults apply to every pair."""
    singly = delta_e(one, other, formula, weights)
    assert pytest.approx([singly], abs=SAME_RULE) == delta_e_to_each(one, rows([other]), formula, weights)
    assert pytest.approx(singly, abs=SAME_RULE) == delta_e_among([one, other], formula, weights)[0, 1]


@pytest.mark.parametrize("formula", DEFAULT_WEIGHTS)
@THOROUGH
@given(colors=SETS)
def test_no_colour_of_an_array_differs_from_itself(formula, colors):
    """Exactly zero, at any position in the array."""
    assert [0.0] * len(colors) == np.diag(delta_e_among(colors, formula)).tolist()
    assert [0.0] * 9 == delta_e_to_each(colors[0], rows(colors[:1] * 9), formula).tolist()


@pytest.mark.parametrize("formula", DEFAULT_WEIGHTS)
@pytest.mark.parametrize("count", [3, 4, 5, 11, 12])
def test_where_a_block_ends_does_not_show(monkeypatch, formula, count):
    """Samples on both sides of block ends agree with single pairs, in order."""
    monkeypatch.setattr(color_difference, "_BLOCK", 4)
    samples = SAMPLES[:count]
    singly = [[delta_e(one, other, formula) for other in samples] for one in samples]
    assert pytest.approx(singly[0], abs=SAME_RULE) == delta_e_to_each(samples[0], rows(samples), formula)
    assert pytest.approx(np.array(singly), abs=SAME_RULE) == delta_e_among(samples, formula)


def test_more_samples_than_a_block_holds():
    """20,000 samples: the last as the first, and none left out."""
    samples = np.resize(rows(SAMPLES), (20_000, 3))
    found = delta_e_to_each(WHITE, samples)
    assert np.resize(delta_e_to_each(WHITE, rows(SAMPLES)), 20_000).tolist() == found.tolist()


@pytest.mark.parametrize("formula", DEFAULT_WEIGHTS)
def test_how_the_samples_lie_in_memory_does_not_matter(formula):
    """Lists, column order, strided and integer arrays give the same differences, and the samples are unchanged."""
    samples = np.round(rows(SAMPLES))
    before = samples.copy()
    whole = delta_e_to_each(WHITE, samples, formula).tolist()
    assert whole == delta_e_to_each(WHITE, samples.tolist(), formula).tolist()
    assert whole == delta_e_to_each(WHITE, np.asfortranarray(samples), formula).tolist()
    assert whole == delta_e_to_each(WHITE, np.repeat(samples, 2, axis=0)[::2], formula).tolist()
    assert whole == delta_e_to_each(WHITE, samples.astype(int), formula).tolist()
    assert before.tolist() == samples.tolist()


@pytest.mark.parametrize("formula", DEFAULT_WEIGHTS)
@pytest.mark.parametrize("none", [[], np.empty((0, 3))], ids=["list", "array"])
def test_no_samples_give_no_differences(formula, none):
    """An empty input is no error."""
    assert (0,) == delta_e_to_each(WHITE, none, formula).shape
    assert (0, 0) == delta_e_among([], formula).shape


@pytest.mark.parametrize(
    "samples",
    [95.0, [95.0, -0.8, 1.5], [[95.0, -0.8]], [[95.0, -0.8, 1.5, 0.0]], np.zeros((0, 2)), np.zeros((2, 3, 3))],
    ids=["number", "one-colour", "two-coordinates", "four-coordinates", "none-of-two", "pages"],
)
def test_samples_of_another_shape_are_refused(samples):
    """Only rows of three are accepted; the message has the shape."""
    with pytest.raises(ValueError, match="samples have the shape"):
        delta_e_to_each(WHITE, samples)


@pytest.mark.parametrize("formula", DEFAULT_WEIGHTS)
@pytest.mark.parametrize("place", [0, 9_000, 9_999])
@pytest.mark.parametrize(
    ("axis", "value", "says"),
    [
        (0, math.nan, r"L\* is nan"),
        (1, math.nan, r"a\* is nan"),
        (2, math.inf, r"b\* is inf"),
        (2, -math.inf, r"b\* is -inf"),
        (0, -0.1, r"L\* is -0.1; it must be a number from 0 to 110"),
        (1, 150.1, r"a\* is 150.1; it must be a number from -150 to 150"),
    ],
)
def test_a_sample_that_is_no_colour_is_refused_wherever_it_stands(formula, place, axis, value, says):
    """Among 10,000 colours one that Lab rejects raises the same message."""
    samples = np.tile(WHITE.as_list(), (10_000, 1))
    samples[place, axis] = value
    with pytest.raises(ValueError, match=says):
        delta_e_to_each(WHITE, samples, formula)


@pytest.mark.parametrize(("formula", "weights"), [("CIE2000", None), ("CMC", (2.0,)), ("CIEDE2000", (1.0, 0.0, 1.0))])
def test_wrong_weights_are_refused_of_an_array_as_of_a_pair(formula, weights):
    """Formula and weights are checked before any colour, with the same message."""
    with pytest.raises(ValueError, match=r"formula|weights") as singly:
        delta_e(WHITE, BLACK, formula, weights)
    for refused in (
        lambda: delta_e_to_each(WHITE, [], formula, weights),
        lambda: delta_e_among([], formula, weights),
    ):
        with pytest.raises(ValueError, match=r"formula|weights") as many:
            refused()
        assert str(singly.value) == str(many.value)
