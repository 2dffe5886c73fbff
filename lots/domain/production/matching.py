"""Colour match of the lots and spools of one job. Every pair is compared, because matching is not transitive."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from lots.domain.characteristics.color.between_spools import Between, allowance
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_difference import components
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule, Limit


@dataclass(frozen=True, slots=True)
class SpoolColor:
    """Colour that represents a spool: its own mean, or the mean of its lot.

    Args:
        lot: name of its lot.
        lab: the mean; None where the lot was never measured.
        spool: its code; "" for any spool of the lot.
        sd: standard deviations between the lot's spools, where the lot's mean represents an unmeasured spool; else None.
        known: False where the lot's mean represents the spool and only one spool of the lot was measured.
    """

    lot: str
    lab: Lab | None
    spool: str = ""
    sd: tuple[float, ...] | None = None
    known: bool = True

    @classmethod
    def of(
        cls, lot: str, spool: str, own: Mapping[str, Any] | None, mean: Lab | None, between: Between | None
    ) -> SpoolColor:
        """Returns the colour that represents a spool.

        Args:
            lot, spool: their names.
            own: the stored mean colour of the spool, None where it was not measured.
            mean: of its lot.
            between: spread between the lot's spools; None for a lot assessed before it was stored, which gets no allowance.
        """
        if own is not None:
            return cls(lot, Lab(*own["lab"]), spool)
        return cls(lot, mean, spool, between.sd if between else None, between is None or between.sd is not None)

    def allowance(self, limits: ColorLimits) -> float:
        """Returns the root mean square difference of an unmeasured spool from the lot mean, in the formula of the limits."""
        return 0.0 if self.lab is None or self.sd is None else allowance(self.lab, self.sd, limits)


@dataclass(frozen=True, slots=True)
class PairMatch:
    """Colour difference of two lots or spools in one job. `within` is None where it is unknown: a mean is missing, or for the reason in `says`.

    `lot` names the reference, `of` the lot compared with it. `spool` and `of_spool` are their spools, "" for any spool of the lot.
    `allowance` is the part of the difference for unmeasured spools. `unknown` names the lots with an unmeasured spool in the comparison and
    an unknown spread between spools.
    """

    lot: str
    delta_e: float | None
    limit: float | None
    within: bool | None
    direction: str = ""
    of: str = ""
    says: str = ""
    spool: str = ""
    of_spool: str = ""
    allowance: float = 0.0
    unknown: tuple[str, ...] = ()

    @property
    def same_lot(self) -> bool:
        """True for two spools of one lot."""
        return self.lot == self.of and bool(self.spool)


def within_one_job(*limits: ColorLimits) -> float | None:
    """Returns the largest colour difference that lots under these limits may have within one job, None without such a limit.

    It is the `job_pair_max` of a revision, or its `step_max` where the revision does not name one. The strictest of several revisions
    decides, so the result does not depend on the order of loading.

    Example:
        >>> within_one_job(ColorLimits(step_max=0.5), ColorLimits(step_max=0.4, job_pair_max=0.8))
        0.5
    """
    asked = [each.step_max if each.job_pair_max is None else each.job_pair_max for each in limits]
    return min((most for most in asked if most is not None), default=None)


def match_pairs(
    mine: SpoolColor, others: Sequence[tuple[SpoolColor, float | None]], limits: ColorLimits
) -> list[PairMatch]:
    """Returns the match of a spool with each colour already used in a job.

    The colour of an unmeasured spool is uncertain about the lot mean. The difference is therefore the root of the squared difference of the
    means plus the squared allowances between spools: the expected root mean square difference.

    Args:
        mine: the spool or lot to be loaded.
        others: (colour, its own limit within one job) of the others, in the order to be shown. The stricter of two lots' limits
            decides, so the result does not depend on the order of loading.
        limits: formula, weights and limit within one job of `mine`; without a limit on either side every pair matches.

    Returns:
        One PairMatch per other, with the difference of `mine` from it.

    Reference:
        Two lots 0.7 from a reference can be 1.4 from each other; each pair is compared directly. The mean squared difference is the squared
        mean difference plus the variance (any statistics handbook); its use for a spool is common practice, no source.
    """
    own, pairs = within_one_job(limits), []
    for other, theirs in others:
        asked = [most for most in (own, theirs) if most is not None]
        most = min(asked) if asked else None
        named = PairMatch(other.lot, None, most, None, of=mine.lot, spool=other.spool, of_spool=mine.spool)
        if mine.lab is None or other.lab is None:
            pairs.append(replace(named, within=None if asked else True))
            continue
        apart = math.hypot(mine.allowance(limits), other.allowance(limits))
        difference = math.hypot(limits.delta_e(other.lab, mine.lab), apart)
        pairs.append(
            replace(
                named,
                delta_e=difference,
                within=most is None or Limit(None, most).allows(difference),
                direction=components(other.lab, mine.lab).direction,
                allowance=apart,
                unknown=tuple(dict.fromkeys(one.lot for one in (mine, other) if not one.known)),
            )
        )
    return pairs


def across_instruments(pair: PairMatch, uncertainty: float, says: str) -> PairMatch:
    """Returns a match of two lots measured with different instruments; a mismatch within the instruments' uncertainty becomes unknown.

    Args:
        pair: the match from the readings.
        uncertainty: standard uncertainty of the difference between the instruments, >= 0.
        says: the reason, and what to do.

    Notes:
        A match stays a match. Beyond 1.645 standard uncertainties a mismatch stays one.

    Reference:
        This project's rule, no source.

    Example:
        >>> across_instruments(PairMatch("L-1", 0.8, 0.5, False), 0.6, "Different instruments.").within is None
        True
    """
    if pair.within is not False or pair.delta_e is None or pair.limit is None:
        return pair
    if pair.delta_e - pair.limit > DecisionRule().z * uncertainty + BINARY_NOISE:
        return pair
    return replace(pair, within=None, says=says)


def worse(*pairs: PairMatch) -> PairMatch:
    """Returns the worst comparison: not within, then unknown, then the larger difference.

    Two lots compared both ways may differ in formula and limit. Without an order of loading, both ways must match.
    """
    order = {False: 0, None: 1, True: 2}
    return min(pairs, key=lambda pair: (order[pair.within], -(pair.delta_e or 0.0)))
