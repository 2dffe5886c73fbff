"""What there is to pick from: lots and the spools of them that may be loaded."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from lots.domain.colorimetry.color_values import Lab

# Masses are added as whole micrograms, far below any scale: the same spools give the same sum in whichever order they are added.
MICROGRAMS = 1_000_000


@dataclass(frozen=True, slots=True)
class StockSpool:
    """A spool that may be loaded: grams of filament left on it (>= 0), whether it was opened, and when it came (with an offset from UTC)."""

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
    """A lot that may be used: its mean colour, None where none was measured, when it came, and its spools.

    `colors` are the colours that its spools stand for, each with the allowance for what an unmeasured spool may differ by; none stands for the
    mean alone.
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
        """Filament on all its spools, in whole micrograms."""
        return sum(micrograms(spool.mass_g) for spool in self.spools)


def _refuse_naive(what: str, received_at: datetime) -> None:
    if received_at.tzinfo is None:
        raise ValueError(f"received_at of {what} is {received_at!r}; it must have an offset from UTC")


def micrograms(mass_g: float) -> int:
    """Returns a mass in whole micrograms."""
    return round(mass_g * MICROGRAMS)
