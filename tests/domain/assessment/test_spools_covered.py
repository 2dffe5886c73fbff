"""The number of drawn spools behind a finding. Source of the counts: this project's rule (common practice, no source); figures invented."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.assessment import Criteria, Evidence, assess
from lots.domain.assessment.limits_revision import Limits, limits_from, problems
from lots.domain.assessment.spools_covered import spools_asked, spools_lacking
from lots.domain.assessment.verdicts import standing_of
from lots.domain.characteristics.bond.lot_bond import BondLimits
from lots.domain.characteristics.moisture import MoistureLimits
from lots.domain.characteristics.registry import DECLARED
from lots.domain.characteristics.shrinkage.lot_shrinkage import ShrinkageLimits
from lots.domain.characteristics.surface import SurfaceCheck, SurfaceLimits
from lots.domain.conformity import rule_versions
from lots.domain.receiving.coverage import Coverage, Presented
from tests.domain.builders import bar, by_code, coupon, wet

SPECKS = Limits(surface=SurfaceLimits(2.0))
THREE = Coverage.of(24, 3, ("A-1", "A-2", "A-5"))


def judged(evidence, limits=SPECKS, coverage=THREE, rules=rule_versions.CURRENT):
    """An assessment of 1.75 mm filament without a shade."""
    return assess(evidence, coverage, Criteria(limits, None, 1.75, rules=rules))


def clean(*spools):
    """A clean layer of 1 dm2 of each spool."""
    return Evidence(surface=[SurfaceCheck(spool, 0, 1.0) for spool in spools])


def asking(name, block, spools_min):
    """Limits of one block with this minimum number of spools."""
    return Limits(given={name: block}, asked={name: {"spools_min": spools_min}})


def test_specks_of_one_spool_do_not_speak_for_the_sample():
    """A clean layer of one drawn spool of three leaves the lot open and names the other two."""
    found = by_code(judged(clean("A-1")).findings)["surface.specks"]
    assert ("missing", "measure specks on 2 more drawn spools (A-2, A-5)", 1) == (
        found.verdict,
        found.to_measure,
        found.spools,
    )


def test_the_whole_sample_releases():
    """Three clean layers of the three drawn spools pass, and the finding states the number of spools."""
    whole = judged(clean("A-1", "A-2", "A-5"))
    assert "released" == whole.standing
    assert {3} == {finding.spools for finding in whole.findings}


def test_one_drawn_spool_was_enough_before():
    """Under version 2 of the rules one drawn spool is enough."""
    found = judged(clean("A-1"), rules=rule_versions.SECOND)
    assert ("released", None) == (found.standing, found.findings[0].spools)


def test_a_failure_on_one_spool_stays_a_failure():
    """Twenty specks on one of three drawn spools reject the lot at once."""
    found = judged(Evidence(surface=[SurfaceCheck("A-1", 20, 1.0)]))
    assert "blocked" == found.standing


def test_too_wet_waits_for_its_remedy_alone():
    """While a spool is too wet, the lot is held with the remedy alone."""
    found = by_code(judged(Evidence(moisture=[wet("A-1", 0.2)]), Limits(moisture=MoistureLimits(0.05))).findings)
    assert ("fail", True) == (found["moisture.percent"].verdict, found["moisture.percent"].hold)


def test_what_nobody_measured_asks_for_every_spool_at_once():
    """The first list of tasks names every spool of the sample."""
    found = judged(Evidence())
    assert "measure specks on 3 drawn spools (A-1, A-2, A-5)" in found.to_measure


@pytest.mark.parametrize("name", ["shrinkage", "bond", "opacity"])
def test_what_comes_from_the_batch_rests_on_one_spool(name):
    """Shrinkage, bond and opacity need one drawn spool by default."""
    assert 1 == spools_asked(name, Limits())


@pytest.mark.parametrize("name", ["surface", "stringing", "moisture", "color", "diameter", "gloss"])
def test_the_others_rest_on_the_sample(name):
    """All other characteristics need the whole sample by default."""
    assert spools_asked(name, Limits()) is None


def test_limits_may_ask_for_more_spools_than_the_declaration():
    """With two drawn spools required for shrinkage, one is missing, and either of the two left is enough."""
    shrinking = asking("shrinkage", ShrinkageLimits({"x": (0.1, 0.5)}), 2)
    coverage = Coverage.of(24, 3, ("A", "B", "C"))
    found = by_code(judged(Evidence(shrinkage=[coupon(0.3)]), shrinking, coverage).findings)["shrinkage.x"]
    assert ("missing", "measure shrinkage on 1 more of the drawn spools B, C") == (found.verdict, found.to_measure)


def test_limits_may_be_content_with_fewer():
    """Specks of one spool release where the block requires one spool."""
    assert "released" == judged(clean("A-1"), asking("surface", SurfaceLimits(2.0), 1)).standing


def test_more_than_the_sample_is_drawn():
    """With four spools required and three drawn, the fourth is drawn once these are measured."""
    found = judged(clean("A-1", "A-2", "A-5"), asking("surface", SurfaceLimits(2.0), 4))
    assert "quarantined" == found.standing
    assert [1] == [one.more for one in found.wanted]


def test_a_control_is_no_spool_of_the_lot():
    """A specimen of the control spool does not replace one of the lot."""
    from dataclasses import replace

    from lots.domain.characteristics.declaring.origin import Origin

    bars = [bar(25.0), replace(bar(26.0), spool="B", control=True, origin=Origin(control=True))]
    strong = asking("bond", BondLimits(mean_min_mpa=20.0), 2)
    found = by_code(judged(Evidence(bond=bars), strong, Coverage.of(24, 2, ("A", "B"))).findings)["bond.mean"]
    assert ("missing", 1) == (found.verdict, found.spools)


def test_no_more_than_the_lot_has():
    """A lot of one spool passes on that spool, and so does a lot whose drawn spool was replaced."""
    assert (0, []) == spools_lacking({"A"}, 5, Coverage.of(1, 1, ("A",)))
    replaced = Coverage((Presented(2, 1, ("B",), replaced=1),))
    assert (0, []) == spools_lacking({"B"}, 5, replaced)


def test_every_block_takes_it_and_refuses_nonsense_elsewhere():
    """Each limits block accepts the number of spools, and refuses invalid values."""
    assert all("spools_min" in [one.name for one in declared.limits.fields] for declared in DECLARED.values())
    body = {"surface": {"specks_per_dm2_max": 2, "spools_min": 2}}
    assert [] == problems(body)
    assert {"spools_min": 2} == limits_from(body).asked["surface"]


SPOOLS = tuple("ABCDEFGH")


@given(st.sets(st.sampled_from(SPOOLS[:6])), st.sampled_from(SPOOLS[:6]), st.integers(1, 6), st.integers(1, 9))
def test_more_conforming_spools_never_refuse(seen, another, required, asked):
    """A released lot stays released when one more drawn spool is clean."""
    coverage = Coverage.of(8, required, SPOOLS[:6])
    for limits in (SPECKS, asking("surface", SurfaceLimits(2.0), asked)):
        before, after = (judged(clean(*sorted(some)), limits, coverage) for some in (seen, seen | {another}))
        order = {"blocked": 0, "quarantined": 1, "released": 2}
        assert order[before.standing] <= order[after.standing]


@given(st.sets(st.sampled_from(SPOOLS)), st.integers(1, 9), st.integers(0, 9), st.integers(0, 3))
def test_asking_for_more_spools_never_releases_more(seen, asked, more, specks):
    """Requiring fewer spools never rejects a lot that passes with more, and failures do not depend on the number."""
    coverage = Coverage.of(8, 1, SPOOLS)
    evidence = Evidence(surface=[SurfaceCheck(spool, specks, 1.0) for spool in sorted(seen)])
    few, many = (judged(evidence, asking("surface", SurfaceLimits(2.0), k), coverage) for k in (asked, asked + more))
    assert ("blocked" == few.standing) == ("blocked" == many.standing)
    assert few.standing == many.standing or (few.standing, many.standing) == ("released", "quarantined")
    assert standing_of(many.uses) == many.standing
