"""The words of a report to a supplier: requirements, methods, and whether nonconformity is proved."""

from __future__ import annotations

import math

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.color.limits_block import SYMBOLS
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.registry import DECLARED, JUDGED, declared_of
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.guard import COVERAGE
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule
from lots.domain.receiving.coverage import DEFAULT_FIXED, Sampling
from lots.domain.words import counted

# The words for the action of a decision.
DECISION_WORDS = {
    "received": "Received",
    "judge": "Assessed",
    "void": "Reading voided",
    "exclude": "Reading excluded",
    "include": "Reading included again",
    "reassess": "Assessed again",
    "block": "Blocked by a manual decision",
    "hold": "Held by a manual decision",
    "return": "Returned to the supplier",
    "scrap": "Scrapped",
    "lift": "Manual decision lifted",
    "accept_step": "Step accepted",
}


def quantity(code: str, limits: Limits | None) -> str:
    """Returns the symbol of the quantity of a colour finding, such as ΔE00 or Δb*; "" for other findings."""
    if code not in JUDGED or declared_of(code) is not COLOR:
        return ""
    formula = limits.color.formula if limits and limits.color else ColorLimits().formula
    return JUDGED[code].symbol or SYMBOLS[formula]


def digits_for(size: float) -> int:
    """Returns the decimals that show an uncertainty with two significant digits: at least two, at most ten.

    Example:
        >>> digits_for(0.13), digits_for(0.0021)
        (2, 4)
    """
    return 2 if size <= BINARY_NOISE else min(10, max(2, 1 - math.floor(math.log10(size))))


def rule_words(rule: DecisionRule) -> str:
    """Returns the decision rule in words."""
    claim = (
        "Nonconformity is proved if a value is outside its limit by more than the guard band (ISO 14253-1). "
        f"The guard band is at least {rule.z:g} standard uncertainties. "
        "Closer to the limit, on either side, neither conformity nor nonconformity is proved. Every value outside its limit fails, proved or not."
    )
    if rule.guarded:
        return (
            f"Guarded acceptance (JCGM 106:2012, 8.3). A value passes if it is inside its limit by at least {rule.z:g} standard "
            f"uncertainties. {claim}"
        )
    return f"Simple acceptance (JCGM 106:2012, 8.2). A value inside or on its limit passes. {claim}"


def sampling_words(sampling: Sampling) -> str:
    """Returns the sampling rule in words."""
    if sampling.level is not None and sampling.aql is not None:
        return (
            f"Spools of each delivery are drawn at random by MIL-STD-105E, single sampling, level {sampling.level}, AQL "
            f"{sampling.aql:g} %. A spool that fails any limit for a single spool is nonconforming. The lot is rejected if more "
            "spools are nonconforming than the plan accepts."
        )
    n = sampling.fixed
    if n == 1:
        return "1 spool of each delivery is drawn at random and measured."
    how_many = f"{DEFAULT_FIXED} spools (suggested)" if n is None else counted(n, "spool")
    return f"{how_many} of each delivery are drawn at random and measured, or all spools of a smaller delivery."


def terms(characteristic: str, limits: Limits, nominal_mm: float) -> str:
    """Returns the other conditions that the limits set for a characteristic, in words; "" without any."""
    block = limits.given.get(characteristic)
    return "" if block is None else DECLARED[characteristic].limits.terms(block, nominal_mm)


def claim_words(finding: Finding) -> str:
    """Returns whether a failing value is proved to be outside its limit, in words (ISO 14253-1)."""
    if finding.claimable is None and finding.characteristic == "sampling":
        return "The count itself is exact. Each spool's findings show whether its nonconformity is proved."
    if finding.claimable is None and finding.guard is not None:
        return "Not claimed. The instrument differs from that of the reference, and no agreement study of both is recorded."
    if finding.claimable is None:
        return "Not proved. The uncertainty of the value is not known."
    band = "its guard band" if finding.claim_band is None else f"the guard band of {finding.claim_band:.2g}"
    if finding.claimable:
        return f"Proved: outside by more than {band} (ISO 14253-1)."
    return f"Not proved: outside by no more than {band} (ISO 14253-1)."


def expanded(uncertainty: float | None) -> float | None:
    """Returns the expanded uncertainty, k = 2 (JCGM 100:2008, 6.2); None if the standard uncertainty is unknown."""
    return None if uncertainty is None else COVERAGE * uncertainty
