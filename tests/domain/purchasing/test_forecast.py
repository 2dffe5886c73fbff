"""Forecast of the next lot's acceptance. Sources: scipy's beta and normal distributions as second implementations; laws with fixed draws."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta, norm
from scipy.stats import t as student

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_difference import delta_e
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.limits import Limit
from lots.domain.purchasing import forecast
from lots.domain.purchasing.forecast import (
    LEAST_LOTS,
    ColorModel,
    Forecast,
    History,
    by_measures,
    by_verdicts,
    metric_at,
)
from lots.domain.purchasing.next_value import next_value
from lots.domain.statistics import changing_level
from lots.domain.statistics.changing_level import outlook
from tests.domain.builders import WHITE
from tests.domain.strategies import steps
from tests.examples import examples
from tests.tolerances import DRAWN_SHARE, QUADRATIC_FORM, SAME_FORMULA, SAME_SUM

SETTINGS = examples(60)
# Ten lots: mean 0, standard deviation 0.2.
AROUND_ZERO = [0.2, -0.1, 0.3, -0.2, 0.1, -0.3, 0.15, -0.15, 0.2, -0.2]
STEADY = History(AROUND_ZERO)
WIDE, NONE_ELSE = Limit(-9.0, 9.0), (10, 10)
# 10 of 10 lots had no other failure: (10 + 1/2) / (10 + 1) by Jeffreys' prior.
ELSE = 10.5 / 11


def asked(measures, color=None, otherwise=NONE_ELSE, seed=1, **more) -> Forecast | None:
    """The forecast with draws of one seed."""
    return by_measures(measures, color, otherwise, np.random.default_rng(seed), **more)


def share(history: History, limit: Limit, **more) -> float:
    """The probability of one measure alone."""
    return dict(asked({"shrinkage.x": (history, limit)}, **more).parts)["shrinkage.x"]


@pytest.mark.parametrize(("accepted", "inspected"), [(0, 1), (1, 1), (2, 2), (3, 7), (7, 7), (0, 5)])
@pytest.mark.parametrize("confidence", [0.8, 0.95])
def test_few_verdicts_alone(accepted, inspected, confidence):
    """The probability is the mean of the beta distribution with Jeffreys' prior, and the interval its central part (scipy)."""
    found = by_verdicts([True] * accepted + [False] * (inspected - accepted), confidence)
    posterior = beta(accepted + 0.5, inspected - accepted + 0.5)
    tail = (1 - confidence) / 2
    low = 0.0 if accepted == 0 else posterior.ppf(tail)
    high = 1.0 if accepted == inspected else posterior.ppf(1 - tail)
    assert pytest.approx(posterior.mean(), abs=SAME_SUM) == found.probability
    assert pytest.approx((low, high), rel=SAME_FORMULA) == (found.interval.low, found.interval.high)
    assert ("verdicts", inspected, ()) == (found.model, found.lots, found.parts)


def test_no_verdict_says_nothing():
    """Without a concluded lot there is no forecast, not one half."""
    assert Forecast(None, None, "none", 0, ()) == by_verdicts([])


def test_far_inside_all_limits_only_the_rest_can_fail():
    """Where no measurement is near a limit the probability is that of other failures: 10.5 / 11 (Jeffreys)."""
    found = asked({"shrinkage.x": (STEADY, WIDE), "bond.mean": (STEADY, Limit(-9.0, None))})
    assert pytest.approx(ELSE, abs=DRAWN_SHARE) == found.probability
    assert {"everything else", "shrinkage.x", "bond.mean"} == {name for name, _ in found.parts}
    assert ("everything else", "measured", 10) == (found.parts[0][0], found.model, found.lots)


def test_far_outside_a_limit_nothing_passes():
    """Lots 25 standard deviations beyond a limit have almost no probability, and that measure is named."""
    found = asked({"shrinkage.x": (STEADY, WIDE), "shrinkage.y": (STEADY, Limit(5.0, None))})
    assert found.probability < 1e-6
    assert "shrinkage.y" == found.parts[0][0]
    assert found.interval.high < 1e-3


@pytest.mark.parametrize("limit", [Limit(None, 0.3), Limit(-0.1, None), Limit(-0.4, 0.4), Limit(0.1, 0.2)], ids=str)
def test_the_next_lot_follows_the_outlook(limit):
    """Level, spread and kind of supply are uncertain, so the next lot follows a mixture of Student's t (scipy)."""
    seen = outlook(AROUND_ZERO)
    scale = np.sqrt(seen.squares / seen.df * (seen.doubt + seen.around))
    ends = (-math.inf if limit.low is None else limit.low, math.inf if limit.high is None else limit.high)
    below = [seen.weights @ student.cdf(end, seen.df, loc=seen.level, scale=scale) for end in ends]
    assert pytest.approx(below[1] - below[0], abs=DRAWN_SHARE) == share(STEADY, limit)


def test_a_trend_towards_the_limit_makes_it_less_likely():
    """Lots whose trend crosses the limit next are less likely to pass than lots with equal spread about their mean."""
    values = [0.1 * i + v / 10 for i, v in enumerate(AROUND_ZERO)]
    limit = Limit(None, 0.95)
    assert share(History(values), limit) < 0.2
    assert share(History(sorted(values, key=lambda v: math.sin(99 * v))), limit) > 0.7


def test_after_a_step_lots_count_from_there():
    """After ten lots about 0 and ten about 2 the next lies about 2 with the step's place; a limit half-way passes nothing."""
    found = next_value(History([*AROUND_ZERO, *(2 + v for v in AROUND_ZERO)]))
    assert ("step", (10, 10)) == (found.pattern, found.changed)
    assert 1.2 < found.interval.low < 2 < found.interval.high < 2.8
    assert share(History([*AROUND_ZERO, *(2 + v for v in AROUND_ZERO)]), Limit(None, 1.0)) < 0.01


def test_a_steady_supplier_keeps_all_its_lots():
    """A steady supplier has no change, and its interval is little wider than Student's over all lots."""
    values = AROUND_ZERO * 3
    found = next_value(History(values))
    half = student.isf(0.025, 29) * np.std(values, ddof=1) * math.sqrt(1 + 1 / 30)
    assert None is found.changed
    assert 2 * half < found.interval.high - found.interval.low < 2.3 * half


def test_a_suspected_step_widens_the_interval():
    """Three last lots that deviate a little widen the interval more than the same lots elsewhere."""
    off = [0.35, 0.4, 0.3]
    late, early = (
        next_value(History(values)) for values in ([*AROUND_ZERO, *off], [*AROUND_ZERO[:5], *off, *AROUND_ZERO[5:]])
    )
    assert late.interval.high > early.interval.high + 0.05
    assert late.suspected > 0.2 > early.suspected


def test_lots_without_scatter_pass_or_fail():
    """Equal lots on their limit pass, and a little beyond it fail."""
    equal = History([0.5] * 8)
    assert (1.0, 0.0) == (share(equal, Limit(None, 0.5)), share(equal, Limit(None, 0.5 - 1e-6)))


@pytest.mark.parametrize("n", [0, LEAST_LOTS - 1])
def test_too_few_lots_of_every_measure_say_nothing(n):
    """With fewer than five lots of every measure, or no assessed measure, there is no forecast from figures."""
    few = History(AROUND_ZERO[:n])
    color = ColorModel((few, STEADY, STEADY), WHITE, ColorLimits(lot_max=1.0))
    assert None is asked({"shrinkage.x": (few, WIDE)}, color)
    assert None is asked({})


def test_measures_with_too_few_lots_are_left_out():
    """Measures with enough lots are used, and the number of lots is the smallest of these."""
    found = asked(
        {"shrinkage.x": (History(AROUND_ZERO[:4]), WIDE), "bond.mean": (History(AROUND_ZERO[:5]), WIDE)},
        ColorModel((STEADY,) * 3, WHITE, ColorLimits(lot_max=9.0)),
    )
    assert {"bond.mean", "color", "everything else"} == {name for name, _ in found.parts}
    assert 5 == found.lots


MEASURES = {"diameter.mean": (History([1.75 + v / 10 for v in AROUND_ZERO], 0.02, 20, 3), Limit(1.70, 1.80))}
WHITES = ColorModel((History(AROUND_ZERO, 0.3, 20, 3),) * 3, WHITE, ColorLimits(lot_max=1.0, spool_max=1.2))


def test_the_same_seed_answers_the_same():
    """The same seed gives identical results, and another similar ones."""
    one, again, other = (asked(MEASURES, WHITES, seed=seed) for seed in (1, 1, 2))
    assert one == again
    assert one != other
    assert pytest.approx(one.probability, abs=DRAWN_SHARE) == other.probability


def test_the_parts_multiply_and_the_weakest_is_first():
    """The parts are independent, so their product is about the whole; the weakest comes first."""
    found = asked(MEASURES, WHITES)
    shares = [share for _, share in found.parts]
    assert sorted(shares) == shares
    assert pytest.approx(math.prod(shares), abs=DRAWN_SHARE) == found.probability
    assert found.interval.low < found.probability < found.interval.high


VALUES = st.lists(steps(-1, 1, 0.05), min_size=LEAST_LOTS, max_size=15)


@SETTINGS
@given(values=VALUES, high=steps(-1, 1.5, 0.1), by=steps(0, 1, 0.1))
def test_a_wider_limit_never_lowers_the_probability(values, high, by):
    """With fixed draws a wider limit never lowers the probability, for figures, spools and colours."""
    history = History(values, 0.2, 10, 3)
    narrow, wide = (Limit(high - 1.5 - more, high + more) for more in (0.0, by))
    most = 0.2 + abs(high)
    colors = [
        ColorModel((history,) * 3, WHITE, ColorLimits(lot_max=m, spool_max=m, components_max=dict.fromkeys("Lab", m)))
        for m in (most, most + by)
    ]
    with pytest.MonkeyPatch.context() as few:
        few.setattr(forecast, "SUPPLIERS", 50)
        few.setattr(forecast, "LOTS_EACH", 20)
        before, after = (
            asked({"shrinkage.x": (history, limit), "diameter.mean": (history, limit)}, color)
            for limit, color in ((narrow, colors[0]), (wide, colors[1]))
        )
    assert before.probability <= after.probability + SAME_SUM
    for name, part in before.parts:
        assert part <= dict(after.parts)[name] + SAME_SUM


def test_every_spool_must_keep_to_the_diameter():
    """More measured spools with more spread make a spool beyond the limit likelier.

    With within-lot deviation 0.02 and three spools about a known lot mean of 1.75, each lies within 0.03 as a normal with
    deviation 0.02 sqrt(2/3) (scipy). They sum to zero, so all three pass together about as often as the exact double integral.
    """
    exactly = [1.75] * 8
    limit = Limit(1.72, 1.78)

    def of(spools: int, within: float) -> float:
        history = History(exactly, within**2 * 10_000, 10_000, spools)
        return dict(asked({"diameter.mean": (history, limit)}).parts)["diameter.mean"]

    grid = np.linspace(-0.15, 0.15, 601)
    x, y = np.meshgrid(grid, grid)
    # Three normal values less their mean: two of them, x and y, are jointly normal with correlation -1/2; the third is -x - y.
    scale = 0.02 * math.sqrt(2 / 3)
    density = np.exp(-(x**2 + x * y + y**2) / (2 * scale**2 * 0.75))
    inside = (abs(x) <= 0.03) & (abs(y) <= 0.03) & (abs(x + y) <= 0.03)
    expected = float((density * inside).sum() / density.sum())
    assert pytest.approx(expected, abs=DRAWN_SHARE) == of(3, 0.02)
    assert of(3, 0.02) > of(6, 0.02) > of(6, 0.04)
    assert (1.0, 1.0) == (of(1, 0.04), share(History(exactly, 4.0, 10_000, 3), limit))


def test_colours_are_judged_in_all_ways_at_once(monkeypatch):
    """A lot's colour passes with its difference, its components and its spools.

    For CIE76 the first is a chi-square with 3 degrees of freedom. The level is steady here, so only spread remains.
    """
    monkeypatch.setattr(changing_level, "PRIOR", {"steady": 1.0, "step": 1e-99, "wandering": 1e-99, "trend": 1e-99})
    wide = History((np.array(AROUND_ZERO) - np.mean(AROUND_ZERO)).tolist() * 40)
    sd = float(np.std(wide.values, ddof=1))

    def of(**limits) -> float:
        return dict(asked({}, ColorModel((wide,) * 3, WHITE, ColorLimits("CIE76", **limits))).parts)["color"]

    r = 0.4 / sd
    expected = math.erf(r / math.sqrt(2)) - math.sqrt(2 / math.pi) * r * math.exp(-(r**2) / 2)
    assert pytest.approx(expected, abs=DRAWN_SHARE) == of(lot_max=0.4)
    one = float(np.diff(norm.cdf([-r, r]))[0])
    assert pytest.approx(one, abs=DRAWN_SHARE) == of(components_max={"b": 0.4})
    assert pytest.approx(one**2, abs=DRAWN_SHARE) == of(components_max={"L": 0.4, "b": 0.4})
    assert 1.0 == of()
    assert of(lot_max=0.4, spool_max=0.3) < of(lot_max=0.4)


@pytest.mark.parametrize("formula", ["CIE76", "CIE94", "CIEDE2000", "CMC"])
@pytest.mark.parametrize("at", [WHITE, Lab(18.0, 0.1, -0.4), Lab(55.0, 60.0, 35.0)], ids=["white", "black", "red"])
def test_the_quadratic_form_follows_the_formula(formula, at):
    """In any direction a symmetric positive form reproduces a difference of half a unit."""
    limits = ColorLimits(formula)
    form = metric_at(at, limits)
    assert (form == form.T).all()
    assert np.linalg.eigvalsh(form).min() > 0
    for way in np.random.default_rng(1).normal(size=(30, 3)):
        step = 0.5 * way / np.linalg.norm(way)
        there, back = (delta_e(at, Lab(*(np.array(at.as_list()) + sign * step)), formula) for sign in (1, -1))
        assert pytest.approx(math.sqrt((there**2 + back**2) / 2), rel=QUADRATIC_FORM) == math.sqrt(step @ form @ step)


def test_a_confidence_is_that_of_the_interval():
    """A higher confidence gives a wider interval about the same probability."""
    narrow, wide = (asked(MEASURES, confidence=confidence) for confidence in (0.5, 0.99))
    assert narrow.probability == wide.probability
    assert wide.interval.low < narrow.interval.low < narrow.interval.high < wide.interval.high
    assert pytest.approx(0.5, abs=SAME_FORMULA) == narrow.interval.confidence
