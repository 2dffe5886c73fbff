"""Corrections of a logged delivery, and implausible numbers of spools."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

# Fields of the delivery itself that a correction may change; its other changes concern spools and lot.
FIELDS = ("order_ref", "received_at", "ordered_at", "due_at", "cost", "currency", "note", "sample")
# Changes of spools: code -> net mass before and after; empty before for added spools, empty after for withdrawn ones.
ADDED, WITHDRAWN, MASSES = "added", "withdrawn", "net_mass_g"

# More spools than this, or this multiple of a supplier's usual number, require a confirmation. Common practice, no source: a pallet holds
# some 200 boxes of 1 kg, and one digit too many makes a count at least ten times as large.
MOST_UNASKED = 200
TIMES_USUAL = 10
# The usual number is the median of the newest USUAL_OF deliveries; it requires at least USUAL_LEAST.
USUAL_OF, USUAL_LEAST = 20, 3


@dataclass(frozen=True, slots=True)
class Correction:
    """A correction of a delivery.

    Args:
        changes: field -> (before, after).
        closes: True when it closes the delivery, so that nothing of it counts.
        reason: in words, empty if not given.
    """

    changes: Mapping[str, Sequence[Any]]
    closes: bool = False
    reason: str = ""


def corrected(corrections: Iterable[Correction]) -> dict[str, Any] | None:
    """Returns the present values of corrected fields, `version`, and `closed` with its reason; None without a correction.

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
    """Returns the number of spools and their net mass in g before some corrections.

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
    """Returns the reason why a number of spools is implausible, in words; "" when it is plausible.

    Args:
        spools: of the delivery.
        earlier: of the supplier's deliveries, the newest first; at most USUAL_OF are used.

    Reference:
        Common practice, no source.

    Example:
        >>> doubt_count(800, [8, 10, 6])
        '800 spools are more than 10 times the usual number from this supplier (8).'
        >>> doubt_count(80, [8, 10, 6]), doubt_count(200, [])
        ('', '')
    """
    if len(earlier) >= USUAL_LEAST and spools > TIMES_USUAL * (usual := median(earlier[:USUAL_OF])):
        return f"{spools} spools are more than {TIMES_USUAL} times the usual number from this supplier ({usual:g})."
    return (
        f"{spools} spools are an unusual number for one delivery (more than {MOST_UNASKED})."
        if spools > MOST_UNASKED
        else ""
    )
