"""Where a lot stands once people have had their say, and which decisions by hand are open to them."""

from __future__ import annotations

STANDINGS = ("quarantined", "released", "restricted", "blocked", "returned", "scrapped")
LOADABLE = ("released", "restricted")

# A decision by hand -> the standing it puts the lot in, until it is lifted or for good.
ACTIONS = {"block": "blocked", "hold": "quarantined", "return": "returned", "scrap": "scrapped", "lift": None}
ENDINGS = ("return", "scrap")
# A decision by hand that puts a lot nowhere: the step that held it passes, and the readings go on deciding.
ACCEPT_STEP = "accept_step"


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

    A lot that was returned or scrapped is gone: nothing follows. A block or a hold can be lifted, or turned into anything else.

    Example:
        >>> legal_actions(None)
        ('block', 'hold', 'return', 'scrap')
        >>> legal_actions("scrap")
        ()
    """
    if by_hand in ENDINGS:
        return ()
    if by_hand is None:
        return ("block", "hold", *ENDINGS)
    return tuple(action for action in ACTIONS if action != by_hand)


def in_force_after(action: str) -> str | None:
    """Returns the decision in force after `action`: lifting leaves none."""
    return None if action == "lift" else action
