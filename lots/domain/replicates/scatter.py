"""How many readings a decision takes that they leave in no doubt."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.conformity.guard import OUT_OF_REACH
from lots.domain.conformity.limits import BINARY_NOISE, Limit
from lots.domain.statistics.quantiles import student


@dataclass(frozen=True, slots=True)
class Scatter:
    """The standard deviation of one reading, as readings show it.

    Args:
        sd: in the unit of the readings, > 0.
        df: degrees of freedom it rests on, >= 1; None where it is the instrument's stated repeatability, taken as known.

    Raises:
        ValueError: a number out of its range.
    """

    sd: float
    df: int | None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.sd) and self.sd > 0):
            raise ValueError(f"sd is {self.sd!r}; it must be a number above 0")
        if self.df is not None and self.df < 1:
            raise ValueError(f"df is {self.df!r}; scatter rests on at least 1 degree of freedom")


@dataclass(frozen=True, slots=True)
class Replicates:
    """How many readings are needed.

    Args:
        n: in all, those taken included, if the scatter is what it seems; None where no number is enough, or none that anybody takes.
        sure: so many keep the promise though the scatter itself is only estimated; None where that is out of reach.
        noise: scatter of one reading over the room that the mean has; what `n` follows from. None without room or scatter.
        says: the answer in a sentence.
    """

    n: int | None
    sure: int | None
    noise: float | None
    says: str


def pooled_scatter(groups: Sequence[Sequence[float]], repeatability: float = 0.0) -> Scatter | None:
    """Returns the scatter of one reading about its own spool's mean, over all spools, never below what the instrument can repeat.

    Args:
        groups: readings of one instrument on one grade, per spool (or plaque); those read once tell nothing and may be there.
        repeatability: standard deviation of the instrument's readings of one spot, from its own checks, in the unit of the readings, >= 0.

    Returns:
        None when no spool was read twice, or all readings agree, and no repeatability is given: then the scatter is not known. Readings that
        agree to the last digit shown say that the display is coarse, not that there is no noise.

    Raises:
        ValueError: a reading that is not finite, or a repeatability below 0.

    Notes:
        Spools may differ in their means but are taken to scatter alike. The floor matters with few readings: three that happen to agree
        would otherwise promise that one is enough.

    Reference:
        Pooled variance: sums of squares within groups over their degrees of freedom, NIST/SEMATECH e-Handbook 7.4.3.

    Example:
        >>> pooled_scatter([[1.0, 3.0], [7.0], [5.0, 5.0]])
        Scatter(sd=1.0, df=2)
        >>> pooled_scatter([[1.0, 1.0]], repeatability=0.02)
        Scatter(sd=0.02, df=None)
    """
    if not (math.isfinite(repeatability) and repeatability >= 0):
        raise ValueError(f"repeatability is {repeatability!r}; it must be a number, 0 or more")
    if not all(math.isfinite(value) for group in groups for value in group):
        raise ValueError("every reading must be a finite number")
    df = sum(len(group) - 1 for group in groups if group)
    apart = [value - math.fsum(group) / len(group) for group in groups for value in group]
    sd = math.hypot(*apart) / math.sqrt(df) if df else 0.0
    if sd <= max(repeatability, BINARY_NOISE):
        return Scatter(repeatability, None) if repeatability > 0 else None
    return Scatter(sd, df)


def _needed(scatter: Scatter | None, room: float, confidence: float, so_that: str) -> Replicates:
    """The numbers for a mean that may be off by `room`."""
    if scatter is None:
        unknown = "The scatter of a reading is not known: read a spool at least twice, or state what the instrument can repeat."
        return Replicates(None, None, None, unknown)
    noise = scatter.sd / room
    n = _least(noise, confidence)
    sure = _stein(noise, scatter.df, confidence)
    if n is None:
        return Replicates(
            None,
            sure,
            noise,
            f"More than {OUT_OF_REACH} readings would be needed: one scatters by {noise:.3g} times the room there is. Reduce the scatter first.",
        )
    doubt = (
        ""
        if sure == n
        else f"; {sure if sure else f'more than {OUT_OF_REACH}'} to be sure, since the scatter is itself an estimate"
    )
    return Replicates(n, sure, noise, f"{n} readings in all, so that {so_that} ({100 * confidence:g} %){doubt}.")


def _least(noise: float, confidence: float) -> int | None:
    """The least n, from 2 on, with t(n - 1) * noise / sqrt(n) no more than 1; None beyond OUT_OF_REACH."""

    def fits(n: int) -> bool:
        return student(n - 1, confidence) * noise / math.sqrt(n) <= 1 + BINARY_NOISE

    # t falls and sqrt(n) rises with n, so the width only shrinks.
    n = 2 + bisect_left(range(2, OUT_OF_REACH + 1), True, key=fits)
    return n if n <= OUT_OF_REACH else None


def _stein(noise: float, df: int | None, confidence: float) -> int | None:
    """The number that holds although the scatter is estimated: at least the pilot's own, at least 2; None beyond OUT_OF_REACH."""
    wanted = (student(math.inf if df is None else df, confidence) * noise) ** 2
    if wanted > OUT_OF_REACH:
        return None
    return max(math.ceil(wanted - BINARY_NOISE), 2)


def for_decision(
    mean: float, limit: Limit, scatter: Scatter | None, instrument: float = 0.0, confidence: float = 0.95
) -> Replicates:
    """Returns how many readings leave no doubt on which side of its limit a mean lies, if it stays where it is.

    Args:
        mean: as measured, in the limit's unit.
        limit: what it is held against.
        scatter: of one reading, in the limit's unit; None when it is not known, and then no number is given.
        instrument: the instrument's own standard uncertainty, which more readings do not reduce, in the limit's unit, >= 0.
        confidence: of the two-sided interval that must not reach the limit, 0 < confidence < 1.

    Returns:
        `n` None when the mean lies on its limit, or so near that the instrument's own uncertainty covers the distance: no number is enough.

    Raises:
        ValueError: an argument out of its range.

    Notes:
        The room is the distance to the nearest end of the limit, less, as a root of squares, the instrument's uncertainty at this confidence.
        The mean moves as readings are added, so the number is a plan, not a promise; ask again with them.

        Both numbers are at least 2, for one reading does not show its own scatter. `n` is the least number whose own confidence interval fits
        into the room, if its readings scattered by `sd`: t changes with n, so it is found step by step. `sure` takes t at the degrees of
        freedom that `sd` was estimated with. `n` grows as the square of `noise`, scatter over room.

    Reference:
        ASTM E1345 (from memory): enough readings that the decision is unambiguous. ASTM E122 (from memory): n = (t sd / room)^2, repeated.
        `sure`: Stein 1945, Ann. Math. Stat. 16, 243-258. Combining the two parts: JCGM 100:2008, 5.1.2.

    Example:
        >>> for_decision(0.8, Limit(None, 1.0), Scatter(0.2, 5)).n
        7
        >>> for_decision(1.0, Limit(None, 1.0), Scatter(0.2, 5)).n is None
        True
    """
    if not math.isfinite(mean):
        raise ValueError(f"mean is {mean!r}; it must be a number")
    if not (math.isfinite(instrument) and instrument >= 0):
        raise ValueError(f"instrument is {instrument!r}; it must be a number, 0 or more")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is {confidence!r}; it must be between 0 and 1")
    distance = abs(limit.margin(mean))
    if distance <= BINARY_NOISE:
        return Replicates(None, None, None, "The mean lies on its limit: no number of readings can settle it.")
    own = student(math.inf, confidence) * instrument
    if own >= distance:
        return Replicates(
            None,
            None,
            None,
            f"The mean is {distance:.2g} from its limit and the instrument's own uncertainty covers {own:.2g}: no number of readings can settle it.",
        )
    room = math.sqrt((distance - own) * (distance + own))
    side = "inside" if limit.allows(mean) else "outside"
    return _needed(scatter, room, confidence, f"a mean that stays here is clearly {side}")
