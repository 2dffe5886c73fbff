"""Sentences of a clearance, in full, in singular and plural. Source: this project's rules."""

from dataclasses import replace

import pytest

from lots.domain.assessment.limits_revision import GENERAL
from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.production.clearance import Clearance, SpoolState, clear, unlike, with_held, worst_of
from lots.domain.production.matching import PairMatch
from tests.domain.builders import MONDAY

GOOD = SpoolState("SP-1", "L-7", "released", {"cosmetic": "pass"}, ("color",), remaining_g=800.0)
FAR = PairMatch("L-8", 1.25, 0.8, False, "lighter, redder")


def reasons(use="cosmetic", pairs=(), mass_g=None, **changed):
    """Reasons against loading a spool that is good except for this."""
    return clear(replace(GOOD, **changed), use, pairs, match_asked=bool(pairs), mass_g=mass_g).reasons


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"withdrawn": True}, "Spool SP-1 was withdrawn when its delivery was corrected. Take it to quality."),
        ({"loaded_on": "P1"}, "Spool SP-1 is on machine P1. Unload it there first."),
        ({"remaining_g": 0.0}, "Spool SP-1 is empty."),
        ({"by_hand": ("block", "Dust.")}, "Lot L-7 is blocked by a manual decision. Reason: Dust."),
        ({"by_hand": ("hold", "Dust.")}, "Lot L-7 is on hold by a manual decision. Reason: Dust."),
        ({"by_hand": ("return", "Dust.")}, "Lot L-7 is returned by a manual decision. Reason: Dust."),
        ({"by_hand": ("scrap", "Dust.")}, "Lot L-7 is scrapped by a manual decision. Reason: Dust."),
        ({"by_hand": ("burn", "Dust.")}, "Lot L-7 is under the decision 'burn'. Reason: Dust."),
        ({"judged": False}, "Lot L-7 has not been assessed."),
        ({"standing": "mystery"}, "Lot L-7 has not been assessed."),
        ({"standing": "blocked"}, "Lot L-7 is blocked by its readings."),
        ({"standing": "quarantined"}, "Lot L-7 is in quarantine."),
    ],
)
def test_a_reason_is_one_sentence(changed, says):
    """A fault of the spool or its lot is one sentence when the readings pass."""
    assert (says,) == reasons(**changed)


def test_a_lot_that_is_not_measured_says_so():
    """Quarantine states its cause, and the use what is missing."""
    found = reasons(standing="quarantined", uses={"cosmetic": "missing"}, why={"cosmetic": ["One more spool."]})
    assert found == (
        "Lot L-7 is in quarantine. Its measurements are not complete.",
        "Lot L-7 is not accepted yet for cosmetic use.",
        "One more spool.",
    )


WET = "Moisture: 0.03 %. Outside by 0.01 %. Dry the filament, then measure its moisture again."


@pytest.mark.parametrize(
    ("why", "rest"),
    [
        ([WET], "It is too wet. Dry it, then measure its moisture again."),
        (
            [WET, "Still to do: measure the colour."],
            "Its measurements are not complete. It is too wet. Dry it, then measure its moisture again.",
        ),
        (["Still to do: measure the colour."], "Its measurements are not complete."),
    ],
    ids=["wet", "wet-and-unmeasured", "unmeasured"],
)
def test_a_wet_lot_in_quarantine_is_not_called_unmeasured(why, rest):
    """A lot that was measured too wet says so, and says that readings are missing only where they are."""
    found = reasons(standing="quarantined", uses={"cosmetic": "missing"}, why={"cosmetic": why})
    assert f"Lot L-7 is in quarantine. {rest}" == found[0]


@pytest.mark.parametrize(
    ("verdict", "words"),
    [
        ("fail", "fails for"),
        ("near", "is not accepted yet for"),
        ("missing", "is not accepted yet for"),
        ("mystery", "has no verdict for"),
    ],
)
@pytest.mark.parametrize(
    ("use", "named"),
    [("cosmetic", "cosmetic use"), ("load_bearing", "load-bearing use"), ("medical", "the use medical")],
)
def test_a_use_that_did_not_pass_is_named(verdict, words, use, named):
    """The sentence names the use and its verdict, followed by the findings."""
    found = reasons(use, uses={use: verdict}, why={use: ["Too dark."]})
    assert (f"Lot L-7 {words} {named}.", "Too dark.") == found


def test_a_blocked_lot_says_once_that_it_is():
    """A blocked lot's status is stated once, followed by the reasons."""
    found = reasons(standing="blocked", uses={"cosmetic": "fail"}, why={"cosmetic": ["Too dark."]})
    assert ("Lot L-7 is blocked by its readings.", "Too dark.") == found


@pytest.mark.parametrize(
    ("uses", "cover"),
    [
        ({}, "no use"),
        ({"hidden": "pass"}, "only hidden"),
        ({"hidden": "pass", "load_bearing": "pass"}, "only hidden, load-bearing"),
    ],
)
def test_a_use_that_nobody_judged_is_named_with_those_that_are(uses, cover):
    """An unassessed use is named with none, one or two uses that the limits cover."""
    ask = "Ask quality to add this use."
    assert (
        f"Lot L-7 has not been assessed for the use medical. The limits of its grade cover {cover}. {ask}",
    ) == reasons("medical", uses=uses, blocks=())


@pytest.mark.parametrize(
    ("needed", "says"), [(800.0, None), (800.1, "Spool SP-1 has 800 g left; the job needs 800.1 g.")]
)
def test_the_mass_of_a_job_is_there_to_the_last_gram(needed, says):
    """A spool with exactly the required mass is enough."""
    assert ((says,) if says else ()) == reasons(mass_g=needed)


@pytest.mark.parametrize(
    ("pair", "says"),
    [
        (
            FAR,
            "Lot L-7 does not match lot L-8, already used in this job: colour difference 1.25, at most 0.8 within one job (lighter, redder).",
        ),
        (
            replace(FAR, within=None, says="other light."),
            "Lot L-7 cannot be compared with lot L-8, already used in this job: other light.",
        ),
        (
            replace(FAR, delta_e=None, within=None),
            "Lot L-7 cannot be compared with lot L-8, already used in this job: a mean colour is missing.",
        ),
        (
            replace(FAR, limit=None, within=None),
            "Lot L-7 cannot be compared with lot L-8, already used in this job: a mean colour is missing.",
        ),
    ],
    ids=["far", "other-light", "no-colour", "no-limit"],
)
def test_a_lot_that_does_not_match_says_why(pair, says):
    """A lot that does not match gives the difference with limit and direction, or the obstacle to the comparison."""
    assert (says,) == reasons(pairs=[pair])


def test_a_lot_that_matches_is_no_reason():
    """A lot within the limit gives no reason."""
    assert () == reasons(pairs=[replace(FAR, delta_e=0.5, within=True)])


@pytest.mark.parametrize(
    ("pair", "says"),
    [
        (FAR, "They do not match: colour difference 1.25, at most 0.8 within one job (lighter, redder)."),
        (replace(FAR, within=None, says="other light."), "They cannot be compared: other light."),
        (
            replace(FAR, delta_e=None, within=None),
            "They cannot be compared: a mean colour under the same conditions is missing.",
        ),
        (
            replace(FAR, limit=None, within=None),
            "They cannot be compared: a mean colour under the same conditions is missing.",
        ),
    ],
    ids=["far", "other-light", "no-colour", "no-limit"],
)
def test_two_lots_on_one_spool_that_do_not_match_say_why(pair, says):
    """The pages state the same mismatch of two lots on a spool as the clearance."""
    mate = replace(pair, of="L-7")
    assert says == unlike(mate)
    assert (f"Spool SP-1 holds lots L-8 and L-7. {says}",) == worst_of(
        [Clearance((), ())], "SP-1", [mate], match_asked=True
    ).reasons


def test_a_machine_that_is_taken_names_what_is_on_it():
    """A caution names one spool and two on the machine, at the number of slots and below it."""
    free, one = Clearance((), ("Look.",)), [("A-1", "J-1")]
    two = [*one, ("B-1", "J-2")]
    assert free == with_held(free, "P1", [], slots=1)
    assert free == with_held(free, "P1", one, slots=2)
    assert with_held(free, "P1", one).cautions == (
        "P1 already holds A-1 for J-1. Unload it first unless P1 has another slot.",
        "Look.",
    )
    assert with_held(free, "P1", two, slots=2).cautions == (
        "P1 already holds 2 spools: A-1 for J-1; B-1 for J-2. Unload one of them first unless P1 has another slot.",
        "Look.",
    )


@pytest.mark.parametrize(
    ("uses", "says"),
    [
        ({"cosmetic": "pass", "hidden": "fail"}, "Load only for cosmetic."),
        ({"cosmetic": "pass", "load_bearing": "pass", "hidden": "fail"}, "Load only for cosmetic, load-bearing."),
    ],
)
def test_a_restricted_lot_names_its_uses(uses, says):
    """A restricted lot names one use and two."""
    assert says == clear(replace(GOOD, standing="restricted", uses=uses), "cosmetic").says


def test_what_a_spool_fails_for_every_use_counts_for_each_once():
    """A spool with a general failure is refused for every use, and one that fails for another use is not."""
    failing = ((("hidden",), "Dented."), ((GENERAL,), "Snapped."), ((GENERAL, "cosmetic"), "Dark."))
    assert ("Dark.", "Snapped.") == reasons(nonconforming=failing)


OF_ONE_LOT = PairMatch("L-7", 1.25, 0.8, False, "lighter", of="L-7", spool="SP-2", of_spool="SP-1")


@pytest.mark.parametrize(
    ("pair", "numbers"),
    [
        (OF_ONE_LOT, "1.25, at most 0.8 within one job (lighter)"),
        (
            replace(OF_ONE_LOT, allowance=0.3),
            "1.25, at most 0.8 within one job (expected between spools of its lot)",
        ),
        (replace(OF_ONE_LOT, delta_e=None, limit=None), "0.00, at most 0 within one job (lighter)"),
    ],
    ids=["measured", "allowed-for", "unknown"],
)
def test_two_spools_of_one_lot_that_do_not_match_say_why(pair, numbers):
    """A mismatch of two spools of one lot names both, and whether the difference was measured or estimated."""
    start = "Spool SP-1 does not match spool SP-2 of the same lot in this job: colour difference"
    assert (f"{start} {numbers}.",) == reasons(pairs=[pair])


class Told:
    """A shelf life, or a spool that needs drying, with its reason."""

    def __init__(self, reason, uses=("cosmetic",)):
        self.reason, self.uses = reason, uses

    def against(self, spool, at):
        """The reason, with the request."""
        return [f"{self.reason} {spool} {at:%A}"]

    def asked_for(self, use):
        """Whether dryness matters for a use."""
        return use in self.uses


def test_age_and_dryness_count_at_the_moment_of_loading():
    """Age and dryness count at a given moment, dryness only for uses that require it."""
    state = replace(GOOD, uses={"cosmetic": "pass", "hidden": "pass"}, life=Told("old"), dryness=Told("wet"))
    assert () == clear(state, "cosmetic").reasons
    assert ("old SP-1 Monday", "wet SP-1 Monday") == clear(state, "cosmetic", at=MONDAY).reasons
    assert ("old SP-1 Monday",) == clear(state, "hidden", at=MONDAY).reasons


def test_a_spool_with_no_more_than_rounding_left_is_empty():
    """A remainder within the noise of a subtraction is empty, and twice that is not."""
    assert ("Spool SP-1 is empty.",) == reasons(remaining_g=BINARY_NOISE)
    assert () == reasons(remaining_g=2 * BINARY_NOISE)


def test_a_clear_spool_carries_the_caution_about_parts():
    """A clear spool has the caution about parts word for word."""
    (caution,) = clear(GOOD, "cosmetic").cautions
    assert caution == (
        "A released lot is not a safe part. Parts that carry load, flex, lift or protect people need their own tests and the "
        "judgement of a licensed or competent engineer. Local codes apply."
    )


def test_lots_of_which_one_spool_was_measured_are_named_once():
    """Lots with one measured spool are named once before the caution about parts, where a limit applies and colour shows."""
    pairs = [
        replace(FAR, within=True, unknown=("L-7", "L-8")),
        replace(FAR, within=True, unknown=("L-8",)),
        replace(FAR, within=True, limit=None, unknown=("L-9",)),
    ]
    told = clear(GOOD, "cosmetic", pairs, match_asked=True).cautions
    assert told[:-1] == tuple(
        f"Differences between spools of lot {lot} are unknown, because only one spool was measured."
        for lot in ("L-7", "L-8")
    )
    assert told[-1:] == clear(GOOD, "cosmetic", pairs).cautions
