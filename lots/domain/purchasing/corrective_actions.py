"""Corrective actions asked of a supplier: what may be asked about, when an answer is late, and which later lots prove that it helped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from lots.domain.characteristics.registry import is_step
from lots.domain.words import counted, plural

State = Literal["open", "answered", "closed"]
STATES: tuple[State, ...] = ("open", "answered", "closed")

# Common practice, no source: two weeks for an answer, and three good lots in a row before it is believed.
DUE_AFTER = timedelta(days=14)
CONFORMING_LOTS = 3
MOST_CONFORMING_LOTS = 20

# Decisions by hand that take a lot out for a fault; a hold only waits.
AGAINST = ("block", "return", "scrap")
_NAMED = 10


def speaks_of_supply(code: str, verdict: str) -> bool:
    """True for a failing finding on what was supplied, and not on how often the buyer measured it or on a step from another lot.

    Args:
        code: `characteristic.measure`.
        verdict: pass, fail, near or missing.

    Example:
        >>> speaks_of_supply("diameter.ovality", "fail"), speaks_of_supply("sampling.retests", "fail")
        (True, False)
    """
    # Too many readings, or a step from another lot, do not make a lot nonconforming.
    return verdict == "fail" and code != "sampling.retests" and not is_step(code)


def is_ground(code: str, verdict: str, uses: Sequence[str]) -> bool:
    """True for a finding that a supplier may be asked to act on: it fails, and some use requires it.

    Args:
        code, verdict: as in speaks_of_supply.
        uses: uses that require it; none for a single bad spool that the sampling plan accepts.
    """
    return speaks_of_supply(code, verdict) and bool(uses)


def says_the_same(one: str, other: str) -> bool:
    """True for two texts that differ in nothing but blanks, line ends and capital letters.

    Example:
        >>> says_the_same("Find out why.", "find  out why. "), says_the_same("Find out why.", "Find out when.")
        (True, False)
    """
    first, second = (text.casefold().split() for text in (one, other))
    return first == second


def state_of(answered_at: datetime | None, closed_at: datetime | None) -> State:
    """Returns how far a corrective action has come: open until it is answered, answered until it is closed."""
    if closed_at is not None:
        return "closed"
    return "open" if answered_at is None else "answered"


def is_overdue(due_at: datetime, answered_at: datetime | None, now: datetime) -> bool:
    """True past the due moment without an answer; the due moment itself is in time."""
    return answered_at is None and now > due_at


@dataclass(frozen=True, slots=True)
class LaterLot:
    """A lot of the same supplier and grade, and how its original inspection ended.

    Args:
        number: its number in the record, >= 1.
        supplier_lot: the supplier's own number.
        received_at: with an offset from UTC.
        accepted: None while its inspection has not ended.
        resubmitted: True for a refused lot that came again, sorted: it says nothing new about the process.

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
    """How far the lots since an answer prove it.

    `run` holds the lots accepted one after another up to now, oldest first; `refused` is the newest that was not accepted, with which the
    count began again; `waiting` came since and are not concluded.
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
        got = f"{len(self.run)} of the {self.needed} consecutive conforming {plural(self.needed, 'lot')} needed came since the answer"
        named = f" ({named_lots(lot.supplier_lot for lot in self.run)})" if self.run else ""
        left = f"; {counted(self.lacking, 'more is', 'more are')} needed." if self.lacking else "."
        again = (
            f" {self.refused.supplier_lot} was not accepted for any use: the count began again." if self.refused else ""
        )
        names = named_lots(lot.supplier_lot for lot in self.waiting)
        later = f" Not concluded yet, so not counted: {names}." if self.waiting else ""
        return f"{got}{named}{left} A lot accepted for at least one use counts.{again}{later}"


def named_lots(numbers: Iterable[str]) -> str:
    """Returns lot numbers as a list in words, the first ten of a long one.

    Example:
        >>> named_lots(["Q-4", "Q-5"])
        'Q-4, Q-5'
    """
    listed = list(numbers)
    more = f" and {len(listed) - _NAMED} others" if len(listed) > _NAMED else ""
    return ", ".join(listed[:_NAMED]) + more


def progress(lots: Iterable[LaterLot], answered_at: datetime, needed: int) -> Progress:
    """Returns how far the lots received after an answer prove it.

    Counted are lots whose original inspection accepted them for at least one use, one after another in the order they were received, up to the newest that was
    concluded. A lot not accepted starts the count again. Lots without an outcome, and refused lots that came again, do not count
    either way.

    Args:
        lots: of one supplier and grade, in any order; those received up to the answer are passed over.
        answered_at: when the supplier answered.
        needed: consecutive conforming lots asked for, >= 1.

    Raises:
        ValueError: needed is below 1.

    Notes:
        Whatever the supplier changed, lots on their way when it answered were made before.

    Reference:
        ISO 9001:2015, 10.2.1 (the effectiveness of a corrective action is reviewed; number from memory); that lots in a row show it, and that a resubmitted
        lot does not count, is as in the switching rules of MIL-STD-105E (10 May 1989), 4.7. How many is agreed: no source.

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
