"""Shrinkage of printed coupons, separately per axis."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import linear_regression

from lots.domain.characteristics.declaring.estimate import OWN, Estimate, Instrument, as_known
from lots.domain.characteristics.declaring.figures import by_spool
from lots.domain.characteristics.declaring.limit_fields import FEWEST
from lots.domain.characteristics.declaring.origin import UNKNOWN, Origin
from lots.domain.characteristics.shrinkage.separation import (
    ASSUMED_CALIPER_MM,
    LENGTHS_NEEDED,
    SEPARATED,
    Basis,
    SeparationRule,
    enough_lengths,
    measured_on,
)
from lots.domain.conformity.limits import Limit
from lots.domain.uncertainty.budget import Uncertainty, estimated
from lots.domain.uncertainty.nested_means import with_instrument

AXES = ("x", "y", "z")
# Standard uncertainty that another printer adds to shrinkage, %: printers differ by 0.1 to 0.2 %. Common practice, no source.
BETWEEN_PRINTERS = 0.15

# Before version 3 of the rules, scale and bead offset are separated where signed lengths differ by this part of the longest.
# This project's rule, no source.
_LEAST_SPREAD = 0.1


@dataclass(frozen=True, slots=True)
class ShrinkTest:
    """One length of one coupon.

    Args:
        spool: spool it was printed from.
        axis: "x", "y" or "z".
        feature: "outside" (a wide bead makes it longer) or "inside" (makes it shorter).
        designed_mm: length in the model, mm, > 0.
        measured_mm: length of the part, mm, > 0.
        age_h: hours since printing, >= 0.
        printer: its printer, None if not stated.
        uncertainty: standard uncertainty of the length, mm, None if unknown.
        resolution: smallest displayed step of the caliper, mm, None if unknown.
    """

    spool: str
    axis: str
    feature: str
    designed_mm: float
    measured_mm: float
    age_h: float
    printer: str | None = None
    uncertainty: float | None = None
    resolution: float | None = None
    origin: Origin = UNKNOWN

    @property
    def percent(self) -> float:
        """The shrinkage of this length, %, positive for a short part. It includes any bead offset."""
        return shrinkage_percent(self.designed_mm, self.measured_mm)


def shrinkage_percent(designed_mm: float, measured_mm: float) -> float:
    """Returns 100 (designed - measured) / designed, %, positive for a short part.

    Reference:
        ISO 294-4 (definition of moulding shrinkage). Its use on printed coupons is a shop method.

    Example:
        >>> round(shrinkage_percent(100, 99.6), 9)
        0.4
    """
    return 100 * (designed_mm - measured_mm) / designed_mm


def scale_factor(percent: float) -> float:
    """Returns 1 / (1 - S), the scale of a model for a part of the designed size.

    Args:
        percent: shrinkage S in %, < 100.

    Example:
        >>> round(scale_factor(0.4), 12)
        1.004016064257
    """
    return 1 / (1 - percent / 100)


@dataclass(frozen=True, slots=True)
class AxisSummary:
    """Shrinkage along one axis.

    Args:
        percent: shrinkage, %, without the bead where `separated`, else the mean of the single shrinkages, which includes it.
        offset_mm: bead offset, mm; None where not separated.
        n: number of tests.
        uncertainty: of `percent`, %; None when unknown.
        of: from version 3 of the rules: `SEPARATED`, or features and lengths in words.
        to_separate: action needed to separate the bead; "" where separated or not required.
        uncertain: shrinkage and offset from the line fit, where its slope is too uncertain for the limits.
    """

    percent: float
    offset_mm: float | None
    n: int
    uncertainty: Uncertainty | None
    of: str = ""
    to_separate: str = ""
    uncertain: AxisSummary | None = None

    @property
    def separated(self) -> bool:
        """True when `percent` is that of the material, without the bead."""
        return self.offset_mm is not None


def summarise_axis(
    tests: Sequence[ShrinkTest], apart: SeparationRule | None = None, estimate: Estimate = OWN
) -> AxisSummary | None:
    """Returns the shrinkage along one axis, or None without tests.

    A bead wider than planned makes outside lengths longer by an offset e and inside lengths shorter by the same e:
    measured = designed (1 - s) + e outside, designed (1 - s) - e inside. With the sign of the feature moved to the length, both are one
    line, sign x measured = (1 - s) (sign x designed) + e. Least squares gives s and e where two signed lengths differ. With one
    length they cannot be separated: the result is the mean of the single shrinkages, without an offset.

    Args:
        tests: of one axis only.
        apart: the rule for separating the two; None: the rule before version 3.
        estimate: method and earlier data for the uncertainty.

    Reference:
        Ordinary least squares, any textbook; ISO 294-4 for the definition of shrinkage.

    Example:
        >>> two = [ShrinkTest("S", "x", "outside", d, d * 0.997 + 0.1, 24) for d in (20, 100)]
        >>> found = summarise_axis(two)
        >>> round(found.percent, 9), round(found.offset_mm, 9)
        (0.3, 0.1)
    """
    if not tests:
        return None
    lengths = [t.designed_mm if t.feature == "outside" else -t.designed_mm for t in tests]
    if apart is None:
        alike = max(lengths) - min(lengths) < _LEAST_SPREAD * max(map(abs, lengths))
        return _singles(tests, estimate) if alike else _line(tests, lengths, estimate)[0]
    if apart.basis == "part":
        return replace(_singles(tests, estimate), of=measured_on(tests))
    if not enough_lengths(tests):
        return replace(_singles(tests, estimate), of=measured_on(tests), to_separate=LENGTHS_NEEDED)
    found, noise, spread = _line(tests, lengths, estimate)
    if lacking := apart.lacking(noise, spread):
        return replace(_singles(tests, estimate), of=measured_on(tests), to_separate=lacking, uncertain=found)
    return replace(found, of=SEPARATED)


def _singles(tests: Sequence[ShrinkTest], estimate: Estimate) -> AxisSummary:
    """Returns the mean of the single shrinkages."""
    by = Instrument.of(tests, 100 / min(t.designed_mm for t in tests))
    singles = [t.percent for t in tests]
    groups = [[[test.percent] for test in some] for some in by_spool(tests).values()]
    u = estimate.of_lot((f"shrinkage.{tests[0].axis}",), groups, by, by_reading=True)
    return AxisSummary(math.fsum(singles) / len(singles), None, len(singles), u[0] if u else None)


def _line(
    tests: Sequence[ShrinkTest], lengths: Sequence[float], estimate: Estimate
) -> tuple[AxisSummary, float, float]:
    """Returns shrinkage and bead offset by least squares, the noise of one length, mm, and the root sum of squares of lengths, mm."""
    n, by = len(tests), Instrument.of(tests)
    measured = [t.measured_mm if t.feature == "outside" else -t.measured_mm for t in tests]
    slope, offset = linear_regression(lengths, measured)
    middle = math.fsum(lengths) / n
    spread = math.fsum((x - middle) ** 2 for x in lengths)
    residuals = [y - slope * x - offset for x, y in zip(lengths, measured, strict=True)]
    scatter = math.sqrt(math.fsum(one * one for one in residuals) / (n - 2)) if n > 2 else None
    per_mm = 100 / math.sqrt(spread)
    by_resolution = None if scatter is None or by.resolution is None else by.resolution / math.sqrt(12)
    noise = max((s for s in (scatter, by.uncertainty, by_resolution) if s is not None), default=None)
    if not estimate.lengths:
        # The residuals include the noise of the caliper, so the larger of the two counts.
        shrinking = None if scatter is None or noise is None else min(per_mm * scatter, per_mm * noise)
        u = None if noise is None else as_known(per_mm * noise, shrinking)
    else:
        u = _of_slope(tests, residuals, scatter, per_mm, estimate)
    found = AxisSummary(100 * (1 - slope), offset, n, u)
    # Three lengths may lie on a line by chance, so a caliper without a stated uncertainty has an assumed one.
    least = 0.0 if by.uncertainty is not None else ASSUMED_CALIPER_MM
    return found, max(noise or 0.0, least), math.sqrt(spread)


def _of_slope(
    tests: Sequence[ShrinkTest], residuals: Sequence[float], scatter: float | None, per_mm: float, estimate: Estimate
) -> Uncertainty | None:
    """Returns the uncertainty of a shrinkage from a line fit: residuals, differences between spools, and caliper.

    Args:
        residuals: residual of each test, mm.
        scatter: standard deviation of the residuals, mm; None for two lengths.
        per_mm: change of shrinkage, %, per mm of standard deviation of a length.
    """
    by_line = (
        None if scatter is None else estimated(per_mm * scatter, len(tests) - 2, "spread of lengths about the line")
    )
    by = Instrument.of(tests)
    scaled = Instrument.of(tests, per_mm)
    found = with_instrument((by_line,) if by_line else None, scaled.uncertainty, scaled.resolution)
    if found is None:
        return None
    off = {id(test): 100 * one / test.designed_mm for test, one in zip(tests, residuals, strict=True)}
    groups = [[[off[id(test)]] for test in some] for some in by_spool(tests).values()]
    between = estimate.between_spools((f"shrinkage.{tests[0].axis}",), groups, by)
    return found[0] if between is None else found[0].beside(between[0])


@dataclass(frozen=True, slots=True)
class ShrinkageLimits:
    """Limits on shrinkage.

    Args:
        percent: [low, high] per axis, %.
        step_max_percent: largest step, %.
        tests_per_axis_min: fewest tests per axis.
        age_h: accepted ages, hours.
        basis: "part" for lengths as measured, "material" without the bead; None: without the bead where the lengths allow it.
        designed_mm: the only designed length that counts, mm; None for any.
        control_difference_max_percent: largest difference from the control of the same build, %.
    """

    percent: Mapping[str, tuple[float, float]]
    step_max_percent: float | None = None
    tests_per_axis_min: int = FEWEST
    age_h: tuple[float, float] | None = None
    basis: Basis | None = None
    designed_mm: float | None = None
    control_difference_max_percent: float | None = None

    def on(self, axis: str) -> Limit | None:
        """Returns the limit on shrinkage along an axis, %; None without one."""
        low, high = self.percent.get(axis, (None, None))
        return None if axis not in self.percent else Limit(low, high, "%")

    def counts(self, test: ShrinkTest) -> bool:
        """Returns whether the coupon has the required age and length. Shrinkage continues for a day (common practice, no source)."""
        return self.of_age(test) and self.of_length(test)

    def of_age(self, test: ShrinkTest) -> bool:
        """Returns whether the coupon was measured at an accepted age."""
        return self.age_h is None or self.age_h[0] <= test.age_h <= self.age_h[1]

    def of_length(self, test: ShrinkTest) -> bool:
        """Returns whether the coupon has the required designed length."""
        return self.designed_mm is None or math.isclose(test.designed_mm, self.designed_mm, rel_tol=1e-9)

    def apart(self, axis: str) -> SeparationRule:
        """Returns the rule for separating shrinkage and bead offset along an axis."""
        low, high = self.percent.get(axis, (None, None))
        return SeparationRule(None if low is None or high is None else (high - low) / 2, self.basis)


def summarise(
    tests: Sequence[ShrinkTest], apart: Callable[[str], SeparationRule] | None = None, estimate: Estimate = OWN
) -> dict[str, AxisSummary]:
    """Returns the summary of each axis with tests; `apart` returns the separation rule per axis, None: the rule before version 3."""
    by_axis = {
        axis: summarise_axis([t for t in tests if t.axis == axis], None if apart is None else apart(axis), estimate)
        for axis in AXES
    }
    return {axis: found for axis, found in by_axis.items() if found is not None}
