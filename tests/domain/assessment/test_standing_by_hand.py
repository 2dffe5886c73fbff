"""Status of a lot after manual decisions. Source: this project's rules."""

from datetime import UTC, datetime, timedelta

import pytest

from lots.domain.assessment.standing_by_hand import (
    ACTIONS,
    ENDINGS,
    LOADABLE,
    STANDINGS,
    Ending,
    in_force_after,
    legal_actions,
    may_lift_ending,
    standing_after,
)

ASSESSED = ("quarantined", "released", "restricted", "blocked")


@pytest.mark.parametrize("assessed", ASSESSED)
@pytest.mark.parametrize(
    ("by_hand", "standing"),
    [("block", "blocked"), ("return", "returned"), ("scrap", "scrapped")],
)
def test_a_decision_by_hand_wins_over_the_readings(assessed, by_hand, standing):
    """A lot blocked, returned or scrapped by a manual decision keeps that status, whatever its readings."""
    assert standing == standing_after(assessed, by_hand)


@pytest.mark.parametrize(
    ("assessed", "standing"),
    [
        ("quarantined", "quarantined"),
        ("released", "quarantined"),
        ("restricted", "quarantined"),
        ("blocked", "blocked"),
    ],
)
def test_a_hold_takes_back_a_release_and_never_softens_a_block(assessed, standing):
    """A hold puts a lot in quarantine, unless its readings block it."""
    assert standing == standing_after(assessed, "hold")


@pytest.mark.parametrize("assessed", ASSESSED)
def test_without_a_decision_the_readings_have_their_say(assessed):
    """After a lift no decision is in force, and the status follows from the assessment."""
    assert assessed == standing_after(assessed, in_force_after("lift")) == standing_after(assessed, None)


def test_nobody_can_release_by_hand():
    """No manual decision leads to a loadable status that the readings do not give."""
    for assessed in ("quarantined", "blocked"):
        assert not {standing_after(assessed, action) for action in (None, *ACTIONS)} & set(LOADABLE)


@pytest.mark.parametrize(
    ("by_hand", "legal"),
    [
        (None, {"block", "hold", "return", "scrap"}),
        ("block", {"hold", "return", "scrap", "lift"}),
        ("hold", {"block", "return", "scrap", "lift"}),
        ("return", {"lift"}),
        ("scrap", {"lift"}),
    ],
    ids=["none", "block", "hold", "return", "scrap"],
)
def test_what_may_follow_a_decision(by_hand, legal):
    """Only a decision in force can be lifted, an ending can only be lifted, and no decision is repeated."""
    assert legal == set(legal_actions(by_hand))


@pytest.mark.parametrize("action", [action for action in ACTIONS if action != "lift"])
def test_a_decision_other_than_lifting_stays_in_force(action):
    """A decision stays in force until another one follows."""
    assert action == in_force_after(action)


def test_every_decision_leads_to_a_known_standing():
    """Each decision leads to an existing status, and both endings are decisions."""
    assert set(ACTIONS.values()) - {None} <= set(STANDINGS)
    assert set(ENDINGS) <= set(ACTIONS)


DECIDED = datetime(2026, 3, 2, 8, tzinfo=UTC)
DAY = timedelta(days=1)


@pytest.mark.parametrize(
    ("after", "loaded", "by", "may"),
    [
        (timedelta(0), False, "Ilse", True),
        (DAY, False, "Ilse", True),
        (DAY + timedelta(microseconds=1), False, "Ilse", False),
        (DAY + timedelta(microseconds=1), False, "Ansel", True),
        (timedelta(hours=1), True, "Ilse", False),
        (timedelta(hours=1), True, "ILSE", False),
        (timedelta(hours=1), True, "Ansel", True),
        (-timedelta(microseconds=1), False, "Ilse", False),
        (-timedelta(microseconds=1), False, "Ansel", True),
        (400 * DAY, True, "Ansel", True),
    ],
)
def test_an_ending_is_lifted_alone_within_a_day_and_by_a_second_person_later(after, loaded, by, may):
    """Ilse can lift her own ending within a day (end included) while nothing was loaded; otherwise, or after a clock set back, another person must."""
    assert may == may_lift_ending(Ending("Ilse", DECIDED, loaded), by, DECIDED + after)
