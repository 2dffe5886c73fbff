"""Letters to a supplier about a lot: permitted claims, due date of the answer, and cautions."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from lots.domain.purchasing.corrective_actions import DUE_AFTER

# Common practice, no source: two weeks for an answer, as for a corrective action.
ANSWER_AFTER: timedelta = DUE_AFTER

NONE = "none"

# Lots rejected for some use, or removed by a manual decision.
WRITTEN_ABOUT = ("blocked", "restricted", "returned", "scrapped")

UNPROVED = "Nonconformity is not proved for any value (ISO 14253-1), so the supplier may refuse the claim."


@dataclass(frozen=True, slots=True)
class Claim:
    """A claim: its name, and the request to the supplier."""

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

# On every paper that goes to a supplier.
CAUTIONS = (
    "The findings hold for the spools that were measured. They do not show that the other spools conform.",
    "This paper does not show that a part made of this material is safe.",
    "Some parts bear load or can injure people if they fail. A licensed or competent engineer must assess such parts. Local codes apply.",
)


def number_of(lot_id: int, before: int) -> str:
    """Returns the number of a letter.

    Args:
        lot_id: number of the lot, >= 1.
        before: letters about this lot that were signed before, >= 0.

    Example:
        >>> number_of(12, 0)
        'L-12-1'
    """
    return f"L-{lot_id}-{before + 1}"


def why_no_letter(lot: str, standing: str, *, complete: bool) -> str | None:
    """Returns the reason why no letter can be written about a lot; None where one can.

    Args:
        lot: the supplier's lot number.
        standing: one of STANDINGS.
        complete: whether its measurements are complete.

    Example:
        >>> why_no_letter("Q-7", "quarantined", complete=False)
        'Lot Q-7 is in quarantine: its measurements are not complete, so nothing can be claimed yet.'
        >>> why_no_letter("Q-7", "released", complete=True)
        'Lot Q-7 is released, so nothing can be claimed.'
        >>> why_no_letter("Q-7", "restricted", complete=True)
    """
    if standing in WRITTEN_ABOUT:
        return None
    if standing != "quarantined":
        return f"Lot {lot} is {standing}, so nothing can be claimed."
    unfinished = "" if complete else ": its measurements are not complete"
    return f"Lot {lot} is in quarantine{unfinished}, so nothing can be claimed yet."


def answer_day(signed: date) -> date:
    """Returns the default due date of an answer; `signed` is the day of signing.

    Example:
        >>> answer_day(date(2026, 11, 28))
        datetime.date(2026, 12, 12)
    """
    return signed + ANSWER_AFTER


def answer_asked(claim: str) -> str:
    """Returns the content required of the answer; `claim` is one of CLAIMS.

    Example:
        >>> answer_asked("none")
        'State the cause that you found and the action that you take.'
    """
    accepts = "" if claim == NONE else "State whether you accept the claim. "
    return f"{accepts}State the cause that you found and the action that you take."
