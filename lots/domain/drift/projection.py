"""Projection of a trend line to the limit: the lot that reaches it, with an interval."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lots.domain.conformity.limits import BINARY_NOISE, Limit

if TYPE_CHECKING:
    import numpy as np

    from lots.domain.drift.control_charts import Series

# Least lots for a line, so that its residual standard deviation has enough degrees of freedom. Common practice, no source.
LEAST_LOTS = 5
# Most lots ahead for a projection. Common practice, no source.
FARTHEST = 50


@dataclass(frozen=True, slots=True)
class Projection:
    """A straight line through lots numbered `first` to `last`, and its intersection with a limit.

    `slope` is per lot, with confidence limits `slope_low` and `slope_high`. `about` is the first lot whose expected value is at or beyond the limit;
    `earliest` the first lot whose prediction interval reaches it, `latest` the first whose whole interval is beyond it. Each is None
    where that is more than FARTHEST lots ahead, or never. Where the line has already reached the limit, `about` is the last lot and the
    other two are None. `says` is the result in words.
    """

    slope: float
    slope_low: float
    slope_high: float
    scatter: float
    first: int
    last: int
    limit: float | None
    about: int | None
    earliest: int | None
    latest: int | None
    says: str


def project(values: Series, first: int, limit: Limit | None, unit: str, confidence: float = 0.95) -> Projection | None:
    """Returns the projection of lots along a straight line to their limit; None for fewer than LEAST_LOTS.

    Args:
        values: one per lot, consecutive lots of the moving stretch.
        first: the number of the first of these lots in its series, from 1.
        limit: limit of the values, None for no limit.
        unit: of the values, for the words.
        confidence: of the slope's interval and of the prediction interval of a single further lot.

    Notes:
        The interval of the crossing is that of inverse prediction: all lots whose prediction interval includes the limit. A further lot at the
        limit is therefore within [earliest, latest] with the stated confidence. Lots are taken as independent about the line, and the line as
        continuing.

    Reference:
        Draper and Smith 1998, Applied Regression Analysis, 3rd ed., 3.1 (prediction) and 3.2 (inverse regression), from memory.

    Example:
        >>> found = project([0.00, 0.08, 0.17, 0.24, 0.32, 0.41], 1, Limit(None, 1.0), "")
        >>> round(found.slope, 3), found.about, found.earliest, found.latest
        (0.081, 14, 13, 14)
    """
    import numpy as np

    n = len(values)
    if n < LEAST_LOTS:
        return None
    t, y = np.arange(n, dtype=float), np.asarray(values, dtype=float)
    middle, spread = (n - 1) / 2, n * (n * n - 1) / 12
    slope = float(((t - middle) * y).sum() / spread)
    level = float(y.mean())
    scatter = math.sqrt(max(0.0, float(((y - level - slope * (t - middle)) ** 2).sum())) / (n - 2))
    wide = _student(confidence, n - 2)
    half = wide * scatter / math.sqrt(spread)
    base = Projection(slope, slope - half, slope + half, scatter, first, first + n - 1, None, None, None, None, "")
    return _with_limit(base, limit, unit, level, middle, spread, n, wide)


def _with_limit(
    base: Projection, limit: Limit | None, unit: str, level: float, middle: float, spread: float, n: int, wide: float
) -> Projection:
    import numpy as np

    def said(text: str, **more: float | int | None) -> Projection:
        return Projection(**{**{name: getattr(base, name) for name in base.__slots__}, **more, "says": text})

    # Equal values may have a slope from rounding.
    if base.slope_low <= 0 <= base.slope_high or abs(base.slope) * n <= BINARY_NOISE:
        return said("No projection, because the slope is not significant.")
    end = None if limit is None else limit.high if base.slope > 0 else limit.low
    if end is None:
        return said("No projection, because there is no limit in the direction of the trend.")
    of_unit = f" {unit}" if unit else ""
    toward = 1.0 if base.slope > 0 else -1.0
    ahead = np.arange(n, n + FARTHEST, dtype=float)
    line = level + base.slope * (ahead - middle)
    interval = wide * base.scatter * np.sqrt(1 + 1 / n + (ahead - middle) ** 2 / spread)
    if (level + base.slope * (n - 1 - middle) - end) * toward >= -BINARY_NOISE:
        return said(f"The limit of {end:g}{of_unit} has been reached.", limit=end, about=base.last)

    def first_beyond(edge: np.ndarray) -> int | None:
        beyond = np.flatnonzero((edge - end) * toward >= -BINARY_NOISE)
        return base.last + 1 + int(beyond[0]) if beyond.size else None

    about = first_beyond(line)
    earliest, latest = first_beyond(line + toward * interval), first_beyond(line - toward * interval)
    found = {"limit": end, "about": about, "earliest": earliest, "latest": latest}
    if earliest is None:
        return said(f"At this slope the limit of {end:g}{of_unit} is more than {FARTHEST} lots away.", **found)
    until = f"and lot {latest}" if latest is not None else f"and beyond lot {base.last + FARTHEST}"
    span = f"between lot {earliest} {until}" if earliest != latest else "the interval includes no other lot"
    at = f"about lot {about}" if about is not None else f"a lot beyond {base.last + FARTHEST}"
    return said(f"At this slope the limit of {end:g}{of_unit} is reached at {at} ({span}).", **found)


def _student(confidence: float, df: int) -> float:
    """Returns the two-sided quantile of Student's t."""
    from scipy.special import stdtrit

    return float(stdtrit(df, (1 + confidence) / 2))
