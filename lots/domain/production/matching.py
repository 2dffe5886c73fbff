"""Which lots may share a job: every pair must match, since A like B and B like C does not make A like C."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_difference import components
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule, Limit


@dataclass(frozen=True, slots=True)
class PairMatch:
    """Colour difference between two lots' means. `within` is None where it could not be told: a mean is missing, or as `says` has it.

    `lot` names the reference, `of` the lot that is compared with it.
    """

    lot: str
    delta_e: float | None
    limit: float | None
    within: bool | None
    direction: str = ""
    of: str = ""
    says: str = ""


def within_one_job(*limits: ColorLimits) -> float | None:
    """Returns the largest colour difference that lots judged under these limits may have within one job, None where none of them asks.

    It is the `job_pair_max` of a revision, or its `step_max` where the revision does not name one. The strictest of several revisions
    decides, so that it does not matter which lot came to the job first.

    Example:
        >>> within_one_job(ColorLimits(step_max=0.5), ColorLimits(step_max=0.4, job_pair_max=0.8))
        0.5
    """
    asked = [each.step_max if each.job_pair_max is None else each.job_pair_max for each in limits]
    return min((most for most in asked if most is not None), default=None)


def match_pairs(
    lab: Lab | None, others: Sequence[tuple[str, Lab | None, float | None]], limits: ColorLimits, of: str = ""
) -> list[PairMatch]:
    """Returns how a lot's mean colour lies to each of the lots already used in a job.

    Args:
        lab: mean of the lot in hand, None when its colour was never measured.
        others: (name, mean, its own limit within one job) of the other lots, in the order to be shown. The stricter of two lots' limits
            decides, so that it does not matter which of them came to the job first.
        limits: formula, weights and limit within one job of the lot in hand; without a limit on either side no match is asked for.
        of: name of the lot in hand.

    Returns:
        One PairMatch per other lot. The difference is that of the lot in hand from the other.

    Reference:
        Two lots 0.7 from a reference can be 1.4 from each other; each pair is compared directly.
    """
    mine = within_one_job(limits)
    pairs = []
    for name, other, theirs in others:
        asked = [most for most in (mine, theirs) if most is not None]
        most = min(asked) if asked else None
        if lab is None or other is None:
            pairs.append(PairMatch(name, None, most, None if asked else True, of=of))
            continue
        difference = limits.delta_e(other, lab)
        within = most is None or Limit(None, most).allows(difference)
        pairs.append(PairMatch(name, difference, most, within, components(other, lab).direction, of))
    return pairs


def across_instruments(pair: PairMatch, uncertainty: float, says: str) -> PairMatch:
    """Returns a match of two lots that were read with different instruments: a mismatch that the instruments alone may explain cannot be told.

    Args:
        pair: as it was read.
        uncertainty: standard uncertainty of the difference that comes from the instruments, >= 0.
        says: why, and what to do.

    Notes:
        A match stays a match. Beyond 1.645 standard uncertainties a mismatch stays one.

    Reference:
        This project's rule, no source.

    Example:
        >>> across_instruments(PairMatch("L-1", 0.8, 0.5, False), 0.6, "read apart").within is None
        True
    """
    if pair.within is not False or pair.delta_e is None or pair.limit is None:
        return pair
    if pair.delta_e - pair.limit > DecisionRule().z * uncertainty + BINARY_NOISE:
        return pair
    return replace(pair, within=None, says=says)


def worse(one: PairMatch, other: PairMatch) -> PairMatch:
    """Returns the comparison that speaks more against two lots: not within, then not known, then the larger difference.

    Two lots compared both ways may differ in formula and limit; where neither was there first, both ways must match.
    """
    order = {False: 0, None: 1, True: 2}
    return min(one, other, key=lambda pair: (order[pair.within], -(pair.delta_e or 0.0)))
