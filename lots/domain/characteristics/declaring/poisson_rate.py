"""Flaws that are counted: their rate as counted, and the exact Poisson bound on the true one."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from lots.domain.characteristics.declaring.figures import Figure
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.judgement import Measured, ToDo, judge, unmeasured
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.statistics.summaries import one_sided_confidence, poisson_below, poisson_upper
from lots.domain.words import counted, plural


@dataclass(frozen=True, slots=True)
class Count:
    """Flaws counted on an amount that was looked at, in `n` pieces; the amount is above 0."""

    flaws: int
    amount: float
    n: int

    @property
    def rate(self) -> float:
        """Flaws per unit as counted."""
        return self.flaws / self.amount

    def upper(self, confidence: float = 0.95) -> float:
        """Returns the exact upper bound on the rate: none seen on 1 unit still allows 3.0 at 95 %.

        Reference:
            Garwood 1936 (see stats.poisson_upper).

        Example:
            >>> round(Count(0, 1.0, 1).upper(), 2)
            3.0
        """
        return poisson_upper(self.flaws, confidence) / self.amount


def figure_of(found: Count) -> Figure:
    """Returns what a count adds to a series: its rate. The root of a count is its standard uncertainty, but none seen is not none for certain."""
    return Figure(found.rate, 1, 0.0, math.sqrt(found.flaws) / found.amount or None)


@dataclass(frozen=True, slots=True)
class Words:
    """How a rate is worded: one flaw and several, the unit of the amount, an amount as a phrase, the piece looked at, what gives a surer bound."""

    flaw: tuple[str, str]
    unit: str
    amount: Callable[[float], str]
    piece: tuple[str, str]
    surer: str


def judge_rate(
    code: str, found: Count | None, most: float, least: float, lacking: str, words: Words, rule: DecisionRule
) -> Finding:
    """Returns the finding on a rate: as counted, with its exact upper bound in words.

    Under simple acceptance the counted rate is judged. Under guarded acceptance the bound must be inside the limit too: a clean piece that is
    too small to prove anything is `near`.

    Args:
        code: `characteristic.measure`.
        found: all counts together; None without any.
        most: flaws per unit that are still accepted.
        least: amount to look at.
        lacking: what is still to be looked at, "" for nothing.
        words: how it is worded.
        rule: simple or guarded acceptance.

    Notes:
        More flaws than the whole amount asked for may carry are enough to refuse before it has all been looked at.
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
            detail=f"{seen}; the true rate may be up to {upper:.2f} per {words.unit} ({100 * confidence:.0f} % bound).",
        ),
        limit,
        rule,
        todo=ToDo(lacking, conclusive=bool(lacking) and not limit.allows(found.flaws / least), settled_by=words.surer),
    )
