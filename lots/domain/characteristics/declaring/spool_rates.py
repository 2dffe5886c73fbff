"""Flaws that are counted, spool by spool: what a clean neighbour must not hide, and when the rate of all spools speaks for each."""

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
from lots.domain.words import counted, plural

# Counts further apart than this chance allows are of no common rate. Common practice (5 %), no source.
ONE_RATE_ALPHA = 0.05
# A spool at the limit that shows so many flaws in fewer cases than this is looked at again. Common practice, no source.
NEAR_CHANCE = 0.2


@dataclass(frozen=True, slots=True)
class SpoolRates:
    """Flaws per spool, and what the spools say together: `p` is how likely one common rate puts them so far apart."""

    counts: Mapping[str, Count]
    p: float

    @classmethod
    def of(cls, counts: Mapping[str, Count]) -> SpoolRates:
        """The rates of these spools."""
        return cls(counts, one_rate_p([c.flaws for c in counts.values()], [c.amount for c in counts.values()]))

    @property
    def differ(self) -> bool:
        """True where the counts refute one common rate, so that the bound on the rate of all spools speaks for none of them."""
        return self.p < ONE_RATE_ALPHA

    @property
    def apart(self) -> bool:
        """True where each spool is judged by itself: the spools differ, or there is one alone."""
        return self.differ or len(self.counts) == 1

    def noted(self, pooled: Finding) -> Finding:
        """Returns the finding on all spools together, with a sentence where it does not speak for each of them."""
        if not self.differ or pooled.value is None:
            return pooled
        note = f"The spools differ by more than chance ({self.test}), so each is judged by itself."
        return replace(pooled, detail=f"{pooled.detail} {note}".strip())

    @property
    def test(self) -> str:
        """The dispersion test in brackets' words."""
        return f"dispersion test, {len(self.counts)} spools, p {'< 0.001' if self.p < 0.001 else f'= {self.p:.3f}'}"


def judge_each(
    code: str, rates: SpoolRates, most: float, lacking: str, words: Words, rule: DecisionRule
) -> list[Finding]:
    """Returns a finding on the rate of each spool by itself.

    A spool whose count refutes the limit fails: its exact lower bound lies above it, at the confidence of the decision rule shared among the
    spools (Bonferroni). A count beyond the limit that does not refute it is near where a spool at the limit shows as many in less than one case of
    five; else it is left to the finding on all spools. Both depend on the spool's own count alone, so what is counted on others never helps it. A
    spool that is alone is judged as counted. Under guarded acceptance spools that differ by more than chance, and one alone, are judged by their own upper bounds.

    Args:
        code: `characteristic.measure`.
        rates: flaws per spool.
        most: flaws per unit that are still accepted.
        lacking: what is still to be looked at, "" for nothing.
        words: how a rate is worded.
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
        seen = f"{counted(one.flaws, *words.flaw)} {words.amount(one.amount)}"
        if refuted:
            detail = f"{seen}; the true rate is at least {lower:.2f} per {words.unit} ({100 * shared:.4g} % bound)."
        elif rates.apart:
            differ = f" The spools differ ({rates.test})." if rates.differ else ""
            detail = f"{seen}; the true rate may be up to {upper:.2f} per {words.unit}.{differ}"
        else:
            detail = f"{seen}, which does not refute the limit. The rate of all spools decides."
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
            each = replace(each, verdict="near" if near else "pass", claimable=None, to_measure=more)
        found.append(each)
    return found


def of_lot(code: str, each: list[Finding], most: float, lacking: str, words: Words, rule: DecisionRule) -> Finding:
    """Returns the finding on the worst spool, or that none was looked at."""
    return worst(each) if each else unmeasured(code, Limit(None, most, f"per {words.unit}"), rule, lacking)
