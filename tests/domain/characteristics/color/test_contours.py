"""Outlines of a limit in the a*b* plane: each point is checked with the formula itself."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.characteristics.color.contours import contour
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_difference import DEFAULT_WEIGHTS
from lots.domain.colorimetry.color_values import Lab
from tests.domain.strategies import numbers
from tests.examples import examples
from tests.tolerances import ON_THE_LIMIT, SAME_FORMULA

REFERENCES = {
    "white": Lab(95.0, -0.8, 1.5),
    "near-neutral black": Lab(18.0, 0.2, -0.1),
    "neutral": Lab(50.0, 0.0, 0.0),
    "red": Lab(45.0, 60.0, 35.0),
    "blue": Lab(30.0, 20.0, -60.0),
    "at the end of the plane": Lab(60.0, 149.5, 0.0),
}
FORMULAS = st.sampled_from([ColorLimits(name) for name in DEFAULT_WEIGHTS] + [ColorLimits("CMC", (1.0, 1.0))])


def radii(points):
    """The distance of each point from the reference."""
    return [math.hypot(*point) for point in points]


@pytest.mark.parametrize("formula", DEFAULT_WEIGHTS)
@pytest.mark.parametrize("dL", [0.0, -0.4])
@pytest.mark.parametrize("reference", list(REFERENCES.values())[:5], ids=list(REFERENCES)[:5])
def test_every_point_lies_at_the_limit(reference, dL, formula):
    """All 180 points of the outline have the limit's difference from the reference, in every formula."""
    rule = ColorLimits(formula)
    points = contour(reference, 1.0, rule, dL)
    assert 180 == len(points)
    for da, db in points:
        sample = Lab(reference.L + dL, reference.a + da, reference.b + db)
        assert pytest.approx(1.0, abs=ON_THE_LIMIT) == rule.delta_e(reference, sample)


@examples(60)
@given(
    st.builds(Lab, numbers(2, 98), numbers(-90, 90), numbers(-90, 90)), numbers(0.2, 5.0), numbers(-1.5, 1.5), FORMULAS
)
def test_a_point_is_at_the_limit_wherever_the_reference_lies(reference, most, dL, rule):
    """For any colour, limit, formula and lightness each point is at the limit, or lightness alone exceeds it and there is no outline."""
    points = contour(reference, most, rule, dL, directions=8)
    if not points:
        assert rule.delta_e(reference, Lab(reference.L + dL, reference.a, reference.b)) >= most
    for da, db in points:
        sample = Lab(reference.L + dL, reference.a + da, reference.b + db)
        assert pytest.approx(most, abs=ON_THE_LIMIT) == rule.delta_e(reference, sample)


@examples(40)
@given(st.sampled_from(list(REFERENCES.values())[:5]), FORMULAS, numbers(0.05, 0.5))
def test_a_wider_limit_or_a_nearer_lightness_has_the_wider_outline(reference, rule, dL):
    """The outline of a wider limit encloses the other, and a plane further from the reference gives a smaller one."""
    level, wider = (radii(contour(reference, most, rule, directions=8)) for most in (1.0, 1.2))
    above = radii(contour(reference, 1.0, rule, dL, directions=8))
    assert all(near < far for near, far in zip(level, wider, strict=True))
    assert all(near < far for near, far in zip(above, level, strict=True))


@pytest.mark.parametrize(("dL", "radius"), [(0.0, 1.0), (0.6, 0.8), (-0.8, 0.6)])
def test_cie76_draws_a_circle(dL, radius):
    """A plane 0.6 above a ball of radius 1 cuts a circle of 0.8 (Pythagoras)."""
    for found in radii(contour(Lab(60, 20, 30), 1.0, ColorLimits("CIE76"), dL, directions=12)):
        assert pytest.approx(radius, abs=ON_THE_LIMIT) == found


def test_cie94_reaches_as_far_along_chroma_as_its_weight_says():
    """Away from grey along chroma the limit lies at S_C = 1 + 0.045 C* = 3.7 for C* = 60 (CIE 116-1995)."""
    da, db = contour(Lab(50, 60, 0), 1.0, ColorLimits("CIE94"))[0]
    assert (pytest.approx(3.7, abs=5 * ON_THE_LIMIT), pytest.approx(0, abs=SAME_FORMULA)) == (da, db)


def test_a_lightness_that_uses_the_limit_up_leaves_nothing():
    """A lightness difference at the limit leaves no outline, and one just below leaves a small outline."""
    rule = ColorLimits("CIE76")
    assert [] == contour(Lab(50, 0, 0), 1.0, rule, dL=1.0)
    assert [] == contour(Lab(50, 0, 0), 1.0, rule, dL=-1.5)
    assert contour(Lab(50, 0, 0), 1.0, rule, dL=0.999)


def test_a_direction_that_ends_before_the_limit_has_no_point():
    """In a direction that ends half a unit from the reference, a limit of 1 has no point; other directions have one."""
    points = contour(REFERENCES["at the end of the plane"], 1.0, ColorLimits("CIE76"), directions=4)
    assert [(0, 1), (-1, 0), (0, -1)] == [(round(da, 5), round(db, 5)) for da, db in points]


@pytest.mark.parametrize(
    ("most", "directions", "dL", "said"),
    [
        (0.0, 180, 0.0, "most is 0.0"),
        (-1.0, 180, 0.0, "most is -1.0"),
        (math.nan, 180, 0.0, "most is nan"),
        (math.inf, 180, 0.0, "most is inf"),
        (1.0, 2, 0.0, "directions is 2"),
        (1.0, 180, 80.0, r"L\* is 130"),
    ],
)
def test_nonsense_is_refused(most, directions, dL, said):
    """A limit of 0, two points, or a plane outside CIELAB is refused."""
    with pytest.raises(ValueError, match=said):
        contour(Lab(50, 0, 0), most, ColorLimits(), dL, directions)
