"""Outlier tests, and means with and without some values. Nothing is removed here."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.statistics.summaries import mean_uncertainty
from lots.domain.words import counted, plural

# Rosner's critical values are approximate: adequate from 15 values on, accurate from 25 on. The one for a single outlier is exact, but the
# test should not be used with six values or fewer (NIST/SEMATECH e-Handbook 1.3.5.17.3 and 1.3.5.17.1).
LEAST_VALUES = 15
LEAST_FOR_ONE = 7
# In a group of two both readings are equally far from the mean, so neither can be called the outlier.
LEAST_IN_GROUP = 3
# Most outliers to look for: one value in five, and no more than Rosner tabulated. Common practice, no source.
_ONE_IN, _MOST = 5, 10


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the test: the value furthest from the mean of the remaining values.

    Args:
        index: position of the value in the input, from 0.
        statistic: its distance from that mean in standard deviations, >= 0 (Rosner's R).
        critical: critical value of the statistic at the test's alpha (Rosner's lambda).
    """

    index: int
    statistic: float
    critical: float


@dataclass(frozen=True, slots=True)
class Outliers:
    """The result of an outlier test.

    Args:
        n: number of tested values: of several groups, those with at least LEAST_IN_GROUP.
        most: largest number of outliers looked for.
        alpha: probability of flagging anything when there is no outlier.
        steps: one per removed value, in that order; fewer than `most` where the rest are equal.
        flagged: indices of the outliers, furthest first; empty when `trusted` is False.
        trusted: whether there are enough values for the test.
        groups: number of groups, each with its own mean.
        left_out: number of values not tested, since their groups have fewer than LEAST_IN_GROUP.
    """

    n: int
    most: int
    alpha: float
    steps: tuple[Step, ...]
    flagged: tuple[int, ...]
    trusted: bool
    groups: int = 1
    left_out: int = 0

    @property
    def says(self) -> str:
        """The result in words."""
        if not self.trusted:
            free = f"{free_values(self.n, self.groups)} of at least {least_values(self.most)}"
            spent = ", less one for the mean of each further spool" if self.groups > 1 else ""
            aside = (
                f" {counted(self.left_out, 'value is', 'values are')} not tested, "
                f"because {plural(self.left_out, 'its spool has', 'their spools have')} fewer than {LEAST_IN_GROUP} readings."
            )
            return f"Too few values for an outlier test ({free}{spent}).{aside if self.left_out else ''}"
        found = len(self.flagged)
        count = counted(found, "outlier") if found else "No outlier"
        of = f"n = {self.n}{f' in {self.groups} spools' if self.groups > 1 else ''}"
        return f"{count} found (generalised ESD test, {of}, at most {counted(self.most, 'outlier')}, alpha = {self.alpha:.2g})."


def least_values(most: int) -> int:
    """Returns the least number of values for a test of up to `most` outliers."""
    return LEAST_FOR_ONE if most == 1 else LEAST_VALUES


def free_values(n: int, groups: int) -> int:
    """Returns the equivalent number of values in one group: each further group costs one for its mean."""
    return max(0, n - max(groups, 1) + 1)


def most_to_look_for(n: int) -> int:
    """Returns how many outliers to look for among `n` free values: one in five, at most ten, and one below LEAST_VALUES.

    Example:
        >>> most_to_look_for(9), most_to_look_for(20), most_to_look_for(54)
        (1, 4, 10)
    """
    return 1 if n < LEAST_VALUES else min(_MOST, n // _ONE_IN)


def extreme_deviates(
    values: Sequence[float],
    most: int = 3,
    alpha: float = 0.05,
    repeatability: float = 0.0,
    groups: Sequence[Hashable] | None = None,
) -> Outliers:
    """Returns the outliers by the generalised extreme Studentised deviate test.

    Each step removes the value furthest from the mean of the rest. The outliers are all values removed up to the last step whose statistic
    exceeds its critical value, so that two outliers do not mask each other.

    Args:
        values: in any unit, in any order.
        most: largest number of outliers to look for, >= 1 and no more than half of the values.
        alpha: probability of flagging anything where all values come from one normal distribution, 0 < alpha < 1.
        repeatability: the instrument's repeatability, in the unit of the values, >= 0. It is the least standard deviation used, so that
            readings which agree by chance do not flag an ordinary one.
        groups: group of each value, such as its spool; None for one group. Each value is compared with the mean of its own group, and the
            variances are pooled. Of several groups, those of fewer than LEAST_IN_GROUP are left out. Means are updated after each removal.

    Raises:
        ValueError: a value that is not finite, or an argument out of its range.

    Notes:
        Assumes normally distributed values apart from the outliers. With fewer than LEAST_VALUES (LEAST_FOR_ONE with `most` 1) nothing is
        flagged, `trusted` is False, and the steps are for information. At alpha 0.05 something is flagged by chance in 5.0 % of sets with
        `most` 1. With more it is 6.5 % of sets of 15 (`most` 3; 9 % with 7), 5.5 % of 25 and 5.2 % of 54 (20,000 simulated sets each). In
        groups: 5.3 % of 3 by 5 (`most` 1), 6.3 % of 5 by 5 (4), 5.2 % of 10 by 5 (8) (4,000 sets each).

        The test stops when the rest differ by rounding only. Of two values equally far from the mean the higher is removed
        first. A flag alone excludes nothing: a reading is excluded only with a named cause.

    Reference:
        Rosner 1983, Percentage points for a generalized ESD many-outlier procedure, Technometrics 25(2), 165-172; NIST/SEMATECH
        e-Handbook 1.3.5.17.3, which also says from how many values on it is accurate. With `most` 1 it is Grubbs' two-sided test (1.3.5.17.1).
        In groups: the largest Studentised residual, Lund 1975, Technometrics 17(4), 473-476 (from memory), identical for one group.

    Example:
        >>> found = extreme_deviates([*range(1, 20), 100.0])
        >>> found.flagged, round(found.steps[0].statistic, 3), round(found.steps[0].critical, 3)
        ((19,), 4.099, 2.708)
    """
    found = [float(value) for value in values]
    _check_arguments(found, most, alpha, repeatability)
    kept = _grouped(found, groups)
    n = sum(map(len, kept))
    free = free_values(n, len(kept))
    trusted = free >= least_values(most)
    if trusted and most > free // 2:
        raise ValueError(f"most is {most!r}; of {free} values at most {free // 2} can be outliers")
    steps = _steps(found, kept, min(most, free // 2), alpha, repeatability)
    beyond = [number for number, step in enumerate(steps, 1) if step.statistic > step.critical]
    flagged = tuple(step.index for step in steps[: max(beyond, default=0)]) if trusted else ()
    return Outliers(n, most, alpha, tuple(steps), flagged, trusted, max(len(kept), 1), len(found) - n)


def _check_arguments(values: Sequence[float], most: int, alpha: float, repeatability: float) -> None:
    if not all(math.isfinite(value) for value in values):
        raise ValueError("every value must be a finite number")
    if most < 1:
        raise ValueError(f"most is {most!r}; at least 1 outlier must be looked for")
    if not 0 < alpha < 1:
        raise ValueError(f"alpha is {alpha!r}; it must be between 0 and 1")
    if not (math.isfinite(repeatability) and repeatability >= 0):
        raise ValueError(f"repeatability is {repeatability!r}; it must be a number, 0 or more")


def _grouped(values: Sequence[float], groups: Sequence[Hashable] | None) -> list[list[int]]:
    """Returns the indices of the values per group in order of size; of several groups, small ones are left out."""
    if groups is None:
        return [sorted(range(len(values)), key=lambda index: values[index])]
    if len(groups) != len(values):
        raise ValueError(f"groups names {len(groups)} groups for {len(values)} values; each value needs its own")
    found: dict[Hashable, list[int]] = {}
    for index, group in enumerate(groups):
        found.setdefault(group, []).append(index)
    least = LEAST_IN_GROUP if len(found) > 1 else 1
    return [sorted(members, key=lambda index: values[index]) for members in found.values() if len(members) >= least]


def _steps(
    values: Sequence[float], groups: list[list[int]], most: int, alpha: float, repeatability: float
) -> list[Step]:
    """Returns the steps of the test; the furthest value is always the smallest or largest of its group."""
    steps: list[Step] = []
    while len(steps) < most:
        means = [math.fsum(values[index] for index in group) / len(group) for group in groups]
        apart = [values[index] - mean for group, mean in zip(groups, means, strict=True) for index in group]
        able = [number for number, group in enumerate(groups) if len(group) >= LEAST_IN_GROUP]
        if not able or max(apart) - min(apart) <= BINARY_NOISE:
            break
        df = len(apart) - len(groups)
        spread = math.hypot(*apart) / math.sqrt(df)
        # A value shifts the mean of a small group towards itself, so its distance is scaled up.
        shares = {number: math.sqrt(1 - 1 / len(groups[number])) for number in able}
        far = {(number, end): abs(values[groups[number][end]] - means[number]) for number in able for end in (-1, 0)}
        number, end = max(far, key=lambda place: far[place] / shares[place[0]])
        critical = _critical(df, sum(len(groups[one]) for one in able), alpha) * shares[number]
        steps.append(Step(groups[number].pop(end), far[number, end] / max(spread, repeatability), critical))
    return steps


def _critical(df: int, tested: int, alpha: float) -> float:
    """Returns the critical value of the largest of `tested` Studentised residuals with `df` degrees of freedom."""
    from scipy.special import stdtrit

    t = float(stdtrit(df - 1, 1 - alpha / (2 * tested)))
    return t * math.sqrt(df / (df - 1 + t * t))


@dataclass(frozen=True, slots=True)
class MeanOf:
    """A mean of `n` values with its standard uncertainty in their unit, None where unknown."""

    mean: float
    uncertainty: float | None
    n: int


@dataclass(frozen=True, slots=True)
class WithAndWithout:
    """The mean of all values, and the mean without some of them."""

    with_them: MeanOf
    without_them: MeanOf

    @property
    def shift(self) -> float:
        """The change of the mean without them, in the unit of the values, positive for a rise."""
        return self.without_them.mean - self.with_them.mean


def with_and_without(
    values: Sequence[float], excluded: Sequence[int], instrument: float | None = None
) -> WithAndWithout:
    """Returns the mean of the values with and without some of them.

    Args:
        values: in any unit, at least one.
        excluded: indices to leave out, counted from 0.
        instrument: standard uncertainty of the instrument, in the unit of the values, >= 0; None when unknown.

    Raises:
        ValueError: an index that is not one of a value, nothing left, or a value that is not finite.

    Notes:
        A person decides which values to exclude, and names the cause. Excluding values only because they lie far out understates the
        uncertainty of the rest.

    Reference:
        Uncertainty of a mean: see lots.domain.statistics.summaries.standard_error.

    Example:
        >>> found = with_and_without([1.0, 3.0, 8.0], [2])
        >>> found.with_them.mean, found.without_them, found.shift
        (4.0, MeanOf(mean=2.0, uncertainty=1.0, n=2), -2.0)
    """
    out = set(excluded)
    if strange := sorted(out - set(range(len(values)))):
        raise ValueError(f"value number {strange[0]} (from 0) does not exist among {len(values)}")
    if not all(math.isfinite(value) for value in values):
        raise ValueError("every value must be a finite number")
    kept = [value for index, value in enumerate(values) if index not in out]
    if not kept:
        raise ValueError("leaving out every value leaves no mean")
    return WithAndWithout(_mean_of(values, instrument), _mean_of(kept, instrument))


def _mean_of(values: Sequence[float], instrument: float | None) -> MeanOf:
    return MeanOf(math.fsum(values) / len(values), mean_uncertainty(values, instrument), len(values))
