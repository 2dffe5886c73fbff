"""What is said of a delivery once it was logged: corrections, and counts of spools that are hard to believe."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

# What a correction may change of the delivery itself. The rest of its changes is of its spools and its lot.
FIELDS = ("order_ref", "received_at", "ordered_at", "due_at", "cost", "currency", "note", "sample")
# Changes of spools: code -> net mass before and after, so that added spools were none and withdrawn ones are none.
ADDED, WITHDRAWN, MASSES = "added", "withdrawn", "net_mass_g"

# More spools than these are asked about, as are more than so many times a supplier's usual number. Common practice, no source: a pallet
# holds some 200 boxes of 1 kg, and a digit typed twice or too many makes a count at least ten times as large.
MOST_UNASKED = 200
TIMES_USUAL = 10
# The usual number is the median of so many deliveries, the newest first; with fewer than the least nothing is usual yet.
USUAL_OF, USUAL_LEAST = 20, 3


@dataclass(frozen=True, slots=True)
class Correction:
    """A correction of a delivery.

    Args:
        changes: field -> (before, after).
        closes: True when it closes the delivery: none of it counts any more.
        reason: why, empty when nobody said.
    """

    changes: Mapping[str, Sequence[Any]]
    closes: bool = False
    reason: str = ""


def corrected(corrections: Iterable[Correction]) -> dict[str, Any] | None:
    """Returns what corrections make of a delivery: the present values of changed fields, `version`, and `closed` with the reason; None without one.

    Example:
        >>> corrected([Correction({"order_ref": ["PO 7", "PO 8"]}), Correction({"order_ref": ["PO 8", "PO 9"]})])
        {'version': 3, 'order_ref': 'PO 9'}
    """
    found: dict[str, Any] = {"version": 1}
    for one in corrections:
        found["version"] += 1
        found |= {name: after for name, (_, after) in one.changes.items() if name in FIELDS}
        if one.closes:
            found["closed"] = one.reason
    return found if found["version"] > 1 else None


def spools_before(spools: int, mass_g: float, later: Iterable[Correction]) -> tuple[int, float]:
    """Returns how many spools were held to have come, and their net mass in g, before some corrections.

    Args:
        spools, mass_g: after them.
        later: the corrections.

    Example:
        >>> spools_before(2, 1750.0, [Correction({"added": [{}, {"B": 1000.0}]}), Correction({"net_mass_g": [{"A": 1000.0}, {"A": 750.0}]})])
        (1, 1000.0)
    """
    for one in later:
        for name in (ADDED, WITHDRAWN, MASSES):
            before, after = one.changes.get(name, ({}, {}))
            spools += len(before) - len(after)
            mass_g += sum(before.values()) - sum(after.values())
    return spools, mass_g


def doubt_count(spools: int, earlier: Sequence[int]) -> str:
    """Returns why a number of spools is hard to believe, in words; "" when it is not.

    Args:
        spools: of the delivery that is logged.
        earlier: of the supplier's deliveries, the newest first; no more than USUAL_OF are looked at.

    Reference:
        Common practice, no source.

    Example:
        >>> doubt_count(800, [8, 10, 6])
        '800 spools are more than 10 times the usual 8 of this supplier.'
        >>> doubt_count(80, [8, 10, 6]), doubt_count(200, [])
        ('', '')
    """
    if len(earlier) >= USUAL_LEAST and spools > TIMES_USUAL * (usual := median(earlier[:USUAL_OF])):
        return f"{spools} spools are more than {TIMES_USUAL} times the usual {usual:g} of this supplier."
    return f"{spools} spools are more than {MOST_UNASKED} in one delivery." if spools > MOST_UNASKED else ""
