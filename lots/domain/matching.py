"""Which lots may share a job: every pair must match, since A like B and B like C does not make A like C."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.color import Components, components
from lots.domain.shade import ColorLimits
from lots.domain.values import Lab


@dataclass(frozen=True, slots=True)
class PairMatch:
    """Colour difference between two lots' means. `within` is None where it could not be told: a mean is missing."""

    lot: str
    delta_e: float | None
    limit: float | None
    within: bool | None
    direction: str = ""


def match_pairs(lab: Lab | None, others: Sequence[tuple[str, Lab | None]], limits: ColorLimits) -> list[PairMatch]:
    """Returns how a lot's mean colour lies to each of the lots already used in a job.

    Args:
        lab: mean of the lot in hand, None when its colour was never measured.
        others: (name, mean) of the other lots, in the order to be shown.
        limits: formula, weights and `step_max`, the largest difference two lots of one job may have; None asks for no match.

    Returns:
        One PairMatch per other lot. The difference is that of the lot in hand from the other.

    Reference:
        Two lots 0.7 from a reference can be 1.4 from each other; each pair is compared directly.
    """
    pairs = []
    for name, other in others:
        if lab is None or other is None:
            pairs.append(PairMatch(name, None, limits.step_max, None if limits.step_max is not None else True))
            continue
        difference = limits.delta_e(other, lab)
        within = limits.step_max is None or difference <= limits.step_max + 1e-10
        parts: Components = components(other, lab)
        pairs.append(PairMatch(name, difference, limits.step_max, within, parts.direction))
    return pairs
