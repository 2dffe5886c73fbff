"""Sentences of a finding, in full, in singular and plural. Source: this project's rules."""

import pytest

from lots.domain.conformity.findings import LABELS, Finding, worst
from lots.domain.conformity.guard import settle, too_coarse
from lots.domain.conformity.judgement import UNCERTAINTY_NEEDED
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule, Limit
from lots.domain.uncertainty.budget import Contribution, Uncertainty
from tests.domain.builders import judged

CODE = "bond.mean"
LIMIT = Limit(20.0, None, "MPa")
SIMPLE, GUARDED = DecisionRule(), DecisionRule(guarded=True)


def says(value, rule=SIMPLE, **more):
    """The message of a mean strength from two readings."""
    return judged(CODE, value, LIMIT, rule, **{"n": 2, **more}).message


HEAD = f"{LABELS[CODE]}: {{}} MPa from 2 readings, limit at least 20 MPa. "


@pytest.mark.parametrize(
    ("n", "counted", "words"), [(1, "reading", "1 reading"), (2, "readings", "2 readings"), (2, "spools", "2 spools")]
)
def test_what_a_value_rests_on_is_counted(n, counted, words):
    """The message counts one reading and two."""
    assert f"MPa from {words}, limit at least 20 MPa. Inside by 1.00" in says(21.0, n=n, counted=counted)


def test_a_value_that_fails_says_whether_that_is_proved():
    """A failing value within its guard band is not proved and one beyond is; without an uncertainty nothing is stated."""
    near, far = says(19.9, uncertainty=0.5), says(15.0, uncertainty=0.5)
    assert near.endswith(
        " Outside by 0.10 MPa. Nonconformity is not proved (ISO 14253-1), because the value is outside by no more than the guard band."
    )
    assert far.endswith(" Outside by 5.00 MPa. Nonconformity is proved (ISO 14253-1).")
    assert says(15.0).endswith(" Outside by 5.00 MPa.")


def test_a_value_that_is_held_names_the_remedy():
    """The remedy of a held value is its own sentence, before the detail."""
    assert says(15.0, hold="dry it", detail="Wet.").endswith(" Outside by 5.00 MPa. Dry it. Wet.")


def test_a_near_value_says_what_would_settle_it():
    """One message holds the probability, Phi(1) = 0.84, the guard band, 1.645 * 0.5 = 0.82 (by hand), and the remedy of a near value."""
    found = says(20.5, GUARDED, uncertainty=0.5, detail="Slow.")
    assert found.startswith(HEAD.format("20.50") + "Inside by 0.50 MPa, less than the guard band of 0.82 MPa.")
    assert " Probability of conformity: 0.84. Still to do: " in found
    assert found.endswith(". Slow.")


@pytest.mark.parametrize(("single", "words"), [(True, ""), (False, ", or take at least two readings")])
def test_a_guarded_rule_without_an_uncertainty_asks_for_one(single, words):
    """The guarded rule without an uncertainty asks for one; repeating a single reading does not help."""
    found = judged(CODE, 21.0, LIMIT, GUARDED, n=2, single=single)
    needed = f"use an instrument with a stated standard uncertainty{words} (guarded acceptance needs an uncertainty)"
    assert ("missing", needed) == (found.verdict, found.to_measure)
    assert single or needed == UNCERTAINTY_NEEDED


def test_equal_readings_ask_for_an_instrument():
    """Identical readings do not show an uncertainty of 0, so an instrument's uncertainty is requested."""
    found = judged(CODE, 21.0, LIMIT, GUARDED, n=2, uncertainty=0.0)
    assert (None, None, None) == (found.uncertainty, found.guard, found.conformance)
    assert found.to_measure == (
        "use an instrument whose resolution or standard uncertainty is stated, since equal readings do not show an uncertainty"
    )


@pytest.mark.parametrize(("u", "coarse"), [(0.5, False), (4.0, True)])
def test_a_method_too_coarse_for_its_limit_says_so(u, coarse):
    """A method too coarse for its limit is named with its expanded uncertainty in two digits (2 * 0.012, by hand)."""
    found = judged("diameter.spool_mean", 1.75, Limit(1.72, 1.78, "mm"), SIMPLE, n=2, uncertainty=u / 1000 * 3)
    assert coarse is too_coarse(u / 1000 * 3, 0.03)
    assert coarse is (
        "Measurement uncertainty (U = 0.024 mm) exceeds one third of the tolerance. Use a better method or more readings."
        in found.message
    )


def test_more_spools_are_asked_for_only_while_something_is_lacking():
    """An assessed value asks for no spools, and an incomplete one for the missing number."""
    assert 2 == judged(CODE, 21.0, LIMIT, SIMPLE, n=2, lacking="two spools", more_spools=2).more_spools
    assert 0 == judged(CODE, 21.0, LIMIT, SIMPLE, n=2, more_spools=2).more_spools
    assert 0 == judged(CODE, 15.0, LIMIT, SIMPLE, n=2, lacking="two spools", conclusive=True, more_spools=2).more_spools


@pytest.mark.parametrize(("counted", "asks"), [("spools", True), ("spool", True), ("readings", False)])
def test_a_near_value_of_spools_asks_for_more_of_them(counted, asks):
    """A near value asks for more spools only where spools are counted and nothing else settles it."""
    scatter = Uncertainty((Contribution(0.5, shrinks=True),))
    found = judged(CODE, 20.5, LIMIT, GUARDED, n=2, counted=counted, uncertainty=scatter)
    assert asks is (found.more_spools > 0)
    other = judged(
        CODE, 20.5, LIMIT, GUARDED, n=2, counted=counted, uncertainty=scatter, settled_by="a word of quality"
    )
    assert ("near", 0, "a word of quality") == (other.verdict, other.more_spools, other.to_measure)


@pytest.mark.parametrize(
    ("margin", "counted", "words"),
    [
        (0.6, "spool", "measure about 1 more spool"),
        (0.6, "readings", "take about 1 more reading"),
        (0.5, "spools", "measure about 2 more spools"),
    ],
)
def test_one_more_is_one_and_two_are_several(margin, counted, words):
    """The number of readings that settle a near value is in singular or plural."""
    scatter = Uncertainty((Contribution(0.5, shrinks=True),))
    margins = [m / 1000 for m in range(300, 900)]
    found = {settle(m, 1.645, scatter, 2, counted) for m in margins}
    assert words in found


def test_an_interval_holds_the_value_with_95_percent():
    """Both ends of the interval lie 1.96 standard uncertainties away, where the uncertainty is known."""
    found = judged(CODE, 21.0, LIMIT, SIMPLE, n=2, uncertainty=0.5)
    assert pytest.approx((20.02, 21.98), abs=1e-3) == found.interval
    assert None is judged(CODE, 21.0, LIMIT, SIMPLE, n=2).interval
    assert None is judged(CODE, None, LIMIT, SIMPLE, n=0).interval


def test_the_worst_is_the_one_furthest_from_acceptable():
    """Findings sort as fail, missing, near, pass, then by the smallest margin; one without a value is last of its verdict."""
    ranked = [
        Finding(CODE, "fail", LIMIT, 10.0),
        Finding(CODE, "fail", LIMIT, 15.0),
        Finding(CODE, "missing", LIMIT, 15.0),
        Finding(CODE, "missing", LIMIT),
        Finding(CODE, "near", LIMIT, 20.1),
        Finding(CODE, "pass", LIMIT, 20.0),
        Finding(CODE, "pass", LIMIT, 30.0),
    ]
    for place, expected in enumerate(ranked):
        assert expected is worst(ranked[place:][::-1])


@pytest.mark.parametrize(
    ("verdict", "claimable", "proof"),
    [("fail", True, "proved"), ("fail", False, "not proved"), ("fail", None, None), ("pass", True, None)],
)
def test_proof_is_told_of_failing_values_alone(verdict, claimable, proof):
    """Only a failing value of known uncertainty is proved or not."""
    assert proof == Finding(CODE, verdict, LIMIT, 15.0, claimable=claimable).proof


def test_a_near_value_outside_its_limit_says_who_decides():
    """A step outside its limit waits for quality, with the remedy as a sentence before the detail and no guard band."""
    found = Finding(CODE, "near", LIMIT, 19.0, 2, detail="Slow.", to_measure="quality decides")
    assert found.message == HEAD.format("19.00") + "Outside by 1.00 MPa. Quality decides. Slow."


def test_what_is_found_of_sampling_has_a_name():
    """Findings on sampling have labels for counts, rounds, inspection and voids."""
    named = {code: label for code, label in LABELS.items() if code.startswith("sampling.")}
    assert named == {
        "sampling.nonconforming": "Nonconforming spools",
        "sampling.retests": "Extra rounds of readings",
        "sampling.severity": "Inspection of this supplier",
        "sampling.void": "Void by the author of a reading",
    }


def test_a_finding_holds_no_more_than_it_was_told():
    """A finding without a value has no n, requests no spool and holds nothing."""
    found = Finding(CODE, "missing", LIMIT)
    assert (0, 0, False, False) == (found.n, found.more_spools, found.hold, found.coarse)


@pytest.mark.parametrize(
    ("value", "digits"), [(0.0, 2), (BINARY_NOISE, 2), (1.2 * BINARY_NOISE, 10), (0.002, 3), (0.02, 2)]
)
def test_decimals_tell_a_value_from_its_limit(value, digits):
    """At least two decimals are shown, and up to ten where a difference needs them."""
    assert digits == Finding("surface.specks", "fail", Limit(None, 0.0), value).digits


def test_a_finding_knows_its_parts():
    """A finding has code, coverage factor and margin, without a value or an uncertainty no margin or factor."""
    found = judged(CODE, 21.0, LIMIT, GUARDED, n=2, uncertainty=0.5)
    assert ("bond", "mean", 1.0) == (found.characteristic, found.measure, found.margin)
    assert pytest.approx(1.645, abs=1e-3) == found.coverage_factor
    assert None is judged(CODE, 21.0, LIMIT, SIMPLE, n=2).coverage_factor
    assert None is judged(CODE, None, LIMIT, SIMPLE, n=2).margin
