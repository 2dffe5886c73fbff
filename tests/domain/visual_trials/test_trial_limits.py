"""Limits from a visual trial accept nothing outside the tolerance. Sources: geometry of ellipsoids; a random search as second method."""

import math
from functools import cache
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.characteristics.color.lot_color import judge_color, summarise
from lots.domain.colorimetry.color_difference import DEFAULT_WEIGHTS, delta_e
from lots.domain.colorimetry.color_values import Lab
from lots.domain.receiving.coverage import Coverage
from lots.domain.statistics.tolerance_ellipsoid import Tolerance
from lots.domain.visual_trials.trial import Unfitted, fit_trial
from lots.domain.visual_trials.trial_limits import Proposal, propose
from tests.domain.builders import BLACK, SIMPLE, WHITE, color
from tests.domain.strategies import numbers
from tests.domain.visual_trials.trials import FRAME, TRUE, trial
from tests.examples import examples
from tests.tolerances import FOUND_ON_SURFACE

REFERENCES = {"white": WHITE, "black": BLACK, "red": Lab(45.0, 60.0, 35.0), "blue": Lab(30.0, 20.0, -60.0)}
KNOWN = tuple(tuple(1e-6 * v for v in row) for row in np.eye(7).tolist())
FAR = tuple((2.0 * x, 2.0 * y, 2.0 * z) for x, y, z in (*FRAME.T.tolist(), *np.eye(3).tolist()))
WAYS = st.tuples(*[numbers(-1, 1)] * 3).filter(lambda way: math.hypot(*way) > 0.1)


def tolerance(form, covariance=KNOWN, shown=FAR) -> Tolerance:
    """A tolerance of this form, with an intercept of 3 and the border at one half."""
    m = 3 * np.asarray(form)
    parts = (3.0, m[0, 0], m[1, 1], m[2, 2], m[0, 1], m[0, 2], m[1, 2])
    return Tolerance(0.5, 0.95, tuple(float(part) for part in parts), covariance, 1.0, None, shown, 1000)


def axis_parallel(*halves: float) -> Tolerance:
    """A tolerance whose axes are those of L*, a* and b*."""
    return tolerance(np.diag([half**-2 for half in halves]))


@pytest.mark.parametrize(
    ("halves", "says"),
    [
        (
            (0.6, 0.3, 0.8),
            "0.6 in lightness, 0.3 in red-green and 0.8 in yellow-blue, each alone (50 % of judgements at this border). The tolerance is largest (0.8) towards yellower or bluer.",
        ),
        ((0.5, 0.5, 0.5), "The border is about the same in every direction."),
    ],
    ids=["ellipsoid", "sphere"],
)
def test_a_tolerance_says_how_far_it_reaches(halves, says):
    """For an ellipsoid along the coordinates each distance is its half axis; a sphere is the same in all directions."""
    assert axis_parallel(*halves).says.endswith(says)


def test_a_turned_tolerance_names_both_coordinates_of_its_longest_axis():
    """Longest between lightness and yellow: both words, and the opposite direction."""
    turn = math.sqrt(0.5)
    frame = np.array([[turn, 0, turn], [0, 1, 0], [turn, 0, -turn]])
    form = frame @ np.diag([1.0, 4.0, 4.0]) @ frame.T
    assert "largest (1) towards lighter and yellower, or darker and bluer." in tolerance(form).says


@cache
def proposed(name: str, formula: str) -> Proposal:
    """Limits for the turned tolerance at one of the references."""
    found = propose(tolerance(TRUE), REFERENCES[name], formula)
    assert isinstance(found, Proposal)
    return found


def test_a_sphere_is_a_limit_in_the_oldest_formula():
    """Radius 0.8 is CIE76 0.8 on its whole surface; the largest box is a cube of 0.8 / sqrt(3) with 2 / (pi sqrt(3)) of the volume."""
    found = propose(axis_parallel(0.8, 0.8, 0.8), WHITE, "CIE76")
    assert pytest.approx((0.8, 0.8, 0.8), rel=FOUND_ON_SURFACE) == (
        found.delta_e,
        found.delta_e_mean,
        found.delta_e_most,
    )
    assert pytest.approx(1.0, rel=5 * FOUND_ON_SURFACE) == found.kept_by_delta_e
    assert pytest.approx([0.8 / math.sqrt(3)] * 3, rel=FOUND_ON_SURFACE) == found.components
    assert pytest.approx(2 / (math.pi * math.sqrt(3)), rel=5 * FOUND_ON_SURFACE) == found.kept_by_components


def test_of_an_ellipsoid_along_the_coordinates_the_least_axis_is_the_limit():
    """Axes 0.9, 0.4, 0.6: CIE76 0.4 is safe and 0.9 the most; the box has each over the root of 3."""
    found = propose(axis_parallel(0.9, 0.4, 0.6), WHITE, "CIE76")
    assert pytest.approx((0.4, 0.9), rel=FOUND_ON_SURFACE) == (found.delta_e, found.delta_e_most)
    assert pytest.approx([half / math.sqrt(3) for half in (0.9, 0.4, 0.6)], rel=FOUND_ON_SURFACE) == found.components


def test_an_ellipsoid_shaped_like_the_formula_is_kept_whole():
    """CIE94's own ellipsoid at a red: half axes S along lightness, chroma and hue (CIE 116-1995), so a limit of 0.5 keeps nearly all of it.

    The formula is a quadratic form only nearby: its curvature costs 2 %.
    """
    red = REFERENCES["red"]
    sizes = np.array([1.0, 1 + 0.045 * red.chroma, 1 + 0.015 * red.chroma]) / 2
    c, s = red.a / red.chroma, red.b / red.chroma
    frame = np.array([[1, 0, 0], [0, c, -s], [0, s, c]])
    shown = tuple((3 * x, 3 * y, 3 * z) for x, y, z in frame.T.tolist())
    found = propose(tolerance(frame @ np.diag(sizes**-2) @ frame.T, shown=shown), red, "CIE94")
    assert pytest.approx(0.5, rel=0.02) == found.delta_e
    assert found.kept_by_delta_e > 0.95


@pytest.mark.parametrize("formula", DEFAULT_WEIGHTS)
@pytest.mark.parametrize("name", REFERENCES)
def test_what_the_difference_accepts_lies_in_the_tolerance(name, formula):
    """Of 2000 colours about the reference, none within the proposed difference lies outside, and none inside exceeds the most (seed 1)."""
    found, reference, form = proposed(name, formula), REFERENCES[name], TRUE
    points = np.random.default_rng(1).uniform(-1, 1, (2000, 3))
    inside = np.einsum("ij,jk,ik->i", points, form, points) <= 1
    far = [
        delta_e(reference, Lab(reference.L + L, reference.a + a, reference.b + b), formula)
        for L, a, b in points.tolist()
    ]
    assert all(inside[number] for number, size in enumerate(far) if size <= found.delta_e)
    assert all(size <= found.delta_e_most for number, size in enumerate(far) if inside[number])
    assert 0 < found.delta_e < found.delta_e_mean < found.delta_e_most
    assert 0 < found.kept_by_delta_e < 1


@pytest.mark.parametrize("name", REFERENCES)
def test_the_difference_is_the_largest_that_does(name):
    """One thousandth more would accept a colour outside, the surface point of least difference (CIE94, 20,000 directions)."""
    found, reference = proposed(name, "CIE94"), REFERENCES[name]
    ways = np.random.default_rng(2).normal(size=(20_000, 3))
    points = ways / np.sqrt(np.einsum("ij,jk,ik->i", ways, TRUE, ways))[:, None]
    # Far fewer are needed where the formula is smooth: the best hundred by its quadratic form nearby are enough.
    form = np.array([[_square(reference, i, j) for j in range(3)] for i in range(3)])
    best = points[np.argsort(np.einsum("ij,jk,ik->i", points, form, points))[:100]]
    least = min(
        delta_e(reference, Lab(reference.L + L, reference.a + a, reference.b + b), "CIE94") for L, a, b in best.tolist()
    )
    assert pytest.approx(least, rel=1e-3) == found.delta_e
    assert found.delta_e <= least


def _square(reference: Lab, i: int, j: int, step: float = 1e-3) -> float:
    """Part (i, j) of the quadratic form that CIE94 is near the reference, by polarisation."""

    def size(*apart: float) -> float:
        L, a, b = apart
        return (delta_e(reference, Lab(reference.L + L, reference.a + a, reference.b + b), "CIE94") / step) ** 2

    one, other = step * np.eye(3)[i], step * np.eye(3)[j]
    return (size(*(one + other)) - size(*(one - other))) / 4


def test_every_corner_of_the_box_lies_inside_and_one_on_the_surface():
    """The eight corners have a form of at most 1, the outermost of 1."""
    half = proposed("white", "CIE76").components
    corners = [np.array(signs) * half for signs in product((-1, 1), repeat=3)]
    forms = [float(corner @ TRUE @ corner) for corner in corners]
    assert max(forms) <= 1
    assert pytest.approx(1.0, rel=3 * FOUND_ON_SURFACE) == max(forms)


@examples(25)
@given(WAYS, WAYS, st.tuples(*[numbers(0.2, 1.2)] * 3))
def test_no_box_that_fits_is_larger(one, other, halves):
    """No box of 3000 random shapes, each as large as fits, has more volume (seed 1)."""
    frame = np.linalg.qr(np.stack([one, other, np.cross(one, other)]) + 1e-3 * np.eye(3))[0]
    form = frame @ np.diag([half**-2.0 for half in halves]) @ frame.T
    found = propose(tolerance(form, shown=tuple(map(tuple, (3 * frame.T).tolist()))), WHITE, "CIE76")
    shapes = np.exp(np.random.default_rng(1).normal(0, 0.6, (3000, 3))) * found.components
    signs = np.array(list(product((-1, 1), repeat=3)))
    corners = shapes[:, None, :] * signs[None, :, :]
    outermost = np.einsum("nsi,ij,nsj->ns", corners, form, corners).max(axis=1)
    volumes = shapes.prod(axis=1) / outermost**1.5
    assert volumes.max() <= math.prod(found.components) * (1 + 1e-3)


@examples(10)
@given(st.sampled_from(("CIE76", "CIEDE2000")), numbers(0.3, 0.95))
def test_a_smaller_tolerance_gives_smaller_limits(formula, shrunk):
    """Shrunk in every direction, every limit shrinks."""
    large, small = (propose(tolerance(TRUE / size**2), WHITE, formula) for size in (1.0, shrunk))
    assert small.delta_e < large.delta_e
    assert all(less < more for less, more in zip(small.components, large.components, strict=True))


@pytest.mark.parametrize("by", ["by_delta_e", "by_components"])
def test_a_lot_is_judged_by_the_proposed_limits(by):
    """As limits they pass the reference, and no lot outside the tolerance; they are truncated to two decimals."""
    found = proposed("white", "CIEDE2000")
    limits = getattr(found, by)()
    rng, accepting = np.random.default_rng(3), tolerance(TRUE)

    def verdicts(apart):
        lab = (WHITE.L + apart[0], WHITE.a + apart[1], WHITE.b + apart[2])
        judged = judge_color(summarise([color("A", *lab)]), WHITE, limits, Coverage.of(1, 1), SIMPLE)
        return {finding.verdict for finding in judged}

    assert {"pass"} == verdicts((0.0, 0.0, 0.0))
    for apart in rng.uniform(-1.2, 1.2, (200, 3)).tolist():
        assert accepting.contains(apart) or "fail" in verdicts(apart)
    asked = [limits.lot_max] if by == "by_delta_e" else [limits.components_max[name] for name in "Lab"]
    for limit, exact in zip(asked, [found.delta_e] if by == "by_delta_e" else found.components, strict=True):
        assert limit == round(limit, 2)
        assert 0 <= exact - limit < 0.01


def test_from_a_trial_to_limits():
    """A simulated trial of 200 plaques by 20 judgements gives limits within 10 % of those that the true tolerance gives (seed 9)."""
    found = propose(fit_trial(trial(np.random.default_rng(9), 200, 20)), WHITE)
    true = proposed("white", "CIEDE2000")
    assert pytest.approx(true.delta_e, rel=0.1) == found.delta_e
    assert pytest.approx(true.components, rel=0.1) == found.components


def test_an_axis_without_an_upper_end_gives_no_limits():
    """Where the tolerance is unbounded no limit is proposed, and the direction is named."""
    vague = tuple(tuple(v * (1e7 if i == j == 2 else 1) for j, v in enumerate(row)) for i, row in enumerate(KNOWN))
    found = propose(tolerance(np.eye(3), vague), WHITE)
    assert isinstance(found, Unfitted)
    assert found.why.startswith("The tolerance is unbounded along")


def test_an_axis_beyond_every_plaque_gives_no_limits():
    """A half axis of 0.9 with plaques up to 0.8 is extrapolated."""
    near = tuple((0.8 * x, 0.8 * y, 0.8 * z) for x, y, z in np.eye(3).tolist())
    found = propose(tolerance(np.diag([0.9**-2, 4.0, 4.0]), shown=near), WHITE)
    assert isinstance(found, Unfitted)
    assert (
        "ends 0.90 from the reference along (dL* 1.00, da* 0.00, db* 0.00), beyond every plaque shown (0.80)"
        in found.why
    )


def test_limits_too_fine_to_write_are_refused():
    """A tolerance of a hundredth of a unit cannot be written with two decimals."""
    tiny = propose(axis_parallel(0.009, 0.009, 0.009), WHITE, "CIE76")
    for by in (tiny.by_delta_e, tiny.by_components):
        with pytest.raises(ValueError, match="finer than any instrument resolves"):
            by()


@pytest.mark.parametrize(
    ("reference", "formula", "weights", "says"),
    [
        (WHITE, "CIE2000", None, "formula is 'CIE2000'"),
        (WHITE, "CMC", (2.0,), "takes 2 weights"),
        (Lab(0.2, 0.0, 0.0), "CIE76", None, r"L\* is -"),
    ],
)
def test_nonsense_is_refused(reference, formula, weights, says):
    """An invalid formula or weights, and a tolerance below black, are rejected."""
    with pytest.raises(ValueError, match=says):
        propose(axis_parallel(0.5, 0.5, 0.5), reference, formula, weights)
