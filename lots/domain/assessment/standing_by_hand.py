"""Status of a lot after manual decisions, and the manual decisions that are allowed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from lots.domain.words import clause

STANDINGS = ("quarantined", "released", "restricted", "blocked", "returned", "scrapped")
LOADABLE = ("released", "restricted")

# Manual decision -> status of the lot until the decision is lifted.
ACTIONS = {"block": "blocked", "hold": "quarantined", "return": "returned", "scrap": "scrapped", "lift": None}
ENDINGS = ("return", "scrap")
_IN_FORCE = {"block": "blocked", "hold": "on hold", "return": "returned", "scrap": "scrapped"}
# A manual decision that sets no status: the step that held the lot passes, and the readings decide.
ACCEPT_STEP = "accept_step"
# Time in which a return or scrapping can be lifted without a second person. Common practice, no source.
LIFT_WITHIN = timedelta(days=1)


def standing_after(assessed: str, by_hand: str | None) -> str:
    """Returns a lot's status.

    A manual decision overrides the assessment until it is lifted. Lifting only restores the assessed status, so nobody can
    manually release a lot whose readings fail. A hold does not override a block from the readings.

    Args:
        assessed: the status from its readings.
        by_hand: the manual decision in force: block, hold, return, scrap or None.

    Example:
        >>> standing_after("released", "block"), standing_after("blocked", None), standing_after("blocked", "hold")
        ('blocked', 'blocked', 'blocked')
    """
    if by_hand is None or (by_hand == "hold" and assessed == "blocked"):
        return assessed
    return ACTIONS[by_hand] or assessed


def decided_by_hand(assessed: str, by_hand: str | None) -> bool:
    """Returns whether the status of a lot comes from a manual decision and not from its readings.

    Example:
        >>> decided_by_hand("released", "hold"), decided_by_hand("blocked", "hold")
        (True, False)
    """
    return by_hand is not None and standing_after(assessed, by_hand) == ACTIONS[by_hand]


def manual_decision_says(lot: str, action: str, reason: str) -> str:
    """Returns the manual decision in force on a lot, with its reason.

    Example:
        >>> manual_decision_says("Q-7", "block", "warps")
        'Lot Q-7 is blocked by a manual decision. Reason: warps.'
    """
    why = f" Reason: {clause(reason)}" if reason.strip() else ""
    status = _IN_FORCE.get(action)
    return f"Lot {lot} is {f'{status} by a manual decision' if status else f'under the decision {action!r}'}.{why}"


def legal_actions(by_hand: str | None) -> tuple[str, ...]:
    """Returns the manual decisions that may follow the one in force.

    A return or a scrapping can only be lifted (see `may_lift_ending`). A block or a hold can be lifted or replaced by any other decision.

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
        decided_by: author.
        decided_at: time at which the server stored it.
        loaded_since: True when a spool of the lot, or one respooled from it, was loaded after that.
    """

    decided_by: str
    decided_at: datetime
    loaded_since: bool = False


def may_lift_ending(ending: Ending, by: str, now: datetime) -> bool:
    """Returns whether a person of quality may lift a return or a scrapping.

    Within a day, any person of quality may, if nothing of the lot was loaded since. Otherwise, or after the clock was set back, only a
    second person may.

    Args:
        ending: the decision in force.
        by: the person who lifts it.
        now: the present moment.
    """
    fresh = timedelta(0) <= now - ending.decided_at <= LIFT_WITHIN
    return (fresh and not ending.loaded_since) or by.casefold() != ending.decided_by.casefold()


def in_force_after(action: str) -> str | None:
    """Returns the manual decision in force after `action`, None after lifting."""
    return None if action == "lift" else action
