"""Urgency of the matters of the week: quantity at risk, drift that needs action, and their order."""

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

# A limit is near when a lot may reach it within this many lots. Common practice, no source.
NEAR_LOTS = 3
# A shift needs action from this share of the distance between target and limit, or where its trend line reaches the limit within this many
# lots. Common practice, no source.
LEAST_SHIFT, WITHIN_LOTS = 0.2, 20
# From this probability on the next lot is more likely to fail than to pass.
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
# Order of matters with the same quantity at risk.
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
# Matters in which a supplier owes an answer.
ANSWERS: tuple[Matter, ...] = ("overdue_action", "letter_unanswered")
_NOW = ("limit_near", "short_stock")


@dataclass(frozen=True, slots=True)
class Risk:
    """Quantity at risk in a matter. None: the matter has no such figure, or it is unknown.

    Args:
        limit_used: deviation of the latest lot as a share of the tolerance: 0 at the target, 1 at the limit, above 1 beyond it.
        lots_left_low, lots_left_high: 95 % interval of the lots until the limit is reached; 0 when it is reached already.
        lots_left: lots until the trend line reaches the limit.
        probability_next_fails: probability that the next lot is outside the limit, 0..1.
        stock_kg: filament in the shop concerned, kg, >= 0.
        lot_kg: expected size of the next lot (that of the newest one), kg.
        days_left: lower limit of the days that a short stock lasts, >= 0.
        share_unusable: share of the assessed uses that the lot does not pass, 0..1.
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
        """Expected kilograms at risk: the share of the next lot likely to fail, else stock that cannot be used; 0 for a short stock.

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
    """Returns whether a matter precedes all others.

    It does when an answer is owed, a limit is near, stock runs out before the next lot, or the next lot is more likely to fail than to pass.

    Example:
        >>> act_now("limit_near", Risk()), act_now("drifting", Risk(probability_next_fails=0.6)), act_now("restricted", Risk(stock_kg=9.0))
        (True, True, False)
    """
    fails = risk.probability_next_fails
    return what in ANSWERS or what in _NOW or (fails is not None and fails >= RATHER_FAILS)


def urgency(what: Matter, risk: Risk) -> tuple[int, float, int, float]:
    """Returns a sort key, the most urgent matter first.

    Matters that need action now (`act_now`) come first. Series whose trend line reaches the limit within WITHIN_LOTS lots follow, because each
    lot brings them nearer. All others are last: blocked, restricted and quarantined lots cannot be loaded anyway. Within each group more
    kilograms at risk come first, then the order of MATTERS, then the stock that runs out first. Common practice, no source.

    Example:
        >>> near, far = Risk(probability_next_fails=0.3, lot_kg=4.0), Risk(probability_next_fails=0.01, lot_kg=4.0)
        >>> matters = [("drifting", far), ("refused_waiting", Risk(stock_kg=2.0)), ("limit_near", near)]
        >>> [what for what, _ in sorted(matters, key=lambda one: urgency(*one))]
        ['limit_near', 'refused_waiting', 'drifting']
    """
    rank = 0 if act_now(what, risk) else 1 if risk.lots_left is not None and risk.lots_left <= WITHIN_LOTS else 2
    return rank, -risk.kg, MATTERS.index(what), risk.days_left or 0.0


def signals_to_act_on(analysis: Analysis, limit: Limit | None) -> list[Signal]:
    """Returns the signals of a series that need action: towards the limit, and either large or about to reach it.

    It takes the reportable signals (`signals_to_report`: active, no pattern rule, no improvement). It keeps those with a departure of at least
    LEAST_SHIFT of the tolerance, or with a trend line that reaches the limit within WITHIN_LOTS lots. Without a limit no lot can be rejected
    for the measure, so nothing remains; the drift page still shows it.

    Notes:
        The rule depends on direction and size of a shift. Applied after the selection it would break the false discovery rate, since it may
        remove true entries and keep false ones. It therefore precedes the selection: a series without such a signal enters with p = 1. Raising a
        p-value keeps it valid, so the selection keeps its rate (simulated in tests/promises/week.py). Every listed series is also on the drift
        pages.
    """
    if limit is None:
        return []
    left = _lots_left(analysis.projection)
    soon = left is not None and left <= WITHIN_LOTS
    least = LEAST_SHIFT * limit.room() - BINARY_NOISE
    return [one for one in signals_to_report(analysis, limit) if soon or abs(one.departure) >= least]


def _lots_left(ahead: Projection | None) -> int | None:
    """Returns the lots until a trend line reaches its limit, 0 when it is reached; None without a line or far away."""
    return None if ahead is None or ahead.about is None else ahead.about - ahead.last


def limit_near(ahead: Projection | None) -> bool:
    """Returns whether a lot may reach the limit within NEAR_LOTS lots, or the limit is reached already."""
    if ahead is None or ahead.limit is None:
        return False
    # A limit that is reached already has no `earliest`.
    comes = ahead.earliest or ahead.about
    return comes is not None and comes - ahead.last <= NEAR_LOTS


def limit_used(limit: Limit, value: float) -> float | None:
    """Returns the deviation of a value as a share of the tolerance; None without a tolerance.

    Example:
        >>> from lots.domain.conformity.limits import Limit
        >>> limit_used(Limit(-1.0, 1.0), -0.25), limit_used(Limit(None, 0.05), 0.06), limit_used(Limit(20.0, None), 50.0)
        (0.25, 1.2, 0.0)
    """
    room = limit.room()
    return max(0.0, round(1 - limit.margin(value) / room, 9)) if room > BINARY_NOISE else None


def of_series(signal: Signal, limit: Limit, ahead: Projection | None, seen: Outlook | None) -> Risk:
    """Returns the risk of a drift, without kilograms.

    Args:
        signal: of the latest lots.
        limit: of the measure.
        ahead: projection to the limit; None without a trend line.
        seen: predictive distribution of the next value; None with too few lots.
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
