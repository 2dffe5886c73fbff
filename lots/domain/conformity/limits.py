"""Limits as closed intervals, and decision rules: simple or guarded acceptance."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

from lots.domain.conformity.rule_versions import CURRENT, FIRST, SECOND, THIRD
from lots.domain.words import unit_said

Verdict = Literal["pass", "fail", "near", "missing"]

# Tolerance of every comparison, for binary rounding: 1.80 - 1.75 is 0.050000000000000044. It is far below the resolution of any
# instrument and far above the last bit.
BINARY_NOISE = 1e-10
# Default guard band in standard uncertainties: the risk of a false pass at the limit is 5 %.
GUARD_Z = 1.645


@dataclass(frozen=True, slots=True)
class Limit:
    """A closed interval of acceptable values: both ends are acceptable.

    Args:
        low: least acceptable value, or None for no lower limit.
        high: greatest acceptable value, or None for no upper limit.
        unit: unit of both ends, "" for a plain ratio.
        target: the ideal value, from which the tolerance of a one-sided limit is measured, such as 1 for a ratio. None: 0.

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
        """The words "at least", "at most" or "between"."""
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
        """Returns the tolerance: half the width between two ends, else the distance of the only end from the target.

        Args:
            from_zero: True ignores the target and measures from 0, as rules before version 3 did.

        Example:
            >>> Limit(0.1, 0.5).room(), round(Limit(0.98, None, target=1.0).room(), 9), Limit(None, 1.0).room()
            (0.2, 0.02, 1.0)
        """
        if self.low is not None and self.high is not None:
            return (self.high - self.low) / 2
        end = self.high if self.low is None else self.low
        return abs((end or 0.0) - (0.0 if from_zero else self.target or 0.0))

    def allows(self, value: float) -> bool:
        """Returns whether `value` is inside the limit, ends included."""
        return self.margin(value) >= -BINARY_NOISE

    def as_json(self) -> float | list[float]:
        """Returns one number for a one-sided limit, [low, high] for a two-sided one."""
        if self.low is None:
            return self.high  # type: ignore[return-value]  # __post_init__ guarantees the other end
        return self.low if self.high is None else [self.low, self.high]

    def __str__(self) -> str:
        unit = f" {unit_said(self.unit)}" if self.unit else ""
        if self.low is None:
            return f"at most {self.high:g}{unit}"
        if self.high is None:
            return f"at least {self.low:g}{unit}"
        return f"{self.low:g} to {self.high:g}{unit}"


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """A decision rule: how uncertainty enters a verdict.

    Simple acceptance ignores the uncertainty. Guarded acceptance tightens the limit by `z` standard uncertainties: a value between the
    tightened limit and the limit is `near`, not a pass. A value outside the limit by less than z standard uncertainties fails, but its
    nonconformity is not proved.

    Args:
        guarded: True for guarded acceptance.
        z: guard band in known standard uncertainties, > 0. An uncertainty estimated from readings is widened so that the risk stays the
            same (`Uncertainty.band`).
        version: of the rules, see `lots.domain.conformity.rule_versions`.

    Reference:
        JCGM 106:2012, clause 8.3 (guarded acceptance), clause 8.2 (simple acceptance); ISO 14253-1.
    """

    guarded: bool = False
    z: float = GUARD_Z
    version: int = CURRENT

    @property
    def trusts_zero(self) -> bool:
        """True under version 1, which accepts an uncertainty of 0.

        Later versions count 0 as unknown, since equal readings only show a coarse resolution.
        """
        return self.version == FIRST

    @property
    def room_from_zero(self) -> bool:
        """True before version 3, where the tolerance of a one-sided limit is measured from 0 instead of its target."""
        return self.version <= SECOND

    def claim_z(self, looked_at: int) -> float:
        """Returns the least distance beyond the limit, in standard uncertainties, that proves the worst of several values nonconforming.

        The Sidak correction keeps the risk of one false claim among all values at that of z.

        Args:
            looked_at: number of values that the worst was chosen from, >= 1.

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
