"""Bias of an instrument against reference values, and linearity: whether the bias is the same over the range."""

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
    """A tile, a gauge pin or a plaque of known value, and what the instrument read on it.

    Args:
        code: its name.
        reference: its known value, any unit.
        readings: of the instrument, in the same unit, at least two, each with the artefact placed anew.

    Raises:
        ValueError: fewer readings, or a number that is not finite.
    """

    code: str
    reference: float
    readings: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.readings) < 2:
            raise ValueError(f"artefact {self.code!r} needs at least 2 readings, got {len(self.readings)}")
        if not all(map(math.isfinite, (self.reference, *self.readings))):
            raise ValueError(f"reference value and readings of artefact {self.code!r} must be numbers")

    @property
    def biases(self) -> tuple[float, ...]:
        """Each reading less the reference value; positive: the instrument reads too high."""
        return tuple(reading - self.reference for reading in self.readings)


@dataclass(frozen=True, slots=True)
class Estimate:
    """An estimate with Student's t test of whether its true value may be 0.

    Args:
        value: the estimate.
        standard_error: of it, >= 0, in its unit.
        df: degrees of freedom of the standard error, >= 1.
        interval: for the true value.
        t: value over standard error; None where nothing scatters, so that there is nothing to judge by.
        p: probability of a t as far from 0 by chance, 0..1; None where t is.
    """

    value: float
    standard_error: float
    df: int
    interval: Interval
    t: float | None
    p: float | None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and self.standard_error >= 0 and self.df >= 1):
            raise ValueError(f"an estimate needs a number, an error >= 0 and a degree of freedom, got {self!r}")


def _estimate(value: float, standard_error: float, df: int, confidence: float) -> Estimate:
    half = student(df, confidence) * standard_error
    t = value / standard_error if standard_error > BINARY_NOISE else None
    p = None if t is None else student_p(t, df)
    return Estimate(value, standard_error, df, Interval(value - half, value + half, confidence), t, p)


def bias(artefact: Artefact, confidence: float = 0.95) -> Estimate:
    """Returns the instrument's bias on one artefact, from the scatter of its readings there.

    Args:
        artefact: with its readings.
        confidence: of the interval, 0 < confidence < 1.

    Returns:
        Positive: the instrument reads too high.

    Notes:
        The reference value is taken as exact. Where its certificate states an uncertainty, a bias within that is none.

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
    """The line that bias follows over reference values: bias = intercept + slope * reference.

    Args:
        slope: change of bias per unit of the reference value; positive: the instrument reads ever higher.
        intercept: bias at a reference value of 0, which may lie outside the range.
        average: bias averaged over all readings.
        residual_sd: standard deviation of single biases about the line, in the unit, >= 0.
        r_squared: share of the variation of bias that the line explains, 0..1; None where bias never varies.
        lack_of_fit_p: probability that the artefacts' mean biases lie as far from the line by chance, 0..1; small: bias is no line over the
            range. None for two reference values, or where repeats never differ.
        biases: one per artefact, as given, each with its own scatter.
        low, high: smallest and largest reference value.
        n: readings, all together.
        mean_reference, spread: mean of the reference values, each counted as often as it was read, and their sum of squares about it.
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
        """Returns the bias on the line at a reference value, with the confidence band there.

        Args:
            reference: within the range that was studied.

        Raises:
            ValueError: it lies outside: the line says nothing there.

        Notes:
            The band holds the line at one value with the stated confidence, not at all values together.
        """
        if not self.low <= reference <= self.high:
            raise ValueError(f"{reference!r} lies outside the reference values studied, {self.low:g} to {self.high:g}")
        error = self.residual_sd * math.sqrt(1 / self.n + (reference - self.mean_reference) ** 2 / self.spread)
        value = self.intercept.value + self.slope.value * reference
        return _estimate(value, error, self.n - 2, self.confidence)


def linearity(artefacts: Sequence[Artefact], confidence: float = 0.95) -> Linearity:
    """Returns the regression of single biases on reference values, with tests of slope, intercept and average bias.

    Args:
        artefacts: with at least two different reference values; common practice (no source) asks for five over the range, each read ten times or more.
        confidence: of intervals and band, 0 < confidence < 1.

    Raises:
        ValueError: fewer different reference values.

    Notes:
        Least squares, normal scatter that is alike over the range, reference values exact. The average bias belongs to these artefacts, so
        its error comes from repeats alone, pooled over artefacts, and not from how bias differs between them. An instrument is linear where
        the slope may be 0, and unbiased where the band holds 0 all over the range.

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
        raise ValueError("linearity needs at least two artefacts of different reference value")
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
    """Sum of squares of biases about their mean at each reference value, and its degrees of freedom."""
    at: dict[float, list[float]] = {}
    for x, y in points:
        at.setdefault(x, []).append(y)
    means = {x: fmean(values) for x, values in at.items()}
    return math.fsum((y - means[x]) ** 2 for x, y in points), len(points) - len(at)


def _lack_of_fit(about_line: float, df: int, pure: float, pure_df: int) -> float | None:
    """The F test of what the line leaves beyond repeats."""
    if df == pure_df or pure <= pure_df * BINARY_NOISE**2:
        return None
    more, more_df = max(0.0, about_line - pure), df - pure_df
    return f_p(more / more_df / (pure / pure_df), more_df, pure_df)
