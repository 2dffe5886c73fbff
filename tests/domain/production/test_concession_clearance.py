"""Effect of a concession, over status, use and state of the concession. Source: this project's rules, which fail closed."""

from dataclasses import replace
from datetime import timedelta
from itertools import product

import pytest

from lots.domain.assessment.concessions import Concession
from lots.domain.assessment.limits_revision import GENERAL, USES
from lots.domain.assessment.prohibitions import Material, Statement
from lots.domain.assessment.standing_by_hand import ACTIONS, LOADABLE
from lots.domain.production.clearance import PART_CAUTION, SpoolState, clear
from lots.domain.production.matching import PairMatch
from tests.domain.builders import MONDAY

HOUR = timedelta(hours=1)
GIVEN = Concession(4, ("cosmetic",), 1_000.0, 0.0, MONDAY + HOUR, True, "mara", "ines")

# State of a concession -> its changed fields, and its sentence ("" where it applies).
STATES = {
    "in-force": ({}, ""),
    "not-approved": ({"approved_by": None}, "concession 4 is not approved yet"),
    "withdrawn": ({"withdrawn": True}, "concession 4 was withdrawn"),
    "expired": ({"valid_until": MONDAY - HOUR}, "concession 4 expired at 2025-03-03 07:00 UTC"),
    "used-up": ({"taken_g": 1_000.0}, "concession 4 is used up (1000 g)"),
    "too-little": ({"taken_g": 900.0}, "concession 4 has 100 g left, less than the 200 g of the job"),
}
# The standings that readings alone lead to.
FROM_READINGS = ("quarantined", "released", "restricted", "blocked")
VERDICTS = ("pass", "near", "missing", "fail")


def lot(standing: str, use: str, verdict: str, *concessions: Concession, **more) -> SpoolState:
    """A spool of a lot with one verdict."""
    why = {use: ["Too yellow."]} if verdict != "pass" else {}
    state = SpoolState("SP-1", "L-7", standing, {use: verdict}, ("color",), why, remaining_g=800.0)
    return replace(state, concessions=concessions, **more)


def ask(state: SpoolState, use: str, pairs=(), at=MONDAY, mass_g: float | None = 200.0):
    """The clearance for 200 g on Monday morning."""
    return clear(state, use, pairs, match_asked=True, mass_g=mass_g, at=at)


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("standing", FROM_READINGS)
def test_a_concession_in_force_clears_for_its_uses_and_no_other(standing, state):
    """A rejected lot is clear exactly under a concession in force that names the use; otherwise each concession gives its reason."""
    changed, says = STATES[state]
    concession = replace(GIVEN, **changed)
    for use, verdict in product([*USES, GENERAL], VERDICTS):
        found = ask(lot(standing, use, verdict, concession), use)
        conforms = standing in LOADABLE and verdict == "pass"
        lifted = not conforms and use == "cosmetic" and state == "in-force"
        assert (conforms or lifted) is found.clear
        assert (concession if lifted else None) is found.concession
        if conforms:
            assert found.says == ("Load." if standing == "released" else f"Load only for {use.replace('_', '-')}.")
        elif lifted:
            assert f"Load only {concession.terms}" == found.says
        else:
            plain = ask(lot(standing, use, verdict), use).reasons
            other = f"concession 4 is for cosmetic, not for {use.replace('_', '-')}"
            early = state in ("not-approved", "withdrawn")
            expected = says if early or use == "cosmetic" else other
            assert (*plain, f"{expected[0].upper()}{expected[1:]}.") == found.reasons


@pytest.mark.parametrize("named", USES)
@pytest.mark.parametrize("use", [*USES, GENERAL, "medical"])
def test_a_concession_does_not_leak_to_another_use(named, use):
    """A concession for one use clears that use of a blocked lot and no other."""
    state = lot("blocked", use, "fail", replace(GIVEN, uses=(named,)))
    assert (named == use) is ask(state, use).clear


LIFTED = {
    "fails": {"uses": {"cosmetic": "fail"}},
    "unmeasured": {"standing": "quarantined", "uses": {"cosmetic": "missing"}},
    "use-not-judged": {"uses": {"fit": "pass"}},
    "general-verdict": {"uses": {GENERAL: "near"}, "why": {GENERAL: ["Too close."]}},
    "forbidden": {"material": Material(stated=[Statement("cosmetic", "it shows every finger", "Ines", MONDAY)])},
    "bad-spool": {"nonconforming": ((("cosmetic",), "Spool SP-1 is too yellow."),)},
    "bad-spool-in-general": {"nonconforming": (((GENERAL,), "Spool SP-1 is too yellow."),)},
}
NOT_LIFTED = {
    "empty": ({"remaining_g": 0.0}, "Spool SP-1 is empty."),
    "too-little": ({"remaining_g": 150.0}, "Spool SP-1 has 150 g left; the job needs 200 g."),
    "loaded": ({"loaded_on": "P-3"}, "Spool SP-1 is on machine P-3. Unload it there first."),
    "never-judged": ({"judged": False}, "Lot L-7 has not been assessed."),
}
PAIRS = {
    "apart": (PairMatch("L-8", 1.4, 0.5, False, "darker"), "does not match lot L-8"),
    "unknown": (PairMatch("L-9", None, 0.5, None), "cannot be compared with lot L-9"),
}


@pytest.mark.parametrize("case", LIFTED)
def test_what_readings_limits_or_the_grade_say_is_lifted(case):
    """A concession lifts measured, unmeasured and unnamed uses, a prohibited use, and this spool's own readings."""
    state = replace(lot("released", "cosmetic", "pass", GIVEN), **LIFTED[case])
    assert not ask(replace(state, concessions=()), "cosmetic").clear
    found = ask(state, "cosmetic")
    assert ((), GIVEN) == (found.reasons, found.concession)


@pytest.mark.parametrize("verdict", VERDICTS)
@pytest.mark.parametrize("case", NOT_LIFTED)
def test_what_is_wrong_with_the_spool_or_the_record_is_not_lifted(case, verdict):
    """An empty spool, one on another machine, and an unassessed lot stay refused under a concession in force."""
    changed, says = NOT_LIFTED[case]
    found = ask(replace(lot("blocked", "cosmetic", verdict, GIVEN), **changed), "cosmetic")
    assert not found.clear
    assert says in found.reasons


@pytest.mark.parametrize("standing", FROM_READINGS)
@pytest.mark.parametrize("case", PAIRS)
def test_a_pair_that_does_not_match_is_not_lifted(case, standing):
    """A concession permits a lot, not a mix of lots in one job."""
    pair, says = PAIRS[case]
    found = ask(lot(standing, "cosmetic", "fail", GIVEN), "cosmetic", [pair])
    assert 1 == len(found.reasons)
    assert says in found.reasons[0]


@pytest.mark.parametrize("action", [action for action in ACTIONS if action != "lift"])
@pytest.mark.parametrize("standing", [*FROM_READINGS, "returned", "scrapped"])
def test_a_decision_by_hand_is_not_lifted(standing, action):
    """A lot under a manual decision stays refused with that reason, whatever the concession and the status."""
    state = lot(standing, "cosmetic", "fail", GIVEN, by_hand=(action, "tile check failed"))
    found = ask(state, "cosmetic")
    assert not found.clear
    assert found.reasons[0].endswith("Reason: tile check failed.")
    assert found.says.startswith("Do not load: ")


@pytest.mark.parametrize("verdict", VERDICTS)
@pytest.mark.parametrize("standing", ["returned", "scrapped", "mystery", ""])
def test_a_lot_that_is_gone_or_stands_nobody_knows_where_is_never_helped(standing, verdict):
    """A returned, scrapped or unknown status stays refused under a concession in force, also without a decision on the row."""
    found = ask(lot(standing, "cosmetic", verdict, GIVEN), "cosmetic")
    assert (False, None) == (found.clear, found.concession)
    assert found.reasons == ask(lot(standing, "cosmetic", verdict), "cosmetic").reasons


def test_a_lot_never_judged_hears_nothing_of_its_concession():
    """A concession on an unassessed lot is not considered."""
    state = lot("quarantined", "cosmetic", "missing", GIVEN, judged=False)
    assert ask(state, "cosmetic").reasons == ask(replace(state, concessions=()), "cosmetic").reasons


@pytest.mark.parametrize(
    ("at", "mass_g", "clears"),
    [
        (MONDAY + HOUR, 200.0, True),
        (MONDAY + HOUR + timedelta(seconds=1), 200.0, False),
        (MONDAY, 800.0, True),
        (MONDAY, None, True),
        (None, 200.0, False),
    ],
    ids=["last-moment", "a-second-late", "all-of-the-spool", "nobody-said", "no-moment"],
)
def test_the_moment_and_the_mass_are_those_of_the_load(at, mass_g, clears):
    """A concession is checked at the moment of loading for the job's mass, and not without a moment."""
    assert clears is ask(lot("blocked", "cosmetic", "fail", GIVEN), "cosmetic", at=at, mass_g=mass_g).clear


def test_a_lot_that_conforms_uses_nothing_of_its_concession():
    """A conforming lot is loaded without its concession, which keeps its mass."""
    assert ask(lot("released", "cosmetic", "pass", GIVEN), "cosmetic").concession is None


def test_of_several_the_one_that_ends_first_is_used():
    """Of two concessions in force the load uses the one that ends first."""
    sooner = replace(GIVEN, number=9, valid_until=MONDAY + HOUR / 2)
    assert sooner is ask(lot("blocked", "cosmetic", "fail", GIVEN, sooner), "cosmetic").concession


def test_a_concession_never_makes_a_part_safe():
    """Under a concession the grade's caution and the one about parts are still shown."""
    cautions = ("never load-bearing",)
    state = lot("blocked", "load_bearing", "fail", replace(GIVEN, uses=("load_bearing",)), cautions=cautions)
    found = ask(state, "load_bearing")
    assert found.clear
    assert (*cautions, PART_CAUTION) == found.cautions
