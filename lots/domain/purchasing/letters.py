"""A letter to a supplier about a lot: what it may claim, when its answer is due, and the cautions that it carries."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from lots.domain.purchasing.corrective_actions import DUE_AFTER

# Common practice, no source: two weeks for an answer, as for a corrective action.
ANSWER_AFTER: timedelta = DUE_AFTER

NONE = "none"


@dataclass(frozen=True, slots=True)
class Claim:
    """A claim: its name in a few words, and what it asks of the supplier."""

    name: str
    asks: str


CLAIMS = {
    NONE: Claim("No claim", "We make no claim."),
    "credit": Claim("Credit", "We ask you for a credit note."),
    "replacement": Claim("Replacement", "We ask you to replace these goods."),
    "sorting": Claim(
        "Sorting by the supplier", "We ask you to sort these goods and to take back the spools that do not conform."
    ),
}

CAUTIONS = (
    "The findings hold for the spools that were measured. They do not show that the other spools conform.",
    "Nothing here says that a part made of this material is safe.",
    "Some parts bear load or can hurt somebody if they fail. A licensed or competent engineer judges such parts. Local codes apply.",
)


def number_of(lot_id: int, before: int) -> str:
    """Returns the number of a letter.

    Args:
        lot_id: of the lot that it is about, >= 1.
        before: letters about this lot that were signed before, >= 0.

    Example:
        >>> number_of(12, 0)
        'L-12-1'
    """
    return f"L-{lot_id}-{before + 1}"


def answer_asked(claim: str) -> str:
    """Returns what the answer is to state; `claim` is one of CLAIMS.

    Example:
        >>> answer_asked("none")
        'State the cause that you found and the action that you take.'
    """
    accepts = "" if claim == NONE else "State whether you accept the claim. "
    return f"{accepts}State the cause that you found and the action that you take."
