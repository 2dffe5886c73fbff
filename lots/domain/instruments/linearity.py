"""Bias of an instrument against reference values, and its linearity: dependence of the bias on the value."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.statistics.proportions import Interval
from lots.domain.statistics.quantiles import f_p, student, student_p
from lots.domain.statistics.variance_components import lot_mean_interval


@dataclass(frozen=True, slots=True)
class Artefact:
    """Readings of an artefact of known value: a tile, a gauge pin or a plaque.

    Args:
        code: its name.
        reference: its reference value, any unit.
        readings: of the instrument, in the same unit, at least two, each with the artefact placed again.

    Raises:
        ValueError: fewer readings, or a number that is not finite.
    """

    code: str
    reference: float
    readings: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.readings) < 2:
            raise ValueError(f"artefact {self.code!r} requires at least 2 readings, got {len(self.readings)}")
        if not all(map(math.isfinite, (self.reference, *self.readings))):
            raise ValueError(f"reference value and readings of artefact {self.code!r} must be numbers")

    @property
    def biases(self) -> tuple[float, ...]:
        """Each reading minus the reference value; positive: the instrument reads too high."""
        return tuple(reading - self.reference for reading in self.readings)


@dataclass(frozen=True, slots=True)
class Estimate:
    """An estimate with its standard error and Student's t test against 0.

    Args:
        value: the estimate.
        standard_error: >= 0, in the unit of the value.
        df: degrees of freedom of the standard error, >= 1.
        interval: for the true value.
        t: value over standard error; None where the standard error is 0.
        p: two-sided p-value, 0..1; None where t is.
    """

    value: float
    standard_error: float
    df: int
    interval: Interval
    t: float | None
    p: float | None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and self.standard_error >= 0 and self.df >= 1):
            raise ValueError(f"an estimate requires a number, an error >= 0 and a degree of freedom, got {self!r}")


def _estimate(value: float, standard_error: float, df: int, confidence: float) -> Estimate:
    half = student(df, confidence) * standard_error
    t = value / standard_error if standard_error > BINARY_NOISE else None
    p = None if t is None else student_p(t, df)
    return Estimate(value, standard_error, df, Interval(value - half, value + half, confidence), t, p)


def bias(artefact: Artefact, confidence: float = 0.95) -> Estimate:
    """Returns the instrument's bias on one artefact, with its standard error from replicates.

    Args:
        artefact: with its readings.
        confidence: of the interval, 0 < confidence < 1.

    Returns:
        Positive: the instrument reads too high.

    Notes:
        The reference value is taken as exact. A bias within the uncertainty of its certificate is not significant.

    Reference:
        AIAG 2010, Measurement Systems Analysis, 4th edition, chapter III section B, independent sample method (from memory); Student's t,
        NIST/SEMATECH e-Handbook 1.3.5.2.

    Example:
        >>> found = bias(Artefact("tile", 5.0, (5.1, 5.2, 5.3)))
        >>> round(found.value, 3), round(found.t, 3), found.df
        (0.2, 3.464, 2)
    """
    mean, _, sd, n = lot_mean_interval(artefact.biases, confidence)
    return _estimate(mean, (sd or 0.0) / math.sqrt(n), n - 1, confidence)


@dataclass(frozen=True, slots=True)
class Linearity:
    """Regression of bias on reference values: bias = intercept + slope * reference.

    Args:
        slope: change of bias per unit of the reference value.
        intercept: bias at a reference value of 0, which may lie outside the range.
        average: bias averaged over all readings.
        residual_sd: residual standard deviation of single biases, in the unit, >= 0.
        r_squared: coefficient of determination, 0..1; None where bias never varies.
        lack_of_fit_p: p-value of the lack-of-fit test, 0..1; small: bias is not linear. None for two reference values, or where replicates never
            differ.
        biases: one per artefact, in the given order, each with its own standard error.
        low, high: smallest and largest reference value.
        n: total number of readings.
        mean_reference, spread: mean of the reference values over all readings, and their sum of squares about it.
        confidence: of every interval.
    """

    slope: Estimate
    intercept: Estimate
    average: Estimate
    residual_sd: float
    r_squared: float | None
    lack_of_fit_p: float | None
    biases: tuple[Estimate, ...]
    low: float
    high: float
    n: int
    mean_reference: float
    spread: float
    confidence: float

    def at(self, reference: float) -> Estimate:
        """Returns the fitted bias at a reference value, with its confidence band.

        Args:
            reference: within the range of the study.

        Raises:
            ValueError: a value outside the range.

        Notes:
            The band is pointwise, not simultaneous.
        """
        if not self.low <= reference <= self.high:
            raise ValueError(f"{reference!r} is outside the range of the study, {self.low:g} to {self.high:g}")
        error = self.residual_sd * math.sqrt(1 / self.n + (reference - self.mean_reference) ** 2 / self.spread)
        value = self.intercept.value + self.slope.value * reference
        return _estimate(value, error, self.n - 2, self.confidence)


def linearity(artefacts: Sequence[Artefact], confidence: float = 0.95) -> Linearity:
    """Returns the regression of single biases on reference values, with tests of slope, intercept and average bias.

    Args:
        artefacts: with at least two different reference values; five over the range, each measured at least ten times, is common practice, no
            source.
        confidence: of intervals and band, 0 < confidence < 1.

    Raises:
        ValueError: fewer different reference values.

    Notes:
        Least squares, normal errors of equal variance, exact reference values. The average bias refers to these artefacts, so its standard error
        is that of replicates alone, pooled over artefacts. An instrument is linear where the slope is not significant, and unbiased where the
        band includes 0 over the whole range.

    Reference:
        AIAG 2010, Measurement Systems Analysis, 4th edition, chapter III section B, guidelines for determining linearity (from memory). Lack of
        fit: NIST/SEMATECH e-Handbook 4.4.4.6.

    Example:
        >>> found = linearity([Artefact("low", 1.0, (1.0, 1.2)), Artefact("mid", 2.0, (2.1, 2.3)), Artefact("high", 3.0, (3.2, 3.4))])
        >>> round(found.slope.value, 3), round(found.average.value, 3), round(found.at(3.0).value, 3)
        (0.1, 0.2, 0.3)
    """
    known = [artefact.reference for artefact in artefacts]
    if not known or max(known) - min(known) <= BINARY_NOISE:
        raise ValueError("linearity requires at least two artefacts of different reference value")
    points = [(artefact.reference, found) for artefact in artefacts for found in artefact.biases]
    n = len(points)
    mean_x, mean_y = fmean(x for x, _ in points), fmean(y for _, y in points)
    spread = math.fsum((x - mean_x) ** 2 for x, _ in points)
    slope = math.fsum((x - mean_x) * (y - mean_y) for x, y in points) / spread
    about_line = math.fsum((y - mean_y - slope * (x - mean_x)) ** 2 for x, y in points)
    about_mean = math.fsum((y - mean_y) ** 2 for _, y in points)
    sd = math.sqrt(about_line / (n - 2))
    intercept_error = sd * math.sqrt(1 / n + mean_x**2 / spread)
    pure, pure_df = _repeats(points)
    return Linearity(
        slope=_estimate(slope, sd / math.sqrt(spread), n - 2, confidence),
        intercept=_estimate(mean_y - slope * mean_x, intercept_error, n - 2, confidence),
        average=_estimate(mean_y, math.sqrt(pure / pure_df / n), pure_df, confidence),
        residual_sd=sd,
        r_squared=1 - about_line / about_mean if about_mean > n * BINARY_NOISE**2 else None,
        lack_of_fit_p=_lack_of_fit(about_line, n - 2, pure, pure_df),
        biases=tuple(bias(artefact, confidence) for artefact in artefacts),
        low=min(x for x, _ in points),
        high=max(x for x, _ in points),
        n=n,
        mean_reference=mean_x,
        spread=spread,
        confidence=confidence,
    )


def _repeats(points: Sequence[tuple[float, float]]) -> tuple[float, int]:
    """Returns the pure-error sum of squares about the mean bias at each reference value, and its degrees of freedom."""
    at: dict[float, list[float]] = {}
    for x, y in points:
        at.setdefault(x, []).append(y)
    means = {x: fmean(values) for x, values in at.items()}
    return math.fsum((y - means[x]) ** 2 for x, y in points), len(points) - len(at)


def _lack_of_fit(about_line: float, df: int, pure: float, pure_df: int) -> float | None:
    """Returns the p-value of the F test for lack of fit against pure error."""
    if df == pure_df or pure <= pure_df * BINARY_NOISE**2:
        return None
    more, more_df = max(0.0, about_line - pure), df - pure_df
    return f_p(more / more_df / (pure / pure_df), more_df, pure_df)
