"""A finding: the result of one measure of one characteristic against its limit, and its sentences.

After a change of a sentence here or in a characteristic, increase `rule_versions.WORDING`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from lots.domain.conformity import guard as guarding
from lots.domain.conformity.limits import BINARY_NOISE, Limit, Verdict
from lots.domain.uncertainty.budget import Uncertainty
from lots.domain.uncertainty.length import Length
from lots.domain.words import unit_said

# Labels by finding code. The declarations of the characteristics add theirs by `name_findings`.
LABELS = {
    "sampling.nonconforming": "Nonconforming spools",
    "sampling.retests": "Extra rounds of readings",
    "sampling.severity": "Inspection of this supplier",
    "sampling.void": "Void by the author of a reading",
}

# Least number of decimals that a value is shown with, by characteristic. The values of sampling are counts.
_DECIMALS = {"sampling": 0}


def name_findings(labels: Mapping[str, str], characteristic: str, decimals: int) -> None:
    """Adds the labels of a characteristic's findings by code, and the least number of decimals of its values."""
    LABELS.update(labels)
    _DECIMALS[characteristic] = decimals


@dataclass(frozen=True, slots=True)
class Finding:
    """The result of one measure of one characteristic against its limit. No other place words it.

    Args:
        code: `characteristic.measure`, a key of LABELS.
        verdict: `pass`, `fail`, `near` (inside the guard band) or `missing`.
        limit: inclusive at its ends.
        value: unrounded, in the unit of the limit; None where there is none.
        n: number of values behind it, in words in `counted`.
        uncertainty: standard uncertainty in the unit of the limit, None where unknown.
        guard: guard band in the unit of the limit, None without one.
        subject: the spool, build or line that the value belongs to, "" for the lot.
        detail: one or two more sentences.
        to_measure: the next actions.
        hold: True for a value outside its limit with a remedy short of rejecting the lot, and for a step that waits for quality's decision.
        stated_conformance: probability that the true value is inside the limit, where it does not follow from the uncertainty.
        claimable: for a failing value, True where nonconformity is proved (ISO 14253-1); None where the uncertainty is unknown.
        coarse: True where the expanded uncertainty exceeds one third of the tolerance.
        spool: code of the spool, where one spool is assessed by itself.
        uses: the uses that require it.
        more_spools: number of further spools to draw (`lots.domain.assessment.drawn_spools`), 0 where other things are missing.
        spools: number of spools measured for it, None where they are not counted.
        spread: contributions to the uncertainty.
        claim_band: distance beyond the limit from which on nonconformity is proved, None where unknown.
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
    spread: guarding.Spread | None = None
    claim_band: float | None = None

    @property
    def budget(self) -> Uncertainty | None:
        """The contributions to the uncertainty, None where it is unknown."""
        return self.spread.along if isinstance(self.spread, Length) else self.spread

    @property
    def conformance(self) -> float | None:
        """The probability that the true value is inside the limit, None where the uncertainty is unknown."""
        if self.stated_conformance is not None or self.value is None or self.spread is None:
            return self.stated_conformance
        return guarding.conformance_probability(self.value, self.spread, self.limit.low, self.limit.high)

    @property
    def coverage_factor(self) -> float | None:
        """The guard band divided by the standard uncertainty, None where either is unknown."""
        return None if self.guard is None or not self.uncertainty else self.guard / self.uncertainty

    @property
    def interval(self) -> tuple[float, float] | None:
        """The 95 % interval of the true value, None where the uncertainty is unknown."""
        if self.value is None or self.spread is None:
            return None
        below = guarding.proof_band(self.value, self.spread, guarding.TWO_SIDED)
        return self.value - below, self.value + guarding.guard_band(self.value, self.spread, guarding.TWO_SIDED)

    @property
    def proof(self) -> str | None:
        """The words "proved" or "not proved" for the nonconformity of a failing value, None for other values and unknown uncertainties."""
        if self.verdict != "fail" or self.claimable is None:
            return None
        return "proved" if self.claimable else "not proved"

    @property
    def characteristic(self) -> str:
        """The name of the characteristic, or `sampling`."""
        return self.code.partition(".")[0]

    @property
    def measure(self) -> str:
        """The measure of the characteristic, such as `lot_delta_e` or `spool_mean`."""
        return self.code.partition(".")[2]

    @property
    def margin(self) -> float | None:
        """The distance to the limit in its unit, positive inside; None without a value."""
        return None if self.value is None else self.limit.margin(self.value)

    @property
    def digits(self) -> int:
        """The decimals at which value, margin, guard band and limit print as different numbers."""
        if self.value is None:
            return decimals_of(self.code)
        return digits_of(self.code, self.value, self.limit, self.guard if self.verdict == "near" else None)

    @property
    def message(self) -> str:
        """The finding in sentences of at most 25 words, for the person who measures."""
        label = LABELS[self.code] + (f" ({self.subject})" if self.subject else "")
        still = f"Still to do: {self.to_measure}."
        if self.value is None or self.margin is None:
            return f"{label}. {still}" if self._counts else f"{label}: no value yet. {still}"
        limit = replace(self.limit, unit="") if self._counts else self.limit
        head = f"{label}: {self._with_unit(self.value)} from {self.n} {self.counted}, limit {limit}."
        distance = f"{'Inside' if self.limit.allows(self.value) else 'Outside'} by {self._with_unit(abs(self.margin))}"
        return " ".join(part for part in (head, *self._verdict_said(distance, still), self.detail) if part)

    def _verdict_said(self, distance: str, still: str) -> tuple[str, ...]:
        """Returns the sentences after the first: distance to the limit, proof, what is still to be done, and doubts about the method."""
        coarse = ""
        if self.coarse and self.uncertainty is not None:
            expanded = f"{guarding.COVERAGE * self.uncertainty:.2g}{self._unit}"
            coarse = f"Measurement uncertainty (U = {expanded}) exceeds one third of the tolerance. Use a better method or more readings."
        if self.verdict == "missing":
            return "Not enough to assess it.", still, coarse
        if self.verdict == "fail":
            proof = "" if self.claimable is None else _PROOF[self.claimable]
            return f"{distance}.", proof, _sentence(self.to_measure) if self.hold else "", coarse
        if self.verdict == "near" and distance.startswith("Outside"):
            return f"{distance}.", _sentence(self.to_measure), coarse
        if self.verdict == "near":
            chance = "" if self.conformance is None else f"Probability of conformity: {self.conformance:.2f}."
            return (
                f"{distance}, less than the guard band of {self._with_unit(self.guard or 0.0)}.",
                chance,
                still,
                coarse,
            )
        return f"{distance}.", coarse

    @property
    def _unit(self) -> str:
        """The unit after a number; counts carry theirs in the label."""
        return f" {unit_said(self.limit.unit)}" if self.limit.unit and not self._counts else ""

    @property
    def _counts(self) -> bool:
        """True for a finding on the inspection itself: its value is a count."""
        return self.characteristic == "sampling"

    def _with_unit(self, number: float) -> str:
        return f"{shown(number, self.digits)}{self._unit}"


_PROOF = {
    True: "Nonconformity is proved (ISO 14253-1).",
    False: "Nonconformity is not proved (ISO 14253-1), because the value is outside by no more than the guard band.",
}


def worst(findings: list[Finding]) -> Finding:
    """Returns the finding furthest from acceptable: fail before missing, near and pass, then the least margin.

    Args:
        findings: at least one, all of the same code.
    """
    order = {"fail": 0, "missing": 1, "near": 2, "pass": 3}
    return min(findings, key=lambda f: (order[f.verdict], math.inf if f.margin is None else f.margin))


def shown(value: float, digits: int = 2) -> str:
    """Returns the number rounded for display, never "-0.00".

    Example:
        >>> shown(-0.001), shown(1.2345, 3)
        ('0.00', '1.234')
    """
    return f"{value:z.{digits}f}"


def decimals_of(code: str) -> int:
    """Returns the least number of decimals that a value is shown with.

    Args:
        code: a characteristic, or `characteristic.measure`.

    Example:
        >>> decimals_of("diameter.spool_mean"), decimals_of("color")
        (3, 2)
    """
    return _DECIMALS.get(code.partition(".")[0], 2)


def digits_of(code: str, value: float, limit: Limit, guard: float | None) -> int:
    """Returns the decimals at which numbers that differ print differently: 1.002 over 1.0 by 0.002, not 1.00 over 1.00 by 0.00."""
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
