"""Stock for a pick: lots, and their spools that may be loaded."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from lots.domain.colorimetry.color_values import Lab

# Masses are added as whole micrograms, so that the sum does not depend on the order.
MICROGRAMS = 1_000_000


@dataclass(frozen=True, slots=True)
class StockSpool:
    """A spool that may be loaded: mass left in g (>= 0), opened or sealed, and its receipt (with an offset from UTC)."""

    code: str
    mass_g: float
    opened: bool
    received_at: datetime

    def __post_init__(self) -> None:
        if not math.isfinite(self.mass_g) or self.mass_g < 0:
            raise ValueError(f"mass_g of spool {self.code} is {self.mass_g!r}; it must be a number of at least 0")
        _refuse_naive(f"spool {self.code}", self.received_at)


@dataclass(frozen=True, slots=True)
class StockLot:
    """A lot that may be used: its mean colour (None if not measured), its receipt, and its spools.

    `colors` are the colours of its spools, each with the allowance for an unmeasured spool; empty means the lot mean alone.
    """

    id: int
    name: str
    lab: Lab | None
    received_at: datetime
    spools: tuple[StockSpool, ...]
    colors: tuple[tuple[Lab, float], ...] = ()

    def __post_init__(self) -> None:
        _refuse_naive(f"lot {self.name}", self.received_at)

    @property
    def mass_ug(self) -> int:
        """Mass on all its spools, in whole micrograms."""
        return sum(micrograms(spool.mass_g) for spool in self.spools)


def _refuse_naive(what: str, received_at: datetime) -> None:
    if received_at.tzinfo is None:
        raise ValueError(f"received_at of {what} is {received_at!r}; it must have an offset from UTC")


def micrograms(mass_g: float) -> int:
    """Returns a mass in whole micrograms."""
    return round(mass_g * MICROGRAMS)
