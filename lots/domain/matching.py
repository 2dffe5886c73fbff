"""Which lots may share a job: every pair must match, since A like B and B like C does not make A like C."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.color import components
from lots.domain.limits import Limit
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


def match_pairs(
    lab: Lab | None, others: Sequence[tuple[str, Lab | None, float | None]], limits: ColorLimits
) -> list[PairMatch]:
    """Returns how a lot's mean colour lies to each of the lots already used in a job.

    Args:
        lab: mean of the lot in hand, None when its colour was never measured.
        others: (name, mean, its own step_max) of the other lots, in the order to be shown. The stricter of two lots' limits decides, so
            that it does not matter which of them came to the job first.
        limits: formula, weights and `step_max`, the largest difference two lots of one job may have; None asks for no match.

    Returns:
        One PairMatch per other lot. The difference is that of the lot in hand from the other.

    Reference:
        Two lots 0.7 from a reference can be 1.4 from each other; each pair is compared directly.
    """
    pairs = []
    for name, other, theirs in others:
        asked = [most for most in (limits.step_max, theirs) if most is not None]
        most = min(asked) if asked else None
        if lab is None or other is None:
            pairs.append(PairMatch(name, None, most, None if asked else True))
            continue
        difference = limits.delta_e(other, lab)
        within = most is None or Limit(None, most).allows(difference)
        pairs.append(PairMatch(name, difference, most, within, components(other, lab).direction))
    return pairs
