"""How findings lead to a verdict on a lot, under each version of the rules. Source: this project's rules."""

from dataclasses import replace

import pytest

from lots.domain.assessment.assessment import Assessment, Criteria, Evidence, Summary, assess
from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.declaring.origin import Origin
from lots.domain.characteristics.lot_diameter import DiameterLimits
from lots.domain.characteristics.moisture import MoistureLimits
from lots.domain.characteristics.surface import SurfaceCheck, SurfaceLimits
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.limits import Limit
from lots.domain.conformity.rule_versions import CURRENT, FIRST, SECOND, THIRD
from lots.domain.receiving.coverage import Coverage, Presented
from lots.domain.receiving.sampling_plans import plan_for
from tests.domain.builders import EVERY_LIMIT, GOOD, SHADE, TWO_OF_TEN, assessed, by_code, color, gauge, wet

CLEAN = tuple(SurfaceCheck(spool, 0, 5.0) for spool in "AB")


def of_findings(*findings, **uses):
    """An assessment that found these."""
    return Assessment("quarantined", uses, findings, (), (), Summary())


def step(**changed):
    """A colour step that waits for quality's decision."""
    found = Finding("color.step", "near", Limit(None, 0.5), 0.75, hold=True, uses=("cosmetic",))
    return replace(found, **changed)


def by_rules(rules, evidence, limits, coverage=TWO_OF_TEN):
    """The assessment under a version of the rules."""
    return assess(evidence, coverage, Criteria(limits, SHADE, 1.75, rules=rules))


def test_evidence_is_of_known_characteristics():
    """Another name is refused, and named, when evidence is made and when it is asked for."""
    with pytest.raises(TypeError, match=r"^there is no characteristic bounce, charm$"):
        Evidence(charm=(1,), bounce=(2,))
    with pytest.raises(AttributeError, match=r"^charm$"):
        _ = GOOD.charm


@pytest.mark.parametrize(
    ("changed", "uses", "held"),
    [
        ({}, {"cosmetic": "near"}, {"color.step": 0.75}),
        ({}, {"cosmetic": "fail"}, {}),
        ({"uses": ("cosmetic", "fit")}, {"cosmetic": "fail", "fit": "near"}, {"color.step": 0.75}),
        ({"uses": ()}, {"cosmetic": "near"}, {}),
        ({"hold": False}, {"cosmetic": "near"}, {}),
        ({"value": None}, {"cosmetic": "near"}, {}),
        ({"code": "color.lot_delta_e"}, {"cosmetic": "near"}, {}),
    ],
    ids=["held", "use-fails", "one-use-fails", "no-use", "not-held", "no-value", "no-step"],
)
def test_a_step_that_keeps_a_use_open_waits_for_quality(changed, uses, held):
    """A use that fails does not wait for it; neither does anything else that is held."""
    assert held == of_findings(step(**changed), **uses).steps_held()


@pytest.mark.parametrize(
    ("verdicts", "settled"),
    [
        ((), False),
        (("pass",), False),
        (("fail",), True),
        (("near",), True),
        (("pass", "near"), True),
        (("fail", "missing"), False),
    ],
)
def test_what_is_measured_in_full_and_does_not_pass_is_settled(verdicts, settled):
    """More readings of it are a retest; other characteristics, and what is held, do not count."""
    limit = Limit(None, 1.0)
    found = [Finding("color.lot_delta_e", verdict, limit) for verdict in verdicts]
    beside = (step(), Finding("diameter.spool_mean", "fail", limit), Finding("gloss.gu_60", "missing", limit))
    assert settled is of_findings(*found, *beside).settled_without_pass("color")


def test_without_limits_nothing_can_be_judged():
    """The lot waits for quality to set them."""
    found = assessed(limits=None)
    assert ("quarantined", {"general": "missing"}) == (found.standing, found.uses)
    assert ("limits for this grade, set by quality: without them nothing can be judged",) == found.to_measure


@pytest.mark.parametrize(("rules", "counts"), [(FIRST, True), (SECOND, True), (THIRD, False), (CURRENT, False)])
def test_a_print_by_another_recipe_counts_no_more(rules, counts):
    """From version 3 of the rules on it is left out and noted."""
    limits = Limits(given={"surface": SurfaceLimits(1.0)}, asked={"surface": {"test_print": "PLATE/2"}})
    found = by_rules(rules, Evidence(surface=CLEAN), limits)
    assert ("released" if counts else "quarantined") == found.standing
    assert counts is not any("not count: not printed by PLATE/2." in note for note in found.notes)


@pytest.mark.parametrize(("rules", "counts"), [(FIRST, True), (SECOND, True), (THIRD, False), (CURRENT, False)])
def test_a_print_of_the_control_spool_says_nothing_of_the_lot(rules, counts):
    """Its specks count against the lot up to version 2 of the rules."""
    specks = replace(SurfaceCheck("A", 40, 5.0), origin=Origin(control=True))
    found = by_rules(rules, Evidence(surface=(*CLEAN, specks)), Limits(surface=SurfaceLimits(1.0)))
    assert ("blocked" if counts else "released") == found.standing


@pytest.mark.parametrize(("rules", "kept"), [(SECOND, False), (THIRD, False), (CURRENT, True)])
def test_degrees_of_freedom_are_kept_from_version_4_on(rules, kept):
    """Earlier versions take every uncertainty as known."""
    assert kept is bool(by_rules(rules, GOOD, EVERY_LIMIT).summary.freedom)


@pytest.mark.parametrize(("rules", "printed"), [(SECOND, False), (THIRD, True), (CURRENT, True)])
def test_prints_are_kept_by_printer_from_version_3_on(rules, printed):
    """What settings need of a printer."""
    lot = replace(
        GOOD, shrinkage=tuple(replace(one, printer="P-1", origin=Origin(printer="P-1")) for one in GOOD.shrinkage)
    )
    assert printed is bool(by_rules(rules, lot, EVERY_LIMIT).summary.printed)


@pytest.mark.parametrize(("rules", "kept"), [(FIRST, False), (SECOND, True), (THIRD, True)])
def test_a_wet_reading_is_kept_from_version_2_on(rules, kept):
    """With the spools that were dry since."""
    lot = Evidence(moisture=(wet("A", 0.2), wet("B", 0.02, 1.0)))
    summary = by_rules(rules, lot, Limits(moisture=MoistureLimits(0.05))).summary
    assert (kept, kept) == (summary.wet is not None, "B" in summary.dry_at)


@pytest.mark.parametrize(("rules", "waits"), [(SECOND, True), (THIRD, False), (CURRENT, False)])
def test_a_plan_waits_only_for_what_is_asked_of_the_whole_sample(rules, waits):
    """From version 3 on a characteristic whose limits are content with one spool does not keep the count open."""
    given = {"diameter": DiameterLimits(mean_tolerance_mm=0.03), "color": ColorLimits(lot_max=1.0, spool_max=1.2)}
    limits = Limits(given=given, asked={"color": {"spools_min": 1}})
    lot = Evidence(
        diameter=tuple(gauge(f"S{number}", 1.75, 1.75, u=0.002) for number in range(5)),
        color=(color("S0", 95.0, -0.8, 1.5, u=0.03),),
    )
    coverage = Coverage((Presented(24, 5, plan=plan_for(24, "II", 2.5)),))
    assert waits is ("sampling.nonconforming" not in by_code(by_rules(rules, lot, limits, coverage).findings))
