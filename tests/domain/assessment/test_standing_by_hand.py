"""Where a lot stands after decisions by hand. Source: this project's rules."""

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
    """Blocked, returned or scrapped by hand, a lot stands there whatever its readings say."""
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
    """A lot on hold is in quarantine, unless its readings block it."""
    assert standing == standing_after(assessed, "hold")


@pytest.mark.parametrize("assessed", ASSESSED)
def test_without_a_decision_the_readings_have_their_say(assessed):
    """Lifting leaves no decision in force, and the standing is the assessment's again."""
    assert assessed == standing_after(assessed, in_force_after("lift")) == standing_after(assessed, None)


def test_nobody_can_release_by_hand():
    """No decision leads to a loadable standing that the readings did not give."""
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
    """Nothing can be lifted that is not in force, an ending can only be lifted, and a decision is not repeated."""
    assert legal == set(legal_actions(by_hand))


@pytest.mark.parametrize("action", [action for action in ACTIONS if action != "lift"])
def test_a_decision_other_than_lifting_stays_in_force(action):
    """Each decision stays until another follows it."""
    assert action == in_force_after(action)


def test_every_decision_leads_to_a_known_standing():
    """The table of decisions names standings that exist, and both endings are decisions."""
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
    """Ilse decided. Within a day, its end included, she may lift it while nothing was loaded; else, or with the clock set back, another has to."""
    assert may == may_lift_ending(Ending("Ilse", DECIDED, loaded), by, DECIDED + after)
