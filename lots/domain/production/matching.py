"""Which lots and spools may share a job: every pair must match, since A like B and B like C does not make A like C."""

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
    """The colour that stands for a spool: its own mean, or that of its lot.

    Args:
        lot: name of its lot.
        lab: the mean; None where the lot was never measured.
        spool: its code; "" for any spool of the lot.
        sd: standard deviations between the lot's spools, where the lot's mean stands for a spool that was not measured; else None.
        known: False where the lot's mean stands for it and differences between its spools are not known, since one spool was measured.
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
        """Returns what stands for a spool.

        Args:
            lot, spool: their names.
            own: what is kept of its own colour, None where it was not measured.
            mean: of its lot.
            between: how far the lot's spools lie apart; None for a lot that was judged before that was kept, which is taken as it is.
        """
        if own is not None:
            return cls(lot, Lab(*own["lab"]), spool)
        return cls(lot, mean, spool, between.sd if between else None, between is None or between.sd is not None)

    def allowance(self, limits: ColorLimits) -> float:
        """Returns by how much it may differ from the colour that stands for it, root mean square, in the formula of the limits."""
        return 0.0 if self.lab is None or self.sd is None else allowance(self.lab, self.sd, limits)


@dataclass(frozen=True, slots=True)
class PairMatch:
    """Colour difference of two that would stand in one job. `within` is None where it could not be told: a mean is missing, or as `says` has it.

    `lot` names the reference, `of` the lot that is compared with it; `spool` and `of_spool` are their spools, "" for any of the lot.
    `allowance` is the part of the difference that stands for spools which were not measured. `unknown` names lots that do not show how far their
    spools differ, although such a spool of them is compared.
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
    mine: SpoolColor, others: Sequence[tuple[SpoolColor, float | None]], limits: ColorLimits
) -> list[PairMatch]:
    """Returns how the colour of a spool lies to those already used in a job.

    A spool that was not measured may lie anywhere about its lot's mean, so that its difference is the root of the squared difference of the
    means and of the squared allowance for what spools of its lot differ by. That is the root mean square difference to expect.

    Args:
        mine: the spool or the lot in hand.
        others: (colour, its own limit within one job) of the others, in the order to be shown. The stricter of two lots' limits
            decides, so that it does not matter which of them came to the job first.
        limits: formula, weights and limit within one job of the lot in hand; without a limit on either side no match is asked for.

    Returns:
        One PairMatch per other. The difference is that of the one in hand from the other.

    Reference:
        Two lots 0.7 from a reference can be 1.4 from each other; each pair is compared directly. The mean of a squared difference is the
        square of the mean difference and the variance (any statistics handbook); taking it for the spool is common practice, no source.
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


def worse(*pairs: PairMatch) -> PairMatch:
    """Returns the comparison that speaks most against two: not within, then not known, then the larger difference.

    Two lots compared both ways may differ in formula and limit; where neither was there first, both ways must match.
    """
    order = {False: 0, None: 1, True: 2}
    return min(pairs, key=lambda pair: (order[pair.within], -(pair.delta_e or 0.0)))
