"""A rejection by one instrument, printer or build is never released by readings of another. Source: this project's rule."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.assessment import Criteria, Evidence, assess
from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.bond.lot_bond import BondLimits, BondTest
from lots.domain.characteristics.declaring.origin import Origin
from lots.domain.characteristics.registry import DECLARED
from lots.domain.conformity.rule_versions import SECOND
from tests.domain.builders import EVERY_LIMIT, GOOD, SHADE, TWO_OF_TEN, assessed, by_code, gauge, wet
from tests.domain.strategies import LOTS, limits
from tests.examples import examples

QUICK = examples(60)
ORIGINS = {
    "instrument": (Origin(instrument="MIC-1"), Origin(instrument="MIC-2")),
    "printer": (Origin(printer="P1"), Origin(printer="P2")),
    "build": (Origin(printer="P1", build="B1"), Origin(printer="P1", build="B2")),
}


def of(evidence, origin):
    """The same readings with another origin; control specimens keep their role."""
    return Evidence(
        {
            name: [replace(one, origin=replace(origin, control=one.origin.control)) for one in some]
            for name, some in evidence.readings.items()
        }
    )


def both(one, other):
    """The readings of both."""
    return Evidence({name: [*some, *other.readings[name]] for name, some in one.readings.items()})


def refused(found):
    """Codes of the findings that reject a lot."""
    return {one.code for one in found.findings if one.verdict == "fail" and not one.hold}


def test_all_strategies_cover_every_characteristic():
    """The generated lots have readings of every declared characteristic."""
    assert set(DECLARED) == {name for name, some in GOOD.readings.items() if some}


@pytest.mark.parametrize("kind", ORIGINS)
@QUICK
@given(first=LOTS, second=LOTS, under=limits())
def test_another_source_never_releases(kind, first, second, under):
    """A rejection by one instrument, printer or build remains when readings of another are added, for every characteristic."""
    mine, theirs = (of(one, origin) for one, origin in zip((first, second), ORIGINS[kind], strict=True))
    before, after = (assessed(one, under, previous=None) for one in (mine, both(mine, theirs)))
    assert set() == refused(before) - refused(after)
    assert [] == [use for use, verdict in before.uses.items() if verdict == "fail" and after.uses[use] != "fail"]


def test_a_failure_by_one_instrument_stands_and_is_named():
    """A spool of 1.79 mm by one micrometer and 1.75 mm by another has a mean of 1.77 mm inside its limit, but the first alone rejects it."""
    agreed = replace(
        EVERY_LIMIT, diameter=replace(EVERY_LIMIT.diameter, reading_tolerance_mm=None, ovality_max_mm=None)
    )
    out = [replace(gauge(code, 1.79, 1.79), origin=Origin("MIC-2")) for code in "AB"]
    fine = [replace(gauge(code, 1.75, 1.75), origin=Origin("MIC-1")) for code in "AB"]
    found = by_code(assessed(Evidence(GOOD.readings, diameter=(*out, *fine)), agreed).findings)["diameter.spool_mean"]
    assert "fail" == found.verdict
    assert found.message.endswith("This is from the readings of instrument MIC-2 alone.")
    assert pytest.approx(1.79) == found.value


def test_what_one_source_leaves_missing_refuses_nothing():
    """Instruments that measured one of two spools each reject nothing alone, so the findings are those of both."""
    split = [replace(gauge(code, 1.75, 1.76), origin=Origin(f"MIC-{code}")) for code in "AB"]
    found = assessed(Evidence(GOOD.readings, diameter=split))
    assert "pass" == by_code(found.findings)["diameter.spool_mean"].verdict


def test_a_newer_dry_reading_with_another_instrument_counts():
    """A spool that another instrument measured dry is dry, because only its newest reading counts."""
    damp = replace(wet("A", 0.09), origin=Origin("BAL-1"))
    dry = replace(wet("A", 0.02, hours=8), origin=Origin("BAL-2"))
    other = replace(wet("B", 0.02, hours=8), origin=Origin("BAL-2"))
    found = assessed(Evidence(GOOD.readings, moisture=(damp, dry, other)))
    assert {"pass"} == {one.verdict for one in found.findings if one.characteristic == "moisture"}


def test_the_second_version_of_the_rules_does_not_ask_who_measured():
    """Under version 2 of the rules the mean over both micrometers decides."""
    agreed = replace(
        EVERY_LIMIT, diameter=replace(EVERY_LIMIT.diameter, reading_tolerance_mm=None, ovality_max_mm=None)
    )
    some = [
        replace(gauge(code, d, d), origin=Origin(name))
        for code in "AB"
        for d, name in ((1.79, "MIC-2"), (1.75, "MIC-1"))
    ]
    found = assess(Evidence(GOOD.readings, diameter=some), TWO_OF_TEN, Criteria(agreed, SHADE, 1.75, rules=SECOND))
    assert "pass" == by_code(found.findings)["diameter.spool_mean"].verdict


@QUICK
@given(lot=LOTS, under=limits(), data=st.data())
def test_one_source_is_judged_as_it_was(lot, under, data):
    """Naming the only source of all readings changes no finding except its name."""
    origin = data.draw(st.sampled_from([Origin("MIC-1"), Origin(printer="P1")]))
    unnamed, named = (assessed(some, under, previous=None).findings for some in (lot, of(lot, origin)))
    plain = {"detail": "", "to_measure": ""}
    assert [replace(one, **plain) for one in unnamed] == [replace(one, **plain) for one in named]


def test_what_two_sources_refuse_together_a_third_does_not_release():
    """Three specimens of one build and two of another at 15 MPa, of five required, fail 20 MPa together; eight at 40 MPa of a third release nothing."""
    bars = [(15.0, "B1")] * 3 + [(15.0, "B2")] * 2
    low = [BondTest("A", mpa, origin=Origin(printer="P1", build=build)) for mpa, build in bars]
    high = [BondTest("A", 40.0, origin=Origin(printer="P1", build="B3"))] * 8
    under = Limits(bond=BondLimits(mean_min_mpa=20.0, tests_min=5))
    for some in (low, low + high):
        found = by_code(assessed(Evidence(bond=some), under, previous=None).findings)["bond.mean"]
        assert "fail" == found.verdict


def test_a_build_typed_in_another_case_is_the_same_source():
    """Different case in a printer's name makes no second source."""
    bars = [BondTest("A", 24.0, origin=Origin(printer=printer, build="B1")) for printer in ("P1", "p1", "P 1")]
    assert 1 == len({bar.origin.source for bar in bars})
