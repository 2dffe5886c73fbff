"""Clearance of a spool, over every status, use and verdict. Source: this project's rules, which fail closed."""

from dataclasses import replace
from itertools import product

import pytest

from lots.domain.assessment.limits_revision import GENERAL, USES
from lots.domain.assessment.prohibitions import Material, Statement
from lots.domain.assessment.standing_by_hand import LOADABLE, STANDINGS
from lots.domain.production.clearance import PART_CAUTION, SpoolState, clear, with_held, worst_of
from lots.domain.production.matching import PairMatch
from tests.domain.builders import MONDAY

GOOD = SpoolState("SP-1", "L-7", "released", {"cosmetic": "pass"}, ("color",), remaining_g=800.0)


def never(*uses, reason="tabs snapped"):
    """A grade with prohibited uses."""
    return Material(stated=[Statement(use, reason, "Ines", MONDAY) for use in uses])


VERDICTS = ("pass", "near", "missing", "fail", "mystery", None)


@pytest.mark.parametrize("standing", [*STANDINGS, "mystery"])
def test_only_a_loadable_lot_that_passed_for_the_use_is_clear(standing):
    """A spool is clear exactly when its lot was assessed, is released or restricted, and passed for that use."""
    for use, verdict, judged in product([*USES, GENERAL, "medical"], VERDICTS, (True, False)):
        uses = {} if verdict is None else {use: verdict}
        found = clear(replace(GOOD, standing=standing, uses=uses, judged=judged), use)
        assert (judged and standing in LOADABLE and verdict == "pass") is found.clear, (use, verdict, judged)
        assert found.clear is (found.reasons == ()), (use, verdict, judged)
        clear_says = "Load." if standing == "released" else f"Load only for {use.replace('_', '-')}."
        assert found.says == (clear_says if found.clear else f"Do not load: {found.reasons[0]}")


@pytest.mark.parametrize(
    ("use", "blocks", "clears"),
    [
        ("cosmetic", ("color", "diameter"), True),
        ("cosmetic", ("diameter",), False),
        ("fit", ("shrinkage",), True),
        ("fit", ("color",), False),
        ("load_bearing", ("bond",), True),
        ("load_bearing", ("color", "diameter"), False),
        ("flexing", ("bond",), True),
        ("flexing", ("shrinkage",), False),
        ("hidden", ("diameter",), True),
        ("medical", ("color", "bond", "shrinkage"), False),
    ],
)
def test_a_general_verdict_speaks_only_for_uses_whose_characteristic_was_judged(use, blocks, clears):
    """Where limits name no uses, a use is covered if its defining characteristic has limits, such as bond for load-bearing."""
    assert clears is clear(replace(GOOD, uses={GENERAL: "pass"}, blocks=blocks), use).clear


@pytest.mark.parametrize("by_hand", ["block", "hold", "return", "scrap", "something new"])
@pytest.mark.parametrize("standing", STANDINGS)
def test_a_decision_in_force_is_a_reason_under_any_standing(standing, by_hand):
    """A spool under a manual decision is not clear, with its reason, whatever the lot's status."""
    found = clear(replace(GOOD, standing=standing, by_hand=(by_hand, "tile check failed")), "cosmetic")
    assert not found.clear
    assert found.reasons[0].endswith("Reason: tile check failed.")


@pytest.mark.parametrize("standing", [s for s in STANDINGS if s not in LOADABLE])
def test_each_standing_that_cannot_be_loaded_says_so(standing):
    """Without a manual decision the first reason names the lot and its status."""
    reason = clear(replace(GOOD, standing=standing), "cosmetic").reasons[0]
    assert "Lot L-7 is" in reason
    assert {"quarantined": "quarantine"}.get(standing, standing) in reason


def test_a_standing_nobody_knows_counts_as_never_judged():
    """An unknown status counts as not assessed and is not clear."""
    assert ("Lot L-7 has not been assessed.",) == clear(replace(GOOD, standing="mystery"), "cosmetic").reasons


@pytest.mark.parametrize("left", [0.0, -1.0, 1e-12], ids=["none", "negative", "arithmetic-noise"])
def test_an_empty_spool_is_not_loaded(left):
    """A spool with 0 g is refused, and one with 1 g is not."""
    assert ("Spool SP-1 is empty.",) == clear(replace(GOOD, remaining_g=left), "cosmetic").reasons
    assert clear(replace(GOOD, remaining_g=1.0), "cosmetic").clear


def test_a_spool_of_which_nobody_says_what_is_left_is_empty():
    """A spool of a released lot without a stated mass is not clear."""
    reasons = clear(SpoolState("SP-1", "L-7", "released", {"cosmetic": "pass"}), "cosmetic").reasons
    assert ("Spool SP-1 is empty.",) == reasons


def test_a_spool_on_another_machine_is_not_loaded():
    """A spool on another machine is not clear, and the reason names the machine."""
    reasons = clear(replace(GOOD, loaded_on="P-3"), "cosmetic").reasons
    assert ("Spool SP-1 is on machine P-3. Unload it there first.",) == reasons


APART = PairMatch("L-8", 1.4, 0.5, False, "darker, yellower")
UNKNOWN = PairMatch("L-9", None, 0.5, None)
ALIKE = PairMatch("L-6", 0.2, 0.5, True, "lighter")


def test_a_pair_that_does_not_match_is_a_reason_when_colour_shows():
    """Each lot of the job that does not match, or cannot be compared, is a separate reason where colour shows."""
    found = clear(GOOD, "cosmetic", [ALIKE, APART, UNKNOWN], match_asked=True)
    assert (
        "Lot L-7 does not match lot L-8, already used in this job: colour difference 1.40, at most 0.5 within one job (darker, yellower).",
        "Lot L-7 cannot be compared with lot L-9, already used in this job: a mean colour is missing.",
    ) == found.reasons
    assert (ALIKE, APART, UNKNOWN) == found.pairs


def test_pairs_are_shown_but_do_not_decide_where_colour_does_not_show():
    """For a use that hides colour the pairs are information only."""
    found = clear(GOOD, "cosmetic", [APART], match_asked=False)
    assert found.clear
    assert (APART,) == found.pairs


def test_every_reason_is_collected_not_only_the_first():
    """A spool with several faults lists each reason, and a blocked lot's failure for the use only once."""
    state = replace(
        GOOD,
        standing="blocked",
        uses={"cosmetic": "fail"},
        why={"cosmetic": ["Too yellow.", "Too oval."]},
        material=never("cosmetic"),
        remaining_g=0.0,
        loaded_on="P-3",
    )
    reasons = clear(state, "cosmetic", [APART], match_asked=True).reasons
    expected = [
        "is blocked",
        "is forbidden for cosmetic",
        "Too yellow.",
        "Too oval.",
        "machine P-3",
        "is empty",
        "does not match",
    ]
    assert len(expected) == len(reasons)
    for part, reason in zip(expected, reasons, strict=True):
        assert part in reason


def test_a_restricted_lot_says_that_it_fails_for_the_use():
    """For a restricted lot the failed use is named before its findings."""
    state = replace(GOOD, standing="restricted", uses={"cosmetic": "fail"}, why={"cosmetic": ["Too yellow."]})
    assert ("Lot L-7 fails for cosmetic use.", "Too yellow.") == clear(state, "cosmetic").reasons


@pytest.mark.parametrize("use", ["cosmetic", GENERAL])
def test_the_findings_behind_a_refusal_are_told(use):
    """The messages behind a refusal follow it, those of the general verdict where no uses are named."""
    state = replace(GOOD, uses={use: "near"}, why={use: ["Closer than its guard band."]})
    reasons = clear(state, "cosmetic").reasons
    assert ("Lot L-7 is not accepted yet for cosmetic use.", "Closer than its guard band.") == reasons


def test_a_clearance_always_says_that_a_lot_is_not_a_part():
    """The caution about load-bearing parts is always last, after the grade's cautions."""
    for state in (GOOD, replace(GOOD, standing="blocked")):
        assert ("keep dry", PART_CAUTION) == clear(replace(state, cautions=("keep dry",)), "cosmetic").cautions


@pytest.mark.parametrize("standing", LOADABLE)
@pytest.mark.parametrize("use", USES)
def test_a_grade_forbids_even_a_use_that_passed(use, standing):
    """A lot that passed for a use is refused where its grade prohibits the use."""
    found = clear(replace(GOOD, standing=standing, uses={use: "pass"}, material=never(use)), use)
    said = f'The grade is forbidden for {use.replace("_", "-")} use: "tabs snapped" (Ines, 2025-03-03).'
    assert (said,) == found.reasons


@pytest.mark.parametrize("caution", ["never load-bearing", "cosmetic only", "No problem for load-bearing parts"])
@pytest.mark.parametrize("use", USES)
def test_a_caution_forbids_nothing(use, caution):
    """A caution is advice and never refuses (this project's rule)."""
    assert clear(replace(GOOD, uses={use: "pass"}, cautions=(caution,)), use).clear


def test_a_permission_clears_and_is_shown():
    """A matte grade is clear for the permitted use alone, with the permission before the caution about parts."""
    granted = Statement("load_bearing", "30 bars of 5 lots", "Ines", MONDAY)
    uses = {"load_bearing": "pass", "flexing": "pass"}
    state = replace(GOOD, uses=uses, material=Material(finish="matte", permitted=[granted]))
    found = clear(state, "load_bearing")
    assert (True, granted) == (found.clear, found.permission)
    assert '"30 bars of 5 lots" (Ines, 2025-03-03)' in found.cautions[-2]
    other = clear(state, "flexing")
    assert ("The grade is forbidden for flexing use: its finish is matte.",) == other.reasons
    assert other.permission is None


def test_limits_are_not_asked_for_where_the_grade_forbids_the_use():
    """The prohibition comes first, then the missing assessment, without advice to set limits for it."""
    state = replace(GOOD, uses={"load_bearing": "pass"}, blocks=("bond",))
    (alone,) = clear(state, "fit").reasons
    assert (
        "Lot L-7 has not been assessed for fit use. The limits of its grade cover only load-bearing. Ask quality to add this use."
        == alone
    )
    assert (
        'The grade is forbidden for fit use: "cosmetic only" (Ines, 2025-03-03).',
        "Lot L-7 has not been assessed for fit use. The limits of its grade cover only load-bearing.",
    ) == clear(replace(state, material=never("fit", reason="cosmetic only")), "fit").reasons


@pytest.mark.parametrize(
    ("held", "cautions"),
    [
        ([], ()),
        (
            [("HW-Q12-3", "J-1043")],
            ("P1 already holds HW-Q12-3 for J-1043. Unload it first unless P1 has another slot.",),
        ),
        (
            [("HW-1", "J-1"), ("HW-2", "J-2")],
            (
                "P1 already holds 2 spools: HW-1 for J-1; HW-2 for J-2. Unload one of them first unless P1 has another slot.",
            ),
        ),
    ],
    ids=["none", "one", "two"],
)
def test_a_machine_that_holds_another_spool_is_cautioned_and_not_refused(held, cautions):
    """Spools already on a machine are named in a caution, and the answer stays clear, because a machine can have several slots."""
    found = clear(GOOD, "cosmetic")
    told = with_held(found, "P1", held)
    assert told.clear
    assert (*cautions, *found.cautions) == told.cautions


def test_a_restricted_lot_names_every_use_it_is_fit_for():
    """The answer on a restricted lot names every use it passed for."""
    uses = {"cosmetic": "pass", "hidden": "pass", "load_bearing": "fail"}
    assert clear(replace(GOOD, standing="restricted", uses=uses), "hidden").says == "Load only for cosmetic, hidden."


def test_a_spliced_spool_is_fit_for_what_all_its_lots_are():
    """A spliced spool has all reasons of its lots, and only the uses that each lot passes."""
    fit = [{"cosmetic": "pass", "hidden": "pass"}, {"cosmetic": "fail", "hidden": "pass"}]
    each = [clear(replace(GOOD, standing="restricted", uses=uses), "hidden") for uses in fit]
    assert worst_of(each).says == "Load only for hidden."
    released = clear(replace(GOOD, standing="released", uses={"cosmetic": "pass", "hidden": "pass"}), "hidden")
    assert worst_of([released, released]).says == "Load."
    refused = worst_of([each[0], clear(replace(GOOD, standing="blocked"), "hidden")])
    assert not refused.clear


@pytest.mark.parametrize("first", ["restricted", "released"])
def test_a_restricted_and_a_released_lot_say_what_both_are_fit_for(first):
    """A use that the released lot's limits do not cover is not named, though the restricted lot passes for it."""
    fit = {
        "restricted": {"cosmetic": "fail", "hidden": "pass", "fit": "pass"},
        "released": {"cosmetic": "pass", "hidden": "pass"},
    }
    order = sorted(fit, key=lambda standing: standing != first)
    each = [clear(replace(GOOD, standing=standing, uses=fit[standing]), "hidden") for standing in order]
    assert "Load only for hidden." == worst_of(each).says


def test_lots_on_one_spool_must_match_where_colour_shows():
    """Each two lots of a spool that do not match, or cannot be compared, are a reason after those of the lots, where colour shows."""
    mates = [replace(pair, of="L-7") for pair in (ALIKE, APART, UNKNOWN)]
    each = [clear(GOOD, "cosmetic"), clear(GOOD, "cosmetic")]
    found = worst_of(each, "MIX", mates, match_asked=True)
    assert (
        "Spool MIX holds lots L-8 and L-7. They do not match: colour difference 1.40, at most 0.5 within one job (darker, yellower).",
        "Spool MIX holds lots L-9 and L-7. They cannot be compared: a mean colour under the same conditions is missing.",
    ) == found.reasons
    assert tuple(mates) == found.mates
    hidden = worst_of(each, "MIX", mates)
    assert (True, tuple(mates)) == (hidden.clear, hidden.mates)


def test_each_lot_of_a_spool_keeps_its_own_pairs():
    """Two lots of a spool compared with the same lot of the job are two comparisons."""
    near, far = replace(ALIKE, lot="L-1", of="A"), replace(APART, lot="L-1", of="B")
    each = [clear(GOOD, "cosmetic", [pair], match_asked=True) for pair in (far, near)]
    assert (far, near) == worst_of(each).pairs
