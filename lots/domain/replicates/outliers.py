"""Readings that stand apart from the rest: which they are, and what the mean is with and without them. Nothing is removed here."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.statistics.summaries import mean_uncertainty
from lots.domain.words import counted

# Rosner's critical values are approximate: from 15 values on they hold their risk well enough, from 25 on closely. That for a single outlier is
# exact, but six values or fewer tell nothing of what is ordinary (NIST/SEMATECH e-Handbook 1.3.5.17.3 and 1.3.5.17.1).
LEAST_VALUES = 15
LEAST_FOR_ONE = 7
# A group of two has its readings equally far from its mean: it cannot tell which is the strange one.
LEAST_IN_GROUP = 3
# So many are looked for at most: one value in five, and never more than Rosner tabulated. Common practice, no source.
_ONE_IN, _MOST = 5, 10


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the test: the value furthest from the mean of those still in.

    Args:
        index: which value it is, counted from 0 as they were given.
        statistic: its distance from that mean in standard deviations, >= 0 (Rosner's R).
        critical: what the statistic exceeds by chance at the test's alpha (Rosner's lambda).
    """

    index: int
    statistic: float
    critical: float


@dataclass(frozen=True, slots=True)
class Outliers:
    """What the test says.

    Args:
        n: values tested: of several groups, those with at least LEAST_IN_GROUP.
        most: how many outliers were looked for.
        alpha: probability of flagging anything where nothing stands apart.
        steps: one per value taken out, in that order; fewer than `most` where what is left has no scatter.
        flagged: indices of the outliers, furthest first; empty when `trusted` is False.
        trusted: whether there are enough values for the test to mean anything.
        groups: how many groups they came in, each with a mean of its own.
        left_out: values not tested, since their groups have fewer than LEAST_IN_GROUP.
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
        """The result in a sentence."""
        if not self.trusted:
            free = f"{free_values(self.n, self.groups)} of at least {least_values(self.most)}"
            spent = " (each further group spends one on its mean)" if self.groups > 1 else ""
            aside = (
                f"; {self.left_out} more in groups of fewer than {LEAST_IN_GROUP} tell nothing" if self.left_out else ""
            )
            return f"Too few values to tell outliers: {free}{spent}{aside}, so none is flagged."
        found = len(self.flagged)
        count = counted(found, "outlier") if found else "No outlier"
        of = f"n = {self.n}{f' in {self.groups} groups' if self.groups > 1 else ''}"
        return f"{count} found (generalised ESD test, {of}, at most {counted(self.most, 'outlier')}, alpha = {self.alpha:.2g})."


def least_values(most: int) -> int:
    """Returns from how many values on the test can be trusted, looking for up to `most` outliers."""
    return LEAST_FOR_ONE if most == 1 else LEAST_VALUES


def free_values(n: int, groups: int) -> int:
    """Returns what `n` values in so many groups are worth as values of one: each further group spends one on its mean."""
    return max(0, n - max(groups, 1) + 1)


def most_to_look_for(n: int) -> int:
    """Returns how many outliers to look for among `n` free values: one in five, at most ten, and only one where more cannot be told.

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
    """Returns which values stand apart from the rest, by the generalised extreme Studentised deviate test.

    The value furthest from the mean is taken out, then the one furthest from the mean of the rest, and so on. The outliers are all those
    taken out up to the last step whose statistic exceeds its critical value, so that two that hide each other are still found.

    Args:
        values: in any unit, in any order.
        most: how many outliers to look for at most, >= 1 and no more than half of the values.
        alpha: probability of flagging anything where all values come from one normal distribution, 0 < alpha < 1.
        repeatability: standard deviation below which scatter is not believed, in the unit of the values, >= 0: the instrument's own, so
            that readings that happen to agree do not make an ordinary one look strange.
        groups: per value which group it belongs to, such as its spool; None for all in one. Each is held against the mean of its own, and their
            scatter is pooled; of several groups those of fewer than LEAST_IN_GROUP are left out. A mean is taken anew once one of its values is out.

    Raises:
        ValueError: a value that is not finite, or an argument out of its range.

    Notes:
        For values that are normally distributed but for the outliers. With fewer than LEAST_VALUES (LEAST_FOR_ONE with `most` 1) nothing is flagged,
        `trusted` is False, and the steps are for information. At alpha 0.05 something is flagged by chance in 5.0 % of sets with `most` 1; with
        more in 6.5 % of sets of 15 (`most` 3; 9 % with 7), 5.5 % of 25 and 5.2 % of 54 (20,000 simulated sets each). In groups:
        5.3 % of 3 by 5 (`most` 1), 6.3 % of 5 by 5 (4), 5.2 % of 10 by 5 (8) (4,000 sets each).

        Values that differ by arithmetic only have no scatter: the test stops there. Of two values equally far from the mean the higher is taken out
        first. A flag is a question: only a named cause excludes a reading.

    Reference:
        Rosner 1983, Percentage points for a generalized ESD many-outlier procedure, Technometrics 25(2), 165-172; NIST/SEMATECH
        e-Handbook 1.3.5.17.3, which also says from how many values on it is accurate. With `most` 1 it is Grubbs' two-sided test (1.3.5.17.1).
        In groups: the greatest Studentised residual, Lund 1975, Technometrics 17(4), 473-476 (from memory), which is the same in one group.

    Example:
        >>> found = extreme_deviates([*range(1, 20), 100.0])
        >>> found.flagged, round(found.steps[0].statistic, 3), round(found.steps[0].critical, 3)
        ((19,), 4.099, 2.708)
    """
    found = [float(value) for value in values]
    _refuse(found, most, alpha, repeatability)
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


def _refuse(values: Sequence[float], most: int, alpha: float, repeatability: float) -> None:
    if not all(math.isfinite(value) for value in values):
        raise ValueError("every value must be a finite number")
    if most < 1:
        raise ValueError(f"most is {most!r}; at least 1 outlier must be looked for")
    if not 0 < alpha < 1:
        raise ValueError(f"alpha is {alpha!r}; it must be between 0 and 1")
    if not (math.isfinite(repeatability) and repeatability >= 0):
        raise ValueError(f"repeatability is {repeatability!r}; it must be a number, 0 or more")


def _grouped(values: Sequence[float], groups: Sequence[Hashable] | None) -> list[list[int]]:
    """Indices of the values per group, each in order of size; of several groups those that tell nothing are left out."""
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
    """Takes out one value after the other; the furthest is always at an end of those still in its group, in order of size."""
    steps: list[Step] = []
    while len(steps) < most:
        means = [math.fsum(values[index] for index in group) / len(group) for group in groups]
        apart = [values[index] - mean for group, mean in zip(groups, means, strict=True) for index in group]
        able = [number for number, group in enumerate(groups) if len(group) >= LEAST_IN_GROUP]
        if not able or max(apart) - min(apart) <= BINARY_NOISE:
            break
        df = len(apart) - len(groups)
        spread = math.hypot(*apart) / math.sqrt(df)
        # A value of a small group draws its mean along, so its distance counts for more.
        shares = {number: math.sqrt(1 - 1 / len(groups[number])) for number in able}
        far = {(number, end): abs(values[groups[number][end]] - means[number]) for number in able for end in (-1, 0)}
        number, end = max(far, key=lambda place: far[place] / shares[place[0]])
        critical = _critical(df, sum(len(groups[one]) for one in able), alpha) * shares[number]
        steps.append(Step(groups[number].pop(end), far[number, end] / max(spread, repeatability), critical))
    return steps


def _critical(df: int, tested: int, alpha: float) -> float:
    """The same for the greatest of `tested` Studentised residuals whose scatter has `df` degrees of freedom."""
    from scipy.special import stdtrit

    t = float(stdtrit(df - 1, 1 - alpha / (2 * tested)))
    return t * math.sqrt(df / (df - 1 + t * t))


@dataclass(frozen=True, slots=True)
class MeanOf:
    """A mean with what it rests on: `n` values, and its standard uncertainty in their unit, None where nothing tells it."""

    mean: float
    uncertainty: float | None
    n: int


@dataclass(frozen=True, slots=True)
class WithAndWithout:
    """The mean of all values, and that of all but some."""

    with_them: MeanOf
    without_them: MeanOf

    @property
    def shift(self) -> float:
        """What leaving them out does to the mean, in the unit of the values: positive when it rises."""
        return self.without_them.mean - self.with_them.mean


def with_and_without(
    values: Sequence[float], excluded: Sequence[int], instrument: float | None = None
) -> WithAndWithout:
    """Returns the mean of the values with and without some of them, so that a verdict can be shown both ways.

    Args:
        values: in any unit, at least one.
        excluded: indices to leave out, counted from 0.
        instrument: standard uncertainty of the instrument, in the unit of the values, >= 0; None when unknown.

    Raises:
        ValueError: an index that is not one of a value, nothing left, or a value that is not finite.

    Notes:
        Which values to leave out is for a person to say, with the cause. Leaving out what merely lies far away makes the uncertainty of the rest
        look better than it is.

    Reference:
        Uncertainty of a mean: see lots.domain.statistics.summaries.standard_error.

    Example:
        >>> found = with_and_without([1.0, 3.0, 8.0], [2])
        >>> found.with_them.mean, found.without_them, found.shift
        (4.0, MeanOf(mean=2.0, uncertainty=1.0, n=2), -2.0)
    """
    out = set(excluded)
    if strange := sorted(out - set(range(len(values)))):
        raise ValueError(f"there is no value number {strange[0]} (from 0) among {len(values)}")
    if not all(math.isfinite(value) for value in values):
        raise ValueError("every value must be a finite number")
    kept = [value for index, value in enumerate(values) if index not in out]
    if not kept:
        raise ValueError("leaving out every value leaves no mean")
    return WithAndWithout(_mean_of(values, instrument), _mean_of(kept, instrument))


def _mean_of(values: Sequence[float], instrument: float | None) -> MeanOf:
    return MeanOf(math.fsum(values) / len(values), mean_uncertainty(values, instrument), len(values))
