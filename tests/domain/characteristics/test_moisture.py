"""Moisture by mass. Limits are common practice, no source; the subject is that drying and measuring again settles a finding."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.characteristics.moisture import (
    REMEDY,
    MoistureLimits,
    Wetness,
    dry_spools,
    judge_moisture,
    last_wet,
    latest_per_spool,
)
from tests.domain.builders import GUARDED, SIMPLE, wet

LIMITS = MoistureLimits(0.05)


def judged(readings, rule=SIMPLE):
    """The one finding on moisture."""
    (found,) = judge_moisture(readings, LIMITS, rule)
    return found


@pytest.mark.parametrize(("percent", "verdict"), [(0.049, "pass"), (0.05, "pass"), (0.051, "fail")])
def test_the_limit_includes_its_end(percent, verdict):
    """A moisture exactly at its limit passes, and one just above does not."""
    assert verdict == judged([wet("A", percent)]).verdict


def test_too_wet_is_a_hold_with_a_remedy():
    """A spool over the limit holds the lot with the remedy to dry and measure again, and does not reject it."""
    found = judged([wet("A", 0.20)])
    assert ("fail", True, REMEDY) == (found.verdict, found.hold, found.to_measure)
    assert "Dry the filament, then measure its moisture again." in found.message


@pytest.mark.parametrize("turned", [False, True], ids=["in-order", "entered-late"])
def test_only_the_newest_reading_of_a_spool_counts(turned):
    """A spool measured at 0.20 %, dried, and measured at 0.02 % is dry, in any order of entry."""
    readings = [wet("A", 0.20, hours=0), wet("A", 0.02, hours=8)]
    found = judged(readings[::-1] if turned else readings)
    assert ("pass", 0.02, 1) == (found.verdict, found.value, found.n)


def test_a_spool_that_took_up_water_is_wet_again():
    """A later, wetter reading replaces a dry one."""
    assert "fail" == judged([wet("A", 0.02, hours=0), wet("A", 0.20, hours=200)]).verdict


def test_of_two_readings_of_one_moment_the_wetter_counts():
    """Of two readings with the same time the wetter counts."""
    for pair in ([wet("A", 0.02), wet("A", 0.20)], [wet("A", 0.20), wet("A", 0.02)]):
        assert 0.20 == latest_per_spool(pair)["A"].percent


def test_the_wettest_spool_decides():
    """The finding names the wettest of the newest readings; drying one spool does not dry another."""
    found = judged([wet("A", 0.20, 0), wet("A", 0.01, 8), wet("B", 0.07, 0), wet("C", 0.03, 0)])
    assert ("fail", 0.07, 3, "wettest, spool B") == (found.verdict, found.value, found.n, found.subject)


def test_nothing_measured_is_missing():
    """Without a reading the finding asks for the moisture of a drawn spool."""
    found = judged([])
    assert ("missing", "measure the moisture of a drawn spool") == (found.verdict, found.to_measure)


@pytest.mark.parametrize(("u", "verdict"), [(0.001, "pass"), (0.02, "near"), (None, "missing")])
def test_the_guarded_rule_asks_for_an_analyser_good_enough(u, verdict):
    """0.03 % under a limit of 0.05 % passes with a fine analyser, is near with a coarse one, missing with an unknown one."""
    assert verdict == judged([wet("A", 0.03, u=u)], GUARDED).verdict


def test_a_wet_spool_is_wet_whatever_the_analyser():
    """A value outside the limit is too wet under either rule, with or without an uncertainty."""
    assert {"fail"} == {judged([wet("A", 0.2, u=u)], rule).verdict for u in (None, 0.01) for rule in (SIMPLE, GUARDED)}


SERIES = st.lists(st.tuples(st.sampled_from("ABC"), st.sampled_from([0.02, 0.05, 0.2]), st.integers(0, 9)), max_size=8)


def held(readings, spool):
    """Whether a spool must wait."""
    wet_lot = last_wet(readings, LIMITS, ("hidden",))
    return wet_lot is not None and wet_lot.against("Q-1", spool, dry_spools(readings, LIMITS).get(spool)) is not None


@given(SERIES, st.sampled_from("ABCD"))
def test_what_one_spool_shows_never_clears_another(series, spool):
    """A spool of a wet lot is clear only after its own dry reading following the last wet one, and no wet reading since."""
    readings = [wet(code, percent, hours=hours) for code, percent, hours in series]
    moments = [hours for _, percent, hours in series if percent > 0.05]
    own = [(hours, percent) for code, percent, hours in series if code == spool]
    clear = not moments or (bool(own) and max(own)[0] > max(moments))
    assert clear is not held(readings, spool)


def test_wetness_is_kept_whole():
    """A stored wet reading is restored unchanged."""
    found = last_wet([wet("A", 0.2)], LIMITS, ("hidden", "fit"))
    assert found == Wetness.from_json(found.as_json())
