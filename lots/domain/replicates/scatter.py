"""Number of readings that a decision needs."""

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
    """The standard deviation of one reading.

    Args:
        sd: in the unit of the readings, > 0.
        df: degrees of freedom, >= 1; None for the instrument's stated repeatability, taken as known.

    Raises:
        ValueError: a number out of its range.
    """

    sd: float
    df: int | None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.sd) and self.sd > 0):
            raise ValueError(f"sd is {self.sd!r}; it must be a number above 0")
        if self.df is not None and self.df < 1:
            raise ValueError(f"df is {self.df!r}; it must be at least 1")


@dataclass(frozen=True, slots=True)
class Replicates:
    """The number of readings needed.

    Args:
        n: total, if the standard deviation is as estimated; None where no practical number is enough.
        sure: total that allows for the estimated standard deviation; None where impractical.
        noise: standard deviation of one reading over the available margin, from which `n` follows. None where either is unknown.
        says: the answer in words.
    """

    n: int | None
    sure: int | None
    noise: float | None
    says: str


def pooled_scatter(groups: Sequence[Sequence[float]], repeatability: float = 0.0) -> Scatter | None:
    """Returns the pooled standard deviation of one reading about its spool's mean, never below the instrument's repeatability.

    Args:
        groups: readings of one instrument on one grade, per spool (or plaque); groups of one are allowed and ignored.
        repeatability: standard deviation of the instrument's readings of one spot, from its own checks, in the unit of the readings, >= 0.

    Returns:
        None where no repeatability is given and no spool was measured twice, or all readings agree. Equal readings only show a coarse
        display, not zero noise.

    Raises:
        ValueError: a reading that is not finite, or a repeatability below 0.

    Notes:
        Assumes the same variance within every spool. The lower bound matters with few readings, which may agree by chance.

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


def _needed(scatter: Scatter | None, room: float, confidence: float, side: str) -> Replicates:
    """Returns the numbers for a margin of `room`."""
    if scatter is None:
        unknown = "The standard deviation of a reading is unknown. Measure a spool at least twice, or state the instrument's repeatability."
        return Replicates(None, None, None, unknown)
    noise = scatter.sd / room
    n = _least(noise, confidence)
    sure = _stein(noise, scatter.df, confidence)
    if n is None:
        return Replicates(
            None,
            sure,
            noise,
            f"More than {OUT_OF_REACH} readings would be needed, since the standard deviation of one is {noise:.3g} times the margin. Reduce the spread first.",
        )
    most = sure or f"more than {OUT_OF_REACH}"
    doubt = "" if sure == n else f" Stein's method for an estimated standard deviation needs {most}."
    says = f"{n} readings in all show with {100 * confidence:g} % confidence that a mean here is {side}.{doubt}"
    return Replicates(n, sure, noise, says)


def _least(noise: float, confidence: float) -> int | None:
    """Returns the least n >= 2 with t(n - 1) * noise / sqrt(n) <= 1; None beyond OUT_OF_REACH."""

    def fits(n: int) -> bool:
        return student(n - 1, confidence) * noise / math.sqrt(n) <= 1 + BINARY_NOISE

    # t falls and sqrt(n) rises with n, so the width decreases steadily.
    n = 2 + bisect_left(range(2, OUT_OF_REACH + 1), True, key=fits)
    return n if n <= OUT_OF_REACH else None


def _stein(noise: float, df: int | None, confidence: float) -> int | None:
    """Returns Stein's number of readings for an estimated standard deviation, at least 2; None beyond OUT_OF_REACH."""
    wanted = (student(math.inf if df is None else df, confidence) * noise) ** 2
    if wanted > OUT_OF_REACH:
        return None
    return max(math.ceil(wanted - BINARY_NOISE), 2)


def for_decision(
    mean: float, limit: Limit, scatter: Scatter | None, instrument: float = 0.0, confidence: float = 0.95
) -> Replicates:
    """Returns how many readings prove on which side of its limit a mean lies, if the mean does not change.

    Args:
        mean: as measured, in the limit's unit.
        limit: the limit.
        scatter: standard deviation of one reading, in the limit's unit; None when unknown, and then no number is given.
        instrument: the instrument's own standard uncertainty, which more readings do not reduce, in the limit's unit, >= 0.
        confidence: of the two-sided interval that must not reach the limit, 0 < confidence < 1.

    Returns:
        `n` is None when the instrument's own uncertainty covers the distance to the limit.

    Raises:
        ValueError: an argument out of its range.

    Notes:
        The margin is the distance to the nearest end of the limit, reduced in quadrature by the instrument's uncertainty at this confidence.
        The mean moves as readings are added, so the number is an estimate; compute it again with them.

        Both numbers are at least 2, since one reading shows no standard deviation. `n` is the least number whose confidence interval fits
        into the margin, with t at n - 1. `sure` takes t at the degrees of freedom of `sd`. `n` grows as the square of `noise`.

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
        return Replicates(None, None, None, "No number of readings can settle a mean that lies on its limit.")
    own = student(math.inf, confidence) * instrument
    if own >= distance:
        return Replicates(
            None,
            None,
            None,
            f"No number of readings can settle it: the mean is {distance:.2g} from its limit, within the instrument's uncertainty of {own:.2g}.",
        )
    room = math.sqrt((distance - own) * (distance + own))
    side = "inside" if limit.allows(mean) else "outside"
    return _needed(scatter, room, confidence, side)
