"""Limits and decision rules: closed intervals with inclusive ends, and when a value is taken as it is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

from lots.domain.conformity.rule_versions import CURRENT, FIRST, SECOND, THIRD

Verdict = Literal["pass", "fail", "near", "missing"]

# A measured 1.80 mm minus a measured 1.75 mm is 0.050000000000000044 in binary. Differences this small are arithmetic, not
# filament: far below any instrument, far above the last bit. Values are compared as they are, give or take this.
BINARY_NOISE = 1e-10
# Guard band in standard uncertainties where limits state none: it holds the risk of a false pass at the limit to 5 %.
GUARD_Z = 1.645


@dataclass(frozen=True, slots=True)
class Limit:
    """A closed interval of acceptable values: both ends are acceptable.

    Args:
        low: least acceptable value, or None for no lower end.
        high: greatest acceptable value, or None for no upper end.
        unit: unit of both ends, "" for a plain ratio.
        target: value that an ideal product would have, from which the room of a limit with one end is measured: 1 for a ratio that is 1 at
            best. None: 0.

    Raises:
        ValueError: both ends are absent, an end is not finite, or low > high.

    Example:
        >>> Limit(None, 1.0, "").allows(1.0), Limit(None, 1.0, "").allows(1.0016)
        (True, False)
    """

    low: float | None
    high: float | None
    unit: str = ""
    target: float | None = None

    def __post_init__(self) -> None:
        ends = [end for end in (self.low, self.high) if end is not None]
        if not ends or not all(math.isfinite(end) for end in ends):
            raise ValueError(f"a limit needs a finite end, got low {self.low!r} and high {self.high!r}")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"the lower limit {self.low!r} is above the upper limit {self.high!r}")

    @property
    def kind(self) -> str:
        """Which ends it has: "at least", "at most" or "between"."""
        if self.low is None:
            return "at most"
        return "at least" if self.high is None else "between"

    def margin(self, value: float) -> float:
        """Returns the distance from `value` to the nearest end: positive inside the limit, negative outside."""
        distances = []
        if self.low is not None:
            distances.append(value - self.low)
        if self.high is not None:
            distances.append(self.high - value)
        return min(distances)

    def room(self, *, from_zero: bool = False) -> float:
        """Returns how far a product may lie from its target: half the width between two ends, else the distance of the one end from the target.

        Args:
            from_zero: True measures from 0 whatever the target, as rules before version 3 did.

        Example:
            >>> Limit(0.1, 0.5).room(), round(Limit(0.98, None, target=1.0).room(), 9), Limit(None, 1.0).room()
            (0.2, 0.02, 1.0)
        """
        if self.low is not None and self.high is not None:
            return (self.high - self.low) / 2
        end = self.high if self.low is None else self.low
        return abs((end or 0.0) - (0.0 if from_zero else self.target or 0.0))

    def allows(self, value: float) -> bool:
        """True when `value` is inside the limit, its ends included."""
        return self.margin(value) >= -BINARY_NOISE

    def as_json(self) -> float | list[float]:
        """One number for a limit with one end, [low, high] for one with two."""
        if self.low is None:
            return self.high  # type: ignore[return-value]  # __post_init__ guarantees the other end
        return self.low if self.high is None else [self.low, self.high]

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit else ""
        if self.low is None:
            return f"at most {self.high:g}{unit}"
        if self.high is None:
            return f"at least {self.low:g}{unit}"
        return f"{self.low:g} to {self.high:g}{unit}"


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """How uncertainty enters a verdict.

    Simple acceptance takes the value as it is. Guarded acceptance draws the limit in by `z` standard uncertainties: a value
    inside the limit but outside the narrowed one is `near`, not a pass. On the other side, a value outside the limit by less than z standard
    uncertainties is refused, but its nonconformity is not proved.

    Args:
        guarded: True for guarded acceptance.
        z: guard band in standard uncertainties that are known, as an instrument's stated one is, > 0. An uncertainty that was estimated from
            scatter is widened so that the same risk holds (`Uncertainty.band`).
        version: of the rules, see `lots.domain.conformity.rule_versions`.

    Reference:
        JCGM 106:2012, clause 8.3 (guarded acceptance), clause 8.2 (simple acceptance); ISO 14253-1.
    """

    guarded: bool = False
    z: float = GUARD_Z
    version: int = CURRENT

    @property
    def trusts_zero(self) -> bool:
        """True under version 1, which takes an uncertainty of 0 as it is.

        Equal readings show that the instrument's steps are coarse, not that nothing is uncertain, so that since then 0 counts as unknown.
        """
        return self.version == FIRST

    @property
    def room_from_zero(self) -> bool:
        """True before version 3, which measures the room of a limit with one end from 0 whatever its target."""
        return self.version <= SECOND

    def claim_z(self, looked_at: int) -> float:
        """Returns how many standard uncertainties beyond its limit the worst of some values must be to be proved nonconforming.

        Of many conforming values one lies far out by chance, so that each is claimed with the confidence whose power is that of all.

        Args:
            looked_at: values that the worst was chosen from, >= 1.

        Reference:
            Sidak 1967, J. Am. Stat. Assoc. 62, 626-633. From version 4 of the rules on.

        Example:
            >>> round(DecisionRule().claim_z(1), 3), round(DecisionRule().claim_z(8), 2)
            (1.645, 2.49)
        """
        if looked_at < 2 or self.version <= THIRD:
            return self.z
        normal = NormalDist()
        return -normal.inv_cdf(-math.expm1(math.log1p(-normal.cdf(-self.z)) / looked_at))
