"""Switching between severities. Source: MIL-STD-105E (10 May 1989), 4.7 and 4.8; sequences in the reference file."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.receiving.severity import Inspected, severity
from tests.domain.builders import reference_json

SEQUENCES = reference_json("switching_rules.json")["sequences"]
# One letter per lot: accepted, refused, accepted with a count in the gap; small: the same lot resubmitted.
LOTS = {
    "A": Inspected(True),
    "R": Inspected(False),
    "G": Inspected(True, within_gap=True),
    "a": Inspected(True, resubmitted=True),
    "r": Inspected(False, resubmitted=True),
}
TEN = "A" * 10


def after(outcomes, **more):
    """The severity after a record written as letters."""
    return severity([LOTS[letter] for letter in outcomes], **more)


@pytest.mark.parametrize("case", SEQUENCES, ids=[case["name"].replace(" ", "-") for case in SEQUENCES])
def test_each_lot_of_a_sequence_is_inspected_as_the_standard_says(case):
    """The state for every lot and after the last one is that of the reference file (MIL-STD-105E, 4.7 and 4.8)."""
    outcomes, allowed = case["outcomes"], case.get("limit_ok", True)
    states = [after(outcomes[:n], reduced_allowed=allowed).state for n in range(len(outcomes) + 1)]
    assert [*case["state_for_each_lot"], case["state_after_last_lot"]] == states


@pytest.mark.parametrize(
    ("outcomes", "state", "since"),
    [
        ("", "normal", 1),
        ("AR", "normal", 1),
        ("RR", "tightened", 3),
        ("RAAAR", "tightened", 6),
        ("RAAAAR", "normal", 1),
        ("RRAAAA", "tightened", 3),
        ("RRAAAAA", "normal", 8),
        ("RRRRRR", "tightened", 3),
        ("RRRRRRR", "discontinued", 8),
        ("RRRAAAARRRAAAAR", "discontinued", 16),
        ("RRRAAAAARR", "tightened", 11),
        (TEN, "reduced", 11),
        ("A" * 9 + "R", "normal", 1),
        (TEN + "AR", "normal", 13),
        (TEN + "G", "normal", 12),
        (TEN + "GR", "normal", 12),
        (TEN + "RR", "normal", 12),
        (TEN + "RRR", "tightened", 14),
        (TEN + "G" + TEN, "reduced", 22),
    ],
)
def test_where_each_switch_falls(outcomes, state, since):
    """Each switch is at its count and not one below it, and a switch resets the counts (MIL-STD-105E, 4.7 and 4.8)."""
    found = after(outcomes, reduced_allowed=True)
    assert (state, since) == (found.state, found.since)


def test_a_discontinued_record_stays_so():
    """Accepted lots do not reopen a discontinued inspection; a new record under tightened does (MIL-STD-105E, 4.8)."""
    assert ("discontinued", 8) == (after("R" * 7 + "A" * 20).state, after("R" * 7 + "A" * 20).since)
    assert "tightened" == after("", start="tightened").state
    assert "normal" == after("AAAAA", start="tightened").state
    assert "discontinued" == after("RRRRR", start="tightened").state


def test_reduced_needs_leave():
    """Ten accepted lots alone do not reduce inspection, and withdrawing the permission ends it (MIL-STD-105E, 4.7)."""
    assert "normal" == after(TEN + "AA").state
    assert "reduced" == after(TEN + "AA", reduced_allowed=True).state


def test_a_gap_means_nothing_outside_reduced_inspection():
    """A lot accepted in the gap counts as accepted under normal and tightened inspection."""
    assert "normal" == after("RRGGGGG").state
    assert "reduced" == after("G" * 10, reduced_allowed=True).state


def test_a_lot_in_the_gap_was_accepted():
    """A lot in the gap was accepted, because its count is below the reject number (MIL-STD-105E, 4.7; Table II-C)."""
    with pytest.raises(ValueError, match="accepted"):
        Inspected(False, within_gap=True)


@pytest.mark.parametrize(
    ("outcomes", "allowed", "words"),
    [
        (
            "",
            True,
            (
                "Normal since the 1st lot: initial severity. "
                "2 lots not accepted among 5 or fewer consecutive lots lead to tightened inspection. "
                "10 consecutive accepted lots (0 so far) lead to reduced inspection."
            ),
        ),
        (
            "A" * 12,
            False,
            (
                "Normal since the 1st lot: initial severity. "
                "2 lots not accepted among 5 or fewer consecutive lots lead to tightened inspection. "
                "10 consecutive accepted lots (12 so far) lead to reduced inspection once quality allows it."
            ),
        ),
        (
            "AARAARAA",
            False,
            (
                "Tightened since the 7th lot: 2 of 4 consecutive lots, the 3rd and the 6th, were not accepted. "
                "5 consecutive accepted lots (2 so far) lead back to normal inspection. "
                "5 lots not accepted (0 so far) end inspection by sampling."
            ),
        ),
        (
            "RRARA",
            False,
            (
                "Tightened since the 3rd lot: 2 consecutive lots, the 1st and the 2nd, were not accepted. "
                "5 consecutive accepted lots (1 so far) lead back to normal inspection. "
                "5 lots not accepted (1 so far) end inspection by sampling."
            ),
        ),
        (
            "RRAAAAAA",
            True,
            (
                "Normal since the 8th lot: 5 consecutive lots were accepted under tightened inspection. "
                "2 lots not accepted among 5 or fewer consecutive lots lead to tightened inspection. "
                "10 consecutive accepted lots (1 so far) lead to reduced inspection."
            ),
        ),
        (
            TEN,
            True,
            (
                "Reduced since the 11th lot: 10 consecutive lots were accepted and quality allows it. "
                "A lot not accepted, or a count between the accept and reject numbers, leads back to normal inspection. "
                "Irregular production, or a withdrawal by quality, does so too."
            ),
        ),
        (
            TEN + "AR",
            True,
            (
                "Normal since the 13th lot: the 12th lot was not accepted under reduced inspection. "
                "2 lots not accepted among 5 or fewer consecutive lots lead to tightened inspection. "
                "10 consecutive accepted lots (0 so far) lead to reduced inspection."
            ),
        ),
        (
            TEN + "G",
            True,
            (
                "Normal since the 12th lot: the 11th lot's count fell between the accept and reject numbers "
                "of reduced inspection. "
                "2 lots not accepted among 5 or fewer consecutive lots lead to tightened inspection. "
                "10 consecutive accepted lots (0 so far) lead to reduced inspection."
            ),
        ),
        (
            "R" * 7,
            True,
            (
                "Discontinued since the 8th lot: 5 lots were not accepted under tightened inspection. "
                "No lot is accepted by sampling until the supplier has corrected the cause. "
                "Inspection then resumes as tightened."
            ),
        ),
    ],
    ids=["new", "no-leave", "two-of-four", "two-in-a-row", "recovered", "reduced", "refused", "gap", "discontinued"],
)
def test_a_severity_words_itself(outcomes, allowed, words):
    """The sentence names the start, the reason and the way to the next state (wording: this project)."""
    assert words == after(outcomes, reduced_allowed=allowed).says


def test_a_record_begun_under_tightened_says_why():
    """A new record after corrective action states that reason."""
    assert (
        "Tightened since the 1st lot: inspection was resumed after corrective action."
        in after("", start="tightened").says
    )


@pytest.mark.parametrize(("lots", "word"), [(20, "21st"), (21, "22nd"), (22, "23rd"), (23, "24th"), (110, "111th")])
def test_lots_are_numbered_in_words(lots, word):
    """Ordinals are written with the right endings."""
    assert f"since the {word} lot" in after("A" * (lots - 2) + "RR").says


RECORDS = st.text("ARG", max_size=40)


@given(RECORDS, st.data(), st.booleans())
def test_resubmitted_lots_do_not_count(outcomes, data, allowed):
    """Resubmissions anywhere in a record change neither state nor sentence (MIL-STD-105E, 4.7)."""
    mixed = "".join(letter + data.draw(st.text("ar", max_size=2)) for letter in outcomes)
    assert after(outcomes, reduced_allowed=allowed) == after(mixed, reduced_allowed=allowed)


@given(RECORDS)
def test_without_leave_nothing_is_reduced(outcomes):
    """Without permission no record leads to reduced inspection."""
    assert "reduced" != after(outcomes).state


@given(st.integers(0, 60), st.booleans())
def test_accepted_lots_never_tighten(lots, allowed):
    """A record of accepted lots stays normal, or becomes reduced."""
    assert after("A" * lots, reduced_allowed=allowed).state in ("normal", "reduced")


@given(RECORDS, st.booleans())
def test_one_more_accepted_lot_never_makes_inspection_harder(outcomes, allowed):
    """An accepted lot with its count outside the gap never leads to a stricter state."""
    ease = ["discontinued", "tightened", "normal", "reduced"]
    before, then = (after(record, reduced_allowed=allowed).state for record in (outcomes, outcomes + "A"))
    assert ease.index(before) <= ease.index(then)


@given(RECORDS, st.booleans())
def test_one_more_refused_lot_never_makes_inspection_easier(outcomes, allowed):
    """A lot not accepted never leads to a less strict state."""
    ease = ["discontinued", "tightened", "normal", "reduced"]
    before, then = (after(record, reduced_allowed=allowed).state for record in (outcomes, outcomes + "R"))
    assert ease.index(before) >= ease.index(then)


@given(RECORDS, st.booleans())
def test_since_is_the_first_lot_of_the_present_state(outcomes, allowed):
    """From `since` on the state is the present one, and before it another, or an earlier period of the same."""
    found = after(outcomes, reduced_allowed=allowed)
    assert 1 <= found.since <= len(outcomes) + 1
    states = {after(outcomes[:n], reduced_allowed=allowed).state for n in range(found.since - 1, len(outcomes) + 1)}
    assert {found.state} == states
    if found.since > 1:
        assert found.state != after(outcomes[: found.since - 2], reduced_allowed=allowed).state
