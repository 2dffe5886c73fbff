"""Rates of counted flaws per spool, so that clean spools do not hide a bad one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from lots.domain.characteristics.declaring.poisson_rate import Count, Words
from lots.domain.conformity.findings import Finding, worst
from lots.domain.conformity.judgement import Measured, ToDo, judge, unmeasured
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.statistics.dispersion import one_rate_p
from lots.domain.statistics.summaries import (
    one_sided_confidence,
    poisson_at_least,
    poisson_below,
    poisson_lower,
    poisson_upper,
)
from lots.domain.words import counted, plural, unit_said

# Significance level of the dispersion test for a common rate. Common practice (5 %), no source.
ONE_RATE_ALPHA = 0.05
# A count beyond the limit is `near` if a spool at the limit has as many flaws with a lower probability. Common practice, no source.
NEAR_CHANCE = 0.2


@dataclass(frozen=True, slots=True)
class SpoolRates:
    """Flaws per spool; `p` is the p-value of the dispersion test for one common rate."""

    counts: Mapping[str, Count]
    p: float

    @classmethod
    def of(cls, counts: Mapping[str, Count]) -> SpoolRates:
        """Returns the rates of these spools."""
        return cls(counts, one_rate_p([c.flaws for c in counts.values()], [c.amount for c in counts.values()]))

    @property
    def differ(self) -> bool:
        """True when the spools differ significantly, so that the common rate represents none of them."""
        return self.p < ONE_RATE_ALPHA

    @property
    def apart(self) -> bool:
        """True when each spool is assessed alone: the spools differ significantly, or there is only one."""
        return self.differ or len(self.counts) == 1

    def noted(self, pooled: Finding) -> Finding:
        """Returns the finding on all spools together, with a sentence where the spools differ significantly."""
        if not self.differ or pooled.value is None:
            return pooled
        note = f"The spools differ significantly ({self.test}), so each spool is assessed alone."
        return replace(pooled, detail=f"{pooled.detail} {note}".strip())

    @property
    def test(self) -> str:
        """The dispersion test in words."""
        return f"dispersion test, n = {len(self.counts)}, p {'< 0.001' if self.p < 0.001 else f'= {self.p:.3f}'}"


def judge_each(
    code: str, rates: SpoolRates, most: float, lacking: str, words: Words, rule: DecisionRule
) -> list[Finding]:
    """Returns a finding on the rate of each spool.

    A spool fails if the exact lower bound of its rate is above the limit, at the confidence of the decision rule divided among the spools
    (Bonferroni). A count beyond the limit with a lower bound inside is `near` if a spool at the limit has as many flaws with a
    probability below 20 %. Otherwise the finding on all spools decides. Both depend on the spool's own count alone. A single spool
    is assessed by its counted rate. Under guarded acceptance, spools that differ significantly and a single spool are assessed by their upper bounds.

    Args:
        code: `characteristic.measure`.
        rates: flaws per spool.
        most: largest accepted rate, flaws per unit.
        lacking: the next action, "" when complete.
        words: for the rate.
        rule: simple or guarded acceptance.

    Reference:
        Garwood 1936 (exact Poisson bounds); Bonferroni's inequality; dispersion: see `lots.domain.statistics.dispersion`.
    """
    limit, confidence = Limit(None, most, f"per {words.unit}"), one_sided_confidence(rule.z)
    shared = 1 - (1 - confidence) / max(1, len(rates.counts))
    found = []
    for spool, one in rates.counts.items():
        lower = poisson_lower(one.flaws, shared) / one.amount
        upper = poisson_upper(one.flaws, confidence) / one.amount
        refuted = not limit.allows(lower)
        known = _rate_said(lower, words, shared) if refuted else _bound_said(rates, upper, words)
        detail = f"{counted(one.flaws, *words.flaw)} {words.amount(one.amount)}.{known}"
        each = judge(
            code,
            Measured(
                one.rate,
                one.n,
                plural(one.n, *words.piece),
                guard=one.rate - lower if refuted else upper - one.rate,
                conformance=poisson_below(one.flaws, most * one.amount),
                detail=detail,
            ),
            limit,
            rule if rates.apart else DecisionRule(),
            subject=f"spool {spool}",
            spool=spool,
            todo=ToDo(lacking, conclusive=refuted, settled_by=words.surer),
        )
        if each.verdict == "fail" and not refuted and len(rates.counts) > 1:
            rare = poisson_at_least(one.flaws, most * one.amount) < NEAR_CHANCE
            near = rare or (rule.guarded and rates.apart)
            more = f"{words.surer} (spool {spool})" if near else ""
            detail += "" if rates.apart else _UNPROVED[near]
            each = replace(each, verdict="near" if near else "pass", claimable=None, to_measure=more, detail=detail)
        found.append(each)
    return found


# Of a spool above the limit whose rate proves nothing, by whether it stays undecided.
_UNPROVED = {
    True: " This one spool does not prove a rate above the limit.",
    False: " This one spool does not prove a rate above the limit. The rate of all spools decides, so this finding passes.",
}


def _rate_said(lower: float, words: Words, confidence: float) -> str:
    """Returns the lower bound that proves a rate above the limit, in words."""
    return f" The true rate is at least {lower:.2f} per {unit_said(words.unit)} ({100 * confidence:.4g} % bound)."


def _bound_said(rates: SpoolRates, upper: float, words: Words) -> str:
    """Returns the upper bound of a spool that is assessed alone, in words; "" for others."""
    if not rates.apart:
        return ""
    differ = f" The spools differ significantly ({rates.test})." if rates.differ else ""
    return f" The true rate may be up to {upper:.2f} per {unit_said(words.unit)}.{differ}"


def of_lot(code: str, each: list[Finding], most: float, lacking: str, words: Words, rule: DecisionRule) -> Finding:
    """Returns the finding on the worst spool, or `missing` without one."""
    return worst(each) if each else unmeasured(code, Limit(None, most, f"per {words.unit}"), rule, lacking)
