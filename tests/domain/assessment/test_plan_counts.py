"""Counted nonconforming spools under a plan, the cap on retests, and discontinued inspection. Source: MIL-STD-105E for the numbers; the rest is this project's rule."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.assessment import Assessment, Criteria, Evidence, assess
from lots.domain.assessment.limits_revision import GENERAL, Limits
from lots.domain.assessment.plan_counts import cap_retests, one_spool_is_no_lot
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.lot_diameter import DiameterLimits
from lots.domain.characteristics.moisture import MoistureLimits
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.judgement import Measured, judge
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.receiving.coverage import Coverage, Presented, Sampling
from lots.domain.receiving.sampling_plans import Plan, plan_for
from tests.domain.builders import GUARDED, SHADE, assessed, by_code, color, gauge, wet
from tests.examples import examples

# MIL-STD-105E, level II: 24 spools at AQL 2.5 (5 measured, Ac 0), 60 at 6.5 (13, Ac 2), 60 at 4.0 reduced (5, Ac 0, Re 2).
AC_0 = plan_for(24, "II", 2.5)
AC_2 = plan_for(60, "II", 6.5)
GAP = plan_for(60, "II", 4.0, "reduced")
BOTH = Limits(
    color=ColorLimits(lot_max=1.0, spool_max=1.2),
    diameter=DiameterLimits(mean_tolerance_mm=0.03),
    uses={"cosmetic": ("color",), "fit": ("diameter",), "load_bearing": ("color", "diameter")},
)
ROUND = Limits(diameter=DiameterLimits(mean_tolerance_mm=0.03))
CODE = "sampling.nonconforming"


def names(count: int, prefix: str = "S") -> list[str]:
    """Codes of so many spools."""
    return [f"{prefix}{number:02d}" for number in range(count)]


def presented(plan: Plan, spools: int = 60, codes: list[str] | None = None, **more) -> Presented:
    """A delivery under a plan."""
    return Presented(spools, plan.size, codes=None if codes is None else frozenset(codes), plan=plan, **more)


def measured(spools: list[str], yellow=(), thick=(), u: float | None = 0.002) -> Evidence:
    """One colour and one diameter reading on each spool, good except for the named ones."""
    return Evidence(
        color=tuple(color(s, 95.0, -0.8, 4.0 if s in yellow else 1.5, u=0.03) for s in spools),
        diameter=tuple(gauge(s, *(2 * [1.85 if s in thick else 1.75]), u=u) for s in spools),
    )


def judged(plan: Plan, evidence: Evidence, limits: Limits = BOTH) -> Assessment:
    """The assessment of one delivery under a plan."""
    return assessed(evidence, limits, SHADE, Coverage((presented(plan),)), None)


def counts(found: Assessment) -> dict[str, float]:
    """The number of nonconforming spools counted per use."""
    return {use: f.value for f in found.findings if f.code == CODE for use in f.uses}


@pytest.mark.parametrize(
    ("plan", "numbers"), [(AC_0, (5, 0, 1)), (AC_2, (13, 2, 3)), (GAP, (5, 0, 2))], ids=["ac-0", "ac-2", "reduced-gap"]
)
def test_the_plans_of_these_tests(plan, numbers):
    """Sample size, accept and reject number are those printed (published MIL-STD-105E, Tables I, II-A and II-C)."""
    assert numbers == (plan.size, plan.accept, plan.reject)


@pytest.mark.parametrize("bad", range(5))
@pytest.mark.parametrize("plan", [AC_0, AC_2, GAP], ids=["ac-0", "ac-2", "reduced-gap"])
def test_a_lot_passes_with_fewer_bad_spools_than_its_reject_number(plan, bad):
    """Up to Ac bad spools (Re - 1 under reduced inspection) leave the lot released, and Re reject it; each is listed."""
    spools = names(plan.size)
    found = judged(plan, measured(spools, thick=spools[:bad]), ROUND)
    accepted = bad < plan.reject
    assert ("released" if accepted else "blocked", {GENERAL: "pass" if accepted else "fail"}) == (
        found.standing,
        found.uses,
    )
    assert {GENERAL: float(bad)} == counts(found)
    assert set(spools[:bad]) == set(found.summary.nonconforming)
    assert all("Outside by" in why[0].message for why in found.summary.nonconforming.values())


def test_each_use_counts_its_own_bad_spools():
    """A yellow spool counts for cosmetic use, a thick one for fit, both for load; two faults are one spool (after MIL-STD-105E, 4.9.1)."""
    spools = names(13)
    found = judged(AC_2, measured(spools, yellow=spools[:2], thick=spools[1:4]))
    assert {"cosmetic": 2.0, "fit": 3.0, "load_bearing": 4.0} == counts(found)
    assert {"cosmetic": "pass", "fit": "fail", "load_bearing": "fail"} == found.uses
    assert 2 == len(found.summary.nonconforming["S01"])


def test_uses_that_count_alike_share_a_finding():
    """Uses with the same count share a finding, which also states the protection of a pass."""
    found = by_code(judged(AC_0, measured(names(5))).findings)[CODE]
    assert (0.0, 5, ("cosmetic", "fit", "load_bearing")) == (found.value, found.n, found.uses)
    assert "If the lot passes with 0 of 5 measured spools nonconforming" in found.message


@pytest.mark.parametrize("plan", [AC_0, AC_2], ids=["ac-0", "ac-2"])
def test_too_many_bad_spools_refuse_a_lot_whatever_its_mean_says(plan):
    """Spools too yellow and too blue that average to the reference still reject the lot."""
    spools = names(plan.size)
    evidence = Evidence(
        color=tuple(
            color(s, 95.0, -0.8, 1.5 + (2.5, -2.5, 0.0, 2.5, -2.5)[i % 5] * (i < 5)) for i, s in enumerate(spools)
        )
    )
    found = judged(plan, evidence, replace(BOTH, diameter=None, uses={}))
    findings = by_code(found.findings)
    assert pytest.approx(0.0, abs=1e-9) == findings["color.lot_delta_e"].value
    assert ("pass", "fail") == (findings["color.lot_delta_e"].verdict, findings[CODE].verdict)
    assert "blocked" == found.standing


@pytest.mark.parametrize(("bad", "verdict"), [(1, "missing"), (2, "missing"), (3, "fail"), (4, "fail")])
def test_a_lot_fails_before_its_sample_is_complete_but_never_passes(bad, verdict):
    """Three bad of four measured spools reject a sample of thirteen early; fewer leave it open and state the remaining number."""
    spools = names(4)
    found = judged(AC_2, measured(spools, thick=spools[:bad]), ROUND)
    count = by_code(found.findings)[CODE]
    assert ({GENERAL: verdict}, verdict) == (found.uses, count.verdict)
    if verdict == "missing":
        assert ("measure 9 more spools of the sample in full",) == found.to_measure
        assert "quarantined" == found.standing


def test_one_bad_spool_alone_does_not_pass_for_a_sample():
    """One measured bad spool of thirteen releases nothing, and the tasks name the remaining drawn spools."""
    coverage = Coverage((replace(presented(AC_2), drawn=("S00", "S01", "S02")),))
    found = assessed(measured(["S00"], thick=["S00"]), ROUND, SHADE, coverage, None)
    assert ("quarantined", {GENERAL: "missing"}) == (found.standing, found.uses)
    assert ("measure 12 more spools of the sample in full (S01, S02)",) == found.to_measure


@pytest.mark.parametrize("u", [0.002, None], ids=["near", "no-uncertainty"])
def test_a_failing_spool_does_not_hide_one_in_doubt(u):
    """A spool that is near or of unknown uncertainty keeps its lot open beside a bad one."""
    spools, limits = names(13), replace(ROUND, rule=GUARDED)
    evidence = measured(spools)
    doubtful = tuple(gauge(r.spool, 1.779, 1.779, u=u) if r.spool == "S05" else r for r in evidence.diameter)
    before = judged(AC_2, replace(evidence, diameter=doubtful), limits)
    worse = tuple(gauge(r.spool, 1.85, 1.85, u=0.002) if r.spool == "S06" else r for r in doubtful)
    after = judged(AC_2, replace(evidence, diameter=worse), limits)
    assert ("quarantined", "quarantined") == (before.standing, after.standing)
    assert before.uses == after.uses
    assert {"S06"} == set(after.summary.nonconforming)


ORDER = {"fail": 0, "missing": 1, "near": 1, "pass": 2}


@examples(60)
@given(
    diameters=st.lists(st.sampled_from((1.75, 1.779, 1.85)), min_size=1, max_size=6),
    guarded=st.booleans(),
    at=st.integers(0, 5),
    plan=st.sampled_from((AC_0, AC_2, GAP)),
)
def test_a_good_spool_turned_bad_never_helps_its_lot(diameters, guarded, at, plan):
    """Turning a good spool into a bad one never improves a verdict.

    A near spool is left out: it holds its lot, where a bad one within the accept number does not.
    """

    def verdict(values: list[float]) -> str:
        evidence = Evidence(diameter=tuple(gauge(f"S{i}", d, d, u=0.002) for i, d in enumerate(values)))
        return judged(plan, evidence, replace(ROUND, rule=GUARDED) if guarded else ROUND).uses[GENERAL]

    worse = [1.85 if i == at % len(diameters) and d == 1.75 else d for i, d in enumerate(diameters)]
    assert ORDER[verdict(worse)] <= ORDER[verdict(diameters)]


def test_without_a_plan_one_bad_spool_refuses():
    """Under a fixed sample one spool outside its limits rejects the lot, without a count."""
    found = assessed(measured(names(5), thick=["S03"]), ROUND, SHADE, Coverage.of(60, 5), None)
    assert "blocked" == found.standing
    assert {} == counts(found)


@pytest.mark.parametrize(
    ("bad", "standing", "count"),
    [
        ((), "released", 0.0),
        (("A00", "A01"), "released", 2.0),
        (("B00",), "blocked", 1.0),
        (("A00", "A01", "B00"), "blocked", 1.0),
        (("A00", "A01", "A02"), "blocked", 3.0),
    ],
    ids=["none", "two-where-two-are-allowed", "one-where-none-is", "both", "three-where-two-are-allowed"],
)
def test_deliveries_are_judged_each_by_its_own_plan(bad, standing, count):
    """Each delivery is counted under its own plan, and counts are never added."""
    first, second = names(13, "A"), names(5, "B")
    coverage = Coverage((presented(AC_2, 60, first), presented(AC_0, 24, second)))
    found = assessed(measured(first + second, thick=bad), ROUND, SHADE, coverage, None)
    assert (standing, {GENERAL: count}) == (found.standing, counts(found))


@pytest.mark.parametrize("bad", [(), ("A00",)], ids=["none-bad", "one-bad"])
def test_a_delivery_not_yet_measured_keeps_the_lot_open(bad):
    """A complete delivery and an unmeasured one keep the lot in quarantine, with or without a bad spool."""
    first = names(13, "A")
    coverage = Coverage((presented(AC_2, 60, first), presented(AC_0, 24, [])))
    found = assessed(measured(first, thick=bad), ROUND, SHADE, coverage, None)
    assert ("quarantined", {GENERAL: "missing"}) == (found.standing, found.uses)
    assert "5 " in found.to_measure[0]


CAPPED = Limits(
    color=ColorLimits(lot_max=1.0),
    moisture=MoistureLimits(0.05),
    sampling=Sampling(retest_rounds_max=2),
    uses={"cosmetic": ("color",), "hidden": ("moisture",)},
)


def remeasured(rounds: dict[str, int], limits: Limits = CAPPED) -> Assessment:
    """A good lot with so many repeated rounds of readings."""
    evidence = Evidence(color=(color("A", 95.0, -0.8, 1.5),), moisture=(wet("A", 0.02),))
    return assess(evidence, Coverage.of(1, 1), Criteria(limits, SHADE, 1.75, retests=rounds))


@pytest.mark.parametrize(("rounds", "held"), [(0, False), (2, False), (3, True), (9, True)])
def test_measuring_again_and_again_is_held_for_a_decision(rounds, held):
    """Retests beyond the cap hold the uses of their characteristic for quality, and no others."""
    found = remeasured({"color": rounds})
    assert {"cosmetic": "missing" if held else "pass", "hidden": "pass"} == found.uses
    assert ("quarantined" if held else "released") == found.standing
    if held:
        assert ("ask quality to accept the colour readings (decision: lift)",) == found.to_measure
        assert found.why("cosmetic")[0].startswith("Extra rounds of readings (colour):")


def test_rounds_that_quality_let_stand_no_longer_count():
    """After a lift of three rounds, two more are within the cap and three more are not."""
    stored = {"color": 6}
    for cleared, verdict in ((3, "missing"), (4, "pass"), (6, "pass")):
        beyond = {kind: count - cleared for kind, count in stored.items()}
        assert verdict == remeasured(beyond).uses["cosmetic"]


def test_a_hold_never_softens_a_failure():
    """A lot that fails stays rejected, however often it was measured."""
    strict = replace(CAPPED, moisture=MoistureLimits(0.05), color=ColorLimits(lot_max=1.0, components_max={"b": 0.0}))
    evidence = Evidence(color=(color("A", 95.0, -0.8, 3.5),), moisture=(wet("A", 0.02),))
    found = assess(evidence, Coverage.of(1, 1), Criteria(strict, SHADE, 1.75, retests={"color": 5}))
    assert "fail" == found.uses["cosmetic"]


def test_without_a_cap_nothing_is_counted():
    """Limits without a cap hold no lot, and a cap of 0 allows no retest."""
    assert [] == cap_retests({"color": 50}, replace(CAPPED, sampling=Sampling()))
    none_allowed = replace(CAPPED, sampling=Sampling(retest_rounds_max=0))
    assert [0, 1] == [len(cap_retests({"color": rounds}, none_allowed)) for rounds in (0, 1)]


@pytest.mark.parametrize("bad", [0, 3], ids=["good", "bad"])
@pytest.mark.parametrize("parts", [1, 2], ids=["only-delivery", "one-of-two"])
def test_discontinued_inspection_keeps_every_use_open(parts, bad):
    """A lot presented under discontinued inspection passes for no use, and a failing one stays rejected."""
    spools = names(13)
    stopped = presented(AC_2, 60, spools, discontinued=True)
    coverage = Coverage((stopped, *([presented(AC_0, 24, names(5, "B"))] if parts == 2 else [])))
    evidence = measured(spools + (names(5, "B") if parts == 2 else []), thick=spools[:bad])
    found = assessed(evidence, BOTH, SHADE, coverage, None)
    thick = "fail" if bad else "missing"
    assert {"cosmetic": "missing", "fit": thick, "load_bearing": thick} == found.uses
    assert "quarantined" == found.standing
    assert any("resume inspection" in part for part in found.to_measure)


@given(st.floats(-2, 2), st.floats(0.01, 3), st.integers(2, 9), st.floats(0.5, 4))
def test_an_uncertainty_of_zero_never_passes_under_the_guarded_rule(value, most, n, z):
    """With an uncertainty of 0, values outside the limit fail without a claim, and values inside are missing."""
    rule = DecisionRule(guarded=True, z=z)
    found = judge("diameter.spool_mean", Measured(value, n, uncertainty=0.0), Limit(-most, most), rule)
    assert found.verdict == ("missing" if Limit(-most, most).allows(value) else "fail")
    assert (None, None, None) == (found.uncertainty, found.conformance, found.claimable)


@given(st.sampled_from(["pass", "near", "missing", "fail"]), st.integers(1, 4), st.integers(1, 9))
def test_one_spool_of_several_never_passes_for_the_lot(verdict, measured, spools):
    """One spool of several is missing at best, a failure stays, and one more spool is requested."""
    spools = max(spools, measured)
    finding = Finding("color.lot_delta_e", verdict, Limit(None, 1.0), 0.5)
    seen = {"color": {str(number) for number in range(measured)}}
    (found,) = one_spool_is_no_lot([finding], seen, Coverage.of(spools, 1))
    held = measured == 1 < spools and verdict in ("pass", "near")
    assert (("missing", 1) if held else (verdict, 0)) == (found.verdict, found.more_spools)
