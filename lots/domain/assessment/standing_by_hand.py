"""Where a lot stands once people have had their say, and which decisions by hand are open to them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

STANDINGS = ("quarantined", "released", "restricted", "blocked", "returned", "scrapped")
LOADABLE = ("released", "restricted")

# A decision by hand -> the standing it puts the lot in, until it is lifted.
ACTIONS = {"block": "blocked", "hold": "quarantined", "return": "returned", "scrap": "scrapped", "lift": None}
ENDINGS = ("return", "scrap")
# A decision by hand that puts a lot nowhere: the step that held it passes, and the readings go on deciding.
ACCEPT_STEP = "accept_step"
# How long the person who ended a lot may lift that alone. Common practice, no source.
LIFT_WITHIN = timedelta(days=1)


def standing_after(assessed: str, by_hand: str | None) -> str:
    """Returns a lot's standing.

    A decision by hand wins over the assessment until it is lifted, so nobody can release by hand what its readings refuse: lifting only
    gives the word back to the readings. A hold never softens a block that the readings made.

    Args:
        assessed: the standing its readings lead to.
        by_hand: the decision in force: block, hold, return, scrap or None.

    Example:
        >>> standing_after("released", "block"), standing_after("blocked", None), standing_after("blocked", "hold")
        ('blocked', 'blocked', 'blocked')
    """
    if by_hand is None or (by_hand == "hold" and assessed == "blocked"):
        return assessed
    return ACTIONS[by_hand] or assessed


def decided_by_hand(assessed: str, by_hand: str | None) -> bool:
    """True when a lot stands where it does because of a decision by hand, and not of its readings.

    Example:
        >>> decided_by_hand("released", "hold"), decided_by_hand("blocked", "hold")
        (True, False)
    """
    return by_hand is not None and standing_after(assessed, by_hand) == ACTIONS[by_hand]


def legal_actions(by_hand: str | None) -> tuple[str, ...]:
    """Returns the decisions by hand that may follow the one in force.

    A lot that was returned or scrapped can only be lifted; `may_lift_ending` says by whom. A block or a hold can be lifted, or turned
    into anything else.

    Example:
        >>> legal_actions(None)
        ('block', 'hold', 'return', 'scrap')
        >>> legal_actions("scrap")
        ('lift',)
    """
    if by_hand in ENDINGS:
        return ("lift",)
    if by_hand is None:
        return ("block", "hold", *ENDINGS)
    return tuple(action for action in ACTIONS if action != by_hand)


@dataclass(frozen=True, slots=True)
class Ending:
    """A return or a scrapping in force.

    Args:
        decided_by: who decided it.
        decided_at: when the server stored it.
        loaded_since: True when a spool of the lot, or one wound from it, was loaded after that.
    """

    decided_by: str
    decided_at: datetime
    loaded_since: bool = False


def may_lift_ending(ending: Ending, by: str, now: datetime) -> bool:
    """Returns whether somebody of quality may lift a return or a scrapping.

    Within a day anybody of quality may, while nothing of the lot was loaded since. Otherwise, or after the clock was set back, it takes
    a second person.

    Args:
        ending: the decision in force.
        by: who wants to lift it.
        now: the present moment.
    """
    fresh = timedelta(0) <= now - ending.decided_at <= LIFT_WITHIN
    return (fresh and not ending.loaded_since) or by.casefold() != ending.decided_by.casefold()


def in_force_after(action: str) -> str | None:
    """Returns the decision in force after `action`: lifting leaves none."""
    return None if action == "lift" else action
