"""Severity of inspection of the next lot, from the outcomes of the supplier's earlier lots."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

State = Literal["normal", "tightened", "reduced", "discontinued"]

# MIL-STD-105E, 4.7 and 4.8.
NOT_ACCEPTED_TO_TIGHTEN, AMONG = 2, 5
ACCEPTED_TO_NORMAL = 5
ACCEPTED_TO_REDUCE = 10
NOT_ACCEPTED_TO_DISCONTINUE = 5


@dataclass(frozen=True, slots=True)
class Inspected:
    """Outcome of one lot.

    Args:
        accepted: whether the sampling plan accepted the lot.
        resubmitted: True when the lot had been rejected before: it is no evidence about the process and does not count.
        within_gap: True when, under a reduced plan, the count fell between the accept and reject numbers: the lot is
            accepted.

    Raises:
        ValueError: a count within the gap on a lot that was not accepted.
    """

    accepted: bool
    resubmitted: bool = False
    within_gap: bool = False

    def __post_init__(self) -> None:
        if self.within_gap and not self.accepted:
            raise ValueError("a lot whose count fell between accept and reject number is accepted, got accepted False")


@dataclass(frozen=True, slots=True)
class Severity:
    """Severity for the next lot. `since` numbers the first lot under it, from 1, without resubmissions."""

    state: State
    since: int
    says: str


# The next state and its reason; None without a switch.
Switch = tuple[State, str] | None


def severity(
    history: Iterable[Inspected], reduced_allowed: bool = False, start: Literal["normal", "tightened"] = "normal"
) -> Severity:
    """Returns the severity of inspection of the next lot.

    Args:
        history: the lots of one supplier and grade, oldest first. Resubmitted lots are ignored.
        reduced_allowed: True where quality allows reduced inspection. Besides ten accepted lots the standard requires that
            the nonconforming spools of those lots stay within its limit numbers (Table VIII), that production is steady,
            and that the responsible authority agrees. True states that quality has checked all three.
        start: severity of the first lot: "tightened" for a record restarted after discontinued inspection.

    Returns:
        A Severity, the same for the same record. Only a new record ends `discontinued`.

    Notes:
        Counting restarts at every switch. The record does not store when quality allowed reduced inspection, so `reduced_allowed`
        applies to all of it. When it is withdrawn, every lot counts as inspected under normal or tightened inspection.

    Reference:
        MIL-STD-105E (10 May 1989), 4.7 (switching) and 4.8 (discontinuation). MIL-STD-105D discontinued after ten
        consecutive lots on tightened inspection instead.

    Example:
        >>> severity([Inspected(True), Inspected(False), Inspected(False)]).state
        'tightened'
    """
    state: State = start
    since, why = (
        1,
        "inspection was resumed after corrective action" if start == "tightened" else "initial severity",
    )
    stretch: list[Inspected] = []
    originals = (lot for lot in history if not lot.resubmitted)
    for number, lot in enumerate(originals, start=1):
        stretch.append(lot)
        if switch := _switch(state, stretch, number, reduced_allowed):
            state, why = switch
            since, stretch = number + 1, []
    says = f"{state.capitalize()} since the {_nth(since)} lot: {why}. {_way_out(state, stretch, reduced_allowed)}"
    return Severity(state, since, says)


def _switch(state: State, stretch: Sequence[Inspected], number: int, reduced_allowed: bool) -> Switch:
    """Returns the switch after the last lot of a stretch inspected under `state`; `number` is that lot's."""
    if state == "normal":
        return _from_normal(stretch, number, reduced_allowed)
    if state == "tightened":
        return _from_tightened(stretch)
    if state == "reduced":
        return _from_reduced(stretch[-1], number)
    return None


def _from_normal(stretch: Sequence[Inspected], number: int, reduced_allowed: bool) -> Switch:
    """Returns tightened on the second lot not accepted within five, reduced after ten accepted where allowed."""
    recent = stretch[-AMONG:]
    refused = [number - back for back, lot in enumerate(reversed(recent)) if not lot.accepted]
    if len(refused) >= NOT_ACCEPTED_TO_TIGHTEN:
        last, first = refused[:2]
        among = f"{NOT_ACCEPTED_TO_TIGHTEN} of {last - first + 1}" if last - first > 1 else f"{NOT_ACCEPTED_TO_TIGHTEN}"
        return "tightened", f"{among} consecutive lots, the {_nth(first)} and the {_nth(last)}, were not accepted"
    if reduced_allowed and _run(stretch) >= ACCEPTED_TO_REDUCE:
        return "reduced", f"{ACCEPTED_TO_REDUCE} consecutive lots were accepted and quality allows it"
    return None


def _from_tightened(stretch: Sequence[Inspected]) -> Switch:
    """Returns normal after five consecutive accepted lots, discontinued after five lots not accepted."""
    if _run(stretch) >= ACCEPTED_TO_NORMAL:
        return "normal", f"{ACCEPTED_TO_NORMAL} consecutive lots were accepted under tightened inspection"
    if _refused(stretch) >= NOT_ACCEPTED_TO_DISCONTINUE:
        return "discontinued", f"{NOT_ACCEPTED_TO_DISCONTINUE} lots were not accepted under tightened inspection"
    return None


def _from_reduced(lot: Inspected, number: int) -> Switch:
    """Returns normal on a lot not accepted, or accepted within the gap."""
    if not lot.accepted:
        return "normal", f"the {_nth(number)} lot was not accepted under reduced inspection"
    if lot.within_gap:
        return (
            "normal",
            f"the {_nth(number)} lot's count fell between the accept and reject numbers of reduced inspection",
        )
    return None


def _way_out(state: State, stretch: Sequence[Inspected], reduced_allowed: bool) -> str:
    """Returns the rules for leaving a state, with the counts so far."""
    if state == "normal":
        leave = "" if reduced_allowed else " once quality allows it"
        return (
            f"{NOT_ACCEPTED_TO_TIGHTEN} lots not accepted among {AMONG} or fewer consecutive lots lead to tightened inspection. "
            f"{ACCEPTED_TO_REDUCE} consecutive accepted lots ({_run(stretch)} so far) lead to reduced inspection{leave}."
        )
    if state == "tightened":
        return (
            f"{ACCEPTED_TO_NORMAL} consecutive accepted lots ({_run(stretch)} so far) lead back to normal inspection. "
            f"{NOT_ACCEPTED_TO_DISCONTINUE} lots not accepted ({_refused(stretch)} so far) end inspection by sampling."
        )
    if state == "reduced":
        return (
            "A lot not accepted, or a count between the accept and reject numbers, leads back to normal inspection. "
            "Irregular production, or a withdrawal by quality, does so too."
        )
    return "No lot is accepted by sampling until the supplier has corrected the cause. Inspection then resumes as tightened."


def _run(stretch: Sequence[Inspected]) -> int:
    """Returns the number of consecutive accepted lots at the end of a stretch."""
    return next((back for back, lot in enumerate(reversed(stretch)) if not lot.accepted), len(stretch))


def _refused(stretch: Sequence[Inspected]) -> int:
    return sum(not lot.accepted for lot in stretch)


def _nth(number: int) -> str:
    """Returns an ordinal number: 1st, 2nd, 3rd, 4th, 11th, 21st."""
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"
