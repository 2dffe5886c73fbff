"""Sentences about counted spools and rounds, in full, at one and at two. Source: MIL-STD-105E for the numbers; the rest is this project's rule."""

import pytest

from lots.domain.assessment.limits_revision import Limits
from lots.domain.assessment.plan_counts import cap_retests, counted_by, discontinued, one_spool_is_no_lot
from lots.domain.characteristics.lot_diameter import DiameterLimits
from lots.domain.characteristics.moisture import MoistureLimits
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.limits import Limit
from lots.domain.conformity.rule_versions import CURRENT, FIRST, SECOND, THIRD
from lots.domain.receiving.coverage import Coverage, Presented, Sampling
from lots.domain.receiving.sampling_plans import Plan, code_letter_for, look_up, plan_for
from lots.domain.uncertainty.budget import Contribution, Uncertainty
from lots.domain.uncertainty.nested_means import BETWEEN_SPOOLS
from tests.domain.assessment.test_plan_counts import AC_0, AC_2, CODE, ROUND, counts, judged, measured, names, presented
from tests.domain.builders import SHADE, assessed, by_code


def message(plan, of, bad):
    """The message on so many fully measured spools, some of them too thick."""
    return by_code(judged(plan, measured(names(of), thick=names(bad)), ROUND).findings)[CODE].message


@pytest.mark.parametrize(("of", "counted"), [(1, "1 spool measured"), (2, "2 spools measured")])
def test_measured_spools_are_counted(of, counted):
    """One too thick spool and two reject a lot that accepts none."""
    assert message(AC_0, of, of) == (f"Nonconforming spools: {of} from {counted}, limit at most 0. Outside by {of}.")


@pytest.mark.parametrize(
    ("of", "lacking"), [(12, "measure 1 more spool of the sample"), (11, "measure 2 more spools of the sample")]
)
def test_spools_that_are_lacking_are_counted(of, lacking):
    """One and two missing spools of a sample of thirteen are counted."""
    assert message(AC_2, of, 1).endswith(f". Not enough to assess it. Still to do: {lacking} in full.")


@pytest.mark.parametrize(
    ("most", "count", "held"),
    [
        (0, 1, "1 from 1 round, limit at most 0. Outside by 1."),
        (1, 2, "2 from 2 rounds, limit at most 1. Outside by 1."),
    ],
)
def test_rounds_beyond_the_cap_are_counted(most, count, held):
    """One round and two beyond the allowed number are counted; allowed rounds make no finding."""
    limits = Limits(diameter=DiameterLimits(mean_tolerance_mm=0.03), sampling=Sampling(retest_rounds_max=most))
    (found,) = cap_retests({"diameter": count, "color": most}, limits)
    assert f"Extra rounds of readings (diameter): {held}" in found.message
    assert found.message.endswith(" Ask quality to accept the diameter readings (decision: lift).")
    assert (True, limits.used_by("diameter")) == (found.hold, found.uses)


def test_without_a_cap_no_round_is_too_many():
    """Limits without a cap allow any number of rounds."""
    assert [] == cap_retests({"diameter": 99}, ROUND)


@pytest.mark.parametrize(("spools", "verdict"), [(1, "pass"), (2, "missing")])
def test_one_spool_speaks_for_a_lot_of_one(spools, verdict):
    """One of two spools leaves the other to be measured; a failure remains a failure."""
    coverage = Coverage((Presented(spools, 1),))
    good, bad = (Finding("diameter.spool_mean", one, Limit(1.72, 1.78, "mm"), 1.75) for one in ("pass", "fail"))
    found = one_spool_is_no_lot([good, bad], {"diameter": ["S-1"]}, coverage)
    assert [verdict, "fail"] == [one.verdict for one in found]
    more = "on at least one more spool, since one spool does not show the differences between spools"
    assert (1 if spools == 2 else 0) == found[0].more_spools
    assert (spools == 2) is found[0].to_measure.endswith(more)


def test_two_measured_spools_speak_for_their_lot():
    """A second measured spool shows the spread between spools."""
    good = Finding("diameter.spool_mean", "near", Limit(1.72, 1.78, "mm"), 1.75)
    assert [good] == one_spool_is_no_lot([good], {"diameter": ["S-1", "S-2"]}, Coverage((Presented(2, 2),)))


@pytest.mark.parametrize(("source", "verdict"), [(BETWEEN_SPOOLS, "pass"), ("readings", "missing")])
def test_one_spool_speaks_for_its_lot_where_earlier_lots_show_how_spools_differ(source, verdict):
    """Where earlier lots show the spread between spools, one spool is enough."""
    budget = Uncertainty((Contribution(0.01, source=f"{source} of the lot"),))
    good = Finding("diameter.spool_mean", "pass", Limit(1.72, 1.78, "mm"), 1.75, spread=budget)
    (found,) = one_spool_is_no_lot([good], {"diameter": ["S-1"]}, Coverage((Presented(2, 1),)))
    assert verdict == found.verdict


@pytest.mark.parametrize(("stopped", "n"), [(False, 0), (True, 1)])
def test_a_discontinued_inspection_keeps_every_use_open(stopped, n):
    """A discontinued inspection keeps every use open, and the finding names the role that ends it."""
    found = discontinued(Coverage((Presented(2, 1), Presented(2, 1, discontinued=stopped))), ROUND)
    assert n == len(found)
    for one in found:
        assert (tuple(ROUND.required()), "missing") == (one.uses, one.verdict)
        assert Limit(None, 5.0, "lots") == one.limit
        assert one.message == (
            "Inspection of this supplier. Still to do: ask quality to resume inspection of this supplier "
            "and grade, discontinued after 5 rejected lots."
        )


@pytest.mark.parametrize(
    ("plan", "says"),
    [
        (
            plan_for(1, "II", 1.0),
            "Measure the only spool (code letter A, plan of letter E by its arrow). Accept the lot with at most 0 nonconforming, reject it with 1 or more.",
        ),
        (
            plan_for(2, "II", 6.5),
            "Measure both spools (code letter A). Accept the lot with at most 0 nonconforming, reject it with 1 or more.",
        ),
        (
            plan_for(3, "II", 6.5),
            "Measure 2 spools (code letter A). Accept the lot with at most 0 nonconforming, reject it with 1 or more.",
        ),
        (
            plan_for(60, "II", 6.5),
            "Measure 13 spools (code letter E). Accept the lot with at most 2 nonconforming, reject it with 3 or more.",
        ),
        (
            plan_for(60, "II", 4.0, "reduced"),
            (
                "Measure 5 spools (code letter E). Accept the lot with at most 0 nonconforming, reject it with 2 or more. "
                "With 1 the lot is accepted and inspection returns to normal."
            ),
        ),
        (
            Plan("F", "F", 8, 1, 4, inspect_all=False),
            (
                "Measure 8 spools (code letter F). Accept the lot with at most 1 nonconforming, reject it with 4 or more. "
                "With 2 or 3 the lot is accepted and inspection returns to normal."
            ),
        ),
        (
            plan_for(60, "II", 40.0),
            "Measure 13 spools (code letter E). Accept the lot with at most 10 nonconformities (a spool may have several), reject it with 11 or more.",
        ),
    ],
    ids=["only", "all", "two", "plain", "gap-of-one", "gap-of-two", "nonconformities"],
)
def test_a_plan_is_one_sentence(plan, says):
    """A plan is one sentence, for the only spool, all spools, some, a gap of one and of two, spools and nonconformities."""
    assert says == plan.says


@pytest.mark.parametrize(("aql", "counts"), [(10.0, "nonconforming"), (15.0, "nonconformities")])
def test_beyond_ten_percent_nonconformities_are_counted(aql, counts):
    """Up to an AQL of 10 nonconforming spools are counted, and nonconformities beyond it (published MIL-STD-105E, Table II-A)."""
    assert counts == plan_for(60, "II", aql).counts


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        (lambda: code_letter_for(0, "II"), "lot_size must be at least 1 spool, got 0"),
        (lambda: code_letter_for(1, "IV"), "level must be one of S-1, S-2, S-3, S-4, I, II, III, got 'IV'"),
        (lambda: look_up("A", 1.0, "lenient"), "severity must be one of normal, tightened, reduced, got 'lenient'"),
        (lambda: look_up("A", 3.0, "normal"), "aql must be one of 0.01, 0.015, .*, 650, 1000, got 3.0"),
    ],
    ids=["size", "level", "severity", "aql"],
)
def test_what_the_tables_do_not_have_is_refused_with_what_they_have(asked, says):
    """A value outside the tables is refused with the valid ones."""
    with pytest.raises(ValueError, match=f"^{says}$"):
        asked()


@pytest.mark.parametrize(
    ("rules", "counted"),
    [
        (FIRST, ("color", "diameter")),
        (SECOND, ("color", "diameter")),
        (THIRD, ("color", "diameter", "surface", "stringing")),
        (CURRENT, ("color", "diameter", "surface", "stringing")),
    ],
)
def test_a_plan_counts_what_single_spools_are_judged_by(rules, counted):
    """Specks and hairs of a spool count from version 3 of the rules on."""
    assert counted == counted_by(rules)


def test_a_use_without_a_counted_characteristic_has_no_count():
    """Moisture holds a spool and makes none nonconforming, so a use with moisture alone has no count."""
    given = {"diameter": DiameterLimits(mean_tolerance_mm=0.03), "moisture": MoistureLimits(0.05)}
    limits = Limits(given=given, uses={"fit": ("diameter",), "hidden": ("moisture",)})
    found = judged(AC_0, measured(names(5), thick=names(1)), limits)
    assert {"fit": 1.0} == counts(found)


def test_a_lot_of_one_spool_is_counted_whole():
    """A lot of one spool is its own sample, and the sentence states that."""
    plan = plan_for(1, "II", 2.5)
    found = assessed(measured(["S"]), ROUND, SHADE, Coverage((presented(plan, 1),)), None)
    assert by_code(found.findings)[CODE].message == (
        "Nonconforming spools: 0 from 1 spool measured, limit at most 0. Inside by 0. "
        "The only spool is measured. If the lot passes, it was not found nonconforming."
    )
