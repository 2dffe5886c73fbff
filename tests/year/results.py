"""How lots ended under a way of working, and what is counted of that."""

from __future__ import annotations

from dataclasses import dataclass, field

from tests.year.truth import Lot


@dataclass(frozen=True)
class Load:
    """A spool that was loaded: its mass, and whether it was nonconforming for its use."""

    spool: str
    use: str
    grams: float
    nonconforming: bool


@dataclass
class Outcome:
    """How one lot ended: use -> `released`, `held` or `refused`; what of it was loaded, and what it took.

    `reasons` are the findings that did not pass, by use, as (code, verdict). `by_finding` are the readings of further rounds by the finding that
    asked for them.
    """

    lot: Lot
    uses: dict[str, str]
    loads: list[Load]
    readings: int
    spools: int
    days: float
    refused_loads: int = 0
    rounds: int = 0
    reasons: dict[str, list[tuple[str, str]]] = field(default_factory=dict)
    by_finding: dict[str, int] = field(default_factory=dict)
    given_up: str = ""
