"""Gauge studies. Sources: the AIAG worked example in the reference file; statsmodels and scipy as second implementations; simulation."""

import itertools
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, chi2
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from lots.domain.instruments.gauge_study import GaugeStudy, Trial, gauge_study
from tests.domain.builders import reference_json
from tests.domain.strategies import numbers, steps
from tests.examples import examples
from tests.tolerances import PRINTED_1, PRINTED_3, PRINTED_4, PRINTED_5, PRINTED_6, SAME_FORMULA, SUM_OF_ROUNDED_6

AIAG = reference_json("gauge_study.json")
SOURCES = ("part", "operator", "interaction", "error")
SETTINGS = examples(60)


def table(found: GaugeStudy) -> dict:
    """Rows of the analysis of variance by name."""
    return {name: getattr(found.anova, name) for name in SOURCES}


def trials(readings) -> list[Trial]:
    """Trials from an array of parts, operators and replicates."""
    y = np.asarray(readings, dtype=float)
    return [Trial(f"P{i:02}", f"O{j}", float(y[i, j, k])) for i, j, k in np.ndindex(*y.shape)]


PUBLISHED = np.transpose(np.array(AIAG["readings"]), (2, 0, 1))
# Invented: 4 plaques, 2 instruments, 3 repeats; b*, with an instrument that reads some plaques otherwise.
INTERACTING = np.array(
    [
        [[1.52, 1.55, 1.50], [1.71, 1.70, 1.74]],
        [[2.10, 2.13, 2.12], [2.05, 2.02, 2.06]],
        [[0.91, 0.95, 0.90], [1.20, 1.22, 1.17]],
        [[3.02, 3.00, 3.05], [3.01, 3.04, 3.02]],
    ]
)


def test_the_published_analysis_of_variance():
    """Sums of squares, degrees of freedom, mean squares and F are those printed by AIAG."""
    printed, found = AIAG["printed"], gauge_study(trials(PUBLISHED))
    for name, row in table(found).items():
        assert pytest.approx(printed["ss"][name], abs=PRINTED_4) == row.ss
        assert printed["df"][name] == row.df
        assert pytest.approx(printed["ms"][name], abs=PRINTED_5) == row.ms
    assert pytest.approx(printed["ss"]["total"], abs=PRINTED_4) == sum(row.ss for row in table(found).values())
    assert pytest.approx(printed["f_interaction"], abs=PRINTED_3) == found.anova.f_interaction


def test_the_published_components():
    """The interaction is pooled, and components, deviations and percentages are those printed by AIAG."""
    printed, found = AIAG["printed"], gauge_study(trials(PUBLISHED))
    assert (True, ()) == (found.pooled, found.cut_off)
    for name, variance in printed["variances"].items():
        assert pytest.approx(variance, abs=SUM_OF_ROUNDED_6) == getattr(found, name)
    deviations = found.standard_deviations
    for name, sd in printed["sd"].items():
        assert pytest.approx(sd, abs=SUM_OF_ROUNDED_6 if name == "gauge" else PRINTED_6) == deviations[name]
        assert pytest.approx(printed["percent_of_total"][name], abs=PRINTED_1) == 100 * sd / deviations["total"]
        contribution = 100 * getattr(found, name) / found.total
        assert pytest.approx(printed["percent_contribution"][name], abs=PRINTED_1) == contribution
    assert pytest.approx(printed["percent_of_total"]["gauge"], abs=PRINTED_1) == found.percent_of_total
    # 1.41 * 1.042327 / 0.302373 = 4.86, cut off.
    assert 4 == found.categories


def test_percent_of_a_tolerance():
    """Six deviations of 0.302373 are 1.814238: 30.2 % of a tolerance 6 wide (AIAG's figure, by hand)."""
    assert pytest.approx(100 * 1.814238 / 6, abs=PRINTED_3) == gauge_study(trials(PUBLISHED)).percent_of_tolerance(6.0)


@pytest.mark.parametrize("readings", [PUBLISHED, INTERACTING], ids=["aiag", "interacting"])
def test_the_table_is_that_of_statsmodels(readings):
    """Sums of squares, degrees of freedom, and F and p of the interaction agree with statsmodels' two-way analysis of variance."""
    given_trials = trials(readings)
    frame = pd.DataFrame([(t.part, t.operator, t.value) for t in given_trials], columns=["part", "who", "value"])
    expected = anova_lm(ols("value ~ C(part) * C(who)", frame).fit(), typ=2)
    found = gauge_study(given_trials)
    rows = {"part": "C(part)", "operator": "C(who)", "interaction": "C(part):C(who)", "error": "Residual"}
    for name, row in table(found).items():
        assert pytest.approx(expected.loc[rows[name], "sum_sq"], rel=SAME_FORMULA) == row.ss
        assert expected.loc[rows[name], "df"] == row.df
    crossed = expected.loc["C(part):C(who)"]
    assert pytest.approx(crossed["F"], rel=SAME_FORMULA) == found.anova.f_interaction
    assert pytest.approx(crossed["PR(>F)"], rel=SAME_FORMULA) == found.anova.p_interaction


def test_components_with_an_interaction():
    """A true interaction is kept: each component is a difference of mean squares over its readings (Montgomery, random effects; second implementation)."""
    found = gauge_study(trials(INTERACTING))
    ms = {name: row.ms for name, row in table(found).items()}
    assert (False, ()) == (found.pooled, found.cut_off)
    assert pytest.approx((ms["interaction"] - ms["error"]) / 3, rel=SAME_FORMULA) == found.interaction
    assert pytest.approx((ms["operator"] - ms["interaction"]) / 12, rel=SAME_FORMULA) == found.operator
    assert pytest.approx((ms["part"] - ms["interaction"]) / 6, rel=SAME_FORMULA) == found.part
    assert ms["error"] == found.repeatability
    assert "With two operators the variance between operators is very uncertain. See the interval." in found.says


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_the_gauge_interval_as_burdick_borror_and_montgomery_print_it(confidence):
    """The limits of gamma_M in mean squares S_O, S_PO and S_E, with G and H from chi-square, are those of Burdick, Borror and Montgomery (2003; scipy)."""
    found, (p, o, r), a = gauge_study(trials(INTERACTING), confidence), INTERACTING.shape, (1 - confidence) / 2
    rows = table(found)
    s2, s3, s4 = (rows[name].ms for name in ("operator", "interaction", "error"))
    df = (o - 1, (p - 1) * (o - 1), p * o * (r - 1))
    g2, g3, g4 = (1 - n / chi2.isf(a, n) for n in df)
    h2, h3, h4 = (n / chi2.ppf(a, n) - 1 for n in df)
    estimate = (s2 + (p - 1) * s3 + p * (r - 1) * s4) / (p * r)
    below = g2**2 * s2**2 + g3**2 * (p - 1) ** 2 * s3**2 + g4**2 * p**2 * (r - 1) ** 2 * s4**2
    above = h2**2 * s2**2 + h3**2 * (p - 1) ** 2 * s3**2 + h4**2 * p**2 * (r - 1) ** 2 * s4**2
    assert pytest.approx(estimate, rel=SAME_FORMULA) == found.gauge
    assert pytest.approx(estimate - math.sqrt(below) / (p * r), rel=SAME_FORMULA) == found.gauge_interval.low
    assert pytest.approx(estimate + math.sqrt(above) / (p * r), rel=SAME_FORMULA) == found.gauge_interval.high
    exact = (df[2] * s4 / chi2.isf(a, df[2]), df[2] * s4 / chi2.ppf(a, df[2]))
    repeats = found.repeatability_interval
    assert pytest.approx(exact, rel=SAME_FORMULA) == (repeats.low, repeats.high)


@pytest.mark.parametrize(("operators", "interaction"), [(1.0, 0.0), (1.0, 1.0), (0.3, 0.3)])
def test_the_gauge_interval_holds_what_it_promises(operators, interaction):
    """In 800 simulated studies of 10 parts, 3 operators, 2 repeats, the 95 % interval contains the true gauge variance in 94 to 97 %."""
    rng, held, studies = np.random.default_rng(20251), 0, 800
    for _ in range(studies):
        y = rng.normal(0, 3, (10, 1, 1)) + rng.normal(0, operators, (1, 3, 1))
        y = y + rng.normal(0, interaction, (10, 3, 1)) + rng.normal(0, 1, (10, 3, 2))
        found = gauge_study(trials(y)).gauge_interval
        held += found.low <= operators**2 + interaction**2 + 1 <= found.high
    seen = binomtest(held, studies).proportion_ci(0.999)
    assert seen.high >= 0.94
    assert seen.low <= 0.97


def test_the_gauge_degrees_of_freedom_lie_between_those_of_its_parts():
    """Satterthwaite's number for AIAG's example is (sum of terms)^2 / sum of (terms^2 / df), by hand from the printed mean squares."""
    pooled = (0.3590 + 2.7589) / 78
    terms = (1.58363 / 30, pooled * 29 / 30)
    expected = sum(terms) ** 2 / (terms[0] ** 2 / 2 + terms[1] ** 2 / 78)
    assert pytest.approx(expected, rel=1e-3) == gauge_study(trials(PUBLISHED)).gauge_df


def test_a_component_below_zero_is_set_to_zero_and_said():
    """Operators with equal means and repeats with spread give a negative estimate: 0, named, with an interval."""
    found = gauge_study(trials([[[1.0, 3.0], [1.0, 3.0]], [[5.0, 7.0], [5.0, 7.0]]]))
    assert (0.0, ("operators",)) == (found.operator, found.cut_off)
    assert "The estimated variance of operators was negative and was set to 0." in found.says
    assert found.gauge_interval.high > found.gauge > 0


def test_readings_that_never_differ_say_so():
    """Where all readings are equal there is no percentage, no category and no degrees of freedom, and a sentence states it."""
    found = gauge_study(trials(np.full((3, 2, 2), 1.75)))
    assert (None, None, None) == (found.percent_of_total, found.categories, found.gauge_df)
    assert any(note.startswith("Replicates never differ") for note in found.says)


def test_repeats_that_never_differ_hide_their_scatter():
    """Where repeats never differ but operators do from part to part, the interaction is kept and the lack of digits stated."""
    found = gauge_study(trials([[[1.7, 1.7], [1.8, 1.8]], [[1.9, 1.9], [1.7, 1.7]]]))
    assert (None, 0.0, False, 0.0) == (
        found.anova.f_interaction,
        found.anova.p_interaction,
        found.pooled,
        found.repeatability,
    )
    assert any(note.startswith("Replicates never differ") for note in found.says)


def test_a_last_bit_is_no_scatter():
    """Repeats that differ by rounding alone, such as 0.1 + 0.2 and 0.3, count as equal."""
    found = gauge_study(trials([[[0.3, 0.1 + 0.2], [0.4, 0.4]], [[0.5, 0.5], [0.7, 0.7]]]))
    assert (0.0, 0.0) == (found.repeatability, found.anova.error.ss)


def without(*gone) -> list[Trial]:
    """AIAG's trials without the repeats of these cells."""
    return [
        t
        for i, t in enumerate(trials(PUBLISHED))
        if not any((t.part, t.operator) == cell and i % 3 < n for *cell_, n in gone for cell in [tuple(cell_)])
    ]


@pytest.mark.parametrize(
    ("study", "says"),
    [
        (without(("P03", "O1", 3)), r"measured 3 times by every operator\. Part 'P03' was not measured by 'O1'$"),
        (without(("P03", "O1", 1)), r"Part 'P03' was measured 2 times by 'O1'$"),
        (
            [*trials(PUBLISHED), Trial("P00", "O0", 0.3)],
            r"measured 3 times by every operator\. Part 'P00' was measured 4 times by 'O0'$",
        ),
        ([Trial("P", who, v) for who in "AB" for v in (1.0, 2.0)], "at least two parts, got 1: P"),
        ([Trial(part, "A", v) for part in "PQ" for v in (1.0, 2.0)], "at least two operators, got 1: A"),
        ([Trial(part, who, 1.0) for part in "PQ" for who in "AB"], "at least two readings of every part"),
        ([], "at least two parts, got 0: none"),
    ],
    ids=["missing", "short", "long", "one-part", "one-operator", "no-repeats", "nothing"],
)
def test_an_incomplete_study_is_refused_by_its_cells(study, says):
    """A missing or uneven cell is named, and a design too small states what is missing."""
    with pytest.raises(ValueError, match=says):
        gauge_study(study)


def test_many_faults_are_counted():
    """Of eight missing cells five are named and three counted."""
    study = without(*((f"P0{i}", "O1", 3) for i in range(8)))
    with pytest.raises(ValueError, match=r"'P04' was not measured by 'O1'\. There are 3 more$"):
        gauge_study(study)


@pytest.mark.parametrize("bad", [(" ", "A", 1.0), ("P", "", 1.0), ("P", "A", math.nan), ("P", "A", math.inf)])
def test_a_trial_refuses_nonsense(bad):
    """Blank names and non-finite values raise."""
    with pytest.raises(ValueError, match=r"name|number"):
        Trial(*bad)


@pytest.mark.parametrize("width", [0.0, -1.0, math.nan, math.inf])
def test_a_tolerance_has_a_width(width):
    """A width that is not a number above 0 raises."""
    with pytest.raises(ValueError, match="width of the tolerance"):
        gauge_study(trials(PUBLISHED)).percent_of_tolerance(width)


@st.composite
def studies(draw) -> np.ndarray:
    """Small crossed studies with a limited resolution."""
    shape = tuple(draw(st.integers(2, 4)) for _ in range(3))
    size = math.prod(shape)
    return np.array(draw(st.lists(steps(0, 5, 0.1), min_size=size, max_size=size))).reshape(shape)


def variances(found: GaugeStudy) -> tuple[float, ...]:
    """Every variance of a study, and the ends of both intervals."""
    ends = (found.repeatability_interval, found.gauge_interval)
    parts = (found.repeatability, found.operator, found.interaction, found.part)
    return (*parts, *itertools.chain.from_iterable((i.low, i.high) for i in ends))


def close(expected, found, factor=1.0) -> None:
    """Compares variances; upper ends for one degree of freedom are a thousand times their inputs."""
    wanted = tuple(variance * factor for variance in variances(expected))
    assert pytest.approx(wanted, rel=SAME_FORMULA, abs=1e3 * SAME_FORMULA * factor) == variances(found)


def on_the_edge(found: GaugeStudy) -> bool:
    """True where rounding decides whether the interaction is pooled."""
    return abs(found.anova.p_interaction - 0.25) < 1e-6


@SETTINGS
@given(y=studies(), add=numbers(-5, 5), by=st.sampled_from((0.01, 7.0, 1000.0)))
def test_moving_and_stretching(y, add, by):
    """A constant added to every reading changes no component; a factor multiplies variances by its square and keeps percentages."""
    found = gauge_study(trials(y))
    if not on_the_edge(found):
        close(found, gauge_study(trials(y + add)))
        stretched = gauge_study(trials(y * by))
        close(found, stretched, by * by)
        assert pytest.approx(found.percent_of_total, abs=1e-4) == stretched.percent_of_total
        assert pytest.approx(found.percent_of_tolerance(1.0), abs=1e-4) == stretched.percent_of_tolerance(by)


@SETTINGS
@given(y=studies(), data=st.data())
def test_order_and_names_do_not_matter(y, data):
    """Trials in another order give the identical result; permuted names of parts, operators and repeats give the same variances."""
    found, given_trials = gauge_study(trials(y)), trials(y)
    close(found, gauge_study(data.draw(st.permutations(given_trials))))
    if not on_the_edge(found):
        p, o, r = (data.draw(st.permutations(range(size))) for size in y.shape)
        close(found, gauge_study(trials(y[np.ix_(p, o, r)])))


@SETTINGS
@given(y=studies(), by=steps(-3, 3, 0.5))
def test_what_is_added_to_one_part_belongs_to_parts(y, by):
    """Shifting all readings of one part leaves operators, interaction and repeats unchanged."""
    moved = y.copy()
    moved[0] += by
    before, after = gauge_study(trials(y)), gauge_study(trials(moved))
    if not on_the_edge(before):
        assert pytest.approx(variances(before)[:3], abs=SAME_FORMULA) == variances(after)[:3]


@SETTINGS
@given(y=studies())
def test_sums_of_squares_add_up(y):
    """The four sums of squares add up to that about the grand mean, degrees of freedom to N - 1, and no variance is negative (Fisher's identity)."""
    found = gauge_study(trials(y))
    assert pytest.approx(((y - y.mean()) ** 2).sum(), abs=SAME_FORMULA) == sum(row.ss for row in table(found).values())
    assert y.size - 1 == sum(row.df for row in table(found).values())
    assert min(variances(found)) >= 0
    assert found.total >= found.gauge >= found.repeatability
