"""Corrective actions required of a supplier: permitted grounds, due dates, and the later lots that show effectiveness."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from lots.domain.characteristics.registry import is_step
from lots.domain.words import counted, plural

State = Literal["open", "answered", "closed"]
STATES: tuple[State, ...] = ("open", "answered", "closed")

# Common practice, no source: two weeks for an answer, and three consecutive conforming lots to close the action.
DUE_AFTER = timedelta(days=14)
CONFORMING_LOTS = 3
MOST_CONFORMING_LOTS = 20

# Manual decisions that remove a lot for a fault; a hold does not.
AGAINST = ("block", "return", "scrap")
_NAMED = 10


def speaks_of_supply(code: str, verdict: str) -> bool:
    """Returns whether a finding fails for the goods themselves, not for the number of retests or a step between lots.

    Args:
        code: `characteristic.measure`.
        verdict: pass, fail, near or missing.

    Example:
        >>> speaks_of_supply("diameter.ovality", "fail"), speaks_of_supply("sampling.retests", "fail")
        (True, False)
    """
    # Too many readings or a step from another lot is not a nonconformity of the lot.
    return verdict == "fail" and code != "sampling.retests" and not is_step(code)


def is_ground(code: str, verdict: str, uses: Sequence[str]) -> bool:
    """Returns whether a finding is a ground for a corrective action: it fails, and some use requires it.

    Args:
        code, verdict: as in speaks_of_supply.
        uses: uses that require it; empty for a single bad spool that the sampling plan accepts.
    """
    return speaks_of_supply(code, verdict) and bool(uses)


def says_the_same(one: str, other: str) -> bool:
    """Returns whether two texts differ only in blanks, line ends and capital letters.

    Example:
        >>> says_the_same("Find out why.", "find  out why. "), says_the_same("Find out why.", "Find out when.")
        (True, False)
    """
    first, second = (text.casefold().split() for text in (one, other))
    return first == second


def state_of(answered_at: datetime | None, closed_at: datetime | None) -> State:
    """Returns the state of a corrective action: open until answered, answered until closed."""
    if closed_at is not None:
        return "closed"
    return "open" if answered_at is None else "answered"


def is_overdue(due_at: datetime, answered_at: datetime | None, now: datetime) -> bool:
    """Returns whether an unanswered action is past its due time; the due time itself is not late."""
    return answered_at is None and now > due_at


@dataclass(frozen=True, slots=True)
class LaterLot:
    """A lot of the same supplier and grade, and the outcome of its original inspection.

    Args:
        number: its number in the record, >= 1.
        supplier_lot: the supplier's own number.
        received_at: with an offset from UTC.
        accepted: None while its inspection is open.
        resubmitted: True for a rejected lot that was sorted and delivered again; it is no evidence about the process.

    Raises:
        ValueError: a number below 1, or a time without an offset.
    """

    number: int
    supplier_lot: str
    received_at: datetime
    accepted: bool | None
    resubmitted: bool = False

    def __post_init__(self) -> None:
        if self.number < 1:
            raise ValueError(f"number is {self.number!r}; lots are numbered from 1")
        if self.received_at.tzinfo is None:
            raise ValueError(f"received_at is {self.received_at!r}; it has no offset from UTC")


@dataclass(frozen=True, slots=True)
class Progress:
    """Progress of the lots received since an answer.

    `run` holds the consecutive accepted lots up to now, oldest first. `refused` is the newest rejected lot, at which the count restarted.
    `waiting` holds the lots under inspection.
    """

    needed: int
    run: tuple[LaterLot, ...]
    refused: LaterLot | None
    waiting: tuple[LaterLot, ...]

    @property
    def lacking(self) -> int:
        """Conforming lots still needed, >= 0."""
        return max(0, self.needed - len(self.run))

    @property
    def says(self) -> str:
        """The count in words, with lot numbers."""
        got = f"{len(self.run)} of {self.needed} consecutive conforming {plural(self.needed, 'lot')} received since the answer"
        named = f" ({named_lots(lot.supplier_lot for lot in self.run)})" if self.run else ""
        left = f". {counted(self.lacking, 'more is', 'more are')} needed." if self.lacking else "."
        again = (
            f" {self.refused.supplier_lot} was not accepted for any use, so the count restarted."
            if self.refused
            else ""
        )
        names = named_lots(lot.supplier_lot for lot in self.waiting)
        later = f" Under inspection and not counted: {names}." if self.waiting else ""
        return f"{got}{named}{left} A lot accepted for at least one use counts.{again}{later}"


def named_lots(numbers: Iterable[str]) -> str:
    """Returns lot numbers as a list in words, at most ten of them.

    Example:
        >>> named_lots(["Q-4", "Q-5"])
        'Q-4, Q-5'
    """
    listed = list(numbers)
    more = f" and {len(listed) - _NAMED} others" if len(listed) > _NAMED else ""
    return ", ".join(listed[:_NAMED]) + more


def progress(lots: Iterable[LaterLot], answered_at: datetime, needed: int) -> Progress:
    """Returns the progress of the lots received after an answer.

    It counts consecutive lots accepted at their original inspection for at least one use, in order of receipt, up to the newest inspected one.
    A rejected lot restarts the count. Lots under inspection and resubmitted lots do not count.

    Args:
        lots: of one supplier and grade, in any order; those received up to the answer are ignored.
        answered_at: time of the supplier's answer.
        needed: consecutive conforming lots required, >= 1.

    Raises:
        ValueError: needed is below 1.

    Notes:
        Lots in transit at the time of the answer may have been made before the change.

    Reference:
        ISO 9001:2015, 10.2.1 (the effectiveness of a corrective action is reviewed; number from memory). Consecutive lots as evidence, without
        resubmitted lots: as in the switching rules of MIL-STD-105E (10 May 1989), 4.7. Their number is agreed: no source.

    Example:
        >>> from datetime import UTC, datetime
        >>> monday, tuesday = datetime(2026, 3, 2, tzinfo=UTC), datetime(2026, 3, 3, tzinfo=UTC)
        >>> progress([LaterLot(8, "Q-8", tuesday, True)], monday, 3).lacking
        2
    """
    if needed < 1:
        raise ValueError(f"needed is {needed!r}; at least one conforming lot must be asked for")
    since = sorted(
        (lot for lot in lots if lot.received_at > answered_at and not lot.resubmitted),
        key=lambda lot: (lot.received_at, lot.number),
    )
    run: list[LaterLot] = []
    refused = None
    for lot in since:
        if lot.accepted:
            run.append(lot)
        elif lot.accepted is not None:
            run, refused = [], lot
    return Progress(needed, tuple(run), refused, tuple(lot for lot in since if lot.accepted is None))
