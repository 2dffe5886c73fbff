"""A finding: one thing judged against its limit, and the sentences that say how it went."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from lots.domain.conformity import guard as guarding
from lots.domain.conformity.limits import BINARY_NOISE, Limit, Verdict
from lots.domain.uncertainty.budget import Uncertainty
from lots.domain.uncertainty.length import Length

# What a finding is about, by its code. Those of the characteristics are added by their declarations (`name_findings`).
LABELS = {
    "sampling.nonconforming": "Nonconforming spools",
    "sampling.retests": "Extra rounds of readings",
    "sampling.severity": "Inspection of this supplier",
    "sampling.void": "Void by the author of a reading",
}


_DECIMALS: dict[str, int] = {}


def name_findings(labels: Mapping[str, str], characteristic: str, decimals: int) -> None:
    """Adds the labels of a characteristic's findings, by code, and with how many decimals their values are shown at least."""
    LABELS.update(labels)
    _DECIMALS[characteristic] = decimals


@dataclass(frozen=True, slots=True)
class Finding:
    """One measure of one characteristic, held against its limit. It words itself: no other place says why.

    `code` is `characteristic.measure`. `value` is unrounded and None when there is none. `margin` is positive inside the limit.
    `uncertainty` is a standard uncertainty in `unit`, None where unknown. `n` counts what the value rests on (`counted`).
    `hold` marks a value outside its limit with a remedy short of refusing the lot, and a step that waits for quality's decision: `to_measure` says which. `stated_conformance` is the probability
    that the true value is inside the limit, where it does not follow from the uncertainty. `claimable`, for a failing value, says whether it is beyond the limit by more than its uncertainty, so that
    nonconformity is proved (ISO 14253-1); None where the uncertainty is unknown. `older_words` words that as rules before version 3 did, since
    their sentences are kept. `coarse` marks a method too coarse
    for its limit. `spool` is set where one spool is judged by itself. `more_spools` is how many more spools would settle it: the program draws
    them (`lots.domain.assessment.drawn_spools`); 0 where spools are not what is wanted. `spools` is how many spools were measured for it, None
    where nobody counted them. `spread` is what the uncertainty is made of. `claim_band` is by how
    much a value must be outside to be proved nonconforming, None where that is not known.
    """

    code: str
    verdict: Verdict
    limit: Limit
    value: float | None = None
    n: int = 0
    counted: str = "readings"
    uncertainty: float | None = None
    guard: float | None = None
    subject: str = ""
    detail: str = ""
    to_measure: str = ""
    hold: bool = False
    stated_conformance: float | None = None
    claimable: bool | None = None
    coarse: bool = False
    spool: str = ""
    uses: tuple[str, ...] = field(default=())
    more_spools: int = 0
    spools: int | None = None
    older_words: bool = False
    spread: guarding.Spread | None = None
    claim_band: float | None = None

    @property
    def budget(self) -> Uncertainty | None:
        """What the uncertainty is made of, None where it is unknown."""
        return self.spread.along if isinstance(self.spread, Length) else self.spread

    @property
    def conformance(self) -> float | None:
        """Probability that the true value is inside the limit, None where the uncertainty is unknown."""
        if self.stated_conformance is not None or self.value is None or self.spread is None:
            return self.stated_conformance
        return guarding.conformance_probability(self.value, self.spread, self.limit.low, self.limit.high)

    @property
    def coverage_factor(self) -> float | None:
        """Guard band over standard uncertainty, None where either is unknown."""
        return None if self.guard is None or not self.uncertainty else self.guard / self.uncertainty

    @property
    def interval(self) -> tuple[float, float] | None:
        """The interval that holds the true value with 95 %, None where the uncertainty is unknown."""
        if self.value is None or self.spread is None:
            return None
        below = guarding.proof_band(self.value, self.spread, guarding.TWO_SIDED)
        return self.value - below, self.value + guarding.guard_band(self.value, self.spread, guarding.TWO_SIDED)

    @property
    def proof(self) -> str | None:
        """Whether a failing value is "proved" or "not proved" to be nonconforming; None where it does not fail or nobody can tell."""
        if self.verdict != "fail" or self.claimable is None:
            return None
        return "proved" if self.claimable else "not proved"

    @property
    def characteristic(self) -> str:
        """What was measured: the name of a characteristic, or sampling."""
        return self.code.partition(".")[0]

    @property
    def measure(self) -> str:
        """Which figure of it: lot_delta_e, spool_mean, ..."""
        return self.code.partition(".")[2]

    @property
    def margin(self) -> float | None:
        """Distance to the limit in `unit`, positive inside; None without a value."""
        return None if self.value is None else self.limit.margin(self.value)

    @property
    def digits(self) -> int:
        """Decimals that show the value, its margin and its guard band: enough to tell them apart and from the limit."""
        if self.value is None:
            return decimals_of(self.code)
        return digits_of(self.code, self.value, self.limit, self.guard if self.verdict == "near" else None)

    @property
    def message(self) -> str:
        """The finding as one or two sentences for the person at the bench."""
        label = LABELS[self.code] + (f" ({self.subject})" if self.subject else "")
        if self.value is None or self.margin is None:
            return f"{label}: not known yet. Still to do: {self.to_measure}."
        digits = self.digits
        unit = f" {self.limit.unit}" if self.limit.unit else ""
        size = abs(self.margin)
        head = f"{label}: {self.value:.{digits}f}{unit} from {self.n} {self.counted}, limit {self.limit}"
        tail = f" {self.detail}" if self.detail else ""
        if self.coarse and self.uncertainty is not None:
            expanded = guarding.COVERAGE * self.uncertainty
            tail += f" The method is too coarse for this limit: its expanded uncertainty of {expanded:.2g} takes up more than a third of what it allows."
        if self.verdict == "missing":
            return f"{head}; not enough to judge. Still to do: {self.to_measure}.{tail}"
        if self.verdict == "near" and not self.limit.allows(self.value):
            return f"{head}; outside by {size:.{digits}f}{unit}. {_sentence(self.to_measure)}{tail}"
        if self.verdict == "near":
            chance = "" if self.conformance is None else f" Conforms with probability {self.conformance:.2f}."
            return f"{head}; inside by {size:.{digits}f}{unit}, closer than its guard band of {self.guard:.{digits}f}{unit}.{chance} To settle it: {self.to_measure}.{tail}"
        if self.verdict == "fail":
            remedy = f" {_sentence(self.to_measure)}" if self.hold else ""
            proof = "" if self.claimable is None else (_OLDER_PROOF if self.older_words else _PROOF)[self.claimable]
            return f"{head}; outside by {size:.{digits}f}{unit}.{proof}{remedy}{tail}"
        where = "inside" if self.limit.allows(self.value) else "outside"
        return f"{head}; {where} by {size:.{digits}f}{unit}.{tail}"


_PROOF = {
    True: " Nonconformity is proved by our uncertainty (ISO 14253-1).",
    False: " Nonconformity is not proved, since the value is beyond its limit by less than our uncertainty (ISO 14253-1).",
}
_OLDER_PROOF = {
    True: " Beyond its uncertainty too, so a claim would stand.",
    False: " Not beyond its uncertainty, so no claim rests on it.",
}


def worst(findings: list[Finding]) -> Finding:
    """Returns the finding furthest from acceptable: fail, then missing, then near, then the least margin.

    Args:
        findings: at least one, all of the same code.
    """
    order = {"fail": 0, "missing": 1, "near": 2, "pass": 3}
    return min(findings, key=lambda f: (order[f.verdict], math.inf if f.margin is None else f.margin))


def shown(value: float, digits: int = 2) -> str:
    """The one place that rounds, for display only."""
    return f"{value:.{digits}f}"


def decimals_of(code: str) -> int:
    """Returns with how many decimals a value is shown at least, so that it reads the same wherever it is worded.

    Args:
        code: a characteristic, or `characteristic.measure`.

    Example:
        >>> decimals_of("diameter.spool_mean"), decimals_of("color")
        (3, 2)
    """
    return _DECIMALS.get(code.partition(".")[0], 2)


def digits_of(code: str, value: float, limit: Limit, guard: float | None) -> int:
    """Enough decimals that no two numbers that differ print alike: 1.002 over 1.0 by 0.002, not 1.00 over 1.00 by 0.00."""
    size = abs(limit.margin(value))
    least = decimals_of(code)
    if size <= BINARY_NOISE:
        return least
    apart = (
        digits
        for digits in range(least, 11)
        if float(shown(size, digits)) > 0
        and abs(limit.margin(float(shown(value, digits)))) > BINARY_NOISE
        and (guard is None or shown(size, digits) != shown(guard, digits))
    )
    return next(apart, 10)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "." if text else ""
