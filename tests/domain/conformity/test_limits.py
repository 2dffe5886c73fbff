"""Comparison of a value with a limit. Sources: JCGM 106:2012, 8.2 and 8.3, with cases in the reference file; the ends are this project's rule."""

import itertools
import math

import pytest

from lots.domain.conformity.findings import LABELS, Finding, shown, worst
from lots.domain.conformity.judgement import Measured, judge
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule, Limit
from tests.domain.builders import GUARDED, SIMPLE, judged, reference_json

CASES = reference_json("uncertainty_decisions.json")["cases"]
CODE = "color.lot_delta_e"
# Guard bands of the reference file in standard uncertainties, U being 2 u.
BANDS = {"g_1_645u": 1.644853626951472, "g_U": 2.0, "g_0_83U": 1.66}


def verdict(value, limit, rule=SIMPLE, **more):
    """The verdict alone."""
    return judged(CODE, value, limit, rule, **more).verdict


@pytest.mark.parametrize(
    ("limit", "inside", "outside"),
    [
        (Limit(None, 1.0), [1.0, 0.999999, -50.0], [1.000001, 1.0016]),
        (Limit(20.0, None, "MPa"), [20.0, 20.000001, 1e6], [19.999999]),
        (Limit(1.7, 1.8, "mm"), [1.7, 1.700001, 1.799999, 1.8], [1.699999, 1.800001]),
        (Limit(0.3, 0.3), [0.3], [0.300001, 0.299999]),
        (Limit(None, 0.05, "mm"), [1.80 - 1.75, 2.85 - 2.80, 0.1 + 0.2 - 0.25], [0.0500001]),
    ],
    ids=["upper", "lower", "both", "one-point", "last-bit"],
)
def test_ends_are_inside_and_just_beyond_them_is_not(limit, inside, outside):
    """A value at, and just inside, an end passes; one a millionth beyond fails; rounding noise decides nothing."""
    assert ["pass"] * len(inside) == [verdict(value, limit) for value in inside]
    assert ["fail"] * len(outside) == [verdict(value, limit) for value in outside]


@pytest.mark.parametrize(
    "ends",
    [(None, None), (math.nan, 1.0), (None, math.inf), (2.0, 1.0)],
    ids=["no-end", "nan", "infinite", "crossed"],
)
def test_a_limit_that_limits_nothing_is_refused(ends):
    """A limit without a finite end, or with crossed ends, is refused."""
    with pytest.raises(ValueError, match=r"limit"):
        Limit(*ends)


@pytest.mark.parametrize("band", BANDS)
@pytest.mark.parametrize("case", CASES, ids=[case["name"].replace(" ", "-") for case in CASES])
def test_guarded_acceptance_takes_what_the_standard_takes(case, band):
    """A value inside the narrowed limit passes, inside the limit alone is near, outside fails (JCGM 106:2012; computed cases)."""
    limit = Limit(case["lower_limit"], case["upper_limit"])
    rule = DecisionRule(guarded=True, z=BANDS[band])
    found = judge(CODE, Measured(case["value"], 1, uncertainty=case["u"]), limit, rule)
    expected = "fail" if not case["simple"]["accept"] else "pass" if case[band]["accept"] else "near"
    assert expected == found.verdict
    assert pytest.approx(case[band]["guard_band"], abs=1e-11) == found.guard


@pytest.mark.parametrize("case", CASES, ids=[case["name"].replace(" ", "-") for case in CASES])
def test_simple_acceptance_ignores_the_uncertainty(case):
    """Under simple acceptance the value alone decides (JCGM 106:2012, 8.2)."""
    limit = Limit(case["lower_limit"], case["upper_limit"])
    assert ("pass" if case["simple"]["accept"] else "fail") == verdict(case["value"], limit, uncertainty=case["u"])


@pytest.mark.parametrize(
    ("value", "expected"), [(0.8354, "pass"), (0.8355, "pass"), (0.8356, "near"), (1.0, "near"), (1.0001, "fail")]
)
def test_the_guarded_limit_includes_its_own_end(value, expected):
    """With u 0.1 and z 1.645 the limit of 1 narrows to 0.8355: up to it passes, beyond is near, beyond 1 fails (arithmetic)."""
    assert expected == verdict(value, Limit(None, 1.0), DecisionRule(guarded=True, z=1.645), uncertainty=0.1)


def test_without_an_uncertainty_guarded_acceptance_is_missing():
    """The guarded rule does not apply to a value of unknown uncertainty, and states the remedy."""
    found = judge(CODE, Measured(0.5, 1), Limit(None, 1.0), GUARDED)
    assert "missing" == found.verdict
    assert "standard uncertainty" in found.message


def test_a_value_outside_needs_no_uncertainty_to_fail():
    """Guarded acceptance changes what passes and never what fails."""
    assert "fail" == verdict(1.5, Limit(None, 1.0), GUARDED)


@pytest.mark.parametrize(
    ("value", "lacking", "conclusive", "expected"),
    [
        (None, "", False, "missing"),
        (None, "two spools", True, "missing"),
        (0.5, "two spools", False, "missing"),
        (0.5, "two spools", True, "missing"),
        (1.5, "two spools", False, "missing"),
        (1.5, "two spools", True, "fail"),
        (1.5, "", False, "fail"),
        (0.5, "", False, "pass"),
    ],
)
def test_lacking_evidence_never_passes_and_fails_only_when_conclusive(value, lacking, conclusive, expected):
    """With evidence missing a good value is missing, and a bad one fails only where one unit is conclusive."""
    assert expected == verdict(value, Limit(None, 1.0), lacking=lacking, conclusive=conclusive)


SIZES = [0.3, 0.05, 0.005, 0.0049, 0.0016, 3e-4, 5e-5, 2e-7, 3e-9, 2e-10]


@pytest.mark.parametrize("limit", [0.7, 1.0, 1.8, 0.05, 25.0], ids=str)
@pytest.mark.parametrize("size", SIZES, ids=str)
def test_a_message_never_shows_two_equal_numbers_of_which_one_is_over(limit, size):
    """A value close to its limit, and its margin, print with enough digits to show the side."""
    for value, word in ((limit + size, "Outside"), (limit - size, "Inside")):
        found = judge(CODE, Measured(value, 3), Limit(None, limit), SIMPLE)
        printed, margin = found.message.split(": ")[1].split(" from")[0], found.message.split(" by ")[1].rstrip(".")
        assert f". {word} by " in found.message
        assert (float(printed) > limit) is (word == "Outside"), found.message
        assert float(printed) != limit
        assert float(margin) > 0


def test_a_value_on_its_limit_reads_as_inside_by_nothing():
    """A value exactly at the limit reads as inside by 0.00."""
    message = judge(CODE, Measured(1.0, 3), Limit(None, 1.0), SIMPLE).message
    assert "Lot colour difference: 1.00 from 3 readings, limit at most 1. Inside by 0.00." == message


def test_a_margin_and_a_guard_band_that_differ_print_differently():
    """A near value is never described as inside by 0.10 and closer than 0.10."""
    message = judge(CODE, Measured(0.9, 3, guard=0.10001), Limit(None, 1.0), GUARDED).message
    assert "Inside by 0.10000, less than the guard band of 0.10001." in message


@pytest.mark.parametrize(
    ("given", "expected", "says"),
    [
        ({"value": 0.5, "uncertainty": 0.01}, "pass", "Inside by"),
        ({"value": 1.5}, "fail", "Outside by"),
        ({"value": 1.5, "hold": "dry it"}, "fail", "Dry it."),
        ({"value": 0.99, "uncertainty": 0.1}, "near", "guard band of"),
        ({"value": 0.5, "lacking": "one spool"}, "missing", "Not enough to assess it. Still to do: one spool."),
        ({"value": None, "lacking": "one spool"}, "missing", "Still to do: one spool."),
        ({"value": None}, "missing", "Still to do: take a first reading."),
    ],
    ids=["pass", "fail", "hold", "near", "not-enough", "nothing", "nothing-named"],
)
def test_every_finding_words_itself(given, expected, says):
    """Every code has a message for every verdict, which begins with the name of the measure."""
    for code, label in LABELS.items():
        found = judged(code, limit=Limit(None, 1.0, "mm"), rule=GUARDED, **given)
        assert expected == found.verdict, code
        assert found.message.startswith(label), code
        assert says in found.message, code
        assert f"{found.characteristic}.{found.measure}" == code


def test_subject_and_detail_are_part_of_the_message():
    """The subject follows the label in a message, and the detail is at the end."""
    found = judge(CODE, Measured(0.5, 1, "spool", detail="Darker."), Limit(None, 1.0), SIMPLE, subject="spool A")
    assert (
        "Lot colour difference (spool A): 0.50 from 1 spool, limit at most 1. Inside by 0.50. Darker." == found.message
    )


@pytest.mark.parametrize(
    ("limit", "words", "as_json"),
    [
        (Limit(None, 1.0), "at most 1", 1.0),
        (Limit(20.0, None, "MPa"), "at least 20 MPa", 20.0),
        (Limit(1.7, 1.8, "mm"), "1.7 to 1.8 mm", [1.7, 1.8]),
    ],
    ids=["upper", "lower", "both"],
)
def test_a_limit_reads_as_people_say_it(limit, words, as_json):
    """A limit reads as at most, at least or from-to, and is one number or two in JSON."""
    assert (words, as_json) == (str(limit), limit.as_json())


@pytest.mark.parametrize(("value", "margin"), [(1.75, 0.05), (1.71, 0.01), (1.79, 0.01), (1.65, -0.05), (1.9, -0.1)])
def test_margin_is_the_distance_to_the_nearest_end(value, margin):
    """A margin is positive inside and negative outside."""
    assert pytest.approx(margin, abs=BINARY_NOISE) == Limit(1.7, 1.8).margin(value)


def made(verdict_of: str, value: float | None) -> Finding:
    """A finding with a verdict and a value under a limit of 1."""
    return Finding(CODE, verdict_of, Limit(None, 1.0), value)


def test_the_worst_finding_is_the_one_furthest_from_acceptable():
    """Findings sort as fail, missing, near, pass, and then by the smaller margin."""
    ranked = [
        made("fail", 3.0),
        made("fail", 2.0),
        made("missing", 0.9),
        made("missing", None),
        made("near", 0.99),
        made("pass", 0.98),
        made("pass", 0.1),
    ]
    for one, other in itertools.combinations(ranked, 2):
        assert one == worst([one, other]) == worst([other, one])


def test_a_finding_without_a_value_has_no_margin():
    """A finding without a value has no margin."""
    assert made("missing", None).margin is None


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        ("diameter.spool_mean", "1.745 mm from 3 readings, limit at most 1.8 mm. Inside by 0.055 mm."),
        ("shrinkage.step_x", "1.745 mm from 3 readings, limit at most 1.8 mm. Inside by 0.055 mm."),
        ("bond.mean", "1.75 mm from 3 readings, limit at most 1.8 mm. Inside by 0.05 mm."),
    ],
)
def test_diameters_and_shrinkage_are_worded_with_three_decimals(code, expected):
    """Diameters and shrinkage have three decimals, so that shown differences add up; other measures have two."""
    assert judge(code, Measured(1.7451, 3), Limit(None, 1.8, "mm"), SIMPLE).message.endswith(expected)


def test_rounding_for_display():
    """A number is shown with two decimals by default."""
    assert ("1.23", "1.2346") == (shown(1.23456), shown(1.23456, 4))
