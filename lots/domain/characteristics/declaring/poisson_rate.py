"""Rates of counted flaws, with exact Poisson bounds."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from lots.domain.characteristics.declaring.figures import Figure
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.judgement import Measured, ToDo, judge, unmeasured
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.statistics.summaries import one_sided_confidence, poisson_below, poisson_upper
from lots.domain.words import counted, plural, unit_said


@dataclass(frozen=True, slots=True)
class Count:
    """Flaws counted on an inspected amount > 0, in `n` pieces."""

    flaws: int
    amount: float
    n: int

    @property
    def rate(self) -> float:
        """Flaws per unit of the amount."""
        return self.flaws / self.amount

    def upper(self, confidence: float = 0.95) -> float:
        """Returns the exact upper bound of the rate: no flaw on 1 unit gives 3.0 at 95 %.

        Reference:
            Garwood 1936 (see stats.poisson_upper).

        Example:
            >>> round(Count(0, 1.0, 1).upper(), 2)
            3.0
        """
        return poisson_upper(self.flaws, confidence) / self.amount


def figure_of(found: Count) -> Figure:
    """Returns the rate as a figure for series. The standard uncertainty of a count is its root, unknown for a count of 0."""
    return Figure(found.rate, 1, 0.0, math.sqrt(found.flaws) / found.amount or None)


@dataclass(frozen=True, slots=True)
class Words:
    """The words for a rate: flaw, unit of the amount, amount as a phrase, inspected piece, and the action for a tighter bound."""

    flaw: tuple[str, str]
    unit: str
    amount: Callable[[float], str]
    piece: tuple[str, str]
    surer: str


def judge_rate(
    code: str, found: Count | None, most: float, least: float, lacking: str, words: Words, rule: DecisionRule
) -> Finding:
    """Returns the finding on a counted rate, with its exact upper bound in words.

    Simple acceptance compares the counted rate. Guarded acceptance requires the upper bound inside the limit too, so a clean piece
    that is too small is `near`.

    Args:
        code: `characteristic.measure`.
        found: all counts together; None without any.
        most: largest accepted rate, flaws per unit.
        least: required amount.
        lacking: the next action, "" when complete.
        words: for the rate.
        rule: simple or guarded acceptance.

    Notes:
        More flaws than the required amount may have fail at once, even with part of the amount inspected.
    """
    limit = Limit(None, most, f"per {words.unit}")
    if found is None:
        return unmeasured(code, limit, rule, lacking)
    confidence = one_sided_confidence(rule.z)
    upper = found.upper(confidence)
    seen = f"{counted(found.flaws, *words.flaw)} {words.amount(found.amount)}"
    return judge(
        code,
        Measured(
            found.rate,
            found.n,
            plural(found.n, *words.piece),
            guard=upper - found.rate,
            conformance=poisson_below(found.flaws, most * found.amount),
            detail=f"{seen}. The true rate may be up to {upper:.2f} per {unit_said(words.unit)} ({100 * confidence:.0f} % bound).",
        ),
        limit,
        rule,
        todo=ToDo(lacking, conclusive=bool(lacking) and not limit.allows(found.flaws / least), settled_by=words.surer),
    )
