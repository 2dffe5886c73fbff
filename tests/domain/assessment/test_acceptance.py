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
from lots.domain.receiving.coverage import CLOSED_LOT, Coverage, Presented
from lots.domain.receiving.sampling_plans import plan_for
from tests.domain.builders import EVERY_LIMIT, GOOD, GUARDED, SHADE, TWO_OF_TEN, assessed, by_code, color, gauge, wet

CLEAN = tuple(SurfaceCheck(spool, 0, 5.0) for spool in "AB")


def of_findings(*findings, **uses):
    """An assessment with these findings."""
    return Assessment("quarantined", uses, findings, (), (), Summary())


def step(**changed):
    """A colour step that waits for quality's decision."""
    found = Finding("color.step", "near", Limit(None, 0.5), 0.75, hold=True, uses=("cosmetic",))
    return replace(found, **changed)


def by_rules(rules, evidence, limits, coverage=TWO_OF_TEN):
    """The assessment under a version of the rules."""
    return assess(evidence, coverage, Criteria(limits, SHADE, 1.75, rules=rules))


def test_evidence_is_of_known_characteristics():
    """An unknown characteristic is refused by name when evidence is made, and when it is requested."""
    with pytest.raises(TypeError, match=r"^no characteristic is named bounce, charm$"):
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
    """Only a held step with a value keeps a use open; a use that fails waits for nothing."""
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
    """A characteristic measured in full without passing is settled; other characteristics and held findings do not count."""
    limit = Limit(None, 1.0)
    found = [Finding("color.lot_delta_e", verdict, limit) for verdict in verdicts]
    beside = (step(), Finding("diameter.spool_mean", "fail", limit), Finding("gloss.gu_60", "missing", limit))
    assert settled is of_findings(*found, *beside).settled_without_pass("color")


def test_without_limits_nothing_can_be_judged():
    """A lot of a grade without limits stays in quarantine until quality sets them."""
    found = assessed(limits=None)
    assert ("quarantined", {"general": "missing"}) == (found.standing, found.uses)
    assert ("ask quality to set limits for this grade",) == found.to_measure


@pytest.mark.parametrize(("rules", "counts"), [(FIRST, True), (SECOND, True), (THIRD, False), (CURRENT, False)])
def test_a_print_by_another_recipe_counts_no_more(rules, counts):
    """From version 3 of the rules on, a print by another recipe is left out and noted."""
    limits = Limits(given={"surface": SurfaceLimits(1.0)}, asked={"surface": {"test_print": "PLATE/2"}})
    found = by_rules(rules, Evidence(surface=CLEAN), limits)
    assert ("released" if counts else "quarantined") == found.standing
    assert counts is not any("not count, since the recipe was not PLATE/2." in note for note in found.notes)


@pytest.mark.parametrize(("rules", "counts"), [(FIRST, True), (SECOND, True), (THIRD, False), (CURRENT, False)])
def test_a_print_of_the_control_spool_says_nothing_of_the_lot(rules, counts):
    """Up to version 2 of the rules, specks on a print of the control spool count against the lot; later they do not."""
    specks = replace(SurfaceCheck("A", 40, 5.0), origin=Origin(control=True))
    found = by_rules(rules, Evidence(surface=(*CLEAN, specks)), Limits(surface=SurfaceLimits(1.0)))
    assert ("blocked" if counts else "released") == found.standing


@pytest.mark.parametrize(("rules", "kept"), [(SECOND, False), (THIRD, False), (CURRENT, True)])
def test_degrees_of_freedom_are_kept_from_version_4_on(rules, kept):
    """Rules before version 4 treat every uncertainty as known and store no degrees of freedom."""
    assert kept is bool(by_rules(rules, GOOD, EVERY_LIMIT).summary.freedom)


@pytest.mark.parametrize(("rules", "printed"), [(SECOND, False), (THIRD, True), (CURRENT, True)])
def test_prints_are_kept_by_printer_from_version_3_on(rules, printed):
    """From version 3 on, the summary holds settings by printer."""
    lot = replace(
        GOOD, shrinkage=tuple(replace(one, printer="P-1", origin=Origin(printer="P-1")) for one in GOOD.shrinkage)
    )
    assert printed is bool(by_rules(rules, lot, EVERY_LIMIT).summary.printed)


@pytest.mark.parametrize(("rules", "kept"), [(FIRST, False), (SECOND, True), (THIRD, True)])
def test_a_wet_reading_is_kept_from_version_2_on(rules, kept):
    """From version 2 on, the last wet reading is stored with the spools measured dry since."""
    lot = Evidence(moisture=(wet("A", 0.2), wet("B", 0.02, 1.0)))
    summary = by_rules(rules, lot, Limits(moisture=MoistureLimits(0.05))).summary
    assert (kept, kept) == (summary.wet is not None, "B" in summary.dry_at)


@pytest.mark.parametrize(("rules", "waits"), [(SECOND, True), (THIRD, False), (CURRENT, False)])
def test_a_plan_waits_only_for_what_is_asked_of_the_whole_sample(rules, waits):
    """From version 3 on, a characteristic whose limits need only one spool does not keep the count open."""
    given = {"diameter": DiameterLimits(mean_tolerance_mm=0.03), "color": ColorLimits(lot_max=1.0, spool_max=1.2)}
    limits = Limits(given=given, asked={"color": {"spools_min": 1}})
    lot = Evidence(
        diameter=tuple(gauge(f"S{number}", 1.75, 1.75, u=0.002) for number in range(5)),
        color=(color("S0", 95.0, -0.8, 1.5, u=0.03),),
    )
    coverage = Coverage((Presented(24, 5, plan=plan_for(24, "II", 2.5)),))
    assert waits is ("sampling.nonconforming" not in by_code(by_rules(rules, lot, limits, coverage).findings))


def test_what_keeps_a_use_from_passing_is_said():
    """Reasons list failing and near findings first, then each remaining task once; an unassessed use lists all tasks."""
    fails = Finding("color.lot_delta_e", "fail", Limit(None, 1.0), 2.0, uses=("cosmetic",))
    missing = Finding("color.step", "missing", Limit(None, 1.0), to_measure="a reading", uses=("cosmetic", "fit"))
    found = replace(of_findings(missing, fails, missing, cosmetic="fail", fit="missing"), to_measure=("everything",))
    assert [fails.message, "Still to do: a reading."] == found.why("cosmetic")
    assert ["Still to do: a reading."] == found.why("fit")
    assert ["Still to do: everything."] == found.why("hidden")


@pytest.mark.parametrize(("rules", "verdict"), [(FIRST, "pass"), (SECOND, "missing"), (CURRENT, "missing")])
def test_one_spool_is_no_lot_under_the_guarded_rule_from_version_2_on(rules, verdict):
    """Repeat readings of one spool do not show the spread between spools, so the guarded rule needs a second spool from version 2 on."""
    limits = Limits(diameter=DiameterLimits(mean_tolerance_mm=0.03), rule=GUARDED)
    one = Evidence(diameter=tuple(gauge("A", 1.75, value, u=0.002) for value in (1.75, 1.751)))
    found = by_rules(rules, one, limits, Coverage.of(10, 1, ("A",)))
    assert verdict == by_code(found.findings)["diameter.spool_mean"].verdict


@pytest.mark.parametrize("rules", [SECOND, CURRENT])
def test_what_is_kept_of_a_lot_rests_on_its_drawn_spools(rules):
    """A spool that was not drawn can reject the lot, but does not change its mean."""
    drawn = by_rules(rules, GOOD, EVERY_LIMIT)
    other = replace(GOOD, color=(*GOOD.color, color("Z", 90.0, -0.8, 1.5, u=0.03)))
    found = by_rules(rules, other, EVERY_LIMIT)
    assert ("blocked", drawn.summary.lab) == (found.standing, found.summary.lab)


def test_a_lot_that_is_measured_whole_is_known_better():
    """The mean of a fully measured lot has no uncertainty from the spread between spools."""
    apart = Evidence(
        color=tuple(
            color(spool, 95.0 + of + by, -0.8, 1.5) for spool, of in (("A", 0.0), ("B", 0.3)) for by in (0.0, 0.02)
        )
    )
    whole, part = (
        by_code(by_rules(CURRENT, apart, EVERY_LIMIT, Coverage.of(spools, 2, ("A", "B"))).findings)["color.lot_delta_e"]
        for spools in (2, 200)
    )
    assert whole.uncertainty < 0.1 * part.uncertainty


@pytest.mark.parametrize("rules", [FIRST, CURRENT])
def test_of_a_closed_lot_nothing_is_judged_or_kept(rules):
    """A lot whose deliveries are all closed has no findings, and its wet reading holds no spool."""
    limits = Limits(moisture=MoistureLimits(0.05))
    found = by_rules(rules, Evidence(moisture=(wet("A", 0.2),)), limits, Coverage(()))
    assert ("quarantined", {"general": "missing"}, ()) == (found.standing, found.uses, found.findings)
    assert found.summary.wet is None
    assert (CLOSED_LOT,) == by_rules(rules, Evidence(), limits, Coverage(())).to_measure
