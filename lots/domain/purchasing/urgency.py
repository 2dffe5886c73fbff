"""What to act on first: what each matter of the week puts at risk, which drift is worth an act, and the order of both."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.drift.reported import signals_to_report

if TYPE_CHECKING:
    from lots.domain.conformity.limits import Limit
    from lots.domain.drift.drift_analysis import Analysis
    from lots.domain.drift.projection import Projection
    from lots.domain.drift.signals import Signal
    from lots.domain.statistics.changing_level import Outlook

# A limit that a lot may touch within so many lots is near. Common practice, no source.
NEAR_LOTS = 3
# A shift is worth an act from this share of the limit's room on, or where its line reaches the limit within so many lots. Common practice, no
# source.
LEAST_SHIFT, WITHIN_LOTS = 0.2, 20
# From this probability on the next lot rather fails than passes.
RATHER_FAILS = 0.5

Matter = Literal[
    "overdue_action",
    "letter_unanswered",
    "limit_near",
    "short_stock",
    "refused_waiting",
    "quarantined_long",
    "restricted",
    "drifting",
]
# In this order where two put as much at risk.
MATTERS: tuple[Matter, ...] = (
    "overdue_action",
    "letter_unanswered",
    "limit_near",
    "short_stock",
    "refused_waiting",
    "quarantined_long",
    "restricted",
    "drifting",
)
# An answer is owed.
ANSWERS: tuple[Matter, ...] = ("overdue_action", "letter_unanswered")
_NOW = ("limit_near", "short_stock")


@dataclass(frozen=True, slots=True)
class Risk:
    """What a matter puts at risk. None stands for a figure that the matter does not have, or that cannot be said.

    Args:
        limit_used: share of what the limit allows that the series uses at its latest lot, 0 at the target, 1 at the limit, above 1 beyond it.
        lots_left_low, lots_left_high: lots to come until the limit is reached, ends of the 95 % interval of the projection; 0 where it is
            reached already.
        lots_left: the same for the line itself.
        probability_next_fails: that the next lot's figure lies outside the limit, 0..1.
        stock_kg: filament in the shop that the matter is about, kg, >= 0.
        lot_kg: of a lot to come, as much as the newest one brought, kg.
        days_left: days that a short stock lasts at least, >= 0.
        share_unusable: of the uses that the lot was assessed for, the share that it does not pass, 0..1.
    """

    limit_used: float | None = None
    lots_left_low: int | None = None
    lots_left_high: int | None = None
    probability_next_fails: float | None = None
    stock_kg: float | None = None
    lot_kg: float | None = None
    share_unusable: float = 1.0
    lots_left: int | None = None
    days_left: float | None = None

    @property
    def kg(self) -> float:
        """Expected kilograms at risk: of the next lot what is likely to fail, else what is in the shop and cannot be used; 0 for a short stock.

        Example:
            >>> Risk(probability_next_fails=0.25, lot_kg=8.0).kg, Risk(stock_kg=4.0, share_unusable=0.5).kg
            (2.0, 2.0)
        """
        if self.days_left is not None:
            return 0.0
        if self.probability_next_fails is not None:
            return self.probability_next_fails * (self.lot_kg or 0.0)
        return self.share_unusable * (self.stock_kg or 0.0)


def act_now(what: Matter, risk: Risk) -> bool:
    """Returns whether a matter comes before all others.

    An answer is owed, a limit is near, stock runs out before the next lot is there, or the next lot rather fails than passes.

    Example:
        >>> act_now("limit_near", Risk()), act_now("drifting", Risk(probability_next_fails=0.6)), act_now("restricted", Risk(stock_kg=9.0))
        (True, True, False)
    """
    fails = risk.probability_next_fails
    return what in ANSWERS or what in _NOW or (fails is not None and fails >= RATHER_FAILS)


def urgency(what: Matter, risk: Risk) -> tuple[int, float, int, float]:
    """Returns a key that sorts the most urgent first.

    What must be acted on now comes first (`act_now`), then series whose line reaches its limit within WITHIN_LOTS lots, since every lot to come
    brings them nearer, then all others: a lot that is blocked, restricted or in quarantine is held by the gate. Within each, what puts more
    kilograms at risk comes first, then the kinds in the order of MATTERS, then the stock that is used up sooner. Common practice, no source.

    Example:
        >>> near, far = Risk(probability_next_fails=0.3, lot_kg=4.0), Risk(probability_next_fails=0.01, lot_kg=4.0)
        >>> matters = [("drifting", far), ("refused_waiting", Risk(stock_kg=2.0)), ("limit_near", near)]
        >>> [what for what, _ in sorted(matters, key=lambda one: urgency(*one))]
        ['limit_near', 'refused_waiting', 'drifting']
    """
    rank = 0 if act_now(what, risk) else 1 if risk.lots_left is not None and risk.lots_left <= WITHIN_LOTS else 2
    return rank, -risk.kg, MATTERS.index(what), risk.days_left or 0.0


def signals_to_act_on(analysis: Analysis, limit: Limit | None) -> list[Signal]:
    """Returns the signals of a series that are worth an act: towards the limit, and either large or soon at it.

    Of the signals that any list may show (`signals_to_report`: active, no odd pattern, no improvement) these remain: the departure is LEAST_SHIFT
    of the limit's room or more, or the line of the projection reaches the limit within WITHIN_LOTS lots. Without a limit no lot can be
    rejected for the measure, so nothing remains; its drift page shows it.

    Notes:
        The rule looks at which way a series went and how far. Applied to a list that was selected already it would break the promised share of
        false entries: it may take off true ones and leave the false. So it comes first: a series without such a signal enters the
        selection with a p-value of 1. A p-value that is only ever raised stays valid, so the selection keeps its promise (simulated in
        tests/promises/week.py), and what it lists is listed on the drift pages too.
    """
    if limit is None:
        return []
    left = _lots_left(analysis.projection)
    soon = left is not None and left <= WITHIN_LOTS
    least = LEAST_SHIFT * limit.room() - BINARY_NOISE
    return [one for one in signals_to_report(analysis, limit) if soon or abs(one.departure) >= least]


def _lots_left(ahead: Projection | None) -> int | None:
    """Lots to come until a line reaches its limit, 0 where it is there already; None where it is far away or there is none."""
    return None if ahead is None or ahead.about is None else ahead.about - ahead.last


def limit_near(ahead: Projection | None) -> bool:
    """Returns whether a lot may touch the limit within NEAR_LOTS lots, or the limit is reached already."""
    if ahead is None or ahead.limit is None:
        return False
    # A limit that is reached already has no lot to come that reaches it first.
    comes = ahead.earliest or ahead.about
    return comes is not None and comes - ahead.last <= NEAR_LOTS


def limit_used(limit: Limit, value: float) -> float | None:
    """Returns the share of what a limit allows that a value uses; None where it allows nothing.

    Example:
        >>> from lots.domain.conformity.limits import Limit
        >>> limit_used(Limit(-1.0, 1.0), -0.25), limit_used(Limit(None, 0.05), 0.06), limit_used(Limit(20.0, None), 50.0)
        (0.25, 1.2, 0.0)
    """
    room = limit.room()
    return max(0.0, round(1 - limit.margin(value) / room, 9)) if room > BINARY_NOISE else None


def of_series(signal: Signal, limit: Limit, ahead: Projection | None, seen: Outlook | None) -> Risk:
    """Returns what a drift puts at risk, without kilograms.

    Args:
        signal: of the latest lots.
        limit: of the measure.
        ahead: where the lots reach the limit; None where no line is followed.
        seen: what the series says of its next value; None with too few lots.
    """
    low, high = (None, None) if ahead is None else (ahead.earliest, ahead.latest)
    if _lots_left(ahead) == 0 and ahead is not None:
        low = high = ahead.last
    last = ahead.last if ahead else 0
    return Risk(
        limit_used(limit, signal.level + signal.departure),
        None if low is None else low - last,
        None if high is None else high - last,
        None if seen is None else seen.outside(limit.low, limit.high),
        lots_left=_lots_left(ahead),
    )
