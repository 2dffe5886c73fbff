"""Bias and linearity. Sources: the AIAG linearity example in the reference file; scipy and statsmodels as independent implementations."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import linregress, ttest_1samp
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from lots.domain.instruments.linearity import Artefact, bias, linearity
from tests.domain.builders import reference_json
from tests.domain.strategies import numbers, steps
from tests.examples import examples
from tests.tolerances import PRINTED_1, PRINTED_3, PRINTED_5, PRINTED_6, SAME_FORMULA

AIAG = reference_json("linearity.json")
SETTINGS = examples(60)


def artefacts(readings: dict[float, list[float]]) -> list[Artefact]:
    """Artefacts named after their reference values."""
    return [Artefact(f"{reference:g}", reference, tuple(values)) for reference, values in readings.items()]


PUBLISHED = artefacts({row["reference"]: row["readings"] for row in AIAG["artefacts"]})
# Invented: a micrometer on four pins, read unequally often; mm.
PINS = artefacts(
    {1.0: [1.001, 1.002, 1.001], 1.5: [1.5, 1.502], 1.75: [1.749, 1.751, 1.75, 1.752], 3.0: [2.996, 2.997]}
)


def frame(studied: list[Artefact]) -> pd.DataFrame:
    """Reference values and biases, a row per reading."""
    return pd.DataFrame([(a.reference, b) for a in studied for b in a.biases], columns=["x", "y"])


def test_the_published_line():
    """Slope, intercept, their t, residual standard deviation, R squared and mean biases are as AIAG prints them."""
    printed, found = AIAG["printed"], linearity(PUBLISHED)
    assert pytest.approx(printed["slope"], abs=PRINTED_6) == found.slope.value
    assert pytest.approx(printed["intercept"], abs=PRINTED_6) == found.intercept.value
    assert pytest.approx(printed["s"], abs=PRINTED_5) == found.residual_sd
    assert pytest.approx(printed["t_slope"], abs=PRINTED_3) == found.slope.t
    assert pytest.approx(printed["t_intercept"], abs=PRINTED_3) == found.intercept.t
    assert pytest.approx(printed["r_squared_percent"], abs=PRINTED_1) == 100 * found.r_squared
    assert pytest.approx(printed["biases"], abs=PRINTED_6) == [one.value for one in found.biases]
    assert pytest.approx(printed["average_bias"], abs=PRINTED_6) == found.average.value
    assert (58, 60) == (found.slope.df, found.n)


@pytest.mark.parametrize("studied", [PUBLISHED, PINS], ids=["aiag", "pins"])
def test_the_line_is_scipys(studied):
    """Slope, intercept, standard errors and p agree with scipy's linregress."""
    points, found = frame(studied), linearity(studied)
    expected = linregress(points.x, points.y)
    assert pytest.approx((expected.slope, expected.stderr), rel=SAME_FORMULA) == (
        found.slope.value,
        found.slope.standard_error,
    )
    assert pytest.approx((expected.intercept, expected.intercept_stderr), rel=SAME_FORMULA) == (
        found.intercept.value,
        found.intercept.standard_error,
    )
    assert pytest.approx(expected.pvalue, rel=1e-6) == found.slope.p
    assert pytest.approx(expected.rvalue**2, rel=SAME_FORMULA) == found.r_squared


@pytest.mark.parametrize("studied", [PUBLISHED, PINS], ids=["aiag", "pins"])
@pytest.mark.parametrize("confidence", [0.9, 0.99])
def test_band_and_intervals_are_those_of_statsmodels(studied, confidence):
    """The band at each reference value, and the coefficients' intervals, agree with statsmodels' least squares."""
    points, found = frame(studied), linearity(studied, confidence)
    model = ols("y ~ x", points).fit()
    bands = model.get_prediction(pd.DataFrame({"x": [a.reference for a in studied]})).conf_int(alpha=1 - confidence)
    for artefact, (low, high) in zip(studied, bands, strict=True):
        at = found.at(artefact.reference).interval
        assert pytest.approx((low, high), rel=SAME_FORMULA, abs=SAME_FORMULA) == (at.low, at.high)
    ends = model.conf_int(1 - confidence)
    for name, estimate in (("Intercept", found.intercept), ("x", found.slope)):
        expected = tuple(ends.loc[name])
        assert pytest.approx(expected, rel=SAME_FORMULA) == (estimate.interval.low, estimate.interval.high)


@pytest.mark.parametrize("studied", [PUBLISHED, PINS], ids=["aiag", "pins"])
def test_lack_of_fit_and_average_are_those_of_statsmodels(studied):
    """Lack of fit is the F test against a mean per artefact; the standard error of the average is that model's over root n."""
    points, found = frame(studied), linearity(studied)
    line, means = ols("y ~ x", points).fit(), ols("y ~ C(x)", points).fit()
    assert pytest.approx(anova_lm(line, means)["Pr(>F)"].iloc[1], rel=1e-6) == found.lack_of_fit_p
    assert pytest.approx(math.sqrt(means.mse_resid / len(points)), rel=SAME_FORMULA) == found.average.standard_error
    assert means.df_resid == found.average.df


@pytest.mark.parametrize("artefact", [*PUBLISHED, *PINS], ids=lambda a: f"{a.code}-{len(a.readings)}")
def test_bias_on_one_artefact_is_a_t_test(artefact):
    """Bias, t, p and interval are those of scipy's one-sample test against the reference value."""
    found, expected = bias(artefact, 0.9), ttest_1samp(artefact.readings, artefact.reference)
    assert pytest.approx(np.mean(artefact.readings) - artefact.reference, abs=SAME_FORMULA) == found.value
    assert pytest.approx((expected.statistic, expected.pvalue), rel=SAME_FORMULA, abs=SAME_FORMULA) == (
        found.t,
        found.p,
    )
    ends = expected.confidence_interval(0.9)
    moved = (ends.low - artefact.reference, ends.high - artefact.reference)
    assert pytest.approx(moved, abs=SAME_FORMULA) == (found.interval.low, found.interval.high)


def test_a_bent_bias_lacks_fit():
    """A bias that increases and decreases again has no slope, but a significant lack of fit."""
    bent = linearity(artefacts({1.0: [1.0, 1.01], 2.0: [2.5, 2.51], 3.0: [3.0, 3.01]}))
    assert pytest.approx(0, abs=SAME_FORMULA) == bent.slope.value
    assert bent.lack_of_fit_p < 0.001
    assert linearity(PUBLISHED).lack_of_fit_p > 0.25


def test_readings_that_do_not_scatter_are_not_judged():
    """Readings exactly on a line have no t and no p; a constant bias has no R squared."""
    found = linearity(artefacts({1.0: [1.1, 1.1], 2.0: [2.1, 2.1], 3.0: [3.1, 3.1]}))
    assert (None, None, None, None) == (found.slope.t, found.slope.p, found.r_squared, found.lack_of_fit_p)
    assert (None, None) == (found.average.t, found.biases[0].p)
    assert pytest.approx(0.1) == found.at(1.7).value


def test_two_reference_values_cannot_show_a_bend():
    """Two reference values give a line without a lack-of-fit test."""
    assert linearity(PINS[:2]).lack_of_fit_p is None


def test_nonsense_is_refused():
    """One reference value, one reading, an invalid number, or a value outside the range raise."""
    for few in ([], PINS[:1], [PINS[0], Artefact("twin", 1.0, (1.0, 1.1))]):
        with pytest.raises(ValueError, match="two artefacts of different reference value"):
            linearity(few)
    with pytest.raises(ValueError, match="at least 2 readings, got 1"):
        Artefact("tile", 1.0, (1.0,))
    for bad in ((math.nan, (1.0, 1.1)), (1.0, (1.0, math.inf))):
        with pytest.raises(ValueError, match="must be numbers"):
            Artefact("tile", *bad)
    for outside in (0.99, 3.01, math.nan):
        with pytest.raises(ValueError, match="outside the range of the study, 1 to 3"):
            linearity(PINS).at(outside)


STUDIES = st.lists(
    st.tuples(steps(0, 10, 0.5), st.lists(steps(-1, 1, 0.05), min_size=2, max_size=5)), min_size=2, max_size=6
)


@SETTINGS
@given(rows=STUDIES, add=numbers(-2, 2), tilt=numbers(-0.5, 0.5), data=st.data())
def test_laws_of_the_line(rows, add, tilt, data):
    """A constant changes intercept and average only; a tilt adds to the slope; order does not matter; the band is narrowest inside."""
    assume(len({x for x, _ in rows}) > 1)

    def studied(shift=0.0, slope=0.0):
        return [Artefact(str(i), x, tuple(x + y + shift + slope * x for y in ys)) for i, (x, ys) in enumerate(rows)]

    found, moved, tilted = linearity(studied()), linearity(studied(shift=add)), linearity(studied(slope=tilt))
    shuffled = linearity(data.draw(st.permutations(studied())))
    close = {"abs": 1e-7}
    assert pytest.approx((found.slope.value, found.residual_sd), **close) == (moved.slope.value, moved.residual_sd)
    assert pytest.approx(found.intercept.value + add, **close) == moved.intercept.value
    assert pytest.approx(found.average.value + add, **close) == moved.average.value
    assert pytest.approx((found.slope.value + tilt, found.residual_sd), **close) == (
        tilted.slope.value,
        tilted.residual_sd,
    )
    assert pytest.approx((found.slope.value, found.average.standard_error), **close) == (
        shuffled.slope.value,
        shuffled.average.standard_error,
    )
    middle = found.at((found.low + found.high) / 2).standard_error
    assert middle <= max(found.at(found.low).standard_error, found.at(found.high).standard_error) + SAME_FORMULA
